//! What a connection must be sent for the first time: everything that is offered, or what somebody
//! chose. It works in steps, so that a large shop keeps selling meanwhile.

use super::{LIVE_AT_ONCE, at_most, live};
use crate::online::outbox::enqueue_for_connection;
use crate::people::activity_log::{self, Activity};
use crate::shelf::lookup;
use crate::shelf::stock::lock;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::sql::insert_rows_or;
use crate::store::tables;
use async_trait::async_trait;
use domain::codes::Code;
use domain::ids::{ConnectionId, ItemId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Items per step.
const LOOKED_AT: i64 = 500;
/// When to go through all items again after a connection was saved: by then every transaction that
/// began earlier, without knowing of the connection, is over.
const AGAIN_MS: i64 = 2 * 60 * 1000;
/// And then once a day; it finds nothing unless something went wrong.
const DAILY_MS: i64 = 24 * 60 * 60 * 1000;

/// Goes one step through all items, and writes messages for what the connection should know and does
/// not: offered items that it never received, unless new pieces wait there, and listings that are
/// behind their items without a waiting message.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct FillConnection {
    /// Which connection.
    pub connection: ConnectionId,
}

/// Each table is limited to the window, and waiting rows are excluded as a whole. A connection fills up
/// within minutes, and PostgreSQL, which believes its tables to be as small as when it last analyzed
/// them, would read all their rows for each item.
const MISSING: &str = "SELECT i.id FROM item i JOIN connection c ON c.id = $1 \
    LEFT JOIN listing l ON l.item_id = i.id AND l.connection_id = $1 AND l.item_id > $2 AND l.item_id <= $3 \
    WHERE i.id > $2 AND i.id <= $3 AND (l.revision < i.revision \
        OR (l.item_id IS NULL AND c.new_pieces = 'list' AND i.do_not_list = 0 AND i.on_hand > i.held)) \
    EXCEPT SELECT o.item_id FROM outbox o WHERE o.connection_id = $1 AND o.item_id > $2 AND o.item_id <= $3 \
    ORDER BY 1";

/// Where a window of items after `after` ends; none if there are no more.
async fn window(tx: &mut Tx, after: i64) -> Result<Option<i64>, CommandError> {
    let row = sqlx::query(
        "SELECT MAX(id) AS last_id FROM (SELECT id FROM item WHERE id > $1 ORDER BY id LIMIT $2) AS looked",
    )
    .bind(after)
    .bind(LOOKED_AT)
    .fetch_one(tx.db())
    .await?;
    Ok(row.try_get("last_id")?)
}

async fn ids(
    tx: &mut Tx,
    text: &'static str,
    on: ConnectionId,
    window: (i64, i64),
) -> Result<Vec<ItemId>, CommandError> {
    let rows = sqlx::query(text).bind(on.raw()).bind(window.0).bind(window.1).fetch_all(tx.db()).await?;
    rows.iter().map(|row| Ok(ItemId::from_raw(row.try_get("id")?))).collect()
}

#[async_trait]
impl Command for FillConnection {
    /// Whether there is more to do now.
    type Answer = bool;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<bool, CommandError> {
        let now = tx.now().millis();
        let found = sqlx::query(
            "SELECT s.filled_id, s.saved_ms FROM connection_state s JOIN connection c ON c.id = s.connection_id \
             WHERE s.connection_id = $1 AND c.ended_ms IS NULL AND s.fill_due_ms <= $2",
        )
        .bind(self.connection.raw())
        .bind(now)
        .fetch_optional(tx.db())
        .await?;
        let Some(row) = found else { return Ok(false) };
        let (after, saved): (i64, i64) = (row.try_get("filled_id")?, row.try_get("saved_ms")?);
        let end = window(tx, after).await?;
        if let Some(end) = end {
            let items = ids(tx, MISSING, self.connection, (after, end)).await?;
            // A sale that began before it knew of the connection has sent it nothing.
            lock(tx, &items).await?;
            enqueue_for_connection(tx, &items, self.connection).await?;
        }
        let again = if now < saved + AGAIN_MS { saved + AGAIN_MS } else { now + DAILY_MS };
        // Only from where it was read: if somebody else did the step, or saved the connection again,
        // it is theirs.
        sqlx::query(
            "UPDATE connection_state SET filled_id = $3, fill_due_ms = $4 \
             WHERE connection_id = $1 AND filled_id = $2 AND saved_ms = $5",
        )
        .bind(self.connection.raw())
        .bind(after)
        .bind(end.unwrap_or(-1))
        .bind(if end.is_some() { now } else { again })
        .bind(saved)
        .execute(tx.db())
        .await?;
        Ok(end.is_some())
    }
}

