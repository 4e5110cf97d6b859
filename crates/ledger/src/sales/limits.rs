//! Limits for ringing up, refunding and voiding, checked in the transaction that does it.

use crate::sales::booking::DraftLine;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::SaleId;
use domain::money::Money;
use sqlx::Row;

const DAY_MS: i64 = 24 * 60 * 60 * 1000;

/// Rejects a sale beyond the limits of whoever rings it up. `spread`: there is a discount on the whole
/// sale.
pub(crate) async fn allow_sale(
    tx: &mut Tx,
    channel: &Channel,
    at: Option<Moment>,
    lines: &[DraftLine],
    spread: bool,
) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    tx.within(limits.allow_channel(channel)).await?;
    if let Some(at) = at {
        let days = days_back(tx, at);
        tx.within(limits.allow_backdate(days)).await?;
    }
    allow_discounts(tx, lines, spread).await?;
    let tax = lines.iter().map(|line| line.money.tax).filter(|tax| limits.allow_tax(*tax).is_err());
    let tax = Money::sum(tax, tx.shop().currency).field("lines")?;
    tx.within(limits.allow_tax(tax)).await
}

/// Rejects discounts beyond the limits of whoever gives them.
pub(crate) async fn allow_discounts(
    tx: &mut Tx,
    lines: &[DraftLine],
    spread: bool,
) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    let each = lines.iter().map(|line| (line.money.amount, line.money.discount));
    tx.within(limits.allow_discounts(each, spread)).await
}

/// Rejects a sale elsewhere than where somebody may sell.
pub(crate) async fn allow_channel(tx: &mut Tx, channel: &Channel) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    tx.within(limits.allow_channel(channel)).await
}

/// Whole days of the shop's calendar.
fn days_back(tx: &Tx, at: Moment) -> i64 {
    let zone = &tx.shop().zone;
    let start = |moment: Moment| zone.start_of(zone.day_of(moment)).millis();
    // A day has an hour more or less when the clocks change.
    (start(tx.now()) - start(at) + DAY_MS / 2).div_euclid(DAY_MS)
}

/// Rejects if more of a sale is refunded than whoever does it may refund. Checked after it was written.
pub(crate) async fn allow_refund(tx: &mut Tx, sale: SaleId) -> Result<(), CommandError> {
    let none = Money::zero(tx.shop().currency);
    allow_refund_of(tx, sale, none).await
}

/// The same before it is written: with so much more.
pub(crate) async fn allow_refund_of(tx: &mut Tx, sale: SaleId, more: Money) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    let row = sqlx::query(
        "SELECT CAST(COALESCE(SUM(tendered), 0) AS BIGINT) AS refunded FROM refund WHERE sale_id = $1",
    )
    .bind(sale.raw())
    .fetch_one(tx.db())
    .await?;
    let total = Money::from_minor(row.try_get("refunded")?, tx.shop().currency).stored("refund.tendered")?;
    let total = total.plus(more).stored("refund.tendered")?;
    tx.within(limits.allow_refund(total)).await
}

/// Rejects voiding a sale of which more was paid than whoever does it may refund.
pub(crate) async fn allow_void(tx: &mut Tx, sale: SaleId) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    let row = sqlx::query("SELECT tendered - change_given AS paid FROM sale WHERE id = $1")
        .bind(sale.raw())
        .fetch_one(tx.db())
        .await?;
    let paid = Money::from_minor(row.try_get("paid")?, tx.shop().currency).stored("sale.tendered")?;
    tx.within(limits.allow_refund(paid)).await
}
