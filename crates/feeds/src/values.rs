//! Reads typed values from a record's cells.

use crate::cells::Cells;
use crate::fields::Kind;
use crate::guard::unguard;
use crate::layout::Format;
use crate::layout_field::FieldMap;
use crate::record::Reading;
use crate::reject::{Cause, Problem};
use domain::codes::{Code, Gtin};
use domain::item::ItemText;
use domain::money::{Money, plain_decimal};
use domain::text;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use std::borrow::Cow;

/// Whether a number has a decimal comma: `47,50`, `1.234,50`, `-0,5`.
fn has_decimal_comma(text: &str) -> bool {
    let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
    let Some((whole, decimals)) = digits.split_once(',') else { return false };
    let between = |c: char| c.is_ascii_digit() || matches!(c, '.' | ' ' | '\u{a0}' | '\u{202f}' | '\'');
    let is_decimals = !decimals.is_empty() && decimals.bytes().all(|b| b.is_ascii_digit());
    is_decimals && whole.starts_with(|c: char| c.is_ascii_digit()) && whole.chars().all(between)
}

/// A record's cells and what is needed to read them. A JSON line takes from its record what it does not
/// have itself.
pub(crate) struct Values<'a> {
    cells: &'a Cells,
    above: Option<&'a Cells>,
    pub(crate) reading: &'a Reading<'a>,
}

type Read<T> = Result<T, Problem>;

impl<'a> Values<'a> {
    pub(crate) fn new(cells: &'a Cells, above: Option<&'a Cells>, reading: &'a Reading<'a>) -> Self {
        Self { cells, above, reading }
    }

