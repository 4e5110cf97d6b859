//! How people read money, rates, days and times: `$1,029.00`, `Nov 29, 2026`, `3:05 PM`. Pages, tags
//! and receipts use it; files and the API have plain decimals and ISO 8601.

use crate::calendar::date_of;
use crate::day::{Day, Moment, Month, ShopTime, Zone};
use crate::money::{Currency, Money};
use crate::pricing::{Calculation, PriceEnding, WeightRate};
use crate::weight::WeightUnit;
use rust_decimal::Decimal;

/// Symbols that several currencies share; a shop has one currency, so none is ambiguous (Unicode CLDR,
/// narrow currency symbols). Other currencies are written with their code.
const SYMBOLS: [(&str, &str); 14] = [
    ("AUD", "$"),
    ("CAD", "$"),
    ("CNY", "¥"),
    ("EUR", "€"),
    ("GBP", "£"),
    ("ILS", "₪"),
    ("INR", "₹"),
    ("JPY", "¥"),
    ("KRW", "₩"),
    ("MXN", "$"),
    ("NZD", "$"),
    ("PHP", "₱"),
    ("UAH", "₴"),
    ("USD", "$"),
];
/// What stands before an amount: `$`, or the code of a currency without a symbol here.
pub fn symbol(currency: &Currency) -> &str {
    SYMBOLS.iter().find(|(code, _)| *code == currency.code()).map_or(currency.code(), |(_, symbol)| symbol)
}

/// Keeps a code and its amount on one line.
const NO_BREAK_SPACE: char = '\u{a0}';
/// Digits in a group.
const GROUP: usize = 3;

/// An amount in major units with its symbol, and its decimals as they are: `$7.125`, `-CHF 1,029.00`.
pub fn amount(major: Decimal, currency: Currency) -> String {
    let sign = if major.is_sign_negative() && !major.is_zero() { "-" } else { "" };
    let (symbol, digits) = (symbol(&currency), grouped(&major.abs().to_string()));
    if symbol == currency.code() {
        return format!("{sign}{symbol}{NO_BREAK_SPACE}{digits}");
    }
    format!("{sign}{symbol}{digits}")
}

/// Adds commas: `1029.00` becomes `1,029.00`.
fn grouped(plain: &str) -> String {
    let end = plain.find('.').unwrap_or(plain.len());
    let (whole, decimals) = plain.split_at(end);
    let mut text = String::with_capacity(plain.len() + whole.len() / GROUP);
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && (whole.len() - at).is_multiple_of(GROUP) {
            text.push(',');
        }
        text.push(digit);
    }
    text + decimals
}

/// `1 piece`, `1,029 pieces`.
pub fn counted(count: impl TryInto<i64>, one: &str, many: &str) -> String {
    let count = count.try_into().unwrap_or(i64::MAX);
    format!("{} {}", number(count), if count == 1 { one } else { many })
}

/// A decimal with commas, and its decimals as they are: `1,026.30`.
pub fn decimal(value: Decimal) -> String {
    let sign = if value.is_sign_negative() && !value.is_zero() { "-" } else { "" };
    format!("{sign}{}", grouped(&value.abs().to_string()))
}

/// A whole number with commas: `1,029`.
pub fn number(count: i64) -> String {
    let sign = if count < 0 { "-" } else { "" };
    format!("{sign}{}", grouped(&count.unsigned_abs().to_string()))
}

impl Money {
    /// With its symbol and grouping: `$1,029.00`, `-$5.00`.
    pub fn shown(self) -> String {
        amount(self.major(), self.currency())
    }
}

impl WeightRate {
    /// `$7.50 an ounce`, `$12.00 per 100 g`.
    pub fn words(self, currency: Currency) -> String {
        let per = if self.unit() == WeightUnit::HundredGrams { "per " } else { "" };
        format!("{} {per}{}", amount(self.shown(currency), currency), self.unit().each())
    }
}

impl PriceEnding {
    /// Follows “rounded”: `to the nearest $0.05`.
    pub fn words(self, currency: Currency) -> String {
        match self {
            Self::Exact => format!("to the nearest {}", amount(smallest(currency), currency)),
            Self::Five => {
                format!("to the nearest {}", amount(Decimal::new(5, 2).max(smallest(currency)), currency))
            }
            Self::Whole => format!("to the nearest {}", amount(Decimal::ONE, currency)),
            Self::Fraction(part) => {
                let mut part = part;
                part.rescale(currency.minor_digits());
                format!("to a price ending in {}", part.to_string().trim_start_matches('0'))
            }
        }
    }
}

