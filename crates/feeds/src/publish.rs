//! Writes a file so that others see all of it or nothing, even after a crash.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Why a file was not published; an older file with its name is still there.
#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    /// Not a plain file name.
    #[error("“{name}” is not a file's name")]
    Name {
        /// The name as given.
        name: String,
    },
    /// The new file cannot be created.
    #[error("{path} cannot be made: {source}; may this user write there?", path = path.display())]
    Create {
        /// The file's path.
        path: PathBuf,
        /// The system's error.
        #[source]
        source: io::Error,
    },
    /// The file cannot be written.
    #[error("{path} cannot be written: {source}; is the disk full?", path = path.display())]
    Write {
        /// The file's path.
        path: PathBuf,
        /// The system's error.
        #[source]
        source: io::Error,
    },
    /// The file cannot be renamed.
    #[error("{path} cannot be moved into place: {source}", path = path.display())]
    Rename {
        /// The file's path.
        path: PathBuf,
        /// The system's error.
        #[source]
        source: io::Error,
    },
    /// The file is written, but its folder may not be on disk.
    #[error("{path} is written, but the folder cannot be synced: {source}", path = path.display())]
    Folder {
        /// The folder's path.
        path: PathBuf,
        /// The system's error.
        #[source]
        source: io::Error,
    },
}

/// How many files this process has begun.
static COUNT: AtomicU64 = AtomicU64::new(0);

/// Writes under another name in the same folder, syncs, renames, and syncs the folder. The other name
/// contains the process id and a count, so that no two writers ever share a file.
pub fn publish<T>(
    folder: &Path,
    name: &str,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<T>,
) -> Result<T, PublishError> {
    if Path::new(name).file_name().is_none_or(|n| n != name) {
        return Err(PublishError::Name { name: name.to_owned() });
    }
    let path = folder.join(name);
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    let part = folder.join(format!(".{name}.{}-{count}.part", std::process::id()));
    let written = write_part(&part, write).and_then(|value| {
        let renamed = fs::rename(&part, &path);
        renamed.map_err(|source| PublishError::Rename { path: path.clone(), source })?;
        Ok(value)
    });
    let value = written.inspect_err(|_| {
        // The first error is the one to report; a leftover file is never read.
        let _ = fs::remove_file(&part);
    })?;
    let synced = File::open(folder).and_then(|f| f.sync_all());
    synced.map_err(|source| PublishError::Folder { path: folder.to_owned(), source })?;
    Ok(value)
}

fn write_part<T>(
    part: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<T>,
) -> Result<T, PublishError> {
    let created = File::create(part);
    let file = created.map_err(|source| PublishError::Create { path: part.to_owned(), source })?;
    let mut out = BufWriter::new(file);
    let written = write(&mut out).and_then(|value| {
        out.flush()?;
        out.get_ref().sync_all()?;
        Ok(value)
    });
    written.map_err(|source| PublishError::Write { path: part.to_owned(), source })
}
