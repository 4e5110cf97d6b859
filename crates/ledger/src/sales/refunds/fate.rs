//! Decides later what becomes of refunded goods.

use super::{RefundNote, SoldLine, back_on_shelf};
use crate::books;
use crate::books::figures::{book_line, put_back};
use crate::people::activity_log::{self, Activity};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use async_trait::async_trait;
use domain::channel::Channel;
use domain::ids::{ItemId, RefundId, RefundLineId, SaleId, SaleLineId};
use domain::money::Money;
use domain::stock::ReturnDisposition;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Decides what becomes of refunded goods.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DecideReturn {
    /// The line of the refund.
    pub line: RefundLineId,
    /// Return to stock, or write off.
    pub fate: ReturnDisposition,
    /// For the activity log.
    pub who: String,
}

fn fate_words(fate: ReturnDisposition) -> &'static str {
    match fate {
        ReturnDisposition::Shelf => "returned to stock",
        ReturnDisposition::WrittenOff => "written off",
        ReturnDisposition::Open => "not decided",
    }
}

#[async_trait]
impl Command for DecideReturn {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        if self.fate == ReturnDisposition::Open {
            return Err(Rejection::invalid("fate", SalesReason::NoDisposition).into());
        }
        let who = text::short(&self.who).field("who")?;
        let shop = tx.shop();
        let row = sqlx::query(
            "SELECT l.id AS line_id, l.item_id, l.title, l.kind, l.stock_units, l.unit, l.amount, l.discount, l.tax, l.cost, \
             rl.stock_units AS back_stock_units, rl.units, rl.cost AS back_cost, r.channel, r.id AS refund_id, l.code, r.sale_id FROM refund_line rl JOIN sale_line l ON l.id = rl.sale_line_id \
             JOIN refund r ON r.id = rl.refund_id WHERE rl.id = $1",
        )
        .bind(self.line.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::RefundLine, self.line))?;
        if row.try_get::<i64, _>("back_stock_units")? == 0 {
            return Err(Rejection::invalid("line", SalesReason::MoneyAlone).into());
        }
        let line = SoldLine {
            id: SaleLineId::from_raw(row.try_get("line_id")?),
            item: row.try_get::<Option<i64>, _>("item_id")?.map(ItemId::from_raw),
            title: row.try_get("title")?,
            book: book_line(&row, shop.currency)?,
        };
        let claimed = sqlx::query(
            "INSERT INTO return_decision (refund_line_id, disposition, at_ms, who) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
        )
        .bind(self.line.raw())
        .bind(self.fate.code().to_owned())
        .bind(tx.now().millis())
        .bind(who.clone())
        .execute(tx.db())
        .await?;
        if claimed.rows_affected() == 0 {
            return Err(Rejection::invalid("fate", SalesReason::DispositionDecided).into());
        }
        let (code, sale): (String, i64) = (row.try_get("code")?, row.try_get("sale_id")?);
        let detail = format!("{} after the refund of sale {}", fate_words(self.fate), SaleId::from_raw(sale));
        activity_log::note(tx, &who, Activity::Stock, &code, &detail).await?;
        if self.fate == ReturnDisposition::WrittenOff {
            return Ok(());
        }
        let note = RefundNote { reason: "", who: &who, at: tx.now() };
        back_on_shelf(
            tx,
            &line,
            row.try_get("back_stock_units")?,
            RefundId::from_raw(row.try_get("refund_id")?),
            note,
        )
        .await?;
        tx.lock_shop_state(0).await?;
        let cost = Money::from_minor(row.try_get("back_cost")?, shop.currency).stored("refund_line.cost")?;
        let sum = put_back(cost, line.book.cost.is_some(), row.try_get("units")?);
        let channel = Channel::parse(&row.try_get::<String, _>("channel")?).stored("refund.channel")?;
        books::add_one(tx, shop.zone.day_of(note.at), &channel, &sum).await
    }
}
