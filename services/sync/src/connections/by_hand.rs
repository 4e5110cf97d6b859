//! What people ask of a connection: whether its text is valid, whether it would work, and to do everything now.

use super::client::{Client, check_hosts};
use super::cycle::{ConnectionContext, CycleOptions, Part, When, one};
use super::hosts::{NotAllowed, check_literal};
use super::message::{InHand, Message, ToSay, batch_ask, to_say};
use super::orders::fetch;
use super::place::Position;
use super::rng::Rng;
use super::runtime::{ConnectionRuntime, Live};
use super::secrets::SecretError;
use super::signature::HookKey;
use super::understood;
use crate::chain::tell_all;
use domain::channel::Channel;
use domain::day::Moment;
use feeds::connection::{ConnectionError, ConnectionFile, Pull, SecretName, Signed};
use feeds::{PageReading, listings_of_page, orders_of_page};
use ledger::online::{
    Claimed, ConnectionStatus, HurryConnection, LiveConnection, NewPieces, NoteContact, PullState,
    RereadOrders, SaveConnection, TroubleOf,
};
use ledger::rejection::{OnlineReason, Thing};
use ledger::{CommandError, Ledger, Rejection};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// How many messages a test shows.
const SHOWN_MESSAGES: usize = 3;
/// How many orders a test shows.
const SHOWN_ORDERS: usize = 3;
/// Cycles in one `sync now`: one cycle is some thousand messages, and more is for the service.
const MAX_ROUNDS: usize = 1000;

/// Why a connection's text is not accepted.
#[derive(Debug, thiserror::Error)]
pub enum CheckError {
    #[error(transparent)]
    Text(#[from] ConnectionError),
    #[error("base: {0}")]
    Host(NotAllowed),
    /// The host for access tokens is not allowed.
    #[error("[secret] token: {0}")]
    TokenHost(NotAllowed),
}

/// A valid connection, with what the ledger stores about it.
#[derive(Clone, Debug)]
pub struct CheckedConnection {
    pub channel: Channel,
    pub new_pieces: NewPieces,
    pub secrets: Vec<SecretName>,
    /// Whether it brings orders, fetched or by webhook.
    pub takes_orders: bool,
    pub takes_hooks: bool,
}

impl CheckedConnection {
    /// The command that saves the text.
    pub fn save(&self, name: &str, text: String, who: &str) -> SaveConnection {
        SaveConnection {
            name: name.to_owned(),
            channel: self.channel.clone(),
            text,
            new_pieces: self.new_pieces,
            takes_orders: self.takes_orders,
            who: who.to_owned(),
        }
    }
}

/// Reads a connection's text, and refuses what cannot work.
pub fn check_connection(text: &str) -> Result<CheckedConnection, CheckError> {
    let file = ConnectionFile::parse(text)?;
    check_literal(file.base.url(), file.private).map_err(CheckError::Host)?;
    check_hosts(&file).map_err(CheckError::TokenHost)?;
    let new_pieces = if file.out.lists_new_pieces { NewPieces::List } else { NewPieces::Wait };
    Ok(CheckedConnection {
        secrets: names(&file),
        takes_orders: file.orders.is_some() || file.hooks.is_some(),
        takes_hooks: file.hooks.is_some(),
        channel: file.channel,
        new_pieces,
    })
}

fn names(file: &ConnectionFile) -> Vec<SecretName> {
    let of_hooks = file.hooks.iter().flat_map(|h| h.secrets.iter().cloned());
    file.secret.iter().map(|s| s.name.clone()).chain(of_hooks).collect()
}

/// A request that would be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WouldSend {
    pub about: String,
    pub method: String,
    pub address: String,
    /// Empty if there is none.
    pub body: String,
}

/// A list that was fetched for the test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    pub what: &'static str,
    pub works: bool,
    /// How many records it had, or what is wrong.
    pub words: String,
    /// Its first records as they would be understood, if they are orders.
    pub understood: Vec<String>,
}

