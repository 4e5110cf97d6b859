//! Runs a command: one transaction, repeated as a whole if needed, its answer stored by its key.

use crate::store::actor::Actor;
use crate::store::approval::Approvals;
use crate::store::begin::begin;
use crate::store::bundle::{Bundle, Returned};
use crate::store::error::CommandError;
use crate::store::idempotency_key::{self, Key};
use crate::store::lease::Lease;
use crate::store::rejection::{Reason, Rejection};
use crate::store::settings::Shop;
use crate::store::shared_commit::Seat;
use crate::store::storage_error::StorageError;
use crate::store::{Engine, Inner, Ledger};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::ItemId;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::{Any, AnyConnection, Row, Transaction};
use std::sync::Arc;
use std::time::Duration;
use tracing::{Instrument, Span, field};

/// How often a command is tried if its transaction collides with another.
pub(super) const MAX_TRIES: u32 = 6;
/// The wait before the second try; it doubles.
pub(super) const FIRST_WAIT: Duration = Duration::from_millis(5);

/// More rows than this make a command long: about the lines of a large sale. A longer one would let those who
/// share its transaction wait for a commit that saves them little.
pub(crate) const FEW_ROWS: usize = 8;

/// A change to the shop. It must be able to run again from the start.
///
/// Its future is boxed, so that a command is compiled once, here, and not again in every crate that
/// runs it.
#[async_trait]
pub trait Command: Sync {
    /// The answer, which is stored under the key.
    type Answer: Serialize + DeserializeOwned + Send;

    /// Whether it changes the shop's settings, which are then read again.
    const CHANGES_SETTINGS: bool = false;

    /// Whether it works on many rows. Then it has its transaction for itself: others would be answered only
    /// after it.
    fn is_long(&self) -> bool {
        false
    }

    /// Does the work within the transaction. An error undoes all of it.
    async fn run(&self, tx: &mut Tx) -> Result<Self::Answer, CommandError>;
}

/// An answer, and whether it was given before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done<A> {
    /// The answer.
    pub answer: A,
    /// Whether it is the stored answer of an earlier request with the key.
    pub replayed: bool,
}

/// What higher parts do that lower parts know nothing about. Set once, when the shop is opened.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Follows {
    /// Writes what follows when the availability, price or texts of these items changed and their revision was
    /// raised.
    pub(crate) availability_changed: fn(&mut Bundle, Moment, &[ItemId]),
}

/// A transaction in progress, with its time and identifiers.
#[derive(Debug)]
pub struct Tx {
    inner: Transaction<'static, Any>,
    /// If others are in the transaction too.
    seat: Option<Seat>,
    ledger: Arc<Inner>,
    now: Moment,
    shop: Arc<Shop>,
    /// Who is acting, if it is somebody with limits.
    actor: Option<Arc<Actor>>,
    /// Whether others are told of its commit, see [`Ledger::changes`]: set by a part of a bundle that returns
    /// [`bundle::NEWS`](crate::store::bundle::NEWS), or by [`Tx::notify_on_commit`].
    heard: bool,
    /// What is written at the end of the command, with its answer.
    pub(super) last: Bundle,
    pub(super) approvals: Approvals,
}

impl Tx {
    pub(crate) fn db(&mut self) -> &mut AnyConnection {
        &mut self.inner
    }

    /// The time of the transaction.
    pub(crate) fn now(&self) -> Moment {
        self.now
    }

    /// Refuses what cannot be the moment of a sale.
    pub(crate) fn believable(&self, field: &str, at: Moment) -> Result<Moment, Rejection> {
        let zone = || self.shop.zone.clone();
        at.believable(self.now)
            .map_err(|error| Rejection::invalid(field, Reason::Moment { error, zone: zone() }))
    }

    /// The settings that the command runs under; [`Tx::lock_shop_state`] checks them.
    pub(crate) fn shop(&self) -> Arc<Shop> {
        Arc::clone(&self.shop)
    }

    /// Tells others that something about these items has changed: whether they are listed, what they
    /// cost, or whether they are available.
    pub(crate) async fn availability_changed(&mut self, items: &[ItemId]) -> Result<(), CommandError> {
        let mut bundle = Bundle::default();
        self.add_availability_changed(&mut bundle, items);
        self.write(bundle).await?;
        Ok(())
    }

    /// The same, as part of a bundle.
    pub(crate) fn add_availability_changed(&self, bundle: &mut Bundle, items: &[ItemId]) {
        (self.ledger.follows.availability_changed)(bundle, self.now, items);
    }

