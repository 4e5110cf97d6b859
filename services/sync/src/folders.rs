//! Watched folders: feeds that appear in one are taken in, changes are written to the other.
//!
//! A file is taken in once its size and time have not changed between two looks or, if it ends as if its writer
//! had paused, for half a minute. Then it is moved away. Everything can be interrupted at any point: orders are
//! known by their numbers, files of styles and items by their hash, so taking a file in twice has the effect of
//! once.

mod incoming;

use crate::chain::tell_all;
use crate::exchange::{Destination, FeedOutError, FeedOutReport, FeedOutRun, OutFormat, What, feed_out};
use crate::watch::Watch;
use incoming::Found;
use ledger::online::NoteFeedTrouble;
use ledger::{Ledger, private_files};
use std::collections::HashMap;
use std::future::Future;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};
use tokio::time::MissedTickBehavior;

pub use incoming::Looked;

/// How often the in-folder is checked; a file waits at least twice as long.
pub const LOOK_EVERY: Duration = Duration::from_secs(2);
/// For how many looks a file must stay unchanged if it does not end like a complete file. A writer on a slow
/// line may pause longer than one look, and a last row without its line break is in no hurry.
const LOOKS_AT_UNENDED: u32 = 15;
/// How often changes are written to the out-folder. A feed collects many of them, and an online shop that reads
/// feeds does so every few minutes.
pub const OUT_EVERY: Duration = Duration::from_secs(30);
/// Folders within the in-folder for files of one kind, in the order in which they are taken in: an item needs
/// its style, and an order its item.
const KINDS: [&str; 3] = ["styles", "items", "orders"];
/// For files that were taken in completely.
const DONE: &str = "done";
/// For files of which anything was rejected.
const REJECTED: &str = "rejected";