/// The result of a test; nothing was changed on either side.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tried {
    /// Problems besides those in `asked`.
    pub troubles: Vec<String>,
    pub warnings: Vec<String>,
    /// Lists that were asked for.
    pub asked: Vec<Asked>,
    /// The first of what would be sent.
    pub would_send: Vec<WouldSend>,
}

impl Tried {
    pub fn works(&self) -> bool {
        self.troubles.is_empty() && self.asked.iter().all(|a| a.works)
    }
}

pub(super) async fn named(ledger: &Ledger, name: &str) -> Result<LiveConnection, CommandError> {
    let mut connections = ledger.live_connections().await?;
    let at = connections.iter().position(|c| c.name == name);
    let at = at.ok_or_else(|| Rejection::no_such(Thing::LiveConnection, name))?;
    Ok(connections.swap_remove(at))
}

/// Tests a connection: fetches each of its lists once, and shows what would be sent.
pub async fn try_connection(ledger: &Ledger, live: &Live, name: &str) -> Result<Tried, CommandError> {
    let connection = named(ledger, name).await?;
    let mut tried = Tried::default();
    let reach = match live.reach(&connection, ledger.now()) {
        Ok(reach) => reach,
        Err(error) => {
            tried.troubles.push(tell_all(&error));
            return Ok(tried);
        }
    };
    look_at_secrets(live, &reach, &mut tried);
    would_send(ledger, &connection, &reach, &mut tried).await?;
    match reach.client(live) {
        Ok(client) => ask_lists(ledger, live, &connection, &reach, &client, &mut tried).await?,
        Err(error) => tried.troubles.push(tell_all(&error)),
    }
    tried.troubles.dedup();
    if tried.asked.iter().any(|asked| asked.works) {
        ledger.execute(None, &NoteContact { connection: connection.id, of: TroubleOf::Connection }).await?;
    }
    Ok(tried)
}

fn look_at_secrets(live: &Live, reach: &ConnectionRuntime, tried: &mut Tried) {
    tried.warnings.extend(names(&reach.file).iter().filter_map(|name| live.secrets.warning(name)));
    let Some(hooks) = &reach.file.hooks else { return };
    for name in &hooks.secrets {
        let key = live.secrets.find(name).and_then(|secret| match &hooks.signed {
            Signed::Standard { .. } => HookKey::standard(name, &secret),
            Signed::Header { .. } => HookKey::plain(name, &secret),
        });
        tried.troubles.extend(key.err().map(|error: SecretError| error.to_string()));
    }
}

async fn would_send(
    ledger: &Ledger,
    connection: &LiveConnection,
    reach: &ConnectionRuntime,
    tried: &mut Tried,
) -> Result<(), CommandError> {
    let shop = ledger.refresh_shop().await?;
    let mut rows = ledger.waiting_listings(connection.id, None).await?.rows()?;
    if rows.is_empty() {
        rows = ledger.listings(connection.id, None).await?.rows()?;
    }
    let items: Vec<_> = rows.iter().take(SHOWN_MESSAGES).map(|row| row.item).collect();
    let mut together = Vec::new();
    for row in ledger.listings_of(connection.id, &items).await? {
        let claimed = Claimed { item: row.0.item, is_gone: false, tries: 1 };
        let now = Instant::now();
        let in_hand = InHand { holder: 0, since: now, begin_by: now };
        let ToSay::Message(message) = to_say(reach, claimed, in_hand, row, shop.image_base.as_deref())?
        else {
            continue;
        };
        let about = message.words();
        match message.ask(connection.id, &reach.file.base, &reach.file.out, &message.stood.etag) {
            Ok(ask) => tried.would_send.push(WouldSend {
                about,
                method: ask.method.to_string(),
                address: ask.url.to_string(),
                body: String::from_utf8_lossy(&ask.body.unwrap_or_default()).into_owned(),
            }),
            Err(error) => tried.troubles.push(format!("{about}: {error}")),
        }
        if message.fits_batch(&reach.file) {
            together.push(*message);
        }
    }
    would_send_together(connection, reach, &together, tried);
    Ok(())
}

