//! Picture files in a backup.

use super::{BackupError, write};
use crate::shelf::photographs::{PictureName, SMALLER};
use crate::store::private_files;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use serde_json::Value as Json;
use sha2::{Digest, Sha256};
use sqlx::{AnyConnection, Row};
use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// The first value of a line with a file; no table has this name.
pub(super) const FILE: &str = "file of a picture";
/// The largest file, in bytes: a camera's have a third of it, and its line stays below the longest.
const MAX_BYTES: u64 = 32 * 1024 * 1024;
/// The longest file name, in bytes, that file systems allow.
const MAX_NAME: usize = 255;
/// How many missing files are named; the others are only counted.
const NAMED: usize = 100;

/// A picture that the shop knows, whose file is not in the backup.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// The name of the file.
    pub name: String,
    /// The reason, for people.
    pub why: String,
}

/// A file as stored in a backup.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct PictureFile {
    pub(super) name: String,
    pub(super) bytes: Vec<u8>,
}

/// The names of all files that the shop's pictures should have, read from the backup's snapshot: some
/// 100 bytes per file, which a large shop has in memory too.
pub(super) async fn names(snapshot: &mut AnyConnection) -> Result<BTreeSet<String>, BackupError> {
    let mut names = BTreeSet::new();
    for row in sqlx::query("SELECT hash FROM picture").fetch_all(&mut *snapshot).await? {
        let hash: String = row.try_get("hash")?;
        // Anything but a hash can only be there if the database was tampered with.
        if let Ok(name) = PictureName::parse(&hash) {
            names.insert(name.file());
            names.extend(SMALLER.map(|longest| name.smaller_file(longest)));
        }
    }
    for row in sqlx::query("SELECT image FROM item WHERE image <> ''").fetch_all(snapshot).await? {
        let images: String = row.try_get("image")?;
        names.extend(images.split('|').filter(|image| is_plain(image)).map(str::to_owned));
    }
    Ok(names)
}

/// A plain file name that leads nowhere else and is not hidden.
fn is_plain(name: &str) -> bool {
    let parts = ['/', '\\', '\0', ':'];
    !name.is_empty() && name.len() <= MAX_NAME && !name.starts_with('.') && !name.contains(parts)
}

/// A file's bytes, or why they are not in the backup.
pub(super) fn read(folder: Option<&Path>, name: &str) -> Result<Vec<u8>, String> {
    let folder = folder.ok_or("nobody said where the photographs are (--pictures DIR)")?;
    let path = folder.join(name);
    let found = fs::metadata(&path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => "it is not there".to_owned(),
        _ => "it cannot be read".to_owned(),
    })?;
    if !found.is_file() {
        return Err("it is no file".to_owned());
    }
    if found.len() > MAX_BYTES {
        return Err(format!("it has more than {} MB", MAX_BYTES / 1024 / 1024));
    }
    let bytes = fs::read(&path).map_err(|_| "it cannot be read".to_owned())?;
    if is_as_named(name, &bytes) { Ok(bytes) } else { Err("it is damaged".to_owned()) }
}

/// The largest file of a picture is named by its hash; nothing is known about other files.
fn is_as_named(name: &str, bytes: &[u8]) -> bool {
    PictureName::of_file(name).is_none_or(|hash| hex::encode(Sha256::digest(bytes)) == hash.as_str())
}

/// Adds a missing file, with its name as long as there is room.
pub(super) fn leave_out(left_out: &mut Vec<LeftOut>, name: String, why: String) {
    if left_out.len() < NAMED {
        left_out.push(LeftOut { name, why });
    }
}

/// `["file of a picture","NAME","BASE64"]`
pub(super) fn line(name: &str, bytes: &[u8]) -> Result<String, serde_json::Error> {
    let name = serde_json::to_string(name)?;
    Ok(format!("[\"{FILE}\",{name},\"{}\"]", STANDARD.encode(bytes)))
}