    /// Who is acting, according to the key.
    pub(crate) fn actor(&self) -> Option<&Actor> {
        self.actor.as_deref()
    }

    pub(crate) fn next_id(&self) -> Result<i64, CommandError> {
        Ok(self.lease()?.next_id(self.now))
    }

    /// Lets every further identifier be larger than those that `text` finds with `of`, as `last_id`. The
    /// clocks of two processes differ, so what must come after something says so: a process's own
    /// identifiers alone are ordered by themselves (Lamport, Time, Clocks, and the Ordering of Events in a
    /// Distributed System, Communications of the ACM 21, 1978).
    pub(crate) async fn after(&mut self, text: &'static str, of: i64) -> Result<(), CommandError> {
        let row = sqlx::query(text).bind(of).fetch_one(self.db()).await?;
        if let Some(last) = row.try_get::<Option<i64>, _>("last_id")? {
            self.lease()?.after(last);
        }
        Ok(())
    }

    fn lease(&self) -> Result<&Lease, CommandError> {
        let lease = self.ledger.lease.as_ref();
        Ok(lease.ok_or_else(|| StorageError::impossible("a write without a lease"))?)
    }

    /// Locks the row that all bookings touch: draws `receipts` receipt numbers, and makes sure that the
    /// command's settings are still current. Returns the last number.
    pub(crate) async fn lock_shop_state(&mut self, receipts: i64) -> Result<i64, CommandError> {
        let mut bundle = Bundle::default();
        add_lock(&mut bundle, receipts);
        let returned = self.write(bundle).await?;
        self.locked(&returned)
    }

    /// The last receipt number of [`add_lock`].
    pub(crate) fn locked(&self, returned: &Returned) -> Result<i64, CommandError> {
        let row = returned.of(SHOP_STATE).next();
        let (receipt, settings_revision) = row.ok_or_else(|| StorageError::impossible("no shop_state"))?;
        if settings_revision != self.shop.revision {
            return Err(StorageError::SettingsChanged.into());
        }
        Ok(receipt)
    }

    /// Locks that row too, whatever this transaction has changed since, so that commands that check
    /// what is there before they add to it run one at a time.
    pub(crate) async fn wait_for_others(&mut self) -> Result<(), CommandError> {
        sqlx::query("UPDATE shop_state SET receipt = receipt WHERE id = 1").execute(self.db()).await?;
        Ok(())
    }

    /// Whether nobody else can write before this transaction ends, as on SQLite.
    pub(crate) fn has_the_only_writer(&self) -> bool {
        self.ledger.engine == Engine::Sqlite
    }

    /// What [`Tx::write_last`] left.
    pub(super) fn take_last(&mut self) -> Bundle {
        std::mem::take(&mut self.last)
    }

    /// Tells whoever waits for [`Ledger::changes`] of its commit.
    pub(crate) fn notify_on_commit(&mut self) {
        self.heard = true;
    }

    pub(crate) async fn roll_back(self) -> Result<(), CommandError> {
        Ok(self.inner.rollback().await?)
    }

    pub(crate) async fn commit(self) -> Result<(), CommandError> {
        let Self { inner, seat, ledger, heard, .. } = self;
        match seat {
            None => Ok(ledger.commit(inner, heard).await?),
            Some(seat) => Ok(seat.leave(&ledger, inner, heard).await?),
        }
    }

    /// Undoes what the command did, and nothing that others did. None if there is no transaction any more.
    async fn undone(mut self) -> Result<Option<Self>, CommandError> {
        if self.seat.as_ref().is_none_or(Seat::is_first) {
            self.roll_back().await?;
            return Ok(None);
        }
        Seat::undo(&mut self.inner).await?;
        self.heard = false;
        self.last = Bundle::default();
        Ok(Some(self))
    }
}

pub(super) async fn settings_revision(connection: &mut AnyConnection) -> Result<i64, CommandError> {
    let row =
        sqlx::query("SELECT settings_revision FROM shop_state WHERE id = 1").fetch_one(connection).await?;
    Ok(row.try_get("settings_revision")?)
}

const SHOP_STATE: &str = "shop-state";

/// [`Tx::lock_shop_state`] as a part of a bundle; [`Tx::locked`] reads what came of it.
pub(crate) fn add_lock(bundle: &mut Bundle, receipts: i64) {
    let text = "UPDATE shop_state SET receipt = receipt + ? WHERE id = 1 \
        RETURNING 'shop-state' AS part, receipt AS id, settings_revision AS value";
    bundle.add(text.to_owned(), 1, |statement| statement.bind(receipts));
}

