//! Reads what an online shop says it lists, for comparison with our stock.

use crate::fields::{Feed, listing};
use crate::record::Reading;
use crate::reject::{Cause, FeedError, Problem};
use crate::source::Records;
use crate::values::Values;
use domain::codes::{Code, Gtin};
use domain::item::ItemText;
use domain::money::{Currency, Money, MoneyError, plain_decimal};
use domain::quantity::QuantityError;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use std::io::Read;

/// schema.org's `ItemAvailability` (release 30.0), and whether it means that people can order.
const AVAILABILITY: [(&str, bool); 12] = [
    ("BackOrder", true),
    ("Discontinued", false),
    ("InStock", true),
    ("InStoreOnly", false),
    ("LimitedAvailability", true),
    ("MadeToOrder", true),
    ("OnlineOnly", true),
    ("OutOfStock", false),
    ("PreOrder", true),
    ("PreSale", true),
    ("Reserved", false),
    ("SoldOut", false),
];

/// A listing as the online shop reports it. What it leaves out or empty is none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListedRow {
    /// The code that both sides know it by.
    pub sku: Code,
    /// A GTIN from GS1.
    pub gtin: Option<Gtin>,
    /// The texts there, as given; empty where it says nothing.
    pub text: ItemText,
    /// The weight of one.
    pub weight: Option<Weight>,
    /// The price there, of one or of one stock unit.
    pub price: Option<Money>,
    /// schema.org's name for its availability.
    pub availability: Option<&'static str>,
    /// The quantity on offer there.
    pub inventory: Option<Decimal>,
    /// The unit of that quantity, for goods by weight if the layout names one.
    pub inventory_unit: Option<WeightUnit>,
    /// In place of the price: what one of this unit costs, for goods by weight.
    pub price_of_unit: Option<(Decimal, WeightUnit)>,
    /// The revision that the shop last received.
    pub revision: Option<i64>,
}

impl ListedRow {
    /// Whether it is offered: as the shop says, else by its stock, else because it is listed.
    pub fn is_offered(&self) -> bool {
        match (self.availability, self.inventory) {
            (Some(availability), _) => on_offer(availability),
            (None, Some(inventory)) => inventory > Decimal::ZERO,
            (None, None) => true,
        }
    }
}

/// Whether an availability of schema.org means that people can order online.
pub fn on_offer(availability: &str) -> bool {
    AVAILABILITY.iter().any(|(name, on)| *name == availability && *on)
}

/// Reads a file of listings; each row is accepted or rejected separately.
pub fn read_listings<R: Read>(
    reader: R,
    reading: Reading<'_>,
) -> Result<Records<'_, R, ListedRow>, FeedError> {
    Records::open(reader, reading, Feed::Listings, take)
}

fn take(values: &Values) -> Result<ListedRow, Problem> {
    same_currency(values)?;
    Ok(ListedRow {
        sku: values.need(listing::SKU, values.code(listing::SKU)?)?,
        gtin: values.gtin(listing::GTIN)?,
        text: ItemText { images: values.list(listing::IMAGE)?, ..values.raw_text() },
        weight: values.weight(listing::WEIGHT, listing::WEIGHT_UNIT)?,
        price: if values.unit(listing::PRICE).is_none() { values.money(listing::PRICE)? } else { None },
        price_of_unit: price_of_unit(values)?,
        availability: values.read(listing::AVAILABILITY, availability)?,
        inventory: values.number(listing::INVENTORY, |digits| {
            let wrong = || QuantityError::NotANumber { text: digits.to_owned() };
            plain_decimal(digits).ok_or_else(wrong)
        })?,
        inventory_unit: values.unit(listing::INVENTORY),
        revision: values.number(listing::REVISION, |digits| {
            digits.parse().map_err(|_| QuantityError::NotANumber { text: digits.to_owned() })
        })?,
    })
}

fn price_of_unit(values: &Values) -> Result<Option<(Decimal, WeightUnit)>, Problem> {
    let Some(unit) = values.unit(listing::PRICE) else { return Ok(None) };
    let price = values.number(listing::PRICE, |digits| {
        plain_decimal(digits).ok_or_else(|| MoneyError::NotAnAmount { text: digits.to_owned() })
    })?;
    Ok(price.map(|price| (price, unit)))
}

fn same_currency(values: &Values) -> Result<(), Problem> {
    let ours = values.reading.currency;
    match values.read(listing::CURRENCY, Currency::from_code)? {
        Some(theirs) if theirs != ours => {
            let mixed = MoneyError::MixedCurrencies { left: ours, right: theirs };
            Err(Problem::at(listing::CURRENCY, values.raw(listing::CURRENCY), mixed))
        }
        _ => Ok(()),
    }
}

fn availability(text: &str) -> Result<&'static str, Cause> {
    let bare = text
        .strip_prefix("https://schema.org/")
        .or_else(|| text.strip_prefix("http://schema.org/"))
        .unwrap_or(text);
    let known = || Cause::NotAWord { known: AVAILABILITY.map(|(name, _)| name).join(", ") };
    AVAILABILITY.into_iter().find(|(name, _)| *name == bare).map(|(name, _)| name).ok_or_else(known)
}
