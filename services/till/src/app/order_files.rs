//! Files of orders between looking at them and taking them in. They stand on disk, in a folder that only this program
//! opens, and are gone after a while or when the program ends.

use crate::security::random;
use ledger::private_files;
use std::collections::HashMap;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// The largest file that the pages take: some hundred thousand orders. The command line takes larger ones.
pub(crate) const MAX_ORDER_FILE_BYTES: u64 = 64 << 20;
/// Long enough to look at the file, ask somebody and come back.
const KEPT_FOR: Duration = Duration::from_mins(30);
/// Together they fit on a small disk.
const MOST_KEPT: usize = 16;
/// Its name in its folder; the name that it came with is only shown.
const FILE: &str = "orders";

/// A file that somebody uploaded.
#[derive(Debug)]
pub(crate) struct OrderFile {
    folder: TempDir,
    /// The name that it came with.
    pub(crate) name: String,
    /// Who uploaded it; nobody else is shown it.
    who: String,
    since: Instant,
}

impl OrderFile {
    /// A new file in a folder of its own, to be written.
    pub(crate) fn create(name: &str, who: &str) -> io::Result<(Self, File)> {
        let folder = tempfile::Builder::new().prefix("fleecefold-orders-").tempdir()?;
        let file = private_files::create_new(&folder.path().join(FILE))?;
        let new = Self { folder, name: name.to_owned(), who: who.to_owned(), since: Instant::now() };
        Ok((new, file))
    }

    pub(crate) fn path(&self) -> PathBuf {
        self.folder.path().join(FILE)
    }

    /// Where its rejected orders are written.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }
}

/// The files by their tokens.
#[derive(Debug, Default)]
pub(crate) struct OrderFiles(Mutex<HashMap<String, Arc<OrderFile>>>);

impl OrderFiles {
    /// Keeps a file for a while. Returns its token.
    pub(crate) fn keep(&self, file: OrderFile) -> String {
        let mut files = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        files.retain(|_, file| file.since.elapsed() < KEPT_FOR);
        if files.len() >= MOST_KEPT
            && let Some(oldest) =
                files.iter().min_by_key(|(_, file)| file.since).map(|(token, _)| token.clone())
        {
            files.remove(&oldest);
        }
        let token = random::text();
        files.insert(token.clone(), Arc::new(file));
        token
    }

    /// The file with this token, if it is this person's.
    pub(crate) fn find(&self, token: &str, who: &str) -> Option<Arc<OrderFile>> {
        let files = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        files.get(token).filter(|file| file.who == who && file.since.elapsed() < KEPT_FOR).cloned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(who: &str) -> OrderFile {
        OrderFile::create("may.csv", who).expect("a file").0
    }

    #[test]
    fn a_file_is_its_persons_and_the_oldest_gives_way() {
        let files = OrderFiles::default();
        let first = files.keep(file("Ada"));
        let path = files.find(&first, "Ada").expect("kept").path();
        assert!(path.exists() && files.find(&first, "Maud").is_none() && files.find("", "Ada").is_none());
        for _ in 0..MOST_KEPT {
            files.keep(file("Maud"));
        }
        assert!(files.find(&first, "Ada").is_none());
        assert!(!path.exists(), "its folder is gone");
    }
}
