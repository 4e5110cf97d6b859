//! A scan in a stock count.

use super::over;
use crate::shelf::lookup::{self, Found};
use crate::shelf::open_count;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason};
use async_trait::async_trait;
use domain::codes::Code;
use domain::ids::StockCountId;
use domain::quantity::{Asked, MAX_STOCK_UNITS, Quantity};
use domain::stock::ItemKind;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Counts something. The same piece scanned twice is one; for other goods each scan adds.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ScanStockCount {
    /// The open count.
    pub id: StockCountId,
    /// A SKU, an in-store code or a GTIN.
    pub code: Code,
    /// One if none; goods by weight must be weighed.
    pub quantity: Option<Asked>,
    /// Whether this is the whole quantity, and not an addition.
    pub is_all: bool,
    /// Who counts.
    pub who: String,
}

/// The result of a scan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Scanned {
    /// The item's SKU, or the unknown code.
    pub sku: String,
    /// Empty for an unknown code.
    pub title: String,
    /// How much of it was counted so far.
    pub counted: Option<Quantity>,
    /// The recorded quantity.
    pub booked: Option<Quantity>,
    /// How the two compare.
    pub finding: ScanFinding,
}

/// How a count compares with the recorded stock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ScanFinding {
    /// The same quantity.
    Agrees,
    /// Less than recorded, so far.
    Fewer,
    /// More than recorded.
    More,
    /// This piece was counted before.
    Again,
    /// It is recorded as gone, for this reason.
    NotExpected(Box<Rejection>),
    /// No item has the code.
    Unknown,
}

const ADD: &str = "INSERT INTO stock_count_line (stock_count_id, item_id, stock_units, booked, mark, difference, left_message, who) \
    SELECT CAST($1 AS BIGINT), i.id, CAST($3 AS BIGINT), i.on_hand, CAST($4 AS BIGINT), 0, '', CAST($5 AS TEXT) \
    FROM item i WHERE i.id = $2 ON CONFLICT (stock_count_id, item_id) DO UPDATE SET \
    stock_units = stock_count_line.stock_units + excluded.stock_units, booked = excluded.booked, mark = excluded.mark, who = excluded.who \
    RETURNING stock_units, booked";
const SET: &str = "INSERT INTO stock_count_line (stock_count_id, item_id, stock_units, booked, mark, difference, left_message, who) \
    SELECT CAST($1 AS BIGINT), i.id, CAST($3 AS BIGINT), i.on_hand, CAST($4 AS BIGINT), 0, '', CAST($5 AS TEXT) \
    FROM item i WHERE i.id = $2 ON CONFLICT (stock_count_id, item_id) DO UPDATE SET \
    stock_units = excluded.stock_units, booked = excluded.booked, mark = excluded.mark, who = excluded.who \
    RETURNING stock_units, booked";

#[async_trait]
impl Command for ScanStockCount {
    type Answer = Scanned;

    async fn run(&self, tx: &mut Tx) -> Result<Scanned, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let currency = tx.shop().currency;
        let found = lookup::find_known(tx.db(), std::slice::from_ref(&self.code), currency).await?;
        let found = match found.get(&self.code) {
            Some(found) => found.clone(),
            None => match lookup::unknown(&self.code) {
                // A scanning error is not an unknown item: it is scanned again.
                slip @ Rejection::WrongDigit { .. } => return Err(slip.into()),
                _ => return self.stray(tx).await,
            },
        };
        let stock_units = self.stock_units(&found)?;
        self.still_open(tx).await?;
        let before = self.counted_before(tx, &found).await?;
        let is_piece = found.kind == ItemKind::Piece;
        open_count::after_single_count(tx, found.id).await?;
        let mark = tx.next_id()?;
        let row = sqlx::query(if self.is_all || is_piece { SET } else { ADD })
            .bind(self.id.raw())
            .bind(found.id.raw())
            .bind(stock_units)
            .bind(mark)
            .bind(who)
            .fetch_one(tx.db())
            .await?;
        let (counted, booked): (i64, i64) = (row.try_get("stock_units")?, row.try_get("booked")?);
        if counted > MAX_STOCK_UNITS {
            return Err(Rejection::invalid("quantity", ShelfReason::CountTooLarge).into());
        }
        let finding = finding(tx, &found, before, counted, booked).await?;
        let shown = |stock_units| {
            Quantity::from_stock_units(stock_units, found.measure)
                .stored("stock_count_line.stock_units")
                .map(Some)
        };
        let (counted, booked) = (shown(counted)?, shown(booked)?);
        Ok(Scanned { sku: found.sku, title: found.title, counted, booked, finding })
    }
}

