//! Net sales of each month as bars, with one strip per channel on a common scale. A strip is identified by its
//! position and its label, a month by its column, and nothing by color alone. Each channel has its own weave
//! pattern, which also works on paper and in dark mode.

use super::Summed;
use crate::pages::shown::channel_name;
use crate::problem::Problem;
use domain::channel::Channel;
use domain::day::Month;
use domain::money::{Currency, Money};
use domain::revenue::Figures;
use ledger::Shop;
use ledger::books::BooksRow;
use std::collections::BTreeMap;

/// Units of the drawing: a month's column, a bar within it, the room for bars, the room above for their values,
/// and the room below for the months' names.
const COLUMN: i64 = 32;
const BAR: i64 = 22;
const BARS_HIGH: i64 = 84;
const VALUES_HIGH: i64 = 14;
const MONTHS_HIGH: i64 = 18;
/// The smallest height of a bar that is not 0, so that it can be seen.
const LEAST: i64 = 2;
/// Larger values are written in thousands: four characters fit a column on a phone.
const IN_THOUSANDS: i64 = 1_000;
/// Months of a year.
const MONTHS: i64 = 12;

/// Weave patterns, drawn on a square of 8: stitches, rows, twill, ribs, checks, crosses.
const WEAVES: [&str; 6] = [
    "M0 1L4 5L8 1",
    "M0 2H5M4 6H8",
    "M-1 9L9 -1M-1 1L1 -1M7 9L9 7",
    "M2 0V8M6 0V8",
    "M0 4H8M4 0V8",
    "M1 1L5 5M5 1L1 5",
];
/// The pattern of all channels together.
const PLAIN: &str = "M0 2H8M0 4H8M0 6H8M0 0H8";

/// A bar, and what is above and below it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Bar {
    pub(crate) x: i64,
    pub(crate) y: i64,
    pub(crate) width: i64,
    pub(crate) height: i64,
    pub(crate) middle: i64,
    /// The text above it, shortened to fit.
    pub(crate) value: String,
    pub(crate) value_y: i64,
    /// `May`.
    pub(crate) month: String,
    pub(crate) said: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Strip {
    pub(crate) code: String,
    pub(crate) name: String,
    pub(crate) dye: usize,
    pub(crate) weave: &'static str,
    pub(crate) total: Money,
    pub(crate) said: String,
    pub(crate) width: i64,
    pub(crate) height: i64,
    pub(crate) ground: i64,
    pub(crate) months_y: i64,
    pub(crate) bars: Vec<Bar>,
}

/// The values of one strip by month.
type Months = BTreeMap<Month, Money>;

struct Scale {
    highest: i64,
    lowest: i64,
}

impl Scale {
    fn of(all: &[&Months]) -> Self {
        let values = || all.iter().flat_map(|months| months.values()).map(|net| net.minor());
        Self { highest: values().max().unwrap_or(0).max(0), lowest: values().min().unwrap_or(0).min(0) }
    }

    /// The height of a value's bar; anything but zero is visible.
    fn height(&self, minor: i64) -> i64 {
        let span = (self.highest - self.lowest).max(1);
        let height = i128::from(minor.abs()) * i128::from(BARS_HIGH) / i128::from(span);
        let least = if minor == 0 { 0 } else { LEAST };
        i64::try_from(height).unwrap_or(BARS_HIGH).max(least)
    }

    fn ground(&self) -> i64 {
        VALUES_HIGH + self.height(self.highest)
    }
}

/// The strips of a year's rows: all channels together, if there are several, and each by itself.
pub(crate) fn strips(shop: &Shop, rows: &[BooksRow]) -> Result<Vec<Strip>, Problem> {
    let mut by_channel: BTreeMap<Channel, Months> = BTreeMap::new();
    let mut together = Months::new();
    for row in rows {
        let (Some(month), Some(channel)) = (row.month, &row.channel) else { continue };
        add(&mut together, month, &row.figures)?;
        add(by_channel.entry(channel.clone()).or_default(), month, &row.figures)?;
    }
    let Some(year) = together.keys().next().map(|month| month.year()) else { return Ok(Vec::new()) };
    let several = by_channel.len() > 1;
    let mut all: Vec<&Months> = by_channel.values().collect();
    if several {
        all.push(&together);
    }
    let scale = Scale::of(&all);
    let mut strips = Vec::with_capacity(all.len());
    if several {
        let named = Named { code: "all".to_owned(), name: "All channels".to_owned(), dye: 0, weave: PLAIN };
        strips.push(strip(named, &together, year, &scale, shop.currency)?);
    }
    for (at, (channel, months)) in by_channel.iter().enumerate() {
        let named = Named {
            code: channel.to_string(),
            name: channel_name(shop, channel),
            dye: 1 + at % 4,
            weave: WEAVES[at % WEAVES.len()],
        };
        strips.push(strip(named, months, year, &scale, shop.currency)?);
    }
    Ok(strips)
}