fn smallest(currency: Currency) -> Decimal {
    Decimal::new(1, currency.minor_digits())
}

impl Calculation {
    /// `6.35 oz × $7.50 an ounce = $47.63, rounded to $48.00`.
    pub fn shown(&self) -> String {
        let rate = self.rate.words(self.price.currency());
        let sum = self.by_weight.plus(self.extras).unwrap_or(self.ended);
        let more = |is_said: bool, words: String| if is_said { words } else { String::new() };
        let has_extras = !self.extras.is_zero();
        let extras = more(has_extras, format!(" + {} for extras", self.extras.shown()));
        let ended = match self.ended.shown() {
            ended if self.ended != sum => format!(", rounded to {ended}"),
            ended => more(has_extras, format!(" = {ended}")),
        };
        let minimum =
            self.minimum_used.map(|minimum| format!(", raised to the minimum of {}", minimum.shown()));
        let (weight, by_weight) = (self.weight, self.by_weight.shown());
        format!("{weight} × {rate} = {by_weight}{extras}{ended}{}", minimum.unwrap_or_default())
    }
}

impl Day {
    /// `Nov 29, 2026`.
    pub fn shown(self) -> String {
        date_of(self).strftime("%b %-d, %Y").to_string()
    }

    /// `Sunday, Nov 29, 2026`.
    pub fn shown_with_weekday(self) -> String {
        format!("{}, {}", self.weekday(), self.shown())
    }

    /// `Sunday`.
    pub fn weekday(self) -> String {
        date_of(self).strftime("%A").to_string()
    }
}

impl Month {
    /// `November 2026`.
    pub fn shown(self) -> String {
        date_of(self.first_day()).strftime("%B %Y").to_string()
    }

    /// `November`.
    pub fn name(self) -> String {
        date_of(self.first_day()).strftime("%B").to_string()
    }
}

impl Zone {
    /// A moment in this zone: `Nov 29, 2026, 3:05 PM`.
    pub fn shown(&self, moment: Moment) -> String {
        format!("{}, {}", self.day_of(moment).shown(), self.clock(moment))
    }

    /// The end of something: `through Nov 29, 2026` if it is the end of a day, otherwise `until Nov 29,
    /// 2026, 3:05 PM`.
    pub fn until(&self, end: Moment) -> String {
        let day = self.day_of(end);
        if self.start_of(day) == end {
            return format!("through {}", day.plus_days(-1).shown());
        }
        format!("until {}", self.shown(end))
    }

    /// The time of day in this zone: `3:05 PM`.
    pub fn clock(&self, moment: Moment) -> String {
        self.written(moment, "%-I:%M %p").unwrap_or_default()
    }
}

impl ShopTime {
    /// As the shop's clock shows it: `Nov 29, 2026, 3:05 PM`.
    pub fn shown(&self) -> String {
        self.zone.shown(self.at)
    }

