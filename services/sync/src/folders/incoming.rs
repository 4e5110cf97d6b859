//! One file in the in-folder: what it is, what became of it, and where it goes.

use super::{DONE, FolderError, KINDS, REJECTED};
use crate::config::{Given, GivenError, GivenLayout};
use crate::exchange::{
    AddReport, AddRun, IntakeError, OrdersReport, OrdersRun, add_items, add_styles, feed_in,
};
use crate::watch::Watch;
use feeds::{Feed, publish};
use ledger::{Ledger, private_files};
use serde::Serialize;
use std::fs;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Who brought a file, for the activity log.
const WHO: &str = "in-folder";
/// The layout for all files in a folder that have none of their own.
const FOLDER_LAYOUT: &str = "layout.toml";
/// Extensions of files that are not feeds, or not complete yet.
const PASSED_OVER: [&str; 3] = [".toml", ".part", ".tmp"];

pub(super) struct Found {
    pub(super) path: PathBuf,
    pub(super) size: u64,
    pub(super) modified: SystemTime,
    name: String,
    /// The folder it is in; none for the in-folder itself.
    kind: Option<&'static str>,
}

impl Found {
    /// Whether it ends like a complete feed: with a line break, or as JSON does. If it cannot be read now, that
    /// is reported when it is taken in.
    pub(super) fn is_ended(&self) -> bool {
        let last = || {
            let mut file = fs::File::open(&self.path)?;
            file.seek(SeekFrom::End(-1))?;
            let mut byte = [0];
            file.read_exact(&mut byte).map(|()| byte[0])
        };
        self.size > 0 && last().map_or(true, |byte| matches!(byte, b'\n' | b'\r' | b'}' | b']'))
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Looked {
    pub name: String,
    /// Where it is now, relative to the in-folder; where it was if it waits.
    pub moved: String,
    /// What became of it, in words.
    pub words: String,
    /// Why it was left where it is, to be tried again.
    pub waits: Option<String>,
}

/// All files that can be taken in, those of each kind by name.
pub(super) fn list(folder: &Path) -> Result<Vec<Found>, FolderError> {
    let mut found = Vec::new();
    for kind in KINDS.into_iter().map(Some).chain([None]) {
        let place = kind.map_or(folder.to_owned(), |k| folder.join(k));
        let failed = |source| FolderError::Look { path: place.clone(), source };
        let mut here = Vec::new();
        for entry in fs::read_dir(&place).map_err(failed)? {
            let entry = entry.map_err(failed)?;
            // Links are not followed: what they point to is not this folder's to move.
            let Ok(about) = entry.metadata() else { continue };
            let Some(name) = entry.file_name().to_str().map(str::to_owned) else { continue };
            if !about.is_file() || name.starts_with('.') || PASSED_OVER.iter().any(|e| name.ends_with(e)) {
                continue;
            }
            let modified = about.modified().map_err(failed)?;
            here.push(Found { path: entry.path(), size: about.len(), modified, name, kind });
        }
        here.sort_by(|a, b| a.name.cmp(&b.name));
        found.extend(here);
    }
    Ok(found)
}

/// What is written beside a file that was handled.
#[derive(Serialize)]
struct Report<'a> {
    file: &'a str,
    feed: Option<&'static str>,
    at: String,
    outcome: &'a str,
    words: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    orders: Option<&'a OrdersReport>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rows: Option<&'a AddReport>,
}

enum Taken {
    Orders(OrdersReport),
    Rows(Feed, AddReport),
    Refused(String),
}

impl Taken {
    fn words(&self) -> String {
        match self {
            Self::Orders(report) => report.to_string(),
            Self::Rows(_, report) => report.to_string(),
            Self::Refused(words) => words.clone(),
        }
    }

