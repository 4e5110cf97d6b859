//! One commit for many commands, on SQLite.
//!
//! SQLite has one writer, and most of what a short command costs there is its commit. So commands that wait for
//! the writer join the transaction that is open, one after the other, and one COMMIT ends it for all of them.
//! Nobody is answered before that, not even who was rejected: the reason may be what a neighbor did. A command
//! that fails is rolled back to its savepoint. If that is impossible, or the COMMIT fails, the whole transaction
//! is undone, and everyone in it tries again alone.

use crate::store::Inner;
use crate::store::begin::begin_write_on_sqlite;
use crate::store::engine::BUSY_WAIT;
use crate::store::storage_error::StorageError;
use sqlx::{Any, Executor, Transaction};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Weak};
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::sync::{Mutex, OwnedMutexGuard, watch};
use tokio::time::Instant;

/// The most commands in one transaction: at this many, the commit's share of each is small, and a larger
/// transaction only makes the first in it wait longer.
const MOST: usize = 64;
/// How long a transaction takes in further commands. The first one waits no longer than this, and for the last.
const TAKES_IN_FOR: Duration = Duration::from_millis(25);
/// How long a member waits for the commit: far longer than any disk takes, so that this ends the wait only if
/// the task of somebody after it is not run.
const HEARS_WITHIN: Duration = Duration::from_secs(30);

const FIRST_SAVEPOINT: &str = "SAVEPOINT member";
/// What the member before did stays, unless all of it is undone.
const NEXT_SAVEPOINT: &str = "RELEASE member; SAVEPOINT member";
const BACK_TO_SAVEPOINT: &str = "ROLLBACK TO member";

/// Where commands wait for the writer.
#[derive(Debug, Default)]
pub(crate) struct Queue {
    /// The open transaction, between two of its members.
    open: Arc<Mutex<Option<Open>>>,
    waiting: AtomicUsize,
}

/// A transaction that takes in further members.
#[derive(Debug)]
struct Open {
    inner: Transaction<'static, Any>,
    party: Party,
}

/// What is common to the members of a transaction.
#[derive(Debug)]
struct Party {
    since: Instant,
    members: usize,
    /// Whether others are told of the commit: if any member's command asks for it.
    heard: bool,
    /// What those who left wait for.
    end: watch::Sender<End>,
}

/// How a transaction ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    Open,
    Committed,
    Undone,
    Unknown,
}

impl Party {
    fn new() -> Self {
        Self { since: Instant::now(), members: 0, heard: false, end: watch::Sender::new(End::Open) }
    }

    fn takes_in(&self) -> bool {
        self.members < MOST && self.since.elapsed() < TAKES_IN_FOR
    }
}

/// Wherever a transaction is dropped before its commit, it is undone.
impl Drop for Party {
    fn drop(&mut self) {
        self.end.send_if_modified(|end| {
            let was_open = *end == End::Open;
            if was_open {
                *end = End::Undone;
            }
            was_open
        });
    }
}

/// A command that is waiting. If it gives up as the last one, somebody else has to end the transaction, which
/// was left open for it.
struct Waiting {
    inner: Weak<Inner>,
    is_seated: bool,
}

impl Waiting {
    fn new(inner: &Arc<Inner>) -> Self {
        inner.queue.waiting.fetch_add(1, Ordering::SeqCst);
        Self { inner: Arc::downgrade(inner), is_seated: false }
    }
}

impl Drop for Waiting {
    fn drop(&mut self) {
        let Some(inner) = self.inner.upgrade() else { return };
        let was_last = inner.queue.waiting.fetch_sub(1, Ordering::SeqCst) == 1;
        if was_last
            && !self.is_seated
            && let Ok(runtime) = Handle::try_current()
        {
            runtime.spawn(end_if_nobody_waits(inner));
        }
    }
}

/// A place in the queue, and the transaction that was left there.
type Place = OwnedMutexGuard<Option<Open>>;

async fn end_if_nobody_waits(inner: Arc<Inner>) {
    let mut place = Arc::clone(&inner.queue.open).lock_owned().await;
    if inner.queue.waiting.load(Ordering::SeqCst) > 0 {
        return;
    }
    if let Some(open) = place.take() {
        // Whoever is in it is told, and nobody else asks.
        let _told = commit(inner, open, place).await;
    }
}

