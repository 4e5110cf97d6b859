//! Connections to online shops: what must be sent, who is sending it, and what came in and could not be
//! taken yet. It knows no HTTP: `sync` sends, fetches and reports the outcome.
//!
//! Several processes may serve the same shop. What one of them claims (an item's message, a fetch, a
//! deferred order) it claims by a conditional statement, under a number that no other process and no
//! later claim has ([`Ledger::new_holder`]), until a lease ends.

mod clocks;
mod dead_letters;
mod deferred_orders;
mod differences;
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
pub use differences::{
    DifferenceChoice, KeepDifferences, ListingDifference, MAX_DIFFERENCES, MendListings, NoteCured,
    SettleDifference, StoredDifference,
};
pub use fill::{FillConnection, PutOn, PutOnConnection};
pub use hooks::SeeHook;
pub use ids::{EnterOtherId, ForgetId, LearnIds};
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
use crate::store::rejection::{OnlineReason, Rejection, Thing};
use crate::store::storage_error::StorageError;
use domain::day::Moment;
use domain::delivery::LEASE;
use domain::ids::ConnectionId;
use sqlx::AnyConnection;

/// The most that is claimed, settled, listed or corrected in one transaction: more would hold up others
/// for too long.
pub const LIVE_AT_ONCE: usize = 500;
/// The longest text that is stored about a problem, in characters: enough to know what to do.
const MAX_TROUBLE_CHARS: usize = 500;
/// The longest name that an online shop gives a thing or a place in its list; anything longer counts as
/// none.
const MAX_OTHER_CHARS: usize = 1000;
/// The longest position in a list, which contains several of the online shop's marks.
pub const MAX_PLACE_CHARS: usize = 4000;

/// When a lease that begins now ends.
fn lease_end(tx: &Tx) -> i64 {
    tx.now().plus_millis(i64::try_from(LEASE.as_millis()).unwrap_or(i64::MAX)).millis()
}

fn bounded(limit: usize) -> i64 {
    i64::try_from(limit.min(LIVE_AT_ONCE)).unwrap_or(i64::MAX)
}

/// An online shop's own word for something, returned to it unchanged; if it cannot be stored, it counts
/// as none.
fn others_word(text: &str) -> String {
    let keeps = text.chars().count() <= MAX_OTHER_CHARS && !text.chars().any(char::is_control);
    if keeps { text.to_owned() } else { String::new() }
}

/// The same for a position in the online shop's list.
fn place_word(text: &str) -> String {
    let keeps = text.chars().count() <= MAX_PLACE_CHARS && !text.chars().any(char::is_control);
    if keeps { text.to_owned() } else { String::new() }
}

/// Rejects a connection that does not exist or has ended.
async fn live(connection: &mut AnyConnection, id: ConnectionId) -> Result<(), CommandError> {
    let found = sqlx::query("SELECT id FROM connection WHERE id = $1 AND id > 1 AND ended_ms IS NULL")
        .bind(id.raw())
        .fetch_optional(connection)
        .await?;
    if found.is_none() {
        return Err(Rejection::no_such(Thing::LiveConnection, id).into());
    }
    Ok(())
}

fn at_most(what: &str, count: usize) -> Result<(), Rejection> {
    if count > LIVE_AT_ONCE {
        return Err(Rejection::invalid(what, OnlineReason::TooManyAtOnce { limit: LIVE_AT_ONCE }));
    }
    Ok(())
}

fn moment(millis: Option<i64>) -> Option<Moment> {
    millis.map(Moment::from_millis)
}

impl Ledger {
    /// A number that nobody else has or ever had, for claiming things. Take a new one for each claim,
    /// so that a late result can never affect what was claimed since.
    pub fn new_holder(&self) -> Result<i64, StorageError> {
        let lease =
            self.inner.lease.as_ref().ok_or_else(|| StorageError::impossible("a claim without a lease"))?;
        Ok(lease.next_id(self.now()))
    }
}