    pub(crate) fn map(&self, field: usize) -> Option<&'a FieldMap> {
        self.reading.layout.fields.get(field).and_then(Option::as_ref)
    }

    /// Whether the line itself has it, and not only the record around it.
    pub(crate) fn says_itself(&self, field: usize) -> bool {
        self.above.is_none() || !self.cells.get(field).is_empty()
    }

    /// The cell as a person would read it: without the formula guard, and trimmed if it is not text.
    pub(crate) fn raw(&self, field: usize) -> &'a str {
        let own = self.cells.get(field);
        let cell = match self.above {
            Some(above) if own.is_empty() => above.get(field),
            _ => own,
        };
        match self.reading.layout.feed.fields()[field].kind {
            // JSON is never guarded: no spreadsheet runs it.
            Kind::Text if self.reading.layout.format == Format::Csv => unguard(cell),
            Kind::Text => cell,
            Kind::Word => {
                self.map(field).and_then(|m| m.words.get(cell.trim())).map_or(cell.trim(), String::as_str)
            }
            Kind::Number | Kind::Price | Kind::Date => cell.trim(),
        }
    }

    /// Reads a cell; none if it is empty.
    pub(crate) fn read<T, E: Into<Cause>>(
        &self,
        field: usize,
        read: impl FnOnce(&str) -> Result<T, E>,
    ) -> Read<Option<T>> {
        let text = self.raw(field);
        if text.trim().is_empty() {
            return Ok(None);
        }
        read(text).map(Some).map_err(|e| Problem::at(field, text, e))
    }

    /// Reads a cell that must not be empty.
    pub(crate) fn need<T>(&self, field: usize, found: Option<T>) -> Read<T> {
        found.ok_or_else(|| Problem::at(field, self.raw(field), Cause::Missing))
    }

    /// A number's digits with a decimal point.
    pub(crate) fn digits(&self, field: usize) -> Read<Option<Cow<'a, str>>> {
        let text = self.raw(field);
        if text.is_empty() {
            return Ok(None);
        }
        let digits = if !self.map(field).is_some_and(|m| m.decimal_comma) {
            Cow::Borrowed(text)
        } else if text.contains('.') {
            return Err(Problem::at(field, text, Cause::DecimalComma));
        } else {
            Cow::Owned(text.replace(',', "."))
        };
        Ok(Some(self.unscaled(field, digits)))
    }

    /// Converts money that came as a whole number of parts. Anything but a number stays as it is, and
    /// reading it rejects it.
    fn unscaled(&self, field: usize, digits: Cow<'a, str>) -> Cow<'a, str> {
        let Some(scale) = self.map(field).and_then(|m| m.scale) else { return digits };
        let parts = Decimal::from(10_u64.pow(scale.digits(self.reading.currency)));
        match plain_decimal(&digits).and_then(|number| number.checked_div(parts)) {
            Some(number) => Cow::Owned(number.normalize().to_string()),
            None => digits,
        }
    }

    /// The weight unit that the layout gives a number.
    pub(crate) fn unit(&self, field: usize) -> Option<WeightUnit> {
        self.map(field).and_then(|m| m.unit)
    }

    pub(crate) fn number<T, E: Into<Cause>>(
        &self,
        field: usize,
        read: impl FnOnce(&str) -> Result<T, E>,
    ) -> Read<Option<T>> {
        let Some(digits) = self.digits(field)? else { return Ok(None) };
        read(&digits).map(Some).map_err(|e| {
            let text = self.raw(field);
            let says_comma = self.map(field).is_some_and(|m| m.decimal_comma);
            if says_comma || !has_decimal_comma(text) {
                return Problem::at(field, text, e);
            }
            let name = self.reading.layout.feed.fields()[field].name;
            Problem::at(field, text, Cause::CommaDecimal { field: name })
        })
    }

    /// Reads an amount with either sign.
    pub(crate) fn amount(&self, field: usize) -> Read<Option<Money>> {
        self.number(field, |digits| Money::parse(digits, self.reading.currency))
    }

    /// Reads an amount of 0 or more.
    pub(crate) fn money(&self, field: usize) -> Read<Option<Money>> {
        let amount = self.amount(field)?;
        match amount {
            Some(amount) if amount.is_negative() => Err(Problem::at(field, self.raw(field), Cause::Negative)),
            _ => Ok(amount),
        }
    }

    /// Reads one line of text; may be empty.
    pub(crate) fn short(&self, field: usize) -> Read<String> {
        Ok(self.read(field, text::short)?.unwrap_or_default())
    }

    /// An item's texts as another program wrote them, without images.
    pub(crate) fn raw_text(&self) -> ItemText {
        let mut found = ItemText::default();
        for (place, field) in self.reading.layout.feed.fields().iter().enumerate() {
            if let Some(text) = field.text {
                let given = self.raw(place);
                given.clone_into(found.get_mut(text));
                if given.trim().is_empty() {
                    found.get_mut(text).clear();
                }
            }
        }
        found
    }

    /// Reads an item's texts, without images.
    pub(crate) fn item_text(&self) -> Read<ItemText> {
        let mut found = ItemText::default();
        for (place, field) in self.reading.layout.feed.fields().iter().enumerate() {
            let Some(text) = field.text else { continue };
            let read = self.read(place, |given| text.checked(given))?;
            *found.get_mut(text) =
                if field.required { self.need(place, read)? } else { read.unwrap_or_default() };
        }
        Ok(found)
    }

    pub(crate) fn code(&self, field: usize) -> Read<Option<Code>> {
        self.read(field, Code::parse)
    }

    pub(crate) fn gtin(&self, field: usize) -> Read<Option<Gtin>> {
        self.read(field, Gtin::parse)
    }

    /// Reads a list whose members are separated by `|`.
    pub(crate) fn list(&self, field: usize) -> Read<Vec<String>> {
        let text = self.raw(field);
        let parts = text.split('|').map(str::trim).filter(|p| !p.is_empty());
        parts.map(|p| text::note(p).map_err(|e| Problem::at(field, text, e))).collect()
    }

    /// Reads a weight and its unit: both or neither.
    pub(crate) fn weight(&self, value: usize, unit: usize) -> Read<Option<Weight>> {
        let names = self.reading.layout.feed.fields();
        let named = self.unit(value).filter(|_| !self.raw(value).is_empty());
        let read_unit = match named {
            Some(unit) => Some(unit),
            None => self.read(unit, WeightUnit::from_code)?,
        };
        match (self.digits(value)?, read_unit) {
            (None, None) => Ok(None),
            (Some(_), None) => {
                Err(Problem::at(value, self.raw(value), Cause::NeedsOther { other: names[unit].name }))
            }
            (None, Some(_)) => {
                Err(Problem::at(unit, self.raw(unit), Cause::NeedsOther { other: names[value].name }))
            }
            (Some(_), Some(read_unit)) => self.number(value, |digits| Weight::parse(digits, read_unit)),
        }
    }
}
