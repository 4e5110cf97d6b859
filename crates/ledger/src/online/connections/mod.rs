//! Live connections to online shops: what is to be told of whom, who tells it at present, and what came in
//! from there and could not be taken yet. It knows no HTTP: `sync` sends, fetches and says what became of it.
//!
//! Several processes may serve the same shop. Whatever one of them takes in hand (an item's message, a
//! fetch, a kept order) it takes by a conditional statement, under a number that no other process has and
//! that a later claim of its own does not have either ([`Ledger::new_holder`]), until a lease runs out.

mod clocks;
mod dead_letters;
mod deferred_orders;
mod drifts;
mod fill;
mod hooks;
mod ids;
mod messages;
mod prune;
mod pulls;
mod save;
mod settle;
mod status;
mod troubles;

pub use clocks::{HurryConnection, LookAtClock};
pub use dead_letters::{DeadLetter, SendAgain};
pub use deferred_orders::{
    ClaimDeferredOrders, DeferOrder, DeferredBecause, DeferredOrder, DropDeferredOrder, RetryDeferredOrder,
    SettleDeferredOrder,
};
pub use drifts::{
    Drift, DriftChoice, KeepDrifts, KeptDrift, MAX_DRIFTS, MendListings, NoteCured, SettleDrift,
};
pub use fill::{FillConnection, PutOn, PutOnConnection};
pub use hooks::SeeHook;
pub use ids::{EnterOtherId, LearnIds};
pub use messages::{ClaimMessages, Claimed, RemoteState};
pub use prune::PruneLive;
pub use pulls::{ClaimPull, FetchTrouble, PullOf, PullState, RereadOrders, SettlePull};
pub use save::{EndConnection, LiveConnection, MAX_CONNECTIONS, NewPieces, SaveConnection};
pub use settle::{SettleMessages, Settled, SettledAs};
pub use status::{ConnectionStatus, FetchedDue, MessagesDue, NoteContact, QuietConnection};
pub use troubles::{ConnectionTrouble, NoteUnsigned, TroubleOf};

use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::Rejection;
use crate::store::storage_error::StorageError;
use domain::day::Moment;
use domain::delivery::LEASE;
use domain::ids::ConnectionId;
use sqlx::AnyConnection;

/// The most that is claimed, settled, put on or mended in one transaction: what a bulk write may hold back
/// others with.
pub const LIVE_AT_ONCE: usize = 500;
/// The longest words that are kept of a trouble: enough to know what to do.
const MAX_TROUBLE_CHARS: usize = 500;
/// The longest name that another shop gives a thing, or a place in its list: anything longer is none.
const MAX_OTHER_CHARS: usize = 1000;
/// The longest place within a list, which holds several of another shop's marks.
pub const MAX_PLACE_CHARS: usize = 4000;

/// The end of a lease that begins now.
fn lease_end(tx: &Tx) -> i64 {
    tx.now().plus_millis(i64::try_from(LEASE.as_millis()).unwrap_or(i64::MAX)).millis()
}

fn bounded(limit: usize) -> i64 {
    i64::try_from(limit.min(LIVE_AT_ONCE)).unwrap_or(i64::MAX)
}

/// Another shop's own word for something, given back to it as it is: what cannot be kept is none.
fn others_word(text: &str) -> String {
    let keeps = text.chars().count() <= MAX_OTHER_CHARS && !text.chars().any(char::is_control);
    if keeps { text.to_owned() } else { String::new() }
}

/// The same for a place within another shop's list.
fn place_word(text: &str) -> String {
    let keeps = text.chars().count() <= MAX_PLACE_CHARS && !text.chars().any(char::is_control);
    if keeps { text.to_owned() } else { String::new() }
}

/// Refuses what is no live connection, or no longer.
async fn live(connection: &mut AnyConnection, id: ConnectionId) -> Result<(), CommandError> {
    let found = sqlx::query("SELECT id FROM connection WHERE id = $1 AND id > 1 AND ended_ms IS NULL")
        .bind(id.raw())
        .fetch_optional(connection)
        .await?;
    if found.is_none() {
        return Err(Rejection::no_such("live connection", id).into());
    }
    Ok(())
}

fn at_most(what: &str, count: usize) -> Result<(), Rejection> {
    if count > LIVE_AT_ONCE {
        return Err(Rejection::invalid(what, format!("at most {LIVE_AT_ONCE} are taken at once")));
    }
    Ok(())
}

fn moment(millis: Option<i64>) -> Option<Moment> {
    millis.map(Moment::from_millis)
}

impl Ledger {
    /// A number that nobody else has and never had, to hold things under. Take a new one for each claim, so
    /// that what is settled late can never touch what was claimed since.
    pub fn new_holder(&self) -> Result<i64, StorageError> {
        let lease =
            self.inner.lease.as_ref().ok_or_else(|| StorageError::impossible("a claim without a lease"))?;
        Ok(lease.next_id(self.now()))
    }
}
