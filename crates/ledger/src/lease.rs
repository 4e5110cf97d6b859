//! Node numbers: each process that writes leases one, so that no two make the same identifier.
//! The table of leases also tells whether somebody else has the shop open.

use crate::clock::Clock;
use crate::store::Inner;
use crate::trouble::Trouble;
use domain::day::Moment;
use domain::ids::IdMaker;
use sqlx::{AnyConnection, AnyPool, Row};
use std::sync::{Mutex, PoisonError, Weak};
use std::time::Duration;

/// How long a lease lasts without being renewed: long enough for a laptop's lid, short enough
/// that a dead process is soon forgotten.
const LASTS_MS: i64 = 5 * 60 * 1000;
/// How often it is renewed.
const RENEWED_EVERY: Duration = Duration::from_mins(1);
/// Node numbers that exist (10 bits of an identifier).
const NODES: i64 = 1024;

/// A leased node number and the identifiers made with it.
#[derive(Debug)]
pub(crate) struct Lease {
    node: i64,
    holder: String,
    ids: Mutex<IdMaker>,
}

impl Lease {
    /// Takes the lowest number whose lease ran out, or a new one. Identifiers start after the end
    /// of the lease before, so that a clock that went back makes no identifier twice.
    pub(crate) async fn take(pool: &AnyPool, clock: &dyn Clock) -> Result<Self, Trouble> {
        let now = clock.now().millis();
        let holder = format!("{}-{now}", std::process::id());
        for node in 0..NODES {
            let found = sqlx::query("SELECT until_ms FROM node_lease WHERE node = $1")
                .bind(node)
                .fetch_optional(pool)
                .await?;
            let before = match found {
                Some(row) => Some(row.try_get::<i64, _>(0)?),
                None => None,
            };
            if before.is_some_and(|until| until > now) {
                continue;
            }
            if claim(pool, node, &holder, before, now).await? {
                let node_bits = u16::try_from(node).map_err(|_| Trouble::NoNode)?;
                let ids = IdMaker::new(node_bits, before.unwrap_or(0));
                return Ok(Self { node, holder, ids: Mutex::new(ids) });
            }
        }
        Err(Trouble::NoNode)
    }

    /// The next identifier.
    pub(crate) fn next_id(&self, now: Moment) -> i64 {
        self.ids.lock().unwrap_or_else(PoisonError::into_inner).next(now.millis())
    }

    /// Whether another process has the shop open. What holds a dead one's lease counts until it
    /// runs out: being polite for nothing costs little.
    pub(crate) async fn others(
        &self,
        connection: &mut AnyConnection,
        now: Moment,
    ) -> Result<bool, sqlx::Error> {
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) FROM node_lease WHERE until_ms > $1 AND holder <> $2",
        )
        .bind(now.millis())
        .bind(self.holder.clone())
        .fetch_one(connection)
        .await?;
        Ok(row.try_get::<i64, _>(0)? > 0)
    }

    /// Ends the lease now. A failure is left to time: the lease runs out by itself.
    pub(crate) async fn give_back(&self, pool: &AnyPool, now: Moment) {
        let ended = sqlx::query("UPDATE node_lease SET until_ms = $3 WHERE node = $1 AND holder = $2")
            .bind(self.node)
            .bind(self.holder.clone())
            .bind(now.millis())
            .execute(pool)
            .await;
        if let Err(error) = ended {
            tracing::debug!(%error, "the node number was not given back; its lease runs out by itself");
        }
    }

    async fn renew(&self, pool: &AnyPool, now: Moment) -> Result<(), sqlx::Error> {
        sqlx::query("UPDATE node_lease SET until_ms = $3 WHERE node = $1 AND holder = $2")
            .bind(self.node)
            .bind(self.holder.clone())
            .bind(now.millis() + LASTS_MS)
            .execute(pool)
            .await?;
        Ok(())
    }
}

async fn claim(
    pool: &AnyPool,
    node: i64,
    holder: &str,
    before: Option<i64>,
    now: i64,
) -> Result<bool, sqlx::Error> {
    let until = now.max(before.unwrap_or(0)) + LASTS_MS;
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
                tracing::warn!(%error, "the lease of this program's node number was not renewed");
            }
        }
    });
}