/// Ends the transaction for all its members. The next one begins afterwards. An error may be about any of them:
/// if there are several, each tries again.
async fn commit(ledger: Arc<Inner>, open: Open, place: Place) -> Result<(), StorageError> {
    let Open { inner, party } = open;
    let ended = ledger.commit(inner, party.heard).await;
    party.end.send_replace(match &ended {
        Ok(()) => End::Committed,
        Err(StorageError::OutcomeUnknown(_)) => End::Unknown,
        Err(_) => End::Undone,
    });
    drop(place);
    match ended {
        Err(error) if party.members > 1 && !matches!(error, StorageError::OutcomeUnknown(_)) => {
            tracing::debug!(%error, "a shared transaction was undone; its commands run again");
            Err(StorageError::Undone)
        }
        ended => ended,
    }
}

/// A command's part in a shared transaction, while it has the writer. The others wait for its place. Dropping
/// it undoes the transaction.
#[derive(Debug)]
pub(crate) struct Seat {
    place: Place,
    party: Party,
}

impl Seat {
    /// Waits for the writer, and joins the open transaction or begins one.
    pub(crate) async fn take(ledger: &Arc<Inner>) -> Result<(Transaction<'static, Any>, Self), StorageError> {
        let seated = tokio::time::timeout(BUSY_WAIT, async {
            let mut waiting = Waiting::new(ledger);
            let mut place = Arc::clone(&ledger.queue.open).lock_owned().await;
            waiting.is_seated = true;
            drop(waiting);
            if let Some(open) = place.take() {
                return Self::join(open, place).await;
            }
            let inner = begin_write_on_sqlite(&ledger.writers).await?;
            Ok((inner, Self { place, party: Party::new() }))
        });
        seated.await.unwrap_or_else(|_| Err(sqlx::Error::PoolTimedOut.into()))
    }

    /// The first member needs no savepoint: nobody is before it.
    async fn join(open: Open, place: Place) -> Result<(Transaction<'static, Any>, Self), StorageError> {
        let Open { mut inner, party } = open;
        let text = if party.members == 1 { FIRST_SAVEPOINT } else { NEXT_SAVEPOINT };
        inner.execute(sqlx::raw_sql(text)).await?;
        Ok((inner, Self { place, party }))
    }

    /// Whether nobody did anything in this transaction before.
    pub(crate) fn is_first(&self) -> bool {
        self.party.members == 0
    }

    /// Undoes what a member did that has others before it. An error means that SQLite has undone the whole
    /// transaction by itself, as it does when the disk fails.
    pub(crate) async fn undo(inner: &mut Transaction<'static, Any>) -> Result<(), StorageError> {
        inner.execute(sqlx::raw_sql(BACK_TO_SAVEPOINT)).await?;
        Ok(())
    }

    /// Ends this member's part, and waits for the commit.
    pub(crate) async fn leave(
        self,
        ledger: &Arc<Inner>,
        inner: Transaction<'static, Any>,
        heard: bool,
    ) -> Result<(), StorageError> {
        let Self { mut place, mut party } = self;
        party.members += 1;
        party.heard |= heard;
        let mut end = party.end.subscribe();
        let goes_on = ledger.queue.waiting.load(Ordering::SeqCst) > 0 && party.takes_in();
        let open = Open { inner, party };
        if !goes_on && open.party.members == 1 {
            return commit(Arc::clone(ledger), open, place).await;
        }
        if !goes_on {
            // By itself: whoever asked may go away meanwhile, and the others still need their answers.
            let committed = tokio::spawn(commit(Arc::clone(ledger), open, place));
            return committed.await.unwrap_or_else(|_| Err(unknown()));
        }
        *place = Some(open);
        drop(place);
        let ended = tokio::time::timeout(HEARS_WITHIN, end.wait_for(|end| *end != End::Open)).await;
        match ended.map_or(End::Unknown, |end| end.map_or(End::Unknown, |end| *end)) {
            End::Committed => Ok(()),
            End::Undone => Err(StorageError::Undone),
            End::Open | End::Unknown => Err(unknown()),
        }
    }
}

/// The program is ending, or the commit's own outcome is unknown.
fn unknown() -> StorageError {
    StorageError::OutcomeUnknown(sqlx::Error::WorkerCrashed)
}

#[cfg(test)]
mod tests;
