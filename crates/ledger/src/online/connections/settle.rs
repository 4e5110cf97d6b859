//! Records the outcome of claimed messages. Only the holder of a claim can do it.

use super::ids::take_from_others;
use super::troubles::{self, TroubleOf};
use super::{MAX_TROUBLE_CHARS, at_most, others_word};
use crate::online::first_delivery;
use crate::online::listings::{SENT_SILENTLY, sent};
use crate::online::texts::told;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::CommandError;
use crate::store::sql::{in_text, insert_rows_or, padded};
use crate::store::tables;
use async_trait::async_trait;
use domain::day::Moment;
use domain::delivery::REQUEST_TIMEOUT;
use domain::ids::{ConnectionId, ItemId};
use domain::stock::ListingState;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, Row};
use std::collections::HashSet;

/// Records the outcome of messages. One that another holder has claimed by now is not touched.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SettleMessages {
    /// Which connection.
    pub connection: ConnectionId,
    /// The number of the claim.
    pub holder: i64,
    /// At most [`super::LIVE_AT_ONCE`].
    pub settled: Vec<Settled>,
}

/// A message and its outcome.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settled {
    /// The item.
    pub item: ItemId,
    /// The revision in the message.
    pub revision: i64,
    /// What became of it.
    pub became: SettledAs,
}

/// The outcome of a message.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SettledAs {
    /// It was accepted, or the online shop knew it already.
    Told {
        /// The hash of what was sent.
        hash: String,
        /// The listing's state there now.
        state: ListingState,
        /// The online shop's own id, if it gave one.
        other_id: Option<String>,
        /// The `ETag` of its state now, if it gave one.
        etag: Option<String>,
    },
    /// There was nothing to send: it was never offered there and is not now.
    Nothing,
    /// It was not sent after all, and waits as if nobody had claimed it.
    Left,
    /// It waits for another try.
    Later {
        /// When to try again.
        until: Moment,
        /// Why it failed.
        words: String,
    },
    /// No answer came: it waits for another try, and may still be on its way.
    Unanswered {
        /// When to try again.
        until: Moment,
        /// What happened.
        words: String,
    },
    /// It needs attention, until somebody acts or the item changes.
    Parked {
        /// Why the shop does not accept it.
        words: String,
    },
}

/// A message that was accepted.
struct ToldRow<'a> {
    item: ItemId,
    revision: i64,
    hash: &'a str,
    state: ListingState,
    other_id: &'a str,
    etag: &'a str,
}

impl<'a> ToldRow<'a> {
    fn of(message: &'a Settled) -> Option<Self> {
        let SettledAs::Told { hash, state, other_id, etag } = &message.became else { return None };
        let (item, revision, state) = (message.item, message.revision, *state);
        let other_id = other_id.as_deref().unwrap_or_default();
        Some(Self { item, revision, hash, state, other_id, etag: etag.as_deref().unwrap_or_default() })
    }
}

/// Also limited to the first and last of the items: PostgreSQL, which believes the table to be empty, would go
/// through all rows of the connection, and through those that are deleted.
const RELEASED: &str = "DELETE FROM delivery WHERE connection_id = $1 AND holder = $2 \
    AND item_id >= $3 AND item_id <= $4 AND item_id";
/// An earlier revision never overwrites a later one; an id stays until there is another.
const LISTING_OR: &str = "ON CONFLICT (connection_id, item_id) DO UPDATE SET state = excluded.state, \
    revision = excluded.revision, content_hash = excluded.content_hash, told_ms = excluded.told_ms, \
    etag = excluded.etag, \
    other_id = CASE WHEN excluded.other_id = '' THEN listing.other_id ELSE excluded.other_id END \
    WHERE listing.revision <= excluded.revision";

/// If a listing exists anyway, it is no longer behind.
const KNOWN: &str =
    "UPDATE listing SET revision = $3 WHERE connection_id = $1 AND item_id = $2 AND revision < $3";

