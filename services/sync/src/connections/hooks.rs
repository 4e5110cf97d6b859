//! Orders that an online shop sends by webhook.

use super::intake::{From, Read};
use super::runtime::Live;
use super::signature::{HookHeaders, HookKey, SignatureError, verify_header, verify_standard};
use crate::chain::tell_all;
use domain::ids::ConnectionId;
use feeds::connection::{Hooks, Signed};
use feeds::{FeedError, PageReading, orders_of_page};
use ledger::online::{LiveConnection, NoteContact, NoteUnsigned, SeeHook, TroubleOf};
use ledger::{CommandError, Ledger, Shop};

/// The largest webhook, in bytes. Standard Webhooks recommends less than 20 kB; an order with a thousand lines
/// has more.
pub const MAX_HOOK_BYTES: usize = 1 << 20;

#[derive(Debug)]
pub enum HookAnswer {
    /// There is no such connection, or it takes no webhooks.
    Unknown,
    Unsigned(SignatureError),
    Taken,
    Seen,
    /// It is about something that we do not need.
    PassedOver,
    /// Its order could not be taken in yet and is kept for another try.
    Kept,
    /// It contains no order that can be read; its sender still has it.
    Unreadable(FeedError),
    /// Something failed here, and it should be sent again. The words are for the log, not for the sender.
    StorageError(String),
}

/// Whether a connection with this name takes webhooks; checked before anything of a webhook is read.
pub async fn takes_hooks(ledger: &Ledger, live: &Live, name: &str) -> Result<bool, CommandError> {
    let connections = ledger.live_connections().await?;
    let Some(connection) = connections.iter().find(|c| c.name == name) else { return Ok(false) };
    // A connection with an unusable text reports that once its webhook is here; it may have been corrected
    // by then.
    Ok(live.reach(connection, ledger.now()).map_or(true, |reach| reach.file.hooks.is_some()))
}

/// Takes in a webhook: checks its signature, reads it, books its order, and only then remembers it, so that an
/// interrupted one can come again.
pub async fn take_hook(
    ledger: &Ledger,
    live: &Live,
    connection: &str,
    headers: &[(String, String)],
    body: &[u8],
) -> HookAnswer {
    match take(ledger, live, connection, HookHeaders(headers), body).await {
        Ok(answer) => answer,
        Err(failure) => HookAnswer::StorageError(tell_all(&failure)),
    }
}

async fn take(
    ledger: &Ledger,
    live: &Live,
    name: &str,
    headers: HookHeaders<'_>,
    body: &[u8],
) -> Result<HookAnswer, CommandError> {
    let connections = ledger.live_connections().await?;
    let Some(connection) = connections.iter().find(|c| c.name == name) else {
        return Ok(HookAnswer::Unknown);
    };
    // A webhook's order is dated by our clock, so we must notice if that is set back later.
    ledger.look_at_clock(connection.id).await?;
    let reach = match live.reach(connection, ledger.now()) {
        Ok(reach) => reach,
        Err(error) => return Ok(HookAnswer::StorageError(tell_all(&error))),
    };
    let Some(hooks) = &reach.file.hooks else { return Ok(HookAnswer::Unknown) };
    let keys = keys(live, hooks);
    if keys.is_empty() {
        return Ok(HookAnswer::StorageError(format!(
            "{name} has no secret that its hooks could be believed by"
        )));
    }
    let message = match believe(&keys, hooks, headers, body, ledger) {
        Ok(message) => message,
        Err(error) => {
            tracing::warn!(connection = name, "a hook was refused: {error}");
            count_unsigned(ledger, connection.id, reach.unsigned(error.to_string())).await?;
            return Ok(HookAnswer::Unsigned(error));
        }
    };
    if hooks.event.as_ref().is_some_and(|event| !event.takes(headers.0, body)) {
        return Ok(HookAnswer::PassedOver);
    }
    if ledger.hook_seen(connection.id, &message).await? {
        return Ok(HookAnswer::Seen);
    }
    let shop = ledger.refresh_shop().await?;
    let orders = match read(hooks, &shop, body) {
        Ok(orders) => orders,
        Err(error) => return Ok(HookAnswer::Unreadable(error)),
    };
    book(ledger, connection, &message, orders).await
}

async fn book(
    ledger: &Ledger,
    connection: &LiveConnection,
    message: &str,
    orders: Vec<Read>,
) -> Result<HookAnswer, CommandError> {
    // Without randomness, a deferred order is tried again at once and then like the others.
    let done = match (From { ledger, connection, dice: 0, walk_began: None }).take(orders).await {
        Ok(done) => done,
        Err(CommandError::Rejected(rejection)) => {
            return Ok(HookAnswer::StorageError(words::rejection(&rejection)));
        }
        Err(trouble) => return Err(trouble),
    };
    let see = SeeHook { connection: connection.id, message: message.to_owned() };
    ledger.execute(None, &see).await?;
    // Whoever sends something is reachable.
    let contact = NoteContact { connection: connection.id, of: TroubleOf::Hooks };
    ledger.execute(None, &contact).await?;
    Ok(if done.kept > 0 { HookAnswer::Kept } else { HookAnswer::Taken })
}

/// Stores how many webhooks had no valid signature, and why the last one failed, if that is due.
pub(super) async fn count_unsigned(
    ledger: &Ledger,
    connection: ConnectionId,
    found: Option<(u32, String)>,
) -> Result<(), CommandError> {
    let Some((count, words)) = found else { return Ok(()) };
    ledger.execute(None, &NoteUnsigned { connection, count, words }).await?;
    Ok(())
}

/// All keys that can be used: while a secret is being changed, one of them may be gone.
fn keys(live: &Live, hooks: &Hooks) -> Vec<HookKey> {
    let mut keys = Vec::with_capacity(hooks.secrets.len());
    for name in &hooks.secrets {
        let key = live.secrets.find(name).and_then(|secret| match &hooks.signed {
            Signed::Standard { .. } => HookKey::standard(name, &secret),
            Signed::Header { .. } => HookKey::plain(name, &secret),
        });
        match key {
            Ok(key) => keys.push(key),
            Err(error) => tracing::warn!(secret = name.as_str(), "{error}"),
        }
    }
    keys
}

/// What identifies the message if it comes again: its id, or its contents.
fn believe(
    keys: &[HookKey],
    hooks: &Hooks,
    headers: HookHeaders<'_>,
    body: &[u8],
    ledger: &Ledger,
) -> Result<String, SignatureError> {
    match &hooks.signed {
        Signed::Standard { tolerance } => {
            verify_standard(keys, headers, body, ledger.now(), tolerance.millis())
        }
        Signed::Header { name } => {
            verify_header(keys, name, headers, body)?;
            Ok(feeds::hash::file_hash(body).unwrap_or_default())
        }
    }
}

/// One order per message. With the layout of `[orders]`, the list around it may be missing.
fn read(hooks: &Hooks, shop: &Shop, body: &[u8]) -> Result<Vec<Read>, FeedError> {
    let page = PageReading { layout: &hooks.layout, currency: shop.currency, zone: &shop.zone };
    if hooks.layout_of_orders { one_or_list(body, page) } else { orders_of_page(body, page) }
}

/// With the layout of a list, which may be missing around a single order.
pub(super) fn one_or_list(body: &[u8], page: PageReading<'_>) -> Result<Vec<Read>, FeedError> {
    let found = orders_of_page(body, page);
    if !matches!(found, Err(FeedError::NoRecords { .. })) {
        return found;
    }
    let layout = page.layout.clone().at_root();
    orders_of_page(body, PageReading { layout: &layout, ..page })
}