/// Lists items on a connection: those with the given codes, or one step of everything in stock, even on
/// hold, because a hold ends. From now on the connection is told about them whenever they can be
/// bought.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PutOnConnection {
    /// Which connection.
    pub connection: ConnectionId,
    /// Only these items; everything in stock if none.
    pub codes: Option<Vec<Code>>,
    /// The item after which the step begins, for everything in stock.
    pub after: Option<ItemId>,
    /// For the activity log.
    pub who: String,
}

/// The result of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PutOn {
    /// How many items are new there.
    pub put: usize,
    /// Where the next step begins; none after the last.
    pub next: Option<ItemId>,
}

const STANDING: &str = "SELECT i.id FROM item i WHERE i.id > $2 AND i.id <= $3 AND i.do_not_list = 0 AND i.on_hand > 0 \
    EXCEPT SELECT l.item_id FROM listing l WHERE l.connection_id = $1 AND l.item_id > $2 AND l.item_id <= $3 ORDER BY 1";

#[async_trait]
impl Command for PutOnConnection {
    type Answer = PutOn;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<PutOn, CommandError> {
        let who = text::short(&self.who).field("who")?;
        live(tx.db(), self.connection).await?;
        let (items, next) = match &self.codes {
            Some(codes) => (self.coded(tx, codes).await?, None),
            None => self.step(tx).await?,
        };
        lock(tx, &items).await?;
        let put = insert_rows_or(
            tx.db(),
            &tables::DELIVERY,
            "ON CONFLICT DO NOTHING",
            &items,
            |statement, item| {
                let (on, zero) = (self.connection.raw(), 0_i64);
                let statement = statement.bind(on).bind(item.raw()).bind(zero).bind(zero).bind(zero);
                statement.bind(zero).bind(zero).bind(zero).bind(String::new()).bind(zero)
            },
        )
        .await?;
        enqueue_for_connection(tx, &items, self.connection).await?;
        if put > 0 {
            let what = self.connection.to_string();
            activity_log::note(tx, &who, Activity::PutOnConnection, &what, &format!("{put} items")).await?;
        }
        Ok(PutOn { put: usize::try_from(put).unwrap_or(usize::MAX), next })
    }
}

impl PutOnConnection {
    /// Everything in stock among the items after `after`, within one step.
    async fn step(&self, tx: &mut Tx) -> Result<(Vec<ItemId>, Option<ItemId>), CommandError> {
        let after = self.after.map_or(-1, ItemId::raw);
        let Some(end) = window(tx, after).await? else { return Ok((Vec::new(), None)) };
        let standing = ids(tx, STANDING, self.connection, (after, end)).await?;
        Ok((standing, Some(ItemId::from_raw(end))))
    }

    /// Those of the codes that the connection does not know yet.
    async fn coded(&self, tx: &mut Tx, codes: &[Code]) -> Result<Vec<ItemId>, CommandError> {
        at_most("codes", codes.len())?;
        let mut items: Vec<ItemId> = lookup::find_all(tx, codes).await?.iter().map(|f| f.id).collect();
        items.sort_unstable();
        items.dedup();
        let mut fresh = Vec::with_capacity(items.len());
        for item in items {
            let listed = sqlx::query("SELECT item_id FROM listing WHERE connection_id = $1 AND item_id = $2")
                .bind(self.connection.raw())
                .bind(item.raw())
                .fetch_optional(tx.db())
                .await?;
            if listed.is_none() {
                fresh.push(item);
            }
        }
        Ok(fresh)
    }
}

impl Ledger {
    /// Lists items on a connection, everything in stock if no codes are given, in as many transactions
    /// as it takes. Returns how many are new there.
    pub async fn put_on_connection(
        &self,
        connection: ConnectionId,
        codes: Option<&[Code]>,
        who: &str,
    ) -> Result<usize, CommandError> {
        let step = |codes, after| PutOnConnection { connection, codes, after, who: who.to_owned() };
        let mut put = 0;
        if let Some(codes) = codes {
            for chunk in codes.chunks(LIVE_AT_ONCE) {
                put += self.execute(None, &step(Some(chunk.to_vec()), None)).await?.answer.put;
            }
            return Ok(put);
        }
        let mut after = None;
        loop {
            let done = self.execute(None, &step(None, after)).await?.answer;
            put += done.put;
            match done.next {
                Some(next) => after = Some(next),
                None => return Ok(put),
            }
        }
    }
}
