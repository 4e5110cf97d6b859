//! Printed tags: what stood on the latest one of each item, so that another price, weight or wording asks for a new
//! tag.

use crate::shelf::items::ItemView;
use crate::shelf::lookup;
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::settings::own_money;
use crate::store::sql::insert_rows_or;
use crate::store::tables;
use async_trait::async_trait;
use domain::codes::{Code, CodeError};
use domain::day::Moment;
use domain::ids::{self, ItemId};
use domain::item::TextField;
use domain::money::Money;
use domain::text;
use domain::weight::Weight;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, Row};
use std::collections::BTreeMap;

/// The most tags on one page, and printed by one press.
pub const MAX_TAGS_AT_ONCE: usize = 100;
/// How many are counted, so that stock of any size is looked through in the same time; one more says that there are
/// more.
pub const MOST_TAGS_COUNTED: usize = 1000;

/// What differs between a tag `t` and its item `i` if the tag is out of date.
pub(crate) const IS_OUTDATED: &str = "(t.price <> i.price OR t.mass <> i.mass OR t.name <> i.name \
    OR t.size <> i.size OR t.material <> i.material \
    OR t.care <> COALESCE((SELECT w.care FROM style w WHERE w.id = i.style_id), ''))";

/// What was printed on a tag. The item may have changed by the time that somebody says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TagPrinted {
    /// Of which item.
    pub code: Code,
    /// The price on it.
    pub price: Money,
    /// The weight on it, if there is one.
    pub weight: Option<Weight>,
    /// The name on it.
    pub name: String,
    /// The item's size, on the tag or in the name.
    pub size: String,
    /// The fibers on it.
    pub material: String,
    /// The care words on it.
    #[serde(default)]
    pub care: String,
}

impl TagPrinted {
    /// What a tag of this item says now.
    ///
    /// # Errors
    /// If the item's own number is not a code.
    pub fn of(item: &ItemView) -> Result<Self, CodeError> {
        Ok(Self {
            code: Code::parse(&item.in_store)?,
            price: item.price,
            weight: item.weight,
            name: item.text.name.clone(),
            size: item.text.size.clone(),
            material: item.text.material.clone(),
            care: item.care.clone(),
        })
    }

    /// Its texts as an item has them.
    fn texts(&self) -> Result<[String; 4], CommandError> {
        Ok([
            TextField::Name.checked(&self.name).field("name")?,
            TextField::Size.checked(&self.size).field("size")?,
            TextField::Material.checked(&self.material).field("material")?,
            text::short(&self.care).field("care")?,
        ])
    }
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
        let mut texts = Vec::with_capacity(self.tags.len());
        for tag in &self.tags {
            own_money("price", tag.price, currency)?;
            texts.push(tag.texts()?);
        }
        let codes: Vec<Code> = self.tags.iter().map(|tag| tag.code.clone()).collect();
        let found = lookup::find_all(tx, &codes).await?;
        // In the order of their items, as everybody writes them.
        let tags = self.tags.iter().zip(&texts);
        let rows: BTreeMap<ItemId, (&TagPrinted, &[String; 4])> =
            found.iter().map(|f| f.id).zip(tags).collect();
        let rows: Vec<_> = rows.into_iter().collect();
        let now = tx.now().millis();
        let anew = "ON CONFLICT (item_id) DO UPDATE SET price = excluded.price, mass = excluded.mass, \
            name = excluded.name, size = excluded.size, material = excluded.material, care = excluded.care, \
            who = excluded.who, at_ms = excluded.at_ms";
        insert_rows_or(tx.db(), &tables::PRINTED_TAG, anew, &rows, |statement, (item, (tag, texts))| {
            let statement =
                statement.bind(item.raw()).bind(tag.price.minor()).bind(tag.weight.map_or(0, Weight::mass));
            let statement = texts.iter().fold(statement, |statement, text| statement.bind(text.clone()));
            statement.bind(who.clone()).bind(now)
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
    /// Whether the item has another price, weight, name, size, material or care words by now.
    pub is_outdated: bool,
    /// Who printed it.
    pub who: String,
    /// When.
    pub at: Moment,
}

/// How many items in stock need a tag; above [`MOST_TAGS_COUNTED`] there are more than that.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TagCounts {
    /// No tag was printed yet.
    pub missing: i64,
    /// What it says changed since it was printed.
    pub outdated: i64,
    /// Added since the moment that was asked about.
    pub added: i64,
}

impl Ledger {
    /// The latest tag of an item; none if none was printed.
    pub async fn latest_tag(&self, item: ItemId) -> Result<Option<LatestTag>, CommandError> {
        let mut connection = self.reader().await?;
        let statement = format!(
            "SELECT t.price, t.who, t.at_ms, CASE WHEN {IS_OUTDATED} THEN 1 ELSE 0 END AS outdated \
             FROM printed_tag t JOIN item i ON i.id = t.item_id WHERE t.item_id = $1"
        );
        let row =
            sqlx::query(AssertSqlSafe(statement)).bind(item.raw()).fetch_optional(&mut *connection).await?;
        let Some(row) = row else { return Ok(None) };
        Ok(Some(LatestTag {
            price: Money::from_minor(row.try_get("price")?, self.shop().currency)
                .stored("printed_tag.price")?,
            is_outdated: row.try_get::<i64, _>("outdated")? == 1,
            who: row.try_get("who")?,
            at: Moment::from_millis(row.try_get("at_ms")?),
        }))
    }

    /// How many items in stock need a tag, of the newest `newest` of them, and how many were added since a moment.
    /// A tag is compared with its item, so this takes as long as there are items to look at.
    pub async fn tag_counts(&self, since: Moment, newest: i64) -> Result<TagCounts, CommandError> {
        let mut connection = self.reader().await?;
        let statement = format!(
            "SELECT (SELECT CAST(COUNT(*) AS BIGINT) FROM (SELECT i.id FROM \
             (SELECT id FROM item WHERE on_hand > 0 ORDER BY id DESC LIMIT $3) AS i \
             WHERE NOT EXISTS (SELECT 1 FROM printed_tag t WHERE t.item_id = i.id) LIMIT $1) AS a) AS missing, \
             (SELECT CAST(COUNT(*) AS BIGINT) FROM (SELECT i.id FROM \
             (SELECT id, style_id, price, mass, name, size, material FROM item WHERE on_hand > 0 ORDER BY id DESC LIMIT $3) AS i \
             JOIN printed_tag t ON t.item_id = i.id WHERE {IS_OUTDATED} LIMIT $1) AS b) AS outdated, \
             (SELECT CAST(COUNT(*) AS BIGINT) FROM (SELECT i.id FROM item i WHERE i.on_hand > 0 AND i.id >= $2 LIMIT $1) AS c) AS added"
        );
        let row = sqlx::query(AssertSqlSafe(statement))
            .bind(i64::try_from(MOST_TAGS_COUNTED + 1).unwrap_or(i64::MAX))
            .bind(ids::bound_of(since.millis()))
            .bind(newest)
            .fetch_one(&mut *connection)
            .await?;
        Ok(TagCounts {
            missing: row.try_get("missing")?,
            outdated: row.try_get("outdated")?,
            added: row.try_get("added")?,
        })
    }
}
