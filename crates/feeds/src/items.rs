//! Reads items: weighed pieces, counted goods, goods by weight.

use crate::fields::{Feed, item};
use crate::record::Reading;
use crate::reject::{Cause, FeedError, Problem};
use crate::source::Records;
use crate::values::Values;
use domain::item::{ItemPricing, ItemStock, ItemText, NewItem};
use domain::money::Money;
use domain::quantity::{Asked, Quantity};
use domain::stock::ItemKind;
use domain::text;
use domain::weight::WeightUnit;
use rust_decimal::Decimal;
use std::io::Read;

/// Reads an items file; each row is accepted or rejected separately.
pub fn read_items<R: Read>(reader: R, reading: Reading<'_>) -> Result<Records<'_, R, NewItem>, FeedError> {
    Records::open(reader, reading, Feed::Items, take)
}

fn take(values: &Values) -> Result<NewItem, Problem> {
    let (kind, stock_unit) = kind(values)?;
    let price = values.money(item::PRICE)?;
    if price.is_some_and(Money::is_zero) {
        return Err(Problem::at(item::PRICE, values.raw(item::PRICE), domain::pricing::PriceError::Nothing));
    }
    Ok(NewItem {
        text: ItemText { images: values.list(item::IMAGE)?, ..values.item_text()? },
        sku: values.code(item::SKU)?,
        gtin: values.gtin(item::GTIN)?,
        pricing: ItemPricing {
            style: values.read(item::STYLE, text::name)?,
            weight: values.weight(item::WEIGHT, item::WEIGHT_UNIT)?,
            extras: values.money(item::EXTRAS)?.unwrap_or(Money::zero(values.reading.currency)),
            price,
            cost: values.money(item::COST)?,
        },
        stock: ItemStock { quantity: quantity(values, kind, stock_unit)?, stock_unit, ..ItemStock::of(kind) },
    })
}

/// The kind as given, or derived from the columns: a quantity with a unit means goods by weight, a
/// quantity alone means counted goods, anything else is a piece.
fn kind(values: &Values) -> Result<(ItemKind, Option<WeightUnit>), Problem> {
    let given = values.read(item::KIND, |code| {
        let known = || Cause::NotAWord { known: "piece, counted or weight".to_owned() };
        ItemKind::from_code(code).ok_or_else(known)
    })?;
    // C62 and H87 mean “one unit” (UN/CEFACT Recommendation 20): a count, not a weight.
    let unit = values.read(item::QUANTITY_UNIT, |code| match code {
        "C62" | "H87" => Ok(None),
        code => WeightUnit::from_code(code).map(Some),
    })?;
    let unit = unit.flatten();
    let kind = given.unwrap_or(match (unit, values.raw(item::QUANTITY)) {
        (Some(_), _) => ItemKind::Weight,
        (None, "") => ItemKind::Piece,
        (None, _) => ItemKind::Counted,
    });
    let conflict = |why| Problem::at(item::KIND, kind.code(), Cause::KindConflict { why });
    match (kind, unit) {
        (ItemKind::Weight, None) => {
            Err(conflict("goods by weight need quantity.unitCode, the unit that they are stocked in"))
        }
        (ItemKind::Piece | ItemKind::Counted, Some(_)) => {
            Err(conflict("only goods by weight have a weight as quantity.unitCode; leave it out"))
        }
        _ => Ok((kind, unit)),
    }
}

/// As many as the file says, to the thousandth; none for a piece, and if the file does not say.
fn quantity(values: &Values, kind: ItemKind, unit: Option<WeightUnit>) -> Result<Option<Asked>, Problem> {
    let asked = values.number(item::QUANTITY, |digits| Asked::parse(digits, unit.map(WeightUnit::code)))?;
    let (Some(asked), Some(measure)) = (asked, kind.measure(unit)) else { return Ok(None) };
    let wrong = |cause: Cause| Problem::at(item::QUANTITY, values.raw(item::QUANTITY), cause);
    if kind == ItemKind::Piece {
        let why = "of a piece there is exactly one; leave the quantity out, or make it counted goods";
        let one = asked.value == Decimal::ONE;
        return if one { Ok(None) } else { Err(wrong(Cause::KindConflict { why })) };
    }
    let quantity = Quantity::resolve_or_zero(asked, measure).map_err(|e| wrong(e.into()))?;
    Ok(Some(Asked { value: quantity.value(), unit }))
}
