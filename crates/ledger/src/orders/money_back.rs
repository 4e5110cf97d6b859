//! Money that the online shop refunded without goods, shared over what is left of the order's sales.

use super::adjust::shipping_left;
use super::given_back::{OfSale, SoldLine, Wanted};
use crate::sales::refunds::{RefundLine, RefundOf};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{RefundOfWhat, Refundable, Rejection};
use domain::ids::SaleId;
use domain::money::Money;
use domain::split;
use domain::stock::ReturnDisposition;
use std::collections::BTreeMap;

/// What each of the order's sales contributes to `money`: its lines in proportion to what is left of
/// them, to the minor unit by largest remainder, and its shipping only what the lines no longer have.
/// If goods are named, only their lines.
pub(super) async fn parts(
    tx: &mut Tx,
    wanted: Wanted<'_>,
    lines: &[SoldLine],
    money: Money,
) -> Result<Vec<OfSale>, CommandError> {
    let names_goods = wanted.names_goods();
    let shipping = if names_goods { Vec::new() } else { shipping_left(tx, wanted.before).await? };
    let of_lines: i64 = lines.iter().map(|line| line.money_left).sum();
    let left = of_lines + shipping.iter().map(|(_, left)| left).sum::<i64>();
    if money.minor() > left {
        let line = lines.first().filter(|_| names_goods);
        let what = line.map_or(RefundOfWhat::Order, |line| RefundOfWhat::Line(line.title.clone()));
        let left = Refundable::Money(Money::from_minor(left, money.currency()).field("price")?);
        return Err(Rejection::MoreThanSold { what, asked: Refundable::Money(money), left }.into());
    }
    let from_lines = Money::from_minor(money.minor().min(of_lines), money.currency()).field("price")?;
    let mut parts = of_each(lines, from_lines)?;
    let mut open = money.minus(from_lines).field("price")?.minor();
    for (sale, left) in shipping {
        let part = open.min(left);
        if part > 0 {
            open -= part;
            let part = Money::from_minor(part, money.currency()).field("price")?;
            parts.entry(sale).or_insert_with(|| OfSale::none(sale, money)).shipping = part;
        }
    }
    Ok(parts.into_values().collect())
}

fn of_each(lines: &[SoldLine], money: Money) -> Result<BTreeMap<SaleId, OfSale>, CommandError> {
    let weights: Vec<i64> = lines.iter().map(|line| line.money_left).collect();
    let shares = split::by_largest_remainder(money, &weights).field("price")?;
    let mut parts = BTreeMap::new();
    for (line, share) in lines.iter().zip(shares).filter(|(_, share)| !share.is_zero()) {
        let back =
            RefundLine { line: line.line, what: RefundOf::Money(share), fate: ReturnDisposition::Open };
        let of_sale = parts.entry(line.sale).or_insert_with(|| OfSale::none(line.sale, money));
        of_sale.lines.push(back);
    }
    Ok(parts)
}
