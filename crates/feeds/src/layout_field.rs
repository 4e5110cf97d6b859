//! Where a layout says that a field comes from.

use crate::date;
use crate::fields::{Feed, Field, Kind, item, json_pointer, listing, order, style};
use crate::layout::{Format, LayoutError, Pointer, not_known, one_of};
use crate::layout_toml::{RawField, RawScale};
use crate::template::Template;
use domain::day::Zone;
use domain::money::Currency;
use domain::weight::WeightUnit;
use std::collections::BTreeMap;

/// The most decimals of money, or of a converted number; a rate has as many.
const MAX_DECIMALS: u32 = 6;

/// How many decimals of the currency a whole number of money has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Scale {
    /// The currency's own: 4200 is 42.00 dollars, or 4200 yen.
    Minor,
    /// This many, whatever the currency.
    Digits(u32),
}

impl Scale {
    pub(crate) fn digits(self, currency: Currency) -> u32 {
        match self {
            Self::Minor => currency.minor_digits(),
            Self::Digits(digits) => digits,
        }
    }
}

/// Where one of our fields comes from.
#[derive(Clone, Debug)]
pub(crate) struct FieldMap {
    pub(crate) from: String,
    pub(crate) pointer: Pointer,
    pub(crate) value: Option<Template>,
    pub(crate) date: Option<String>,
    pub(crate) zone: Option<Zone>,
    pub(crate) per_line: bool,
    pub(crate) decimal_comma: bool,
    /// Money is a whole number of parts of the currency's unit.
    pub(crate) scale: Option<Scale>,
    /// The weight unit of the number; for a quantity or a price, only of goods by weight.
    pub(crate) unit: Option<WeightUnit>,
    /// Decimals of a converted number on its way out.
    pub(crate) decimals: Option<u32>,
    /// In JSON going out, a number and not a text.
    pub(crate) as_number: bool,
    /// Their words, each with ours.
    pub(crate) words: BTreeMap<String, String>,
}

pub(crate) fn own_field(feed: Feed, format: Format, place: usize) -> FieldMap {
    let pointer = json_pointer(feed, place);
    let name = feed.fields()[place].name;
    FieldMap {
        from: if format == Format::Csv { name.to_owned() } else { pointer.clone() },
        pointer: Pointer::parse(&pointer).unwrap_or_default(),
        value: None,
        date: None,
        zone: None,
        per_line: false,
        decimal_comma: false,
        scale: None,
        unit: None,
        decimals: None,
        as_number: feed == Feed::Listings && place == listing::REVISION,
        words: BTreeMap::new(),
    }
}

pub(crate) fn map_fields(
    feed: Feed,
    format: Format,
    raw: BTreeMap<String, RawField>,
) -> Result<Vec<Option<FieldMap>>, LayoutError> {
    let mut fields = vec![None; feed.fields().len()];
    for (name, field) in raw {
        let Some(place) = feed.fields().iter().position(|f| f.name == name) else {
            let known = feed.fields().iter().map(|f| f.name).collect::<Vec<_>>().join(", ");
            return Err(LayoutError::UnknownField { field: name, feed, known });
        };
        fields[place] = Some(map_field(feed, format, place, field)?);
    }
    name_units(feed, &mut fields);
    Ok(fields)
}

fn pattern(key: &str, given: Option<String>) -> Result<Option<String>, LayoutError> {
    match given.as_deref().and_then(date::fault) {
        Some(known) => Err(not_known(key, given.as_deref().unwrap_or_default(), known)),
        None => Ok(given),
    }
}

fn map_field(feed: Feed, format: Format, place: usize, raw: RawField) -> Result<FieldMap, LayoutError> {
    let Field { name, kind, .. } = feed.fields()[place];
    let not_here = |key, only| LayoutError::NotHere { field: name.to_owned(), key, only };
    let key = |key: &str| format!("[field.{name}] {key}");
    if raw.from.is_some() && raw.value.is_some() && feed != Feed::Listings {
        return Err(LayoutError::FromAndValue { field: name.to_owned() });
    }
    if kind != Kind::Date && raw.date.is_some() {
        return Err(not_here("date", "orderDate and dateModified"));
    }
    if kind != Kind::Date && raw.zone.is_some() {
        return Err(not_here("zone", "orderDate and dateModified"));
    }
    if kind != Kind::Price && raw.per.is_some() {
        return Err(not_here("per", "an order's price"));
    }
    if !matches!(kind, Kind::Number | Kind::Price) && raw.decimal.is_some() {
        return Err(not_here("decimal", "numbers"));
    }
    if kind != Kind::Word && !raw.words.is_empty() {
        return Err(not_here("words", "a field with words of a closed list, such as orderStatus,"));
    }
    let is_told = kind == Kind::Number && feed == Feed::Listings && format != Format::Csv;
    if !is_told && raw.as_what.is_some() {
        return Err(not_here("as", "numbers of listings as JSON"));
    }
    let Converted { scale, unit, decimals } = converted(feed, place, &raw)?;
    let own = own_field(feed, format, place);
    let from = raw.from.unwrap_or(own.from);
    let pointer = match format {
        Format::Csv => own.pointer,
        _ => one_of(&key("from"), Some(&from), "a JSON Pointer, such as /price", Pointer::parse)?
            .unwrap_or_default(),
    };
    let zone = raw.zone.as_deref().map(Zone::from_name).transpose();
    let known = "only {file} and {row} in braces";
    Ok(FieldMap {
        from,
        pointer,
        value: one_of(&key("value"), raw.value.as_deref(), known, Template::parse)?,
        date: pattern(&key("date"), raw.date)?,
        zone: zone.map_err(|source| LayoutError::Zone { field: name.to_owned(), source })?,
        per_line: one_of(&key("per"), raw.per.as_deref(), "unit or line", |p| match p {
            "unit" => Some(false),
            "line" => Some(true),
            _ => None,
        })?
        .unwrap_or(false),
        decimal_comma: one_of(&key("decimal"), raw.decimal.as_deref(), "\".\" or \",\"", |d| match d {
            "." => Some(false),
            "," => Some(true),
            _ => None,
        })?
        .unwrap_or(false),
        scale,
        unit,
        decimals,
        as_number: one_of(&key("as"), raw.as_what.as_deref(), "text or number", |a| match a {
            "text" => Some(false),
            "number" => Some(true),
            _ => None,
        })?
        .unwrap_or(own.as_number),
        words: raw.words,
    })
}

