//! A connection in use: its text is read, its client made and its rate kept from cycle to cycle.

use super::client::{Client, ClientError, Limits};
use super::look::Seen;
use super::rate::Rate;
use super::reconcile::HalfWalk;
use super::secrets::{Secret, Secrets};
use domain::day::Moment;
use domain::ids::{ConnectionId, ItemId};
use feeds::connection::{ConnectionError, ConnectionFile};
use ledger::online::LiveConnection;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// How many items' last tries are remembered. Beyond it all are forgotten, which costs a request for each.
const MAX_REMEMBERED: usize = 10_000;
/// How long an unfinished reading is kept: as long as a shop may ask for a pause.
const HALF_LASTS_MS: i64 = 24 * 60 * 60 * 1000;

/// Shared by all cycles of this process.
#[derive(Debug)]
pub struct Live {
    pub(super) secrets: Secrets,
    pub(super) limits: Limits,
    known: Mutex<HashMap<ConnectionId, Arc<ConnectionRuntime>>>,
}

impl Live {
    pub fn new(secrets: Secrets, limits: Limits) -> Self {
        Self { secrets, limits, known: Mutex::default() }
    }

    /// A connection as its text describes it; read again when the text has changed.
    pub(super) fn reach(
        &self,
        of: &LiveConnection,
        now: Moment,
    ) -> Result<Arc<ConnectionRuntime>, ConnectionError> {
        let mut known = lock(&self.known);
        if let Some(reach) = known.get(&of.id).filter(|r| r.revision == of.revision) {
            return Ok(Arc::clone(reach));
        }
        let file = ConnectionFile::parse(&of.text)?;
        let reach = Arc::new(ConnectionRuntime {
            revision: of.revision,
            rate: Rate::new(file.per_second, now),
            file,
            client: Mutex::default(),
            memory: Mutex::default(),
            half: Mutex::default(),
            seen: tokio::sync::Mutex::default(),
            unsigned: Mutex::default(),
        });
        known.insert(of.id, Arc::clone(&reach));
        Ok(reach)
    }
}

/// A connection's text, and what is remembered about its requests.
#[derive(Debug)]
pub(super) struct ConnectionRuntime {
    revision: i64,
    pub(super) file: ConnectionFile,
    pub(super) rate: Rate,
    client: Mutex<Option<(Option<Secret>, Arc<Client>)>>,
    memory: Mutex<Memory>,
    /// A reading of their list that has to wait, and since when.
    half: Mutex<Option<(HalfWalk, Moment)>>,
    /// Their list as it was last read, to see what exists already.
    pub(super) seen: tokio::sync::Mutex<Option<Seen>>,
    unsigned: Mutex<Unsigned>,
}

/// Webhooks without a valid signature that are not stored yet.
#[derive(Debug, Default)]
struct Unsigned {
    count: u32,
    words: String,
    written: Option<Instant>,
}

/// How often they are stored at most: anybody can send them, and they must not delay a sale at the counter.
const UNSIGNED_EVERY: Duration = Duration::from_secs(1);

impl Unsigned {
    fn take(&mut self) -> Option<(u32, String)> {
        let is_due = self.written.is_none_or(|at| at.elapsed() >= UNSIGNED_EVERY);
        if self.count == 0 || !is_due {
            return None;
        }
        self.written = Some(Instant::now());
        Some((std::mem::take(&mut self.count), std::mem::take(&mut self.words)))
    }
}

/// Only useful while the process runs: losing it costs requests and nothing else.
#[derive(Debug, Default)]
struct Memory {
    items: HashMap<ItemId, OfItem>,
    /// How often in a row the whole connection had to pause.
    quiet: u32,
    /// How many messages failed in a row.
    failed: usize,
}

#[derive(Debug, Default)]
struct OfItem {
    /// Must be sent alone, because a batch with it was refused.
    alone: bool,
    /// How often the shop's state was not the one we knew.
    stale: u32,
    /// How often in a row somebody said that it does not exist.
    gone: u32,
}

