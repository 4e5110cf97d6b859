//! Reads styles with their weight rates.

use crate::fields::{Feed, style};
use crate::record::Reading;
use crate::reject::{FeedError, Problem};
use crate::source::Records;
use crate::values::Values;
use domain::item::NewStyle;
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::text;
use domain::weight::WeightUnit;
use std::io::Read;

/// Reads a styles file; each row is accepted or rejected separately.
pub fn read_styles<R: Read>(reader: R, reading: Reading<'_>) -> Result<Records<'_, R, NewStyle>, FeedError> {
    Records::open(reader, reading, Feed::Styles, take)
}

fn take(values: &Values) -> Result<NewStyle, Problem> {
    let name = values.need(style::STYLE, values.read(style::STYLE, text::name)?)?;
    let unit = values.read(style::RATE_UNIT, WeightUnit::from_code)?;
    let unit = values.need(style::RATE_UNIT, unit)?;
    let rate = values.number(style::RATE, |digits| WeightRate::parse(digits, unit.code()))?;
    let currency = values.reading.currency;
    let ending = values.read(style::ENDING, |text| PriceEnding::parse(text, currency))?;
    let rule = PriceRule {
        rate: values.need(style::RATE, rate)?,
        ending: ending.unwrap_or(PriceEnding::Exact),
        minimum: values.money(style::MINIMUM)?,
    };
    let (category, care) = (values.short(style::CATEGORY)?, values.short(style::CARE)?);
    Ok(NewStyle { name, rule, sizes: values.list(style::SIZES)?, category, care })
}