#[async_trait]
impl Command for SettleMessages {
    /// How many were claimed and are settled.
    type Answer = usize;

    fn is_long(&self) -> bool {
        self.settled.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        at_most("settled", self.settled.len())?;
        let told = self.told(tx).await?;
        let (mut settled, mut refused, mut trouble) = (told, 0, None);
        for message in &self.settled {
            let done = match &message.became {
                SettledAs::Told { .. } => continue,
                SettledAs::Nothing => self.nothing(tx, message).await?,
                SettledAs::Left => self.left(tx, message.item).await?,
                SettledAs::Later { until, words } => {
                    trouble = Some(words);
                    self.waits(tx, message.item, (*until, 0), words).await?
                }
                SettledAs::Unanswered { until, words } => {
                    trouble = Some(words);
                    let over = i64::try_from(REQUEST_TIMEOUT.as_millis()).unwrap_or(i64::MAX);
                    let clear = tx.now().plus_millis(over).millis();
                    self.waits(tx, message.item, (*until, clear), words).await?
                }
                SettledAs::Parked { words } => {
                    trouble = Some(words);
                    let done = self.park(tx, message, words).await?;
                    refused += i64::from(done);
                    done
                }
            };
            settled += usize::from(done);
        }
        self.count(tx, told, refused, trouble).await?;
        Ok(settled)
    }
}

impl SettleMessages {
    /// Accepted messages: the listing records them, and what waited up to that revision waits no
    /// longer.
    async fn told(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        let mut told: Vec<ToldRow<'_>> = self.settled.iter().filter_map(ToldRow::of).collect();
        // By item, and each item once.
        told.sort_by_key(|row| (row.item, row.revision));
        told.dedup_by_key(|row| row.item);
        let items: Vec<ItemId> = told.iter().map(|row| row.item).collect();
        let first = first_delivery::begin(tx, self.connection, &items).await?;
        let held = self.release(tx, &items).await?;
        told.retain(|row| held.contains(&row.item));
        let now = tx.now().millis();
        insert_rows_or(tx.db(), &tables::LISTING, LISTING_OR, &told, |statement, row| {
            statement
                .bind(self.connection.raw())
                .bind(row.item.raw())
                .bind(row.state.code().to_owned())
                .bind(row.revision)
                .bind(row.hash.to_owned())
                .bind(others_word(row.other_id))
                .bind(now)
                .bind(others_word(row.etag))
                .bind(0_i64)
        })
        .await?;
        let given: Vec<(ItemId, &str)> = told.iter().map(|row| (row.item, row.other_id)).collect();
        take_from_others(tx, self.connection, &given).await?;
        let items: Vec<ItemId> = told.iter().map(|row| row.item).collect();
        sent(tx, self.connection, &items).await?;
        first_delivery::end(tx, self.connection, &first).await?;
        Ok(items.len())
    }

    /// Releases what this holder has claimed; returns the items.
    async fn release(&self, tx: &mut Tx, items: &[ItemId]) -> Result<HashSet<ItemId>, CommandError> {
        let mut held = HashSet::with_capacity(items.len());
        for chunk in items.chunks(crate::store::sql::MAX_ROWS) {
            let text = in_text(RELEASED, 5, chunk.len(), "RETURNING item_id");
            let (first, last) = first_delivery::span(chunk);
            let mut statement = sqlx::query(AssertSqlSafe(text))
                .bind(self.connection.raw())
                .bind(self.holder)
                .bind(first)
                .bind(last);
            for item in padded(chunk) {
                statement = statement.bind(item.raw());
            }
            for row in statement.fetch_all(tx.db()).await? {
                held.insert(ItemId::from_raw(row.try_get("item_id")?));
            }
        }
        Ok(held)
    }

