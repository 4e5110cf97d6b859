//! The folder of pictures: files are written whole or not at all, and read by name.

use ledger::private_files;
use std::fs::{self, File};
use std::io::{self, ErrorKind, Write};
use std::path::Path;

/// Writes a file under its name; it is on disk when this returns. If a file of that name and length exists,
/// nothing is written: the name is the hash of the content.
pub(super) fn write(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    let target = folder.join(name);
    let length = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
    if fs::metadata(&target).is_ok_and(|found| found.is_file() && found.len() == length) {
        return Ok(());
    }
    private_files::create_dir_all(folder)?;
    let part = folder.join(format!(".{}.part", crate::security::random::text()));
    let written = write_part(&part, bytes).and_then(|()| fs::rename(&part, &target));
    if written.is_err() {
        // The first error is the one to report.
        let _ = fs::remove_file(&part);
    }
    written?;
    File::open(folder)?.sync_all()
}

fn write_part(part: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = private_files::create_new(part)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Reads a file; none if it does not exist.
pub(super) fn read(folder: &Path, name: &str) -> io::Result<Option<Vec<u8>>> {
    match fs::read(folder.join(name)) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_written_whole_and_nothing_else_is_left() {
        let home = tempfile::tempdir().expect("a folder");
        let folder = home.path().join("images");
        write(&folder, "a.jpg", b"one").expect("written");
        write(&folder, "a.jpg", b"two").expect("there already by name and length");
        assert_eq!(read(&folder, "a.jpg").expect("read").as_deref(), Some(&b"one"[..]));
        write(&folder, "a.jpg", b"three").expect("one cut short is written again");
        assert_eq!(read(&folder, "a.jpg").expect("read").as_deref(), Some(&b"three"[..]));
        assert_eq!(read(&folder, "b.jpg").expect("not there"), None);
        assert_eq!(fs::read_dir(&folder).expect("the folder").count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn nobody_else_sees_the_photographs() {
        use std::os::unix::fs::PermissionsExt;
        let home = tempfile::tempdir().expect("a folder");
        let folder = home.path().join("images");
        write(&folder, "a.jpg", b"one").expect("written");
        let mode = |path: &Path| fs::metadata(path).expect("there").permissions().mode() & 0o777;
        assert_eq!((mode(&folder), mode(&folder.join("a.jpg"))), (0o700, 0o600));
    }

    #[test]
    fn a_name_that_is_taken_by_a_folder_leaves_nothing_behind() {
        let home = tempfile::tempdir().expect("a folder");
        fs::create_dir(home.path().join("a.jpg")).expect("a folder of that name");
        assert!(write(home.path(), "a.jpg", b"one").is_err());
        assert_eq!(fs::read_dir(home.path()).expect("the folder").count(), 1);
    }
}