impl Inner {
    /// Ends a transaction, and tells others of it if they want to know.
    pub(crate) async fn commit(
        &self,
        inner: Transaction<'static, Any>,
        heard: bool,
    ) -> Result<(), StorageError> {
        let ended = inner.commit().await.map_err(|error| match StorageError::from(error) {
            StorageError::Unreachable(source) => StorageError::OutcomeUnknown(source),
            other => other,
        });
        if ended.is_ok() {
            self.writes.went_through();
        }
        if heard {
            // Even if it is not known whether it was committed: looking for nothing costs little.
            self.changes.send_modify(|count| *count = count.wrapping_add(1));
            self.notices.send_soon();
        }
        ended
    }
}

/// What a command came to: its answer or its rejection.
type Said<A> = Result<A, Rejection>;

impl Ledger {
    /// Runs a command to its end, or rejects it as a whole.
    ///
    /// Poll the future until it ends, or drop it. On SQLite others wait for the one writer behind it, so never
    /// set it aside while waiting for something else, as a stream of futures does whose next item nobody asks
    /// for.
    pub async fn execute<C: Command>(
        &self,
        key: Option<&Key>,
        command: &C,
    ) -> Result<Done<C::Answer>, CommandError> {
        let Done { answer, replayed } = self.run_to_end(key, command).await?;
        Ok(Done { answer: answer?, replayed })
    }

    /// Like [`Ledger::execute`], and also says of a rejection whether it was given before.
    pub async fn answer<C: Command>(
        &self,
        key: Option<&Key>,
        command: &C,
    ) -> Result<Done<Result<C::Answer, Rejection>>, StorageError> {
        match self.run_to_end(key, command).await {
            Ok(done) => Ok(done),
            Err(CommandError::Rejected(rejection)) => Ok(Done { answer: Err(*rejection), replayed: false }),
            Err(CommandError::Storage(trouble)) => Err(trouble),
        }
    }

    async fn run_to_end<C: Command>(
        &self,
        key: Option<&Key>,
        command: &C,
    ) -> Result<Done<Said<C::Answer>>, CommandError> {
        let span = tracing::info_span!(
            "command",
            name = short_name::<C>(),
            tries = field::Empty,
            replayed = field::Empty
        );
        let ended = self.try_to_end(key, command, &span).instrument(span.clone()).await;
        if let Ok(done) = &ended {
            span.record("replayed", done.replayed);
        }
        if let Err(CommandError::Storage(trouble)) = &ended
            && trouble.stops_writes()
        {
            self.inner.writes.stopped();
        }
        ended
    }

    async fn try_to_end<C: Command>(
        &self,
        key: Option<&Key>,
        command: &C,
        span: &Span,
    ) -> Result<Done<Said<C::Answer>>, CommandError> {
        // A transaction that others undid is not shared a second time, so nobody can be kept from ending.
        let mut shares = self.has_one_writer() && !C::CHANGES_SETTINGS && !command.is_long();
        let mut wait = FIRST_WAIT;
        for tries in 1..MAX_TRIES {
            span.record("tries", tries);
            match self.attempt(key, command, shares).await {
                Err(CommandError::Storage(trouble)) if may_try_again(&trouble, key) => {
                    tracing::debug!(%trouble, "trying the command again");
                    if matches!(trouble, StorageError::SettingsChanged) {
                        self.refresh_shop().await?;
                    }
                    tokio::time::sleep(wait).await;
                    wait *= 2;
                    shares = false;
                }
                ended => return ended,
            }
        }
        span.record("tries", MAX_TRIES);
        self.attempt(key, command, false).await
    }

    async fn attempt<C: Command>(
        &self,
        key: Option<&Key>,
        command: &C,
        shares: bool,
    ) -> Result<Done<Said<C::Answer>>, CommandError> {
        let mut tx = if shares { self.begin_or_join().await? } else { self.begin().await? };
        if let Some(key) = key {
            tx.approvals = Approvals::of(key);
        }
        if let Some(actor) = key.and_then(Key::actor) {
            tx.actor = Some(Arc::new(actor.clone()));
        }
        match answer(&mut tx, key, command).await {
            Ok(done) => {
                tx.commit().await?;
                if C::CHANGES_SETTINGS && !done.replayed {
                    self.refresh_shop().await?;
                }
                Ok(done)
            }
            // Boxed, as it is rare, and every command's future would be as large.
            Err(CommandError::Rejected(rejection)) => Box::pin(self.refuse(tx, key, *rejection)).await,
            Err(CommandError::Storage(trouble)) => {
                Box::pin(give_up(tx)).await;
                Err(trouble.into())
            }
        }
    }