    fn is_whole(&self) -> bool {
        match self {
            Self::Orders(report) => report.rejected == 0,
            Self::Rows(_, report) => report.rejected == 0,
            Self::Refused(_) => false,
        }
    }
}

/// Takes in one file and moves it away. A problem that may pass leaves it where it is.
pub(super) async fn take(ledger: &Ledger, folder: &Path, file: &Found) -> Result<Looked, FolderError> {
    let at = ledger.now().to_string();
    let moved_name = moved_name(folder, &file.name, &at);
    let taken = match contents(ledger, folder, file, &moved_name).await {
        Ok(taken) => taken,
        Err(error) if may_pass(&error) => {
            let (name, moved) = (file.name.clone(), file.path.display().to_string());
            let waits = Some(super::tell_all(&error));
            return Ok(Looked { name, moved, words: String::new(), waits });
        }
        Err(error) => Taken::Refused(error.to_string()),
    };
    let words = taken.words();
    let outcome = if taken.is_whole() { DONE } else { REJECTED };
    let place = folder.join(outcome);
    let (orders, rows, feed) = match &taken {
        Taken::Orders(report) => (Some(report), None, Some(Feed::Orders.code())),
        Taken::Rows(feed, report) => (None, Some(report), Some(feed.code())),
        Taken::Refused(_) => (None, None, None),
    };
    let report = Report { file: &file.name, feed, at, outcome, words: &words, orders, rows };
    publish(&place, &format!("{moved_name}.report.json"), |out| {
        private_files::shut(out.get_ref())?;
        serde_json::to_writer_pretty(out, &report).map_err(io::Error::from)
    })?;
    move_away(&file.path, &place.join(&moved_name))?;
    let own_layout = own_layout(file);
    if own_layout.exists() {
        move_away(&own_layout, &place.join(format!("{moved_name}.toml")))?;
    }
    Ok(Looked { name: file.name.clone(), moved: format!("{outcome}/{moved_name}"), words, waits: None })
}

/// Problems with the database or the disk may pass; a bad file stays bad.
fn may_pass(error: &IntakeError) -> bool {
    match error {
        IntakeError::Ledger(_)
        | IntakeError::Rejects { .. }
        | IntakeError::NoRejects { .. }
        | IntakeError::Given(GivenError::Spool { .. }) => true,
        IntakeError::Stopped { source, .. } => may_pass(source),
        IntakeError::Given(GivenError::Open { source, .. }) => source.kind() != io::ErrorKind::InvalidData,
        IntakeError::Given(_) | IntakeError::File { .. } | IntakeError::Kept(_) | IntakeError::Reader(_) => {
            false
        }
    }
}

/// The file's name with the time in it, and a number if a file with that name and time came from another kind's
/// folder, so that no two files collide.
fn moved_name(folder: &Path, name: &str, at: &str) -> String {
    let at: String = at.chars().filter(|c| *c != '-' && *c != ':').collect();
    let (stem, ending) = match name.rsplit_once('.') {
        Some((stem, ending)) if !stem.is_empty() => (stem, format!(".{ending}")),
        _ => (name, String::new()),
    };
    let is_taken = |name: &str| [DONE, REJECTED].iter().any(|place| folder.join(place).join(name).exists());
    let mut moved = format!("{stem}-{at}{ending}");
    let mut number = 1;
    while is_taken(&moved) {
        number += 1;
        moved = format!("{stem}-{at}-{number}{ending}");
    }
    moved
}

fn own_layout(file: &Found) -> PathBuf {
    file.path.with_file_name(format!("{}.toml", file.name))
}

fn layout_of(file: &Found) -> Result<Option<GivenLayout>, GivenError> {
    let of_folder = file.path.with_file_name(FOLDER_LAYOUT);
    let path = [own_layout(file), of_folder].into_iter().find(|p| p.exists());
    path.map(|p| GivenLayout::read(&p)).transpose()
}

async fn contents(
    ledger: &Ledger,
    folder: &Path,
    file: &Found,
    moved_name: &str,
) -> Result<Taken, IntakeError> {
    let layout = layout_of(file)?;
    let by_folder = Feed::ALL.into_iter().find(|f| file.kind == Some(f.code()));
    let Some(feed) = by_folder.or(layout.as_ref().map(GivenLayout::feed)) else {
        return Ok(Taken::Refused(format!(
            "nothing says what this file holds: put it into {}, or a layout beside it as {}.toml",
            KINDS.join(", "),
            file.name
        )));
    };
    let given = Given::put(&file.path, moved_name, Some(&folder.join(REJECTED)))?;
    let (given, layout, watch) = (&given, layout.as_ref(), Watch::new());
    let adding = |watch| AddRun { given, layout, again: false, who: WHO, watch };
    match feed {
        Feed::Styles => Ok(Taken::Rows(feed, add_styles(ledger, &adding(watch)).await?)),
        Feed::Items => Ok(Taken::Rows(feed, add_items(ledger, &adding(watch)).await?)),
        Feed::Orders => {
            let run = OrdersRun { given, layout, past: false, dry_run: false, who: WHO, watch };
            Ok(Taken::Orders(feed_in(ledger, &run).await?))
        }
        Feed::Listings => Ok(Taken::Refused(
            "a file of listings is compared, not taken in: use `fleecefold feed compare`".to_owned(),
        )),
    }
}

/// If it is gone, another process moved it after taking in the same.
fn move_away(from: &Path, to: &Path) -> Result<(), FolderError> {
    match fs::rename(from, to) {
        Err(source) if source.kind() != io::ErrorKind::NotFound => {
            Err(FolderError::Move { path: from.to_owned(), source })
        }
        _ => Ok(()),
    }
}
