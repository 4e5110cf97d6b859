//! Files and folders for their owner only, for everything with customers' names, pictures or money.
//!
//! The umask does not matter here: that of a service is often permissive, and a shop's files outlive
//! it.

use std::fs::{DirBuilder, File, OpenOptions};
use std::io;
use std::path::Path;

/// The permission bits of group and others.
#[cfg(unix)]
const OTHERS: u32 = 0o077;

fn for_owner(options: &mut OpenOptions) -> &mut OpenOptions {
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(options, 0o600);
    options
}

/// A new file, or an existing file with its contents removed.
pub fn create(path: &Path) -> io::Result<File> {
    let file = for_owner(OpenOptions::new().write(true).create(true).truncate(true)).open(path)?;
    // An existing file keeps its permissions.
    shut(&file)?;
    Ok(file)
}

/// Removes the permissions of others from an open file.
pub fn shut(file: &File) -> io::Result<()> {
    #[cfg(unix)]
    file.set_permissions(std::os::unix::fs::PermissionsExt::from_mode(0o600))?;
    #[cfg(not(unix))]
    let _ = file;
    Ok(())
}

/// A new file; an error if it exists.
pub fn create_new(path: &Path) -> io::Result<File> {
    for_owner(OpenOptions::new().write(true).create_new(true)).open(path)
}

/// A folder and its missing parents. Existing folders stay as they are.
pub fn create_dir_all(path: &Path) -> io::Result<()> {
    let mut builder = DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(path)
}

/// Whether anybody but its owner can access a file.
#[cfg(unix)]
pub(crate) fn is_open_to_others(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    std::fs::metadata(path).is_ok_and(|found| found.permissions().mode() & OTHERS != 0)
}

/// Whether anybody but its owner can access a file.
#[cfg(not(unix))]
pub(crate) fn is_open_to_others(_: &Path) -> bool {
    false
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::fs;
    use std::os::unix::fs::PermissionsExt;

    fn mode(path: &Path) -> u32 {
        fs::metadata(path).unwrap().permissions().mode() & 0o777
    }

    #[test]
    fn files_and_folders_are_their_owners() {
        let home = tempfile::tempdir().unwrap();
        let path = |name: &str| home.path().join(name);
        create(&path("a")).unwrap();
        create_new(&path("b")).unwrap();
        create_dir_all(&path("c/d")).unwrap();
        fs::write(path("e"), "wide").unwrap();
        fs::set_permissions(path("e"), fs::Permissions::from_mode(0o666)).unwrap();
        assert!(is_open_to_others(&path("e")));
        create(&path("e")).unwrap();
        let modes = ["a", "b", "c", "c/d", "e"].map(|name| mode(&path(name)));
        assert_eq!(modes, [0o600, 0o600, 0o700, 0o700, 0o600]);
        assert!(create_new(&path("a")).is_err());
        assert!(!is_open_to_others(&path("e")) && !is_open_to_others(&path("gone")));
    }
}