/// The same messages as one batch, if that is how they would go.
fn would_send_together(
    connection: &LiveConnection,
    reach: &ConnectionRuntime,
    messages: &[Message],
    tried: &mut Tried,
) {
    let file = &reach.file;
    let Some(call) = file.out.batch.as_ref().filter(|_| messages.len() > 1) else { return };
    let messages = messages.get(..call.at_once).unwrap_or(messages);
    let about = format!("{} of them in one request", messages.len());
    match batch_ask(connection.id, &file.base, &file.out, call, messages) {
        Ok(ask) => tried.would_send.push(WouldSend {
            about,
            method: ask.method.to_string(),
            address: ask.url.to_string(),
            body: String::from_utf8_lossy(&ask.body.unwrap_or_default()).into_owned(),
        }),
        Err(error) => tried.troubles.push(format!("{about}: {error}")),
    }
}

async fn ask_lists(
    ledger: &Ledger,
    live: &Live,
    connection: &LiveConnection,
    reach: &ConnectionRuntime,
    client: &Client,
    tried: &mut Tried,
) -> Result<(), CommandError> {
    let (shop, chance) = (ledger.refresh_shop().await?, Mutex::new(Rng::new(0)));
    let hand =
        ConnectionContext { ledger, live, connection, reach, client, shop, early: true, chance: &chance };
    let lists = [("orders", &reach.file.orders), ("listings", &reach.file.listed)];
    for (what, pull) in lists.into_iter().filter_map(|(what, pull)| Some((what, pull.as_ref()?))) {
        let mut understood = Vec::new();
        let asked = ask_list(&hand, what, pull, &mut understood).await;
        let works = asked.is_ok();
        let words = asked.unwrap_or_else(|words| words);
        tried.asked.push(Asked { what, works, words, understood });
    }
    if tried.asked.is_empty() {
        let words = "the connection has neither [orders] nor [listed], so that nothing can be asked without changing something there";
        tried.warnings.push(words.to_owned());
    }
    Ok(())
}

async fn ask_list(
    hand: &ConnectionContext<'_>,
    what: &'static str,
    pull: &Pull,
    understood: &mut Vec<String>,
) -> Result<String, String> {
    let position = Position::of(PullState::default(), pull, hand.ledger.now(), hand.ledger.now());
    let url = position.address(&hand.reach.file.base, pull).map_err(|e| e.to_string())?;
    hand.reach.rate.owe();
    let page = fetch(hand, what, url, None).await.map_err(|e| tell_all(&e))?;
    let body = page.map(|page| page.body).unwrap_or_default();
    let reading = PageReading { layout: &pull.layout, currency: hand.shop.currency, zone: &hand.shop.zone };
    let refused = if what == "orders" {
        let read = orders_of_page(&body, reading).map_err(|e| e.to_string())?;
        let first = read.iter().flatten().take(SHOWN_ORDERS);
        understood.extend(first.map(|order| understood::words(&order.value, &hand.shop.zone)));
        (read.len(), read.into_iter().find_map(Result::err))
    } else {
        let read = listings_of_page(&body, reading).map_err(|e| e.to_string())?;
        (read.len(), read.into_iter().find_map(Result::err))
    };
    match refused {
        (count, None) => Ok(format!("the first page has {count}, and all of them can be read")),
        (count, Some(reject)) => Err(format!("of {count} on the first page not all can be read; {reject}")),
    }
}

/// The result of doing everything now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NowDone {
    pub name: String,
    /// When there will be more to do.
    pub when: When,
    /// Messages sent just now.
    pub sent: i64,
    /// Items whose message is still waiting.
    pub waiting: i64,
    /// Messages that need attention.
    pub parked: i64,
    /// Orders that could not be taken in yet.
    pub orders_deferred: i64,
    pub troubles: Vec<String>,
}

impl NowDone {
    /// Whether nothing failed and nothing is waiting.
    pub fn is_all_done(&self) -> bool {
        self.troubles.is_empty() && self.waiting == 0
    }

    pub fn needs_attention(&self) -> bool {
        self.parked > 0 || self.orders_deferred > 0
    }
}

