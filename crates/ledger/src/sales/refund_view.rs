//! Reads a refund with its lines, as its slip shows it.

use crate::sales::sale_view::refund_tenders;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::basket::Given;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{RefundId, SaleId};
use domain::money::{Currency, Money};
use domain::quantity::Quantity;
use sqlx::Row;
use sqlx::any::AnyRow;

/// A refund, as booked: lines − discounts + tax + shipping + rounding = given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefundSlip {
    /// Its identifier.
    pub id: RefundId,
    /// What was refunded.
    pub sale: SaleId,
    /// The receipt of that sale.
    pub receipt: Option<i64>,
    /// Where that sale was made.
    pub channel: Channel,
    /// When.
    pub at: Moment,
    /// Each with what was paid back for it.
    pub lines: Vec<RefundedLine>,
    /// The sales tax of all lines and of shipping.
    pub tax: Money,
    /// Shipping that was paid back.
    pub shipping: Money,
    /// What cash rounding added, or took if below 0.
    pub rounding: Money,
    /// What the customer got back.
    pub given: Money,
    /// How.
    pub tenders: Vec<Given>,
    /// Why.
    pub reason: String,
    /// Who refunded it.
    pub who: String,
    /// The receipt of what was taken in exchange.
    pub exchanged_for: Option<i64>,
}

/// A line of a refund.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefundedLine {
    /// The name at the sale.
    pub title: String,
    /// The code at the sale.
    pub code: String,
    /// How much came back; nothing if only money was refunded.
    pub quantity: Quantity,
    /// Before discount and tax.
    pub amount: Money,
    /// The discount that it had.
    pub discount: Money,
    /// The sales tax that was paid back with it.
    pub tax: Money,
}

impl Ledger {
    /// A refund by its identifier.
    pub async fn refund(&self, id: RefundId) -> Result<RefundSlip, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT r.sale_id, r.channel, r.at_ms, r.tax, r.shipping, r.rounding, r.tendered, r.reason, r.who, s.receipt, \
             p.receipt AS paid_receipt FROM refund r JOIN sale s ON s.id = r.sale_id \
             LEFT JOIN sale p ON p.id = r.paid_sale WHERE r.id = $1",
        )
        .bind(id.raw())
        .fetch_optional(&mut *connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Refund, id))?;
        let rows = sqlx::query(
            "SELECT l.title, l.code, l.kind, l.unit, r.stock_units, r.amount, r.discount, r.tax, r.cost \
             FROM refund_line r JOIN sale_line l ON l.id = r.sale_line_id WHERE r.refund_id = $1 ORDER BY r.id",
        )
        .bind(id.raw())
        .fetch_all(&mut *connection)
        .await?;
        let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("refund");
        Ok(RefundSlip {
            id,
            sale: SaleId::from_raw(row.try_get("sale_id")?),
            receipt: row.try_get("receipt")?,
            channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("refund.channel")?,
            at: Moment::from_millis(row.try_get("at_ms")?),
            lines: rows.iter().map(|row| line(row, currency)).collect::<Result<_, _>>()?,
            tax: money("tax")?,
            shipping: money("shipping")?,
            rounding: money("rounding")?,
            given: money("tendered")?,
            tenders: refund_tenders(&mut connection, id.raw(), currency).await?,
            reason: row.try_get("reason")?,
            who: row.try_get("who")?,
            exchanged_for: row.try_get("paid_receipt")?,
        })
    }
}

fn line(row: &AnyRow, currency: Currency) -> Result<RefundedLine, CommandError> {
    let part = crate::books::figures::book_line(row, currency)?;
    Ok(RefundedLine {
        title: row.try_get("title")?,
        code: row.try_get("code")?,
        quantity: part.quantity,
        amount: part.amount,
        discount: part.discount,
        tax: part.tax,
    })
}