impl ScanStockCount {
    fn stock_units(&self, found: &Found) -> Result<i64, CommandError> {
        let asked = match (self.quantity, found.kind) {
            (Some(asked), _) => asked,
            (None, ItemKind::Weight) => {
                return Err(Rejection::invalid("quantity", ShelfReason::WeightMissing).into());
            }
            (None, _) => Asked::ONE,
        };
        let stock_units = Quantity::resolve_or_zero(asked, found.measure).field("quantity")?.stock_units();
        if found.kind == ItemKind::Piece && stock_units > 1 {
            return Err(Rejection::invalid("quantity", ShelfReason::OnlyOne).into());
        }
        Ok(stock_units)
    }

    /// Locks the count's row, so that it is not finished in the middle of a scan.
    async fn still_open(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let done = sqlx::query("UPDATE stock_count SET scans = scans + 1 WHERE id = $1 AND state = 'open'")
            .bind(self.id.raw())
            .execute(tx.db())
            .await?;
        if done.rows_affected() == 0 {
            return Err(over(tx, self.id).await?.into());
        }
        Ok(())
    }

    async fn counted_before(&self, tx: &mut Tx, found: &Found) -> Result<Option<i64>, CommandError> {
        let row = sqlx::query(
            "SELECT stock_units FROM stock_count_line WHERE stock_count_id = $1 AND item_id = $2",
        )
        .bind(self.id.raw())
        .bind(found.id.raw())
        .fetch_optional(tx.db())
        .await?;
        Ok(row.map(|row| row.try_get("stock_units")).transpose()?)
    }

    async fn stray(&self, tx: &mut Tx) -> Result<Scanned, CommandError> {
        self.still_open(tx).await?;
        let mark = tx.next_id()?;
        sqlx::query(
            "INSERT INTO stock_count_unknown (stock_count_id, code, scans, mark) VALUES ($1, $2, 1, $3) \
             ON CONFLICT (stock_count_id, code) DO UPDATE SET scans = stock_count_unknown.scans + 1, mark = excluded.mark",
        )
        .bind(self.id.raw())
        .bind(self.code.to_string())
        .bind(mark)
        .execute(tx.db())
        .await?;
        let sku = self.code.to_string();
        Ok(Scanned { sku, title: String::new(), counted: None, booked: None, finding: ScanFinding::Unknown })
    }
}

async fn finding(
    tx: &mut Tx,
    found: &Found,
    before: Option<i64>,
    counted: i64,
    booked: i64,
) -> Result<ScanFinding, CommandError> {
    if found.kind == ItemKind::Piece {
        if counted > booked {
            let why = lookup::explain(tx, found.id, 1).await?;
            return Ok(ScanFinding::NotExpected(Box::new(why)));
        }
        if before.is_some_and(|before| before == counted) {
            return Ok(ScanFinding::Again);
        }
    }
    Ok(match counted.cmp(&booked) {
        std::cmp::Ordering::Less => ScanFinding::Fewer,
        std::cmp::Ordering::Equal => ScanFinding::Agrees,
        std::cmp::Ordering::Greater => ScanFinding::More,
    })
}
