//! Node numbers: every process that writes leases one, so that no two make the same identifier. The
//! table of leases also tells whether somebody else has the shop open.

use crate::store::Inner;
use crate::store::clock::Clock;
use crate::store::storage_error::StorageError;
use domain::day::Moment;
use domain::ids::{COUNTER_BITS, EPOCH_MS, IdMaker, NODE_BITS};
use sqlx::{AnyConnection, AnyPool, Row};
use std::sync::{Mutex, MutexGuard, PoisonError, Weak};
use std::time::Duration;

/// How long a lease lasts without renewal: long enough for a laptop that sleeps briefly, short enough
/// that a dead process is soon forgotten.
const LASTS_MS: i64 = 5 * 60 * 1000;
/// How often it is renewed.
const RENEWED_EVERY: Duration = Duration::from_mins(1);
/// What must be left of a lease when a transaction begins: more than any transaction takes.
const MARGIN_MS: i64 = 60 * 1000;
/// Node numbers that exist (10 bits of an identifier).
const NODES: i64 = 1024;

/// The leased node number, and the identifiers made with it.
#[derive(Debug)]
pub(crate) struct Lease(Mutex<Held>);

#[derive(Debug)]
struct Held {
    node: i64,
    holder: String,
    until_ms: i64,
    ids: IdMaker,
    last_id: i64,
}

impl Held {
    /// The millisecond of the latest identifier: ahead of the clock if that was set back.
    fn last_ms(&self) -> i64 {
        (self.last_id >> (NODE_BITS + COUNTER_BITS)) + EPOCH_MS
    }
}

impl Lease {
    pub(crate) async fn take(pool: &AnyPool, clock: &dyn Clock) -> Result<Self, StorageError> {
        Ok(Self(Mutex::new(take(pool, clock.now()).await?)))
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets every further identifier be larger than `id`, which another process may have made, as far as the
    /// lease covers it: whoever has this number next starts where the lease ended, and must make none again.
    pub(crate) fn after(&self, id: i64) {
        let mut held = self.held();
        let made_ms = (id >> (NODE_BITS + COUNTER_BITS)) + EPOCH_MS;
        if id > held.last_id && made_ms + MARGIN_MS < held.until_ms {
            held.ids.after(id);
        }
    }

    /// The next identifier.
    pub(crate) fn next_id(&self, now: Moment) -> i64 {
        let mut held = self.held();
        held.last_id = held.ids.next(now.millis());
        held.last_id
    }

    /// Whether another process has the shop open. A dead process counts until its lease ends: being
    /// polite for nothing costs little.
    pub(crate) async fn others(
        &self,
        connection: &mut AnyConnection,
        now: Moment,
    ) -> Result<bool, sqlx::Error> {
        let node = self.held().node;
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM node_lease WHERE until_ms > $1 AND node <> $2",
        )
        .bind(now.millis())
        .bind(node)
        .fetch_one(connection)
        .await?;
        Ok(row.try_get::<i64, _>("count")? > 0)
    }

    /// Ends the lease now, but not before the latest identifier, after which the next holder starts. If
    /// this fails, the lease ends by itself.
    pub(crate) async fn give_back(&self, pool: &AnyPool, now: Moment) {
        if let Err(error) = self.prolong(pool, now, 0).await {
            tracing::debug!(%error, "the node number was not given back; its lease runs out by itself");
        }
    }

    /// Renews a lease that is about to end. A machine that slept past its end may find that another
    /// process has the number, and takes another one.
    pub(crate) async fn ensure(&self, pool: &AnyPool, now: Moment) -> Result<(), StorageError> {
        if now.millis() + MARGIN_MS < self.held().until_ms {
            return Ok(());
        }
        self.renew(pool, now).await
    }

    pub(crate) async fn renew(&self, pool: &AnyPool, now: Moment) -> Result<(), StorageError> {
        if !self.prolong(pool, now, LASTS_MS).await? {
            let other = take(pool, now).await?;
            *self.held() = other;
        }
        Ok(())
    }

    /// Sets the end of the lease; returns whether it was still ours.
    async fn prolong(&self, pool: &AnyPool, now: Moment, by_ms: i64) -> Result<bool, sqlx::Error> {
        let (node, holder, until) = {
            let held = self.held();
            (held.node, held.holder.clone(), now.millis().max(held.last_ms()) + by_ms)
        };
        let done = sqlx::query("UPDATE node_lease SET until_ms = $3 WHERE node = $1 AND holder = $2")
            .bind(node)
            .bind(holder)
            .bind(until)
            .execute(pool)
            .await?;
        let ours = done.rows_affected() == 1;
        let mut held = self.held();
        if ours && held.node == node {
            held.until_ms = until;
        }
        Ok(ours)
    }
}

/// Takes the lowest number whose lease has ended, or a new one. Identifiers start after the end of the
/// previous lease, so a clock that was set back repeats none.
async fn take(pool: &AnyPool, now: Moment) -> Result<Held, StorageError> {
    let now = now.millis();
    for node in 0..NODES {
        let found = sqlx::query("SELECT until_ms FROM node_lease WHERE node = $1")
            .bind(node)
            .fetch_optional(pool)
            .await?;
        let before = match found {
            Some(row) => Some(row.try_get::<i64, _>("until_ms")?),
            None => None,
        };
        if before.is_some_and(|until| until > now) {
            continue;
        }
        let holder = format!("{}-{now}-{node}", std::process::id());
        let until_ms = now.max(before.unwrap_or(0)) + LASTS_MS;
        if claim(pool, node, &holder, before, until_ms).await? {
            let node_bits = u16::try_from(node).map_err(|_| StorageError::NoNode)?;
            let ids = IdMaker::new(node_bits, before.unwrap_or(0));
            return Ok(Held { node, holder, until_ms, ids, last_id: 0 });
        }
    }
    Err(StorageError::NoNode)
}

async fn claim(
    pool: &AnyPool,
    node: i64,
    holder: &str,
    before: Option<i64>,
    until: i64,
) -> Result<bool, sqlx::Error> {
    let statement = match before {
        None => sqlx::query(
            "INSERT INTO node_lease (node, holder, until_ms) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
        ),
        Some(_) => {
            sqlx::query("UPDATE node_lease SET holder = $2, until_ms = $3 WHERE node = $1 AND until_ms = $4")
        }
    };
    let statement = statement.bind(node).bind(holder.to_owned()).bind(until);
    let statement = if let Some(before) = before { statement.bind(before) } else { statement };
    Ok(statement.execute(pool).await?.rows_affected() == 1)
}

/// Renews the lease for as long as the ledger is open.
pub(crate) fn keep_renewed(inner: Weak<Inner>) {
    tokio::spawn(async move {
        loop {
            tokio::time::sleep(RENEWED_EVERY).await;
            let Some(inner) = inner.upgrade() else { return };
            let Some(lease) = &inner.lease else { return };
            if let Err(error) = lease.renew(&inner.writers, inner.clock.now()).await {
                if error.stops_writes() {
                    inner.writes.stopped();
                }
                tracing::warn!(%error, "the lease of this program's node number was not renewed");
            }
        }
    });
}
