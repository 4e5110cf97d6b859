//! Values of a body, parsed by the domain's own constructors; a wrong one is reported at its place.

use crate::problem::Problem;
use crate::security::random;
use domain::basket::TenderKind;
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::codes::Code;
use domain::day::{Day, Moment, Zone};
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use domain::stock::ReturnDisposition;
use domain::weight::{Weight, WeightUnit};
use serde::{Deserialize, Serialize};
use std::str::FromStr;
use utoipa::ToSchema;

/// A weight as the scale shows it.
#[derive(Debug, Clone, Deserialize, Serialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct WeightText {
    /// The scale's digits, such as `6.35`.
    pub(crate) value: String,
    /// UN/CEFACT: ONZ, LBR, GRM, HGM or KGM.
    pub(crate) unit_code: String,
}

impl From<Weight> for WeightText {
    fn from(weight: Weight) -> Self {
        Self { value: weight.value().to_string(), unit_code: weight.unit().code().to_owned() }
    }
}

pub(crate) fn money(text: &str, currency: Currency, pointer: &str) -> Result<Money, Problem> {
    Money::parse(text, currency).map_err(|e| Problem::invalid(pointer, e))
}

/// An amount; none if it is left out.
pub(crate) fn money_if(
    text: Option<&str>,
    currency: Currency,
    pointer: &str,
) -> Result<Option<Money>, Problem> {
    text.map(|text| money(text, currency, pointer)).transpose()
}

/// An amount; zero if it is left out.
pub(crate) fn money_or_none(text: Option<&str>, currency: Currency, pointer: &str) -> Result<Money, Problem> {
    Ok(money_if(text, currency, pointer)?.unwrap_or(Money::zero(currency)))
}

/// A quantity, with its unit.
pub(crate) fn asked(text: &str, unit: Option<&str>, place: &str) -> Result<Asked, Problem> {
    Asked::parse(text, unit).map_err(|error| {
        let field =
            if matches!(error, domain::quantity::QuantityError::Unit(_)) { "unitCode" } else { "quantity" };
        Problem::invalid(format!("{place}/{field}"), error)
    })
}

pub(crate) fn code(text: &str, pointer: &str) -> Result<Code, Problem> {
    Code::parse(text).map_err(|e| Problem::invalid(pointer, e))
}

pub(crate) fn unit(text: &str, pointer: &str) -> Result<WeightUnit, Problem> {
    WeightUnit::from_code(text).map_err(|e| Problem::invalid(pointer, e))
}

pub(crate) fn weight(text: &WeightText, place: &str) -> Result<Weight, Problem> {
    let unit = unit(&text.unit_code, &format!("{place}/unitCode"))?;
    Weight::parse(&text.value, unit).map_err(|e| Problem::invalid(format!("{place}/value"), e))
}

pub(crate) fn id<Id: FromStr>(text: &str, pointer: &str) -> Result<Id, Problem>
where
    Id::Err: std::fmt::Display,
{
    text.parse().map_err(|e| Problem::invalid(pointer, e))
}

/// RFC 3339, a local date and time, or a date alone, which means noon of that day.
pub(crate) fn moment(text: &str, zone: &Zone, pointer: &str) -> Result<Moment, Problem> {
    zone.read(text).map_err(|e| Problem::invalid(pointer, e))
}

pub(crate) fn day(text: &str, pointer: &str) -> Result<Day, Problem> {
    Day::parse(text).map_err(|e| Problem::invalid(pointer, e))
}

pub(crate) fn channel(text: &str, pointer: &str) -> Result<Channel, Problem> {
    Channel::parse(text).map_err(|e| Problem::invalid(pointer, e))
}

pub(crate) fn tender_kind(text: &str, pointer: &str) -> Result<TenderKind, Problem> {
    let known: Vec<&str> = TenderKind::of_people().map(TenderKind::code).collect();
    choice(TenderKind::of_people().find(|kind| kind.code() == text), &known, pointer)
}

/// The number of a gift certificate that is about to be issued.
pub(crate) fn new_certificate() -> CertificateNumber {
    random::certificate_number()
}

pub(crate) fn certificate(text: &str, pointer: &str) -> Result<CertificateNumber, Problem> {
    CertificateNumber::parse(text).map_err(|e| Problem::invalid(pointer, e))
}

pub(crate) fn fate(text: &str, pointer: &str) -> Result<ReturnDisposition, Problem> {
    choice(
        ReturnDisposition::from_code(text),
        &[ReturnDisposition::Shelf, ReturnDisposition::WrittenOff, ReturnDisposition::Open]
            .map(ReturnDisposition::code),
        pointer,
    )
}

/// One of a few words.
pub(crate) fn choice<T>(found: Option<T>, words: &[&str], pointer: &str) -> Result<T, Problem> {
    found.ok_or_else(|| Problem::invalid(pointer, format!("use one of {}", words.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointer<T: std::fmt::Debug>(result: Result<T, Problem>) -> Option<String> {
        result.err().and_then(|p| p.into_document().errors.into_iter().next()).and_then(|f| f.pointer)
    }

    #[test]
    fn a_wrong_value_names_its_place() {
        let check = |found: Option<String>, expected: Option<&str>| assert_eq!(found.as_deref(), expected);
        let usd = Currency::USD;
        check(pointer(money("47.50", usd, "#/price")), None);
        check(pointer(money("47,50", usd, "#/price")), Some("#/price"));
        check(pointer(money("47.505", usd, "#/price")), Some("#/price"));
        check(pointer(money("USD 47", usd, "#/price")), Some("#/price"));
        check(pointer(asked("1", None, "#/lines/2")), None);
        check(pointer(asked("1e3", None, "#/lines/2")), Some("#/lines/2/quantity"));
        check(pointer(asked("1", Some("TON"), "#/lines/2")), Some("#/lines/2/unitCode"));
        let of = |value: &str, unit: &str| WeightText { value: value.to_owned(), unit_code: unit.to_owned() };
        check(pointer(weight(&of("6.35", "ONZ"), "#/weight")), None);
        check(pointer(weight(&of("0", "ONZ"), "#/weight")), Some("#/weight/value"));
        check(pointer(weight(&of("5000", "KGM"), "#/weight")), Some("#/weight/value"));
        check(pointer(weight(&of("6.35", "oz"), "#/weight")), Some("#/weight/unitCode"));
        check(pointer(tender_kind("barter", "#/tenders/0/kind")), Some("#/tenders/0/kind"));
        check(pointer(day("2026-02-30", "#/due")), Some("#/due"));
        check(pointer(id::<domain::ids::HoldGroupId>("-5", "#/hold")), Some("#/hold"));
        check(pointer(code("", "#/sku")), Some("#/sku"));
    }
}