/// Does everything that is due for one connection or for all of them. Because a person asks, nothing waits for
/// its time, not even for a pause that the shop asked for. Only a message that may still be on its way is not
/// sent again.
pub async fn now(
    ledger: &Ledger,
    live: &Live,
    name: Option<&str>,
    dice: u64,
) -> Result<Vec<NowDone>, CommandError> {
    let connections = match name {
        Some(name) => vec![named(ledger, name).await?],
        None => ledger.live_connections().await?,
    };
    let mut dice = Rng::new(dice);
    let mut done = Vec::with_capacity(connections.len());
    for connection in connections {
        let before = status_of(ledger, &connection).await?;
        ledger.execute(None, &HurryConnection { connection: connection.id }).await?;
        let when = rounds(ledger, live, &connection, CycleOptions::early(dice.next()), &mut dice).await?;
        done.push(told_of(ledger, connection, when, before.as_ref()).await?);
    }
    Ok(done)
}

/// Reads again the orders that changed since a moment, and reports how that went.
pub async fn reread(
    ledger: &Ledger,
    live: &Live,
    (name, since): (&str, Moment),
    who: &str,
    dice: u64,
) -> Result<NowDone, CommandError> {
    let connection = named(ledger, name).await?;
    let has_orders = live.reach(&connection, ledger.now()).is_ok_and(|reach| reach.file.orders.is_some());
    if !has_orders {
        let reason = OnlineReason::NoOrders { connection: name.to_owned() };
        return Err(Rejection::invalid("connection", reason).into());
    }
    let before = status_of(ledger, &connection).await?;
    let wanted = RereadOrders { connection: connection.id, since, who: who.to_owned() };
    ledger.execute(None, &wanted).await?;
    ledger.execute(None, &HurryConnection { connection: connection.id }).await?;
    let mut dice = Rng::new(dice);
    let when = rounds(ledger, live, &connection, CycleOptions::orders_early(dice.next()), &mut dice).await?;
    told_of(ledger, connection, when, before.as_ref()).await
}

/// A cycle that a person asked for, and those that follow from it at once.
async fn rounds(
    ledger: &Ledger,
    live: &Live,
    connection: &LiveConnection,
    first: CycleOptions<'_>,
    dice: &mut Rng,
) -> Result<When, CommandError> {
    let mut when = one(ledger, live, connection, first).await?;
    for _ in 0..MAX_ROUNDS {
        let When::At(at) = when else { break };
        let left = at.millis() - ledger.now().millis();
        // Waiting for the rate limit is worthwhile, waiting for another try is not.
        if left > 1000 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(u64::try_from(left).unwrap_or(0).max(1))).await;
        let before = when;
        when = one(ledger, live, connection, CycleOptions::of(&Part::ALL, dice.next())).await?;
        if when == before {
            break;
        }
    }
    Ok(when)
}

async fn status_of(ledger: &Ledger, of: &LiveConnection) -> Result<Option<ConnectionStatus>, CommandError> {
    Ok(ledger.connection_statuses().await?.into_iter().find(|status| status.id == of.id))
}

async fn told_of(
    ledger: &Ledger,
    connection: LiveConnection,
    when: When,
    before: Option<&ConnectionStatus>,
) -> Result<NowDone, CommandError> {
    let mut troubles: Vec<String> =
        ledger.fetch_troubles(connection.id).await?.into_iter().map(|trouble| trouble.words).collect();
    let after = status_of(ledger, &connection).await?;
    let Some(after) = after else {
        let name = connection.name;
        return Err(Rejection::no_such(Thing::LiveConnection, name).into());
    };
    let is_held_up = after.oldest_unsent.is_some() || after.quiet_until.is_some();
    if is_held_up && !after.last_trouble.is_empty() && !troubles.contains(&after.last_trouble) {
        troubles.push(after.last_trouble);
    }
    Ok(NowDone {
        name: connection.name,
        when,
        sent: after.sent - before.map_or(0, |before| before.sent),
        waiting: after.waiting - after.parked,
        parked: after.parked,
        orders_deferred: after.orders_deferred,
        troubles,
    })
}
