//! The fee that the channel keeps of an order: in its sales, and what later states changed.

use super::ExistingOrder;
use crate::books;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use domain::ids::OrderId;
use domain::money::Money;
use domain::order::IncomingOrder;
use domain::revenue::Figures;
use sqlx::Row;

/// The fee of a further sale. If the shop's rule computes fees, it is what the rule gives for all the
/// order's sales less what it gave for the earlier ones. A fee that the order itself has is kept
/// separately from sales.
pub(super) async fn of_further(
    tx: &mut Tx,
    id: OrderId,
    order: &IncomingOrder,
    due: Money,
) -> Result<Money, CommandError> {
    let (shop, zero) = (tx.shop(), Money::zero(due.currency()));
    if !order.fee.is_zero() || !shop.fees.contains_key(&order.channel) {
        return Ok(zero);
    }
    let row = sqlx::query(
        "SELECT CAST(COALESCE(SUM(tendered - change_given), 0) AS BIGINT) AS paid FROM sale WHERE order_id = $1",
    )
    .bind(id.raw())
    .fetch_one(tx.db())
    .await?;
    let before = Money::from_minor(row.try_get("paid")?, due.currency()).stored("sale.tendered")?;
    let all = before.plus(due).field("price")?;
    let (all, before) = (shop.fee(&order.channel, zero, all)?, shop.fee(&order.channel, zero, before)?);
    let more = all.minus(before).field("fee")?;
    Ok(if more.is_negative() { zero } else { more })
}

/// Books the difference to the fee in a later state, once anything of the order is sold.
pub(super) async fn change(
    tx: &mut Tx,
    before: &ExistingOrder,
    order: &IncomingOrder,
    who: &str,
) -> Result<(), CommandError> {
    let shop = tx.shop();
    let by_rule = order.fee.is_zero() && shop.fees.contains_key(&order.channel);
    let Some(booked) = booked(tx, before.id).await?.filter(|_| !by_rule) else { return Ok(()) };
    let difference = order.fee.minor() - booked;
    if difference == 0 {
        return Ok(());
    }
    let at = order.modified.unwrap_or(tx.now());
    let id = tx.next_id()?;
    sqlx::query(
        "INSERT INTO order_fee (id, order_id, channel, amount, at_ms, who) VALUES ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(before.id.raw())
    .bind(order.channel.as_str().to_owned())
    .bind(difference)
    .bind(at.millis())
    .bind(who.to_owned())
    .execute(tx.db())
    .await?;
    tx.lock_shop_state(0).await?;
    let fees = Money::from_minor(difference, shop.currency).stored("order_fee.amount")?;
    let sum = Figures { fees, ..Figures::none(shop.currency) };
    books::add_one(tx, shop.zone.day_of(at), &order.channel, &sum).await
}

/// The fee booked for the order; none while nothing of it is sold.
async fn booked(tx: &mut Tx, order: OrderId) -> Result<Option<i64>, CommandError> {
    let row = sqlx::query(
        "SELECT CAST((SELECT COUNT(*) FROM sale WHERE order_id = $1) AS BIGINT) AS sales, \
         CAST((SELECT COALESCE(SUM(fee), 0) FROM sale WHERE order_id = $1) \
         + (SELECT COALESCE(SUM(amount), 0) FROM order_fee WHERE order_id = $1) AS BIGINT) AS fees",
    )
    .bind(order.raw())
    .fetch_one(tx.db())
    .await?;
    Ok((row.try_get::<i64, _>("sales")? > 0).then_some(row.try_get("fees")?))
}