/// How a number is read or written.
struct Converted {
    scale: Option<Scale>,
    unit: Option<WeightUnit>,
    decimals: Option<u32>,
}

fn is_money(feed: Feed, place: usize) -> bool {
    match feed {
        Feed::Styles => matches!(place, style::RATE | style::MINIMUM),
        Feed::Items => matches!(place, item::EXTRAS | item::PRICE | item::COST),
        Feed::Orders => {
            matches!(place, order::PRICE | order::DISCOUNT | order::SHIPPING | order::TAX | order::FEE)
        }
        Feed::Listings => place == listing::PRICE,
    }
}

/// Which numbers may have a weight unit: weights, and quantities and prices of goods by weight.
fn may_have_unit(feed: Feed, place: usize) -> bool {
    match feed {
        Feed::Styles => false,
        Feed::Items => place == item::WEIGHT,
        Feed::Orders => place == order::QUANTITY,
        Feed::Listings => matches!(place, listing::WEIGHT | listing::INVENTORY | listing::PRICE),
    }
}

fn converted(feed: Feed, place: usize, raw: &RawField) -> Result<Converted, LayoutError> {
    let name = feed.fields()[place].name;
    let not_here = |key, only| LayoutError::NotHere { field: name.to_owned(), key, only };
    let key = |key: &str| format!("[field.{name}] {key}");
    if raw.scale.is_some() && !is_money(feed, place) {
        return Err(not_here("scale", "money"));
    }
    if raw.unit.is_some() && !may_have_unit(feed, place) {
        return Err(not_here(
            "unit",
            "weight.value, an order's orderQuantity, and a listing's inventoryLevel and offers.price",
        ));
    }
    if raw.decimals.is_some() && (raw.unit.is_none() || feed != Feed::Listings) {
        return Err(not_here("decimals", "a listing's number with a unit"));
    }
    let known = "minor, or the number of decimals from 0 to 6";
    let scale = match &raw.scale {
        None => None,
        Some(RawScale::Word(word)) if word == "minor" => Some(Scale::Minor),
        Some(RawScale::Word(word)) => return Err(not_known(&key("scale"), word, known)),
        Some(RawScale::Digits(digits)) => {
            let digits = u32::try_from(*digits).ok().filter(|d| *d <= MAX_DECIMALS);
            let shown = || {
                not_known(&key("scale"), &raw.scale.as_ref().map_or(String::new(), RawScale::shown), known)
            };
            Some(Scale::Digits(digits.ok_or_else(shown)?))
        }
    };
    let units = "ONZ, LBR, GRM, HGM or KGM";
    let unit = one_of(&key("unit"), raw.unit.as_deref(), units, |u| WeightUnit::from_code(u).ok())?;
    let decimals = raw.decimals.map(|given| {
        let fits = u32::try_from(given).ok().filter(|d| *d <= MAX_DECIMALS);
        fits.ok_or_else(|| not_known(&key("decimals"), &given.to_string(), "0 to 6"))
    });
    Ok(Converted { scale, unit, decimals: decimals.transpose()? })
}

/// If a weight is sent in a particular unit, the field for the unit says so too.
fn name_units(feed: Feed, fields: &mut [Option<FieldMap>]) {
    let (value, code) = match feed {
        Feed::Items => (item::WEIGHT, item::WEIGHT_UNIT),
        Feed::Listings => (listing::WEIGHT, listing::WEIGHT_UNIT),
        Feed::Styles | Feed::Orders => return,
    };
    let unit = fields[value].as_ref().and_then(|map| map.unit);
    if let Some(map) = &mut fields[code] {
        map.unit = unit;
    }
}