    /// Stores a rejection under its key, once what the command did is undone. If another request with the same
    /// key was answered since, that is the answer (law 5). A rejection under settings that have changed since is
    /// none: the channel may exist by now.
    async fn refuse<A: Serialize + DeserializeOwned>(
        &self,
        tx: Tx,
        key: Option<&Key>,
        rejection: Rejection,
    ) -> Result<Done<Said<A>>, CommandError> {
        let known = tx.shop.revision;
        let key = key.filter(|_| rejection.is_kept());
        let mut tx = match (tx.undone().await?, key) {
            (Some(tx), _) => tx,
            (None, Some(_)) => self.begin().await?,
            // Nothing is to be written, so nobody waits for the writer again.
            (None, None) if self.settings_revision().await? == known => return Err(rejection.into()),
            (None, None) => return Err(StorageError::SettingsChanged.into()),
        };
        if settings_revision(tx.db()).await? != known {
            give_up(tx).await;
            return Err(StorageError::SettingsChanged.into());
        }
        if let Some(key) = key {
            if let Some(first) = idempotency_key::claim(&mut tx, key).await? {
                tx.commit().await?;
                return Ok(Done { answer: first, replayed: true });
            }
            idempotency_key::keep_refusal(&mut tx, key, &rejection).await?;
        }
        tx.commit().await?;
        Err(rejection.into())
    }

    async fn settings_revision(&self) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        settings_revision(&mut connection).await
    }

    /// The writer, as soon as it is free, with whoever else waits for it.
    async fn begin_or_join(&self) -> Result<Tx, CommandError> {
        self.ensure_lease().await?;
        let (inner, seat) = Seat::take(&self.inner).await?;
        Ok(self.tx(inner, Some(seat)))
    }

    async fn ensure_lease(&self) -> Result<(), CommandError> {
        if let Some(lease) = &self.inner.lease {
            lease.ensure(&self.inner.writers, self.now()).await?;
        }
        Ok(())
    }

    fn tx(&self, inner: Transaction<'static, Any>, seat: Option<Seat>) -> Tx {
        Tx {
            inner,
            seat,
            ledger: Arc::clone(&self.inner),
            now: self.now(),
            shop: self.shop(),
            actor: self.actor.clone(),
            heard: false,
            last: Bundle::default(),
            approvals: Approvals::default(),
        }
    }

    pub(crate) async fn begin(&self) -> Result<Tx, CommandError> {
        self.ensure_lease().await?;
        let text = match self.inner.engine {
            Engine::Sqlite => "BEGIN IMMEDIATE",
            Engine::Postgres => "BEGIN",
        };
        Ok(self.tx(begin(&self.inner.writers, text).await?, None))
    }
}

/// The answer that is stored under the key, or the command's own, which is stored.
async fn answer<C: Command>(
    tx: &mut Tx,
    key: Option<&Key>,
    command: &C,
) -> Result<Done<Said<C::Answer>>, CommandError> {
    if let Some(key) = key
        && let Some(first) = idempotency_key::claim(tx, key).await?
    {
        return Ok(Done { answer: first, replayed: true });
    }
    let answer = command.run(tx).await?;
    let mut last = tx.take_last();
    if let Some(key) = key {
        idempotency_key::keep(&mut last, key, &answer)?;
    }
    tx.write(last).await?;
    Ok(Done { answer: Ok(answer), replayed: false })
}

/// Undoes what a command did when the engine failed it. Whoever shares the transaction is not concerned, unless
/// it is lost as a whole.
async fn give_up(tx: Tx) {
    let ended = match tx.undone().await {
        Ok(Some(tx)) => tx.commit().await,
        Ok(None) => Ok(()),
        Err(trouble) => Err(trouble),
    };
    if let Err(trouble) = ended {
        tracing::debug!(%trouble, "what a command did was undone with its whole transaction");
    }
}

/// The command's name without its module.
fn short_name<C>() -> &'static str {
    let name = std::any::type_name::<C>();
    name.rsplit("::").next().unwrap_or(name)
}

/// A commit with an unknown outcome is only tried again with its key.
fn may_try_again(trouble: &StorageError, key: Option<&Key>) -> bool {
    match trouble {
        StorageError::OutcomeUnknown(_) => key.is_some(),
        other => other.is_passing(),
    }
}

#[cfg(test)]
mod tests;
