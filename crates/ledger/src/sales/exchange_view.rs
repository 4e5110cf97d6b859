//! Reads exchanges: a refund of what was brought back names the sale that it paid.

use crate::sales::baskets::Returned;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use domain::basket::{Given, TenderKind};
use domain::ids::{RefundId, SaleId};
use domain::money::Money;
use domain::quantity::Quantity;
use sqlx::Row;
use sqlx::any::AnyRow;

/// What was brought back for a sale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// The refund of it.
    pub refund: RefundId,
    /// The sale that it was sold in.
    pub sale: SaleId,
    /// The receipt of that sale.
    pub receipt: Option<i64>,
    /// What.
    pub lines: Vec<Returned>,
    /// How it was settled: what paid the new sale, and what was paid back.
    pub tenders: Vec<Given>,
}

/// A refund for which the customer took something else.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExchangedFor {
    /// The refund.
    pub refund: RefundId,
    /// The sale of what they took.
    pub sale: SaleId,
    /// Its receipt.
    pub receipt: Option<i64>,
}

impl Ledger {
    /// What was brought back for this sale; none if it was no exchange.
    pub async fn exchange_of(&self, sale: SaleId) -> Result<Option<Exchange>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT r.id, r.sale_id, s.receipt FROM refund r JOIN sale s ON s.id = r.sale_id WHERE r.paid_sale = $1",
        )
        .bind(sale.raw())
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let refund = RefundId::from_raw(row.try_get("id")?);
        let rows = sqlx::query(
            "SELECT l.title, l.kind, l.unit, r.stock_units, r.amount, r.discount, r.tax, CAST(NULL AS BIGINT) AS cost \
             FROM refund_line r JOIN sale_line l ON l.id = r.sale_line_id WHERE r.refund_id = $1 ORDER BY r.id",
        )
        .bind(refund.raw())
        .fetch_all(&mut *connection)
        .await?;
        let line = |row: &AnyRow| {
            let part = crate::books::figures::book_line(row, currency)?;
            let quantity: Quantity = part.quantity;
            let amount = part.amount.minus(part.discount).and_then(|money| money.plus(part.tax));
            let amount: Money = amount.stored("refund_line.amount")?;
            Ok(Returned { title: row.try_get("title")?, quantity, amount })
        };
        Ok(Some(Exchange {
            refund,
            sale: SaleId::from_raw(row.try_get("sale_id")?),
            receipt: row.try_get("receipt")?,
            lines: rows.iter().map(line).collect::<Result<_, CommandError>>()?,
            tenders: super::sale_view::refund_tenders(&mut connection, refund.raw(), currency).await?,
        }))
    }

    /// The refunds of this sale for which the customer took something else.
    pub async fn exchanged_for(&self, sale: SaleId) -> Result<Vec<ExchangedFor>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT r.id, s.id AS paid_sale, s.receipt FROM refund r JOIN sale s ON s.id = r.paid_sale \
             WHERE r.sale_id = $1 ORDER BY r.id",
        )
        .bind(sale.raw())
        .fetch_all(&mut *connection)
        .await?;
        let other = |row: &AnyRow| {
            Ok(ExchangedFor {
                refund: RefundId::from_raw(row.try_get("id")?),
                sale: SaleId::from_raw(row.try_get("paid_sale")?),
                receipt: row.try_get("receipt")?,
            })
        };
        rows.iter().map(other).collect()
    }
}

impl Exchange {
    /// What lowered an open balance of the sale that it was sold in.
    pub fn lowered(&self) -> impl Iterator<Item = Money> {
        self.tenders.iter().filter(|tender| tender.0 == TenderKind::OnAccount).map(|tender| tender.1)
    }

    /// What was paid back beyond what paid the new sale and what lowered an open balance.
    pub fn paid_back(&self) -> impl Iterator<Item = Given> {
        let is_money = |kind| !matches!(kind, TenderKind::Exchange | TenderKind::OnAccount);
        self.tenders.iter().copied().filter(move |(kind, amount)| is_money(*kind) && !amount.is_zero())
    }
}