    /// As the end of something; see [`Zone::until`].
    pub fn until(&self) -> String {
        self.zone.until(self.at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::weight::Weight;

    fn money(text: &str, code: &str) -> Money {
        Money::parse(text, Currency::from_code(code).unwrap()).unwrap()
    }

    #[test]
    fn money_carries_its_symbol_and_grouping() {
        let check = |text: &str, code: &str, expected: &str| {
            assert_eq!(money(text, code).shown(), expected, "{text} {code}");
        };
        check("0", "USD", "$0.00");
        check("5", "USD", "$5.00");
        check("-5", "USD", "-$5.00");
        check("999.99", "USD", "$999.99");
        check("1029", "USD", "$1,029.00");
        check("-1029.5", "USD", "-$1,029.50");
        check("1234567.89", "EUR", "€1,234,567.89");
        check("100000", "JPY", "¥100,000");
        check("12.345", "KWD", "KWD\u{a0}12.345");
        check("-1029", "CHF", "-CHF\u{a0}1,029.00");
        check("42", "GBP", "£42.00");
    }

    #[test]
    fn counts_take_their_plural_and_grouping() {
        let check = |count: i64, expected: &str| assert_eq!(counted(count, "piece", "pieces"), expected);
        check(0, "0 pieces");
        check(1, "1 piece");
        check(2, "2 pieces");
        check(-1029, "-1,029 pieces");
        check(1_000_000, "1,000,000 pieces");
        assert_eq!(decimal(Decimal::new(102_630, 2)), "1,026.30");
        assert_eq!(decimal(Decimal::new(-5, 2)), "-0.05");
    }

    #[test]
    fn rates_and_endings_are_said_with_their_symbol() {
        let check = |rate: &str, unit: &str, expected: &str| {
            assert_eq!(WeightRate::parse(rate, unit).unwrap().words(Currency::USD), expected);
        };
        check("7.5", "ONZ", "$7.50 an ounce");
        check("0.125", "GRM", "$0.125 a gram");
        check("1200", "KGM", "$1,200.00 a kilogram");
        check("12", "HGM", "$12.00 per 100 g");
        let check = |ending: &str, code: &str, expected: &str| {
            let currency = Currency::from_code(code).unwrap();
            assert_eq!(PriceEnding::parse(ending, currency).unwrap().words(currency), expected);
        };
        check("exact", "USD", "to the nearest $0.01");
        check("exact", "JPY", "to the nearest ¥1");
        check("five", "USD", "to the nearest $0.05");
        check("whole", "GBP", "to the nearest £1");
        check("0.95", "USD", "to a price ending in .95");
        check("0.5", "EUR", "to a price ending in .50");
    }

    #[test]
    fn a_price_tells_how_it_was_calculated() {
        let check = |extras: &str, ending: &str, minimum: Option<&str>, expected: &str| {
            let rule = crate::pricing::PriceRule {
                rate: WeightRate::parse("7.50", "ONZ").unwrap(),
                ending: PriceEnding::parse(ending, Currency::USD).unwrap(),
                minimum: minimum.map(|text| money(text, "USD")),
            };
            let weight = Weight::parse("6.35", WeightUnit::Ounce).unwrap();
            assert_eq!(rule.price(weight, money(extras, "USD")).unwrap().shown(), expected);
        };
        let first = "6.35 oz × $7.50 an ounce = $47.63";
        check("0", "exact", None, first);
        check("0", "whole", None, &format!("{first}, rounded to $48.00"));
        check("2", "exact", None, &format!("{first} + $2.00 for extras = $49.63"));
        check("2", "whole", None, &format!("{first} + $2.00 for extras, rounded to $50.00"));
        check(
            "0",
            "whole",
            Some("60"),
            &format!("{first}, rounded to $48.00, raised to the minimum of $60.00"),
        );
    }

    // 2026-11-29 is a Sunday (ISO 8601).
    #[test]
    fn days_and_times_read_as_people_write_them() {
        let check = |day: &str, expected: &str, with_weekday: &str| {
            let day = Day::parse(day).unwrap();
            assert_eq!((day.shown().as_str(), day.shown_with_weekday().as_str()), (expected, with_weekday));
        };
        check("2026-11-29", "Nov 29, 2026", "Sunday, Nov 29, 2026");
        check("2026-05-01", "May 1, 2026", "Friday, May 1, 2026");
        check("2000-02-29", "Feb 29, 2000", "Tuesday, Feb 29, 2000");
        let check = |zone: &str, at: &str, expected: &str, clock: &str| {
            let zone = Zone::from_name(zone).unwrap();
            let at = Moment::parse_rfc3339(at).unwrap();
            assert_eq!((zone.shown(at).as_str(), zone.clock(at).as_str()), (expected, clock));
        };
        check("UTC", "2026-11-29T15:05:00Z", "Nov 29, 2026, 3:05 PM", "3:05 PM");
        check("UTC", "2026-11-29T00:00:00Z", "Nov 29, 2026, 12:00 AM", "12:00 AM");
        check("UTC", "2026-11-29T12:00:00Z", "Nov 29, 2026, 12:00 PM", "12:00 PM");
        check("America/New_York", "2026-11-29T03:30:00Z", "Nov 28, 2026, 10:30 PM", "10:30 PM");
        check("Asia/Kolkata", "2026-05-17T12:00:00Z", "May 17, 2026, 5:30 PM", "5:30 PM");
        let zone = Zone::from_name("America/New_York").unwrap();
        let until = |at: &str| zone.until(Moment::parse_rfc3339(at).unwrap());
        assert_eq!(until("2026-11-29T05:00:00Z"), "through Nov 28, 2026");
        assert_eq!(until("2026-11-29T05:10:00Z"), "until Nov 29, 2026, 12:10 AM");
        let may = Month::parse("2026-05").unwrap();
        assert_eq!((may.shown().as_str(), may.name().as_str()), ("May 2026", "May"));
    }
}
