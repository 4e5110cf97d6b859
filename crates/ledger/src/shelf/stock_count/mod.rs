//! Stock counts: counting the shelf while the shop sells on.
//!
//! An item's recorded stock is stored when it is scanned. The difference at that moment is booked at
//! the end, whatever was sold in between: a piece that sold during the count is not missing, and one
//! that came in during the count was not expected.

mod finish;
mod read;
mod scan;

pub use finish::{FinishStockCount, FinishedStockCount, LeftReason, NotBooked};
pub use read::{CountedLine, StockCountFindings, StockCountProgress, StockCountView};
pub use scan::{ScanFinding, ScanStockCount, Scanned};

use crate::shelf::{open_count, styles};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason, Thing};
use async_trait::async_trait;
use domain::ids::{StockCountId, StyleId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// What became of a stock count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StockCountState {
    /// Being counted.
    Open,
    /// Its differences are booked.
    Finished,
    /// Canceled; nothing was booked.
    Dropped,
}

impl StockCountState {
    /// The code in the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Finished => "finished",
            Self::Dropped => "dropped",
        }
    }

    pub(crate) fn from_code(code: &str) -> Result<Self, CommandError> {
        let found = [Self::Open, Self::Finished, Self::Dropped].into_iter().find(|s| s.code() == code);
        found.ok_or("unknown").stored("stock_count.state")
    }
}

/// Begins a count of all stock or of one style. Only one count can be open.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BeginStockCount {
    /// Only this style; all stock if none.
    pub style: Option<StyleId>,
    /// A note, for people.
    pub note: String,
    /// Who counts.
    pub who: String,
}

#[async_trait]
impl Command for BeginStockCount {
    type Answer = StockCountId;

    async fn run(&self, tx: &mut Tx) -> Result<StockCountId, CommandError> {
        let note = text::note(&self.note).field("note")?;
        let who = text::short(&self.who).field("who")?;
        if let Some(style) = self.style {
            let currency = tx.shop().currency;
            styles::read_one(tx.db(), style, currency).await?;
        }
        open_count::after_everything(tx).await?;
        let id = tx.next_id()?;
        let now = tx.now().millis();
        let done = sqlx::query(
            "INSERT INTO stock_count (id, scope, style_id, note, state, scans, begun_ms, begun_by, ended_ms, ended_by) \
             VALUES ($1, $2, $3, $4, 'open', 0, $5, $6, NULL, '') ON CONFLICT DO NOTHING",
        )
        .bind(id)
        .bind(if self.style.is_some() { "style" } else { "for-sale" })
        .bind(self.style.map(StyleId::raw))
        .bind(note)
        .bind(now)
        .bind(who)
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::invalid("stock_count", ShelfReason::CountInProgress).into());
        }
        Ok(StockCountId::from_raw(id))
    }
}

/// Cancels a count: nothing is booked.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DropStockCount {
    /// The count to cancel.
    pub id: StockCountId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for DropStockCount {
    /// The state afterwards.
    type Answer = StockCountState;

    async fn run(&self, tx: &mut Tx) -> Result<StockCountState, CommandError> {
        end(tx, self.id, StockCountState::Dropped, &self.who).await?;
        Ok(StockCountState::Dropped)
    }
}

/// Ends a count if it is open; returns its style. From here on its row is locked.
async fn end(
    tx: &mut Tx,
    id: StockCountId,
    state: StockCountState,
    who: &str,
) -> Result<Option<i64>, CommandError> {
    let who = text::short(who).field("who")?;
    let now = tx.now().millis();
    let row = sqlx::query(
        "UPDATE stock_count SET state = $2, ended_ms = $3, ended_by = $4 WHERE id = $1 AND state = 'open' \
         RETURNING style_id",
    )
    .bind(id.raw())
    .bind(state.code().to_owned())
    .bind(now)
    .bind(who)
    .fetch_optional(tx.db())
    .await?;
    match row {
        Some(row) => Ok(row.try_get("style_id")?),
        None => Err(over(tx, id).await?.into()),
    }
}

/// Why a count is not open.
async fn over(tx: &mut Tx, id: StockCountId) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT state FROM stock_count WHERE id = $1")
        .bind(id.raw())
        .fetch_optional(tx.db())
        .await?;
    Ok(match row {
        None => Rejection::no_such(Thing::StockCount, id),
        Some(row) => {
            Rejection::invalid("stock_count", ShelfReason::CountOver { state: row.try_get("state")? })
        }
    })
}
