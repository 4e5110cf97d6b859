//! What a sale, a refund and goods returned to stock add to a day: figures computed from lines, without
//! a statement.

use crate::store::error::{CommandError, Naming, Stored};
use domain::basket::LineKind;
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::revenue::Figures;
use domain::weight::WeightUnit;
use sqlx::Row;
use sqlx::any::AnyRow;

/// The parts of a line that the books need.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BookLine {
    pub(crate) kind: LineKind,
    pub(crate) quantity: Quantity,
    pub(crate) amount: Money,
    pub(crate) discount: Money,
    pub(crate) tax: Money,
    pub(crate) cost: Option<Money>,
}

/// The figures that a sale adds to its day, and that a void takes away.
pub(crate) fn sale_figures(
    lines: &[BookLine],
    shipping: Money,
    fee: Money,
    rounding: Money,
) -> Result<Figures, CommandError> {
    let mut sum = Figures { sales: 1, shipping, fees: fee, rounding, ..Figures::none(shipping.currency()) };
    for line in lines {
        sum.tax = sum.tax.plus(line.tax).field("tax")?;
        sum.discounts = sum.discounts.plus(line.discount).field("discount")?;
        if line.kind != LineKind::Goods {
            continue;
        }
        let units = line.quantity.book_units();
        sum.units += units;
        sum.weight += i128::from(line.quantity.book_weight().field("quantity")?);
        sum.gross = sum.gross.plus(line.amount).field("gross")?;
        match line.cost {
            Some(cost) => sum.cost = sum.cost.plus(cost).field("cost")?,
            None => sum.uncosted += units,
        }
    }
    Ok(sum)
}

/// The measure of a sale line by its stored unit; units if it is empty.
pub(crate) fn measure(unit: &str) -> Result<Measure, CommandError> {
    Ok(match unit {
        "" => Measure::Units,
        code => Measure::Thousandths(WeightUnit::from_code(code).stored("sale_line.unit")?),
    })
}

/// A sale line as the books see it, from columns `kind`, `stock_units`, `unit`, `amount`, `discount`, `tax`, `cost`.
pub(crate) fn book_line(row: &AnyRow, currency: Currency) -> Result<BookLine, CommandError> {
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("sale_line");
    let measure = measure(&row.try_get::<String, _>("unit")?)?;
    let cost: Option<i64> = row.try_get("cost")?;
    Ok(BookLine {
        kind: LineKind::from_code(&row.try_get::<String, _>("kind")?)
            .ok_or("unknown")
            .stored("sale_line.kind")?,
        quantity: Quantity::from_stock_units(row.try_get("stock_units")?, measure)
            .stored("sale_line.stock_units")?,
        amount: money("amount")?,
        discount: money("discount")?,
        tax: money("tax")?,
        cost: cost.map(|c| Money::from_minor(c, currency)).transpose().stored("sale_line.cost")?,
    })
}

/// What a refund line takes out of its month. `units` is stored with the line: a line by weight is one
/// unit less only when its last part is refunded.
pub(crate) fn refunded(line: &BookLine, units: i64) -> Result<Figures, CommandError> {
    let none = Figures::none(line.amount.currency());
    if line.kind != LineKind::Goods {
        return Ok(Figures { tax: line.tax.negated(), ..none });
    }
    Ok(Figures {
        units: -units,
        weight: -i128::from(line.quantity.book_weight().stored("refund_line.stock_units")?),
        refunds: line.amount.minus(line.discount).stored("refund_line.amount")?,
        tax: line.tax.negated(),
        ..none
    })
}

/// What goods returned to stock take out of cost.
pub(crate) fn put_back(cost: Money, costed: bool, units: i64) -> Figures {
    let none = Figures::none(cost.currency());
    if costed { Figures { cost: cost.negated(), ..none } } else { Figures { uncosted: -units, ..none } }
}