impl ConnectionRuntime {
    /// The client; a new one if the secret has changed.
    pub(super) fn client(&self, live: &Live) -> Result<Arc<Client>, ClientError> {
        let secret = self.file.secret.as_ref().map(|s| live.secrets.find(&s.name)).transpose()?;
        let mut kept = lock(&self.client);
        if let Some((_, client)) = kept.as_ref().filter(|(of, _)| *of == secret) {
            return Ok(Arc::clone(client));
        }
        let client = Arc::new(Client::new(&self.file, secret.as_ref(), live.limits)?);
        *kept = Some((secret, Arc::clone(&client)));
        Ok(client)
    }

    /// The reading of their list that has to go on, if there is one that is not too old.
    pub(super) fn take_half(&self, now: Moment) -> Option<HalfWalk> {
        let (half, since) = lock(&self.half).take()?;
        (0..HALF_LASTS_MS).contains(&(now.millis() - since.millis())).then_some(half)
    }

    pub(super) fn keep_half(&self, half: HalfWalk, now: Moment) {
        *lock(&self.half) = Some((half, now));
    }

    pub(super) fn went_well(&self, item: ItemId) {
        let mut memory = lock(&self.memory);
        memory.items.remove(&item);
        (memory.quiet, memory.failed) = (0, 0);
    }

    /// An answer came, whatever it says about a message.
    pub(super) fn answered(&self) {
        let mut memory = lock(&self.memory);
        (memory.quiet, memory.failed) = (0, 0);
    }

    /// A message failed; returns how many did in a row.
    pub(super) fn failed(&self) -> usize {
        let mut memory = lock(&self.memory);
        memory.failed = memory.failed.saturating_add(1);
        memory.failed
    }

    /// The whole connection must pause; returns how often in a row.
    pub(super) fn quiet(&self) -> u32 {
        let mut memory = lock(&self.memory);
        memory.failed = 0;
        memory.quiet = memory.quiet.saturating_add(1);
        memory.quiet
    }

    pub(super) fn is_alone(&self, item: ItemId) -> bool {
        lock(&self.memory).items.get(&item).is_some_and(|i| i.alone)
    }

    pub(super) fn say_alone(&self, items: impl Iterator<Item = ItemId>) {
        let mut memory = lock(&self.memory);
        for item in items {
            memory.item(item).alone = true;
        }
    }

    /// The shop's state was another once more; returns how often.
    pub(super) fn stale(&self, item: ItemId) -> u32 {
        let mut memory = lock(&self.memory);
        let of = memory.item(item);
        of.stale = of.stale.saturating_add(1);
        of.stale
    }

    /// Somebody who may not be the shop's program said that it does not exist; returns how often in a row.
    pub(super) fn gone(&self, item: ItemId) -> u32 {
        let mut memory = lock(&self.memory);
        let of = memory.item(item);
        of.gone = of.gone.saturating_add(1);
        of.gone
    }

    pub(super) fn not_gone(&self, item: ItemId) {
        if let Some(of) = lock(&self.memory).items.get_mut(&item) {
            of.gone = 0;
        }
    }

    /// A webhook had no valid signature; returns how many to store now, and why the last one failed.
    pub(super) fn unsigned(&self, words: String) -> Option<(u32, String)> {
        let mut unsigned = lock(&self.unsigned);
        unsigned.count = unsigned.count.saturating_add(1);
        unsigned.words = words;
        unsigned.take()
    }

    /// Those that came too soon after others to be stored at the time.
    pub(super) fn unsigned_left(&self) -> Option<(u32, String)> {
        lock(&self.unsigned).take()
    }

    /// A message now waits for a person; what comes later about its item is a new message.
    pub(super) fn parked(&self, item: ItemId) {
        lock(&self.memory).item(item).stale = 0;
    }
}

impl Memory {
    fn item(&mut self, item: ItemId) -> &mut OfItem {
        if self.items.len() >= MAX_REMEMBERED && !self.items.contains_key(&item) {
            self.items.clear();
        }
        self.items.entry(item).or_default()
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
