//! Printed tags: what stood on the latest one of each item, so that another price or weight asks for a new tag.

use crate::shelf::lookup;
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::settings::own_money;
use crate::store::sql::insert_rows_or;
use crate::store::tables;
use async_trait::async_trait;
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{self, ItemId};
use domain::money::Money;
use domain::text;
use domain::weight::Weight;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use std::collections::BTreeMap;

/// The most tags on one page, and printed by one press.
pub const MAX_TAGS_AT_ONCE: usize = 100;
/// How many are counted, so that stock of any size is looked through in the same time.
const MOST_COUNTED: i64 = 1000;

/// What was printed on a tag. The item may have another price or weight by the time that somebody says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TagPrinted {
    /// Of which item.
    pub code: Code,
    /// The price on it.
    pub price: Money,
    /// The weight on it, if there is one.
    pub weight: Option<Weight>,
}

/// Keeps that tags were printed, at most [`MAX_TAGS_AT_ONCE`].
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeepTags {
    /// Of several tags of one item, the last counts.
    pub tags: Vec<TagPrinted>,
    /// Who printed them.
    pub who: String,
}

#[async_trait]
impl Command for KeepTags {
    /// Of how many items.
    type Answer = usize;

    fn is_long(&self) -> bool {
        self.tags.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        if !(1..=MAX_TAGS_AT_ONCE).contains(&self.tags.len()) {
            let reason = ShelfReason::TagCount { limit: MAX_TAGS_AT_ONCE };
            return Err(Rejection::invalid("tags", reason).into());
        }
        let who = text::short(&self.who).field("who")?;
        let currency = tx.shop().currency;
        for tag in &self.tags {
            own_money("price", tag.price, currency)?;
        }
        let codes: Vec<Code> = self.tags.iter().map(|tag| tag.code.clone()).collect();
        let found = lookup::find_all(tx, &codes).await?;
        // In the order of their items, as everybody writes them.
        let rows: BTreeMap<ItemId, &TagPrinted> = found.iter().map(|f| f.id).zip(&self.tags).collect();
        let rows: Vec<(ItemId, &TagPrinted)> = rows.into_iter().collect();
        let now = tx.now().millis();
        let anew = "ON CONFLICT (item_id) DO UPDATE SET price = excluded.price, mass = excluded.mass, \
            who = excluded.who, at_ms = excluded.at_ms";
        insert_rows_or(tx.db(), &tables::PRINTED_TAG, anew, &rows, |statement, (item, tag)| {
            statement
                .bind(item.raw())
                .bind(tag.price.minor())
                .bind(tag.weight.map_or(0, Weight::mass))
                .bind(who.clone())
                .bind(now)
        })
        .await?;
        Ok(rows.len())
    }
}

/// The latest tag of an item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LatestTag {
    /// The price on it.
    pub price: Money,
    /// Whether the item has another price or weight by now.
    pub is_outdated: bool,
    /// Who printed it.
    pub who: String,
    /// When.
    pub at: Moment,
}

/// How many items in stock need a tag; at most a thousand of each are counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TagCounts {
    /// No tag was printed yet.
    pub missing: i64,
    /// Price or weight changed since it was printed.
    pub outdated: i64,
    /// Added since the moment that was asked about.
    pub added: i64,
}

impl Ledger {
    /// The latest tag of an item; none if none was printed.
    pub async fn latest_tag(&self, item: ItemId) -> Result<Option<LatestTag>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT t.price, t.who, t.at_ms, CASE WHEN t.price = i.price AND t.mass = i.mass THEN 0 ELSE 1 END AS outdated \
             FROM printed_tag t JOIN item i ON i.id = t.item_id WHERE t.item_id = $1",
        )
        .bind(item.raw())
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        Ok(Some(LatestTag {
            price: Money::from_minor(row.try_get("price")?, self.shop().currency)
                .stored("printed_tag.price")?,
            is_outdated: row.try_get::<i64, _>("outdated")? == 1,
            who: row.try_get("who")?,
            at: Moment::from_millis(row.try_get("at_ms")?),
        }))
    }

    /// How many items in stock need a tag, and how many were added since a moment.
    pub async fn tag_counts(&self, since: Moment) -> Result<TagCounts, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT (SELECT CAST(COUNT(*) AS BIGINT) FROM (SELECT i.id FROM item i WHERE i.on_hand > 0 \
             AND NOT EXISTS (SELECT 1 FROM printed_tag t WHERE t.item_id = i.id) LIMIT $1) AS a) AS missing, \
             (SELECT CAST(COUNT(*) AS BIGINT) FROM (SELECT i.id FROM printed_tag t JOIN item i ON i.id = t.item_id \
             WHERE i.on_hand > 0 AND (t.price <> i.price OR t.mass <> i.mass) LIMIT $1) AS b) AS outdated, \
             (SELECT CAST(COUNT(*) AS BIGINT) FROM (SELECT i.id FROM item i WHERE i.on_hand > 0 AND i.id >= $2 LIMIT $1) AS c) AS added",
        )
        .bind(MOST_COUNTED)
        .bind(ids::bound_of(since.millis()))
        .fetch_one(&mut *connection)
        .await?;
        Ok(TagCounts {
            missing: row.try_get("missing")?,
            outdated: row.try_get("outdated")?,
            added: row.try_get("added")?,
        })
    }
}