/// Why the folders cannot be watched.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    #[error("{path} cannot be made: {source}; may this user write there?", path = path.display())]
    Make {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error("{path} cannot be read: {source}", path = path.display())]
    Look {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    /// A file that was taken in cannot be moved away.
    #[error("{path} was taken in but cannot be moved away: {source}; it will be taken in again, which changes nothing", path = path.display())]
    Move {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error("the report cannot be written: {0}")]
    Report(#[from] feeds::PublishError),
}

#[derive(Debug)]
pub struct Folders {
    ledger: Ledger,
    in_folder: Option<PathBuf>,
    out_folder: Option<PathBuf>,
    /// Each file as it was at the last look.
    seen: HashMap<PathBuf, Seen>,
}

/// A file as it was at a look.
#[derive(Clone, Copy, Debug)]
struct Seen {
    size: u64,
    modified: SystemTime,
    /// For how many looks it has not changed.
    still: u32,
}

impl Seen {
    fn again(file: &Found, before: Option<&Self>) -> Self {
        let (size, modified) = (file.size, file.modified);
        let same = before.filter(|b| b.size == size && b.modified == modified);
        Self { size, modified, still: same.map_or(0, |b| b.still.saturating_add(1)) }
    }
}

impl Folders {
    /// Creates the folders that are missing.
    pub fn new(
        ledger: Ledger,
        in_folder: Option<PathBuf>,
        out_folder: Option<PathBuf>,
    ) -> Result<Self, FolderError> {
        let make = |path: PathBuf| {
            std::fs::create_dir_all(&path).map_err(|source| FolderError::Make { path, source })
        };
        // What was taken in contains customers' names. Where others put and fetch files, the umask decides
        // who they are.
        let make_own = |path: PathBuf| {
            private_files::create_dir_all(&path).map_err(|source| FolderError::Make { path, source })
        };
        if let Some(folder) = &in_folder {
            KINDS.iter().try_for_each(|name| make(folder.join(name)))?;
            [DONE, REJECTED].iter().try_for_each(|name| make_own(folder.join(name)))?;
        }
        out_folder.iter().try_for_each(|folder| make(folder.clone()))?;
        Ok(Self { ledger, in_folder, out_folder, seen: HashMap::new() })
    }

    /// Checks the in-folder once, and takes in what has not changed since the last look.
    pub async fn look(&mut self) -> Result<Vec<Looked>, FolderError> {
        let Some(folder) = self.in_folder.clone() else { return Ok(Vec::new()) };
        let found = incoming::list(&folder)?;
        let seen = |f: &Found| (f.path.clone(), Seen::again(f, self.seen.get(&f.path)));
        self.seen = found.iter().map(seen).collect();
        let mut looked = Vec::new();
        for file in &found {
            let still = self.seen.get(&file.path).map_or(0, |s| s.still);
            if still >= LOOKS_AT_UNENDED || (still > 0 && file.is_ended()) {
                looked.push(incoming::take(&self.ledger, &folder, file).await?);
            }
        }
        Ok(looked)
    }

    /// Writes changes since the last feed to the out-folder, if there are any.
    pub async fn tell(&self) -> Result<Option<FeedOutReport>, FeedOutError> {
        let Some(folder) = self.out_folder.clone() else { return Ok(None) };
        let run = FeedOutRun {
            what: What::Changes,
            format: OutFormat::Csv,
            layout: None,
            to: Destination::Folder(folder),
            watch: Watch::new(),
        };
        let report = feed_out(&self.ledger, run).await?;
        Ok(report.file.is_some().then_some(report))
    }

    pub fn in_folder(&self) -> Option<&Path> {
        self.in_folder.as_deref()
    }
}

/// Watches the folders until `shutdown`. Problems with a file, a folder or the database are logged and tried
/// again at the next look; the counter goes on selling meanwhile.
pub async fn serve(mut folders: Folders, shutdown: impl Future<Output = ()>) {
    let mut looks = tokio::time::interval(LOOK_EVERY);
    let mut tells = tokio::time::interval(OUT_EVERY);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    tells.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut troubles = Troubles::default();
    tokio::pin!(shutdown);
    loop {
        let is_look = tokio::select! {
            () = &mut shutdown => return,
            _ = looks.tick() => true,
            _ = tells.tick() => false,
        };
        let work = async {
            if is_look {
                look_once(&mut folders, &mut troubles).await;
            } else {
                tell_once(&folders, &mut troubles).await;
            }
        };
        // If it is dropped in the middle, that is an interruption, which every run survives.
        tokio::select! {
            () = &mut shutdown => return,
            () = work => {}
        }
    }
}

async fn look_once(folders: &mut Folders, troubles: &mut Troubles) {
    let looked = folders.look().await.map_err(|e| tell_all(&e));
    if troubles.note("in", looked.as_ref().err()) {
        write_down(&folders.ledger, "the in-folder", looked.as_ref().err()).await;
    }
    for one in looked.unwrap_or_default() {
        if troubles.note(&one.name, one.waits.as_ref()) {
            write_down(&folders.ledger, &one.name, one.waits.as_ref()).await;
        }
        if one.waits.is_none() {
            tracing::info!(file = one.name, moved = one.moved, "{}", one.words);
        }
        if one.moved.starts_with(REJECTED) {
            write_down(&folders.ledger, &one.name, Some(&one.words)).await;
        }
    }
}

async fn tell_once(folders: &Folders, troubles: &mut Troubles) {
    let told = folders.tell().await.map_err(|e| tell_all(&e));
    if troubles.note("out", told.as_ref().err()) {
        write_down(&folders.ledger, "the out-folder", told.as_ref().err()).await;
    }
    if let Ok(Some(report)) = told {
        let file = report.file.unwrap_or_default();
        tracing::info!(file = %file.display(), listings = report.listings, "changes told");
    }
}

/// Stores a failure for Today. If the database is away it cannot be stored, but the log has it.
async fn write_down(ledger: &Ledger, file: &str, words: Option<&String>) {
    let Some(words) = words else { return };
    let note = NoteFeedTrouble { file: file.to_owned(), words: words.clone() };
    if let Err(error) = ledger.execute(None, &note).await {
        tracing::warn!(%error, file, "the failure cannot be written down");
    }
}

/// Reports a problem once while it lasts, not every two seconds.
#[derive(Default)]
struct Troubles(HashMap<String, String>);

impl Troubles {
    fn note(&mut self, about: &str, trouble: Option<&String>) -> bool {
        let Some(words) = trouble else {
            self.0.remove(about);
            return false;
        };
        let is_new = self.0.insert(about.to_owned(), words.clone()).as_ref() != Some(words);
        if is_new {
            tracing::warn!(about, "{words}; tried again at the next look");
        }
        is_new
    }
}
