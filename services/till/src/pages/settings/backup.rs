//! POST /settings/backup: the whole shop as one file, made now and downloaded.

use crate::app::App;
use crate::pages::form::Form;
use crate::problem::{Kind, Problem};
use axum::body::Body;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::stream::try_unfold;
use ledger::Ledger;
use ledger::keeping::BackupError;
use std::fs::File;
use std::io::{self, Read};
use std::time::Duration;
use tempfile::TempDir;
use tokio::sync::{Semaphore, SemaphorePermit};
use tokio::task::{JoinHandle, spawn_blocking};

/// Backups at once: each is as large as the shop.
static ROOM: Semaphore = Semaphore::const_new(1);
/// How long the answer waits for the file, so that errors can be shown in words. After that the download
/// starts, and continues once the file is complete; far below the limit for a request.
const PATIENCE: Duration = Duration::from_secs(15);
/// How much of the file is read at a time.
const PIECE: usize = 128 * 1024;

/// A backup on disk, deleted when this is dropped.
struct Made {
    file: File,
    _folder: TempDir,
    _room: SemaphorePermit<'static>,
}

enum Sending {
    /// The file is not complete yet.
    Waiting(JoinHandle<Result<Made, Problem>>),
    Reading(Made),
}

/// Next to the shop's own file, where there is space for another of its size; only its owner may read it.
async fn make(ledger: Ledger, room: SemaphorePermit<'static>) -> Result<Made, Problem> {
    let beside = ledger.path().and_then(|path| path.parent()).filter(|path| !path.as_os_str().is_empty());
    let mut named = tempfile::Builder::new();
    let folder = named.prefix(".backup-");
    let folder = match beside {
        Some(beside) => folder.tempdir_in(beside),
        None => folder.tempdir(),
    };
    let unwritten = |error: io::Error| {
        let words = "the backup could not be written. Check that the shop's disk has free space";
        Problem::new(Kind::StorageError, words).because(&error)
    };
    let folder = folder.map_err(unwritten)?;
    let path = folder.path().join("shop.backup");
    ledger.backup(&path, |_, _| ()).await.map_err(|error| match error {
        BackupError::Shop(failure) => failure.into(),
        other => {
            let words = "the backup could not be written. Check that the shop's disk has free space";
            Problem::new(Kind::StorageError, words).because(&other)
        }
    })?;
    let file = File::open(&path).map_err(unwritten)?;
    Ok(Made { file, _folder: folder, _room: room })
}

/// The next part; none at the end. An error now breaks off the download, so that nobody takes part of a backup
/// for all of it; a backup's last line shows that too.
async fn next(sending: Sending) -> io::Result<Option<(Vec<u8>, Sending)>> {
    let mut made = match sending {
        Sending::Reading(made) => made,
        Sending::Waiting(making) => {
            let made = making.await.map_err(io::Error::other)?;
            made.map_err(|problem| io::Error::other(problem.into_document().detail))?
        }
    };
    spawn_blocking(move || {
        let mut piece = vec![0; PIECE];
        let length = made.file.read(&mut piece)?;
        piece.truncate(length);
        Ok((length > 0).then(|| (piece, Sending::Reading(made))))
    })
    .await
    .map_err(io::Error::other)?
}

/// POST /settings/backup
pub(crate) async fn download(State(app): State<App>, _form: Form) -> Result<Response, Problem> {
    let Ok(room) = ROOM.try_acquire() else {
        return Err(Problem::new(Kind::Busy, "a backup is already being made; try again when it is done"));
    };
    let day = app.ledger.shop().zone.day_of(app.ledger.now());
    let mut making = tokio::spawn(make(app.ledger.clone(), room));
    let sending = match tokio::time::timeout(PATIENCE, &mut making).await {
        Err(_) => Sending::Waiting(making),
        Ok(Ok(made)) => Sending::Reading(made?),
        Ok(Err(error)) => return Err(Problem::new(Kind::StorageError, "the backup failed").because(&error)),
    };
    let headers = [
        (header::CONTENT_TYPE, "application/octet-stream".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"shop-{day}.backup\"")),
    ];
    Ok((headers, Body::from_stream(try_unfold(sending, next))).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;
    use ledger::SystemClock;
    use ledger::keeping::restore;
    use std::sync::Arc;

    #[tokio::test]
    async fn a_backup_is_downloaded_and_can_be_put_back() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let headers = [("content-type", "application/x-www-form-urlencoded")];
        let reply = shop.ask(Method::POST, "/settings/backup", &headers, Body::empty()).await;
        let name = Some("attachment; filename=\"shop-2026-05-17.backup\"");
        assert_eq!((reply.status, reply.header("content-disposition")), (200, name), "{}", reply.text());
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("shop.backup");
        std::fs::write(&file, reply.text()).expect("written");
        let url = format!("sqlite:{}", folder.path().join("again.db").display());
        restore(&file, &url, None, &[], Arc::new(SystemClock), |_, _| ()).await.expect("put back");
        // None of it is left next to the shop.
        let beside = shop.ledger().path().and_then(|path| path.parent()).expect("its folder");
        let left = std::fs::read_dir(beside).expect("a folder").flatten().map(|f| f.file_name());
        let left: Vec<_> = left.filter(|name| name.to_string_lossy().starts_with(".backup")).collect();
        assert!(left.is_empty(), "{left:?}");
    }
}