/// Reads such a line; none if it is not what was written.
pub(super) fn parse(values: &[Json]) -> Option<PictureFile> {
    let [_, Json::String(name), Json::String(text)] = values else { return None };
    let bytes = STANDARD.decode(text).ok()?;
    (is_plain(name) && is_as_named(name, &bytes)).then(|| PictureFile { name: name.clone(), bytes })
}

/// Files that are being restored; they are removed again unless they are kept.
#[derive(Debug)]
pub(super) struct Placing {
    folder: Option<PathBuf>,
    made_folder: bool,
    placed: Vec<PathBuf>,
    kept: bool,
}

impl Placing {
    pub(super) fn into_folder(folder: Option<PathBuf>) -> Self {
        Self { folder, made_folder: false, placed: Vec::new(), kept: false }
    }

    /// Writes a file into the folder. The same file may already be there; another file with its name is
    /// never overwritten.
    pub(super) fn place(&mut self, file: &PictureFile) -> Result<(), BackupError> {
        let folder = self.folder.clone().ok_or(BackupError::NoFolder { count: 1 })?;
        let path = folder.join(&file.name);
        let failed = |source| BackupError::Write { path: path.clone(), source };
        if !folder.is_dir() {
            private_files::create_dir_all(&folder).map_err(failed)?;
            self.made_folder = true;
        }
        match fs::read(&path) {
            Ok(there) if there == file.bytes => return Ok(()),
            Ok(_) => return Err(BackupError::OtherPicture { path }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(source) => return Err(BackupError::Read { path, source }),
        }
        let part = folder.join(format!(".{}.part", std::process::id()));
        let written = write::write_whole(&part, &file.bytes).and_then(|()| fs::rename(&part, &path));
        if let Err(source) = written {
            // The first error is the one to report.
            let _ = fs::remove_file(&part);
            return Err(failed(source));
        }
        self.placed.push(path);
        Ok(())
    }

    /// Keeps the files, and makes sure that their names are on disk.
    pub(super) fn keep(mut self) -> Result<(), BackupError> {
        self.kept = true;
        match self.placed.last() {
            Some(path) => {
                write::sync_folder(path).map_err(|source| BackupError::Write { path: path.clone(), source })
            }
            None => Ok(()),
        }
    }
}

impl Drop for Placing {
    fn drop(&mut self) {
        if self.kept {
            return;
        }
        for path in &self.placed {
            // What cannot be removed is a picture under the name of its own hash, which harms
            // nobody.
            let _ = fs::remove_file(path);
        }
        if let (true, Some(folder)) = (self.made_folder, &self.folder) {
            // Only if nothing else was put into it in the meantime.
            let _ = fs::remove_dir(folder);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_within_the_folder_are_taken() {
        let check = |name: &str, expected: bool| assert_eq!(is_plain(name), expected, "{name}");
        check("hat.jpg", true);
        check("Grüner Hut.png", true);
        check("../shop.db", false);
        check("a/b.jpg", false);
        check("a\\b.jpg", false);
        check(".hidden", false);
        check("..", false);
        check("", false);
        check("https://x.example/a.jpg", false);
        check(&"a".repeat(256), false);
    }

    #[test]
    fn a_line_is_read_as_it_was_written_or_not_at_all() {
        let values = |line: &str| serde_json::from_str::<Vec<Json>>(line).expect("a line");
        let written = line("hat \"1\".jpg", &[0, 255, 7]).expect("a line");
        let file = PictureFile { name: "hat \"1\".jpg".to_owned(), bytes: vec![0, 255, 7] };
        assert_eq!(parse(&values(&written)), Some(file));
        // FIPS 180-4's example “abc”, as NIST publishes it.
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let named = |bytes: &[u8]| parse(&values(&line(&format!("{abc}.jpg"), bytes).expect("a line")));
        assert!(named(b"abc").is_some() && named(b"abd").is_none());
        for wrong in ["[1,\"a.jpg\",\"AA==\"]", "[1,\"../a\",\"AA==\"]", "[1,\"a\",\"A\"]", "[1,\"a\"]"] {
            assert_eq!(parse(&values(wrong)).is_some(), wrong.contains("a.jpg"), "{wrong}");
        }
    }
}