    /// What somebody listed stays listed, for when it can be bought.
    async fn nothing(&self, tx: &mut Tx, message: &Settled) -> Result<bool, CommandError> {
        let done = sqlx::query(
            "UPDATE delivery SET holder = 0, lease_ms = 0, due_ms = 0, tries = 0, message = '', dead_letter_revision = 0 \
             WHERE connection_id = $1 AND holder = $2 AND item_id = $3",
        )
        .bind(self.connection.raw())
        .bind(self.holder)
        .bind(message.item.raw())
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 1 {
            sqlx::query(KNOWN)
                .bind(self.connection.raw())
                .bind(message.item.raw())
                .bind(message.revision)
                .execute(tx.db())
                .await?;
            sqlx::query(SENT_SILENTLY)
                .bind(message.item.raw())
                .bind(self.connection.raw())
                .bind(message.revision)
                .execute(tx.db())
                .await?;
        }
        Ok(done.rows_affected() == 1)
    }

    /// A try that was none does not count.
    async fn left(&self, tx: &mut Tx, item: ItemId) -> Result<bool, CommandError> {
        let done = sqlx::query(
            "UPDATE delivery SET holder = 0, lease_ms = 0, tries = tries - 1 \
             WHERE connection_id = $1 AND holder = $2 AND item_id = $3",
        )
        .bind(self.connection.raw())
        .bind(self.holder)
        .bind(item.raw())
        .execute(tx.db())
        .await?;
        Ok(done.rows_affected() == 1)
    }

    async fn waits(
        &self,
        tx: &mut Tx,
        item: ItemId,
        (until, clear): (Moment, i64),
        words: &str,
    ) -> Result<bool, CommandError> {
        let done = sqlx::query(
            "UPDATE delivery SET holder = 0, lease_ms = 0, due_ms = $4, message = $5, dead_letter_revision = 0, \
             clear_ms = $6 WHERE connection_id = $1 AND holder = $2 AND item_id = $3",
        )
        .bind(self.connection.raw())
        .bind(self.holder)
        .bind(item.raw())
        .bind(until.millis())
        .bind(told(words, MAX_TROUBLE_CHARS))
        .bind(clear)
        .execute(tx.db())
        .await?;
        Ok(done.rows_affected() == 1)
    }

    async fn park(&self, tx: &mut Tx, message: &Settled, words: &str) -> Result<bool, CommandError> {
        let now = tx.now().millis();
        let done = sqlx::query(
            "UPDATE delivery SET holder = 0, lease_ms = 0, due_ms = 0, message = $5, dead_letter_revision = $4, \
             dead_letter_ms = $6 WHERE connection_id = $1 AND holder = $2 AND item_id = $3",
        )
        .bind(self.connection.raw())
        .bind(self.holder)
        .bind(message.item.raw())
        .bind(message.revision.max(1))
        .bind(told(words, MAX_TROUBLE_CHARS))
        .bind(now)
        .execute(tx.db())
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// The connection's own figures. Last, because every settling on the connection touches this row.
    async fn count(
        &self,
        tx: &mut Tx,
        told: usize,
        refused: i64,
        trouble: Option<&String>,
    ) -> Result<(), CommandError> {
        let now = tx.now().millis();
        let told = i64::try_from(told).unwrap_or(i64::MAX);
        if told > 0 {
            super::clocks::wake(tx, self.connection).await?;
        }
        if told + refused > 0 {
            sqlx::query(
                "UPDATE connection_state SET sent = sent + $2, refused = refused + $3, contact_ms = $4 \
                 WHERE connection_id = $1",
            )
            .bind(self.connection.raw())
            .bind(told)
            .bind(refused)
            .bind(now)
            .execute(tx.db())
            .await?;
        }
        match trouble.filter(|words| !words.is_empty()) {
            Some(words) => troubles::note(tx, self.connection, TroubleOf::Messages, words).await,
            // Messages that need attention are listed separately until somebody has dealt with them.
            None if told > 0 => troubles::cure(tx, self.connection, TroubleOf::Messages).await,
            None => Ok(()),
        }
    }
}