fn add(months: &mut Months, month: Month, figures: &Figures) -> Result<(), Problem> {
    let net = figures.net().summed()?;
    let sum = months.entry(month).or_insert(Money::zero(net.currency()));
    *sum = sum.plus(net).summed()?;
    Ok(())
}

/// What distinguishes a strip from the others.
struct Named {
    code: String,
    name: String,
    dye: usize,
    weave: &'static str,
}

fn strip(
    named: Named,
    months: &Months,
    year: i64,
    scale: &Scale,
    currency: Currency,
) -> Result<Strip, Problem> {
    let of_year = (1..=MONTHS).filter_map(|number| Month::of_year(year, number));
    let nothing = Money::zero(currency);
    let bars: Vec<Bar> = (0..)
        .zip(of_year)
        .map(|(at, month)| bar(at, month, months.get(&month).copied().unwrap_or(nothing), scale))
        .collect();
    let said: Vec<&str> = bars.iter().filter(|b| b.height > 0).map(|b| b.said.as_str()).collect();
    Ok(Strip {
        code: named.code,
        name: named.name,
        dye: named.dye,
        weave: named.weave,
        total: Money::sum(months.values().copied(), currency).summed()?,
        said: said.join("; "),
        width: COLUMN * MONTHS,
        height: VALUES_HIGH * 2 + BARS_HIGH + MONTHS_HIGH,
        ground: scale.ground(),
        months_y: VALUES_HIGH * 2 + BARS_HIGH + MONTHS_HIGH - 5,
        bars,
    })
}

fn bar(at: i64, month: Month, net: Money, scale: &Scale) -> Bar {
    let (height, ground) = (scale.height(net.minor()), scale.ground());
    let is_below = net.is_negative();
    let y = if is_below { ground } else { ground - height };
    Bar {
        x: at * COLUMN + (COLUMN - BAR) / 2,
        y,
        width: BAR,
        height,
        middle: at * COLUMN + COLUMN / 2,
        value: short(net),
        value_y: if is_below { y + height + 10 } else { y - 4 },
        month: month.name().chars().take(3).collect(),
        said: format!("{}: {}", month.shown(), net.shown()),
    }
}

/// In whole units of the currency, or in thousands of them: `947`, `12.3k`.
fn short(amount: Money) -> String {
    let per_major = amount.currency().minor_per_major();
    let sign = if amount.is_negative() { "-" } else { "" };
    let major = (amount.minor().abs() + per_major / 2) / per_major;
    if major < IN_THOUSANDS {
        return format!("{sign}{major}");
    }
    let tenths = (major + 50) / 100;
    format!("{sign}{}.{}k", tenths / 10, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dollars(minor: i64) -> Money {
        Money::from_minor(minor, Currency::USD).expect("an amount")
    }

    #[test]
    fn values_are_cut_to_what_fits_a_column() {
        let check = |minor: i64, expected: &str| assert_eq!(short(dollars(minor)), expected, "{minor}");
        check(0, "0");
        check(94_649, "946");
        check(94_650, "947");
        check(99_949, "999");
        check(99_950, "1.0k");
        check(1_234_567, "12.3k");
        check(-4200, "-42");
    }

    #[test]
    fn bars_stand_on_the_ground_and_hang_below_it() {
        let scale = Scale { highest: 30_000, lowest: -10_000 };
        let may = Month::of_year(2026, 5).expect("a month");
        let check = |minor: i64, expected: (i64, i64)| {
            let bar = bar(4, may, dollars(minor), &scale);
            assert_eq!((bar.y, bar.height), expected, "{minor}");
            assert_eq!((bar.x, bar.middle, bar.month.as_str()), (133, 144, "May"));
        };
        // 84 units for 40000: three quarters of them above zero.
        assert_eq!(scale.ground(), VALUES_HIGH + 63);
        check(30_000, (VALUES_HIGH, 63));
        check(10_000, (VALUES_HIGH + 42, 21));
        check(-10_000, (VALUES_HIGH + 63, 21));
        check(0, (VALUES_HIGH + 63, 0));
        check(1, (VALUES_HIGH + 61, LEAST));
    }

    #[test]
    fn a_year_of_nothing_but_refunds_is_drawn_too() {
        let scale = Scale::of(&[&Months::from([(Month::of_year(2026, 1).expect("a month"), dollars(-500))])]);
        assert_eq!((scale.highest, scale.lowest, scale.ground()), (0, -500, VALUES_HIGH));
        assert_eq!(scale.height(-500), BARS_HIGH);
    }
}
