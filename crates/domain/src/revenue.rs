//! The figures in the books, and how they are computed.
//!
//! gross − discounts − refunds = net; tax, shipping and rounding are never in net;
//! margin = net − cost − fees − postage.

use crate::money::{Currency, Money, MoneyError};
use crate::weight::ounces_from_eighth_nanograms;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Decimals in the column `ounces`.
const OUNCE_DECIMALS: u32 = 2;
/// Column names of the figures everywhere, in the order of [`Figures::cells`].
pub const COLUMNS: [&str; 15] = [
    "sales",
    "units",
    "ounces",
    "gross",
    "discounts",
    "refunds",
    "net",
    "shipping",
    "tax",
    "fees",
    "postage",
    "cost",
    "margin",
    "uncosted",
    "rounding",
];

/// The figures of a day, a month or a channel. All of them can be added up over days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Figures {
    /// Sales that are not voided, also those with a total of 0.
    pub sales: i64,
    /// Units sold less units refunded; a line by weight is one unit.
    pub units: i64,
    /// Weight of the lines by weight less what was refunded, in eighths of a nanogram. A thousand
    /// tonnes exceed 2^63, so many years of a mill need the double width.
    pub weight: i128,
    /// Line amounts of goods, before discounts.
    pub gross: Money,
    /// All discounts on goods.
    pub discounts: Money,
    /// Refunded line amounts less refunded discounts.
    pub refunds: Money,
    /// Shipping charged less shipping refunded.
    pub shipping: Money,
    /// Tax taken less tax refunded.
    pub tax: Money,
    /// Fees that the channel kept.
    pub fees: Money,
    /// Postage that the shop paid.
    pub postage: Money,
    /// Cost of goods sold, without goods returned to stock.
    pub cost: Money,
    /// Units without a known cost, without goods returned to stock.
    pub uncosted: i64,
    /// What cash rounding added, or took if below 0.
    pub rounding: Money,
}

impl Figures {
    /// All figures 0.
    pub fn none(currency: Currency) -> Self {
        let zero = Money::zero(currency);
        Self {
            sales: 0,
            units: 0,
            weight: 0,
            gross: zero,
            discounts: zero,
            refunds: zero,
            shipping: zero,
            tax: zero,
            fees: zero,
            postage: zero,
            cost: zero,
            uncosted: 0,
            rounding: zero,
        }
    }

    /// Gross − discounts − refunds.
    pub fn net(&self) -> Result<Money, MoneyError> {
        self.gross.minus(self.discounts)?.minus(self.refunds)
    }

    /// Net − cost − fees − postage.
    pub fn margin(&self) -> Result<Money, MoneyError> {
        self.net()?.minus(self.cost)?.minus(self.fees)?.minus(self.postage)
    }

    /// The weight in ounces, rounded.
    pub fn ounces(&self) -> Decimal {
        ounces_from_eighth_nanograms(self.weight, OUNCE_DECIMALS)
    }

    /// Each figure as text, under [`COLUMNS`].
    pub fn cells(&self) -> Result<[String; 15], MoneyError> {
        Ok([
            self.sales.to_string(),
            self.units.to_string(),
            self.ounces().to_string(),
            self.gross.to_string(),
            self.discounts.to_string(),
            self.refunds.to_string(),
            self.net()?.to_string(),
            self.shipping.to_string(),
            self.tax.to_string(),
            self.fees.to_string(),
            self.postage.to_string(),
            self.cost.to_string(),
            self.margin()?.to_string(),
            self.uncosted.to_string(),
            self.rounding.to_string(),
        ])
    }

    /// The sum of two sets of figures.
    pub fn plus(&self, other: &Self) -> Result<Self, MoneyError> {
        Ok(Self {
            sales: self.sales + other.sales,
            units: self.units + other.units,
            weight: self.weight.checked_add(other.weight).ok_or(MoneyError::TooLarge)?,
            gross: self.gross.plus(other.gross)?,
            discounts: self.discounts.plus(other.discounts)?,
            refunds: self.refunds.plus(other.refunds)?,
            shipping: self.shipping.plus(other.shipping)?,
            tax: self.tax.plus(other.tax)?,
            fees: self.fees.plus(other.fees)?,
            postage: self.postage.plus(other.postage)?,
            cost: self.cost.plus(other.cost)?,
            uncosted: self.uncosted + other.uncosted,
            rounding: self.rounding.plus(other.rounding)?,
        })
    }

    /// With every sign turned, which undoes them when added.
    #[must_use]
    pub fn negated(&self) -> Self {
        Self {
            sales: -self.sales,
            units: -self.units,
            weight: -self.weight,
            gross: self.gross.negated(),
            discounts: self.discounts.negated(),
            refunds: self.refunds.negated(),
            shipping: self.shipping.negated(),
            tax: self.tax.negated(),
            fees: self.fees.negated(),
            postage: self.postage.negated(),
            cost: self.cost.negated(),
            uncosted: -self.uncosted,
            rounding: self.rounding.negated(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dollars(minor: i64) -> Money {
        Money::from_minor(minor, Currency::USD).unwrap()
    }

    fn a_day() -> Figures {
        Figures {
            sales: 3,
            units: 4,
            weight: 226_796_185,
            gross: dollars(20_000),
            discounts: dollars(1500),
            refunds: dollars(2500),
            shipping: dollars(700),
            tax: dollars(990),
            fees: dollars(450),
            postage: dollars(610),
            cost: dollars(6000),
            uncosted: 1,
            rounding: dollars(-2),
        }
    }

    #[test]
    fn net_and_margin_leave_tax_shipping_and_rounding_out() {
        let day = a_day();
        assert_eq!(day.net(), Ok(dollars(16_000)));
        assert_eq!(day.margin(), Ok(dollars(8940)));
        let other = Figures { tax: dollars(1), shipping: dollars(1), rounding: dollars(1), ..day };
        assert_eq!((other.net(), other.margin()), (day.net(), day.margin()));
    }

    // 226 796 185 eighths of a nanogram are a thousandth of an ounce.
    #[test]
    fn figures_are_written_under_their_words() {
        let day = Figures { weight: 2500 * 226_796_185, ..a_day() };
        let cells = day.cells().unwrap();
        let told: Vec<String> =
            COLUMNS.iter().zip(&cells).map(|(word, cell)| format!("{word} {cell}")).collect();
        assert_eq!(
            told.join(", "),
            "sales 3, units 4, ounces 2.50, gross 200.00, discounts 15.00, refunds 25.00, net 160.00, \
             shipping 7.00, tax 9.90, fees 4.50, postage 6.10, cost 60.00, margin 89.40, uncosted 1, rounding -0.02"
        );
    }

    #[test]
    fn a_day_and_its_undoing_are_nothing() {
        let day = a_day();
        assert_eq!(day.plus(&day.negated()), Ok(Figures::none(Currency::USD)));
        assert_eq!(day.plus(&Figures::none(Currency::USD)), Ok(day));
        let full = Figures { weight: i128::MAX, ..day };
        assert_eq!(full.plus(&day), Err(MoneyError::TooLarge));
    }
}
