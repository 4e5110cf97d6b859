//! Sale arithmetic: lines, discounts, what is due, how it is paid.

use crate::money::{Currency, Money, MoneyError, TO_MINOR_UNIT};
use crate::quantity::Quantity;
use crate::split::by_largest_remainder;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The most lines of one sale or order: more than a counter can hold, few enough for one transaction.
pub const MAX_LINES: usize = 200;
/// The most tenders of one sale.
pub const MAX_TENDERS: usize = 20;

/// What a line of a sale is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineKind {
    /// Goods: revenue.
    Goods,
    /// A gift certificate that was sold: money that is not yet revenue.
    GiftCertificate,
    /// A deposit that was taken: money that is not yet revenue.
    Deposit,
}

impl LineKind {
    /// As it stands in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Goods => "goods",
            Self::GiftCertificate => "gift-certificate",
            Self::Deposit => "deposit",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Goods, Self::GiftCertificate, Self::Deposit].into_iter().find(|k| k.code() == code)
    }
}

/// How a sale was paid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TenderKind {
    /// Notes and coins; the only kind that is rounded and gives change.
    Cash,
    /// A card, taken on a separate terminal. No number ever comes here.
    Card,
    /// A check.
    Check,
    /// Paid in the online shop.
    Online,
    /// A gift certificate that the shop sold before.
    GiftCertificate,
    /// To be paid later, by a named customer, by a day.
    OnAccount,
    /// Anything else.
    Other,
}

impl TenderKind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::Cash,
        Self::Card,
        Self::Check,
        Self::Online,
        Self::GiftCertificate,
        Self::OnAccount,
        Self::Other,
    ];

    /// As it stands in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Cash => "cash",
            Self::Card => "card",
            Self::Check => "check",
            Self::Online => "online",
            Self::GiftCertificate => "gift-certificate",
            Self::OnAccount => "on-account",
            Self::Other => "other",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.code() == code)
    }
}

impl fmt::Display for TenderKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// What is wrong with a sale's figures.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BasketError {
    /// No lines.
    #[error("a sale has at least one line")]
    NoLines,
    /// More than [`MAX_LINES`].
    #[error("a sale has at most {MAX_LINES} lines; ring the rest up as a second sale")]
    TooManyLines,
    /// More than [`MAX_TENDERS`].
    #[error("a sale has at most {MAX_TENDERS} payments")]
    TooManyTenders,
    /// A negative part.
    #[error("{what} may not be below 0")]
    Negative {
        /// Which part.
        what: &'static str,
    },
    /// More off than there is.
    #[error("the discount of {} is more than the price of {}", discount.shown(), amount.shown())]
    DiscountTooLarge {
        /// The discount.
        discount: Money,
        /// What it is taken from.
        amount: Money,
    },
    /// The tenders do not reach what is due.
    #[error("{} is due, but {} was received; {} is missing", due.shown(), tendered.shown(), missing.shown())]
    Underpaid {
        /// What is due, cash rounded.
        due: Money,
        /// What was given.
        tendered: Money,
        /// The difference.
        missing: Money,
    },
    /// More than is due by something that gives no change.
    #[error("{} is due, but {} was received other than in cash; only cash gives change", due.shown(), tendered.shown())]
    Overpaid {
        /// What is due.
        due: Money,
        /// What was given other than in cash.
        tendered: Money,
    },
    /// The amount is out of range.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

/// A line before discounts are settled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line {
    /// Quantity × price, to the minor unit.
    pub amount: Money,
    /// The line's own discount.
    pub discount: Money,
    /// The line's tax, as given.
    pub tax: Money,
}

/// A line after an order's discount was spread over it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineMoney {
    /// Quantity × price.
    pub amount: Money,
    /// Own discount and the line's share of the order's.
    pub discount: Money,
    /// Tax.
    pub tax: Money,
}

/// Quantity × the price of one (of one stock unit, for goods by weight), by [`TO_MINOR_UNIT`]. A slip shows it
/// whatever it comes to; [`settle_lines`] bounds what is booked.
pub fn line_amount(price: Money, quantity: Quantity) -> Result<Money, MoneyError> {
    let exact = price.major().checked_mul(quantity.value()).ok_or(MoneyError::TooLarge)?;
    let rounded = exact.round_dp_with_strategy(price.currency().minor_digits(), TO_MINOR_UNIT);
    Money::computed(rounded, price.currency())
}

/// Spreads the order's discount over the lines by what each is worth after its own discount,
/// without losing a cent.
pub fn settle_lines(lines: &[Line], order_discount: Money) -> Result<Vec<LineMoney>, BasketError> {
    let currency = order_discount.currency();
    if lines.is_empty() {
        return Err(BasketError::NoLines);
    }
    if lines.len() > MAX_LINES {
        return Err(BasketError::TooManyLines);
    }
    not_negative("an order discount", order_discount)?;
    for line in lines {
        for (what, amount) in [("a line", line.amount), ("a discount", line.discount), ("tax", line.tax)] {
            not_negative(what, amount)?;
            amount.within_limit()?;
        }
        fits(line.discount, line.amount)?;
    }
    let worth: Vec<i64> = lines.iter().map(|l| l.amount.minor() - l.discount.minor()).collect();
    fits(order_discount, Money::from_minor(worth.iter().sum(), currency)?)?;
    let shares = by_largest_remainder(order_discount, &worth)?;
    let settle = |(line, share): (&Line, Money)| {
        Ok(LineMoney { amount: line.amount, discount: line.discount.plus(share)?, tax: line.tax })
    };
    lines.iter().zip(shares).map(settle).collect()
}

fn not_negative(what: &'static str, amount: Money) -> Result<(), BasketError> {
    if amount.is_negative() { Err(BasketError::Negative { what }) } else { Ok(()) }
}

fn fits(discount: Money, amount: Money) -> Result<(), BasketError> {
    if discount.minor() > amount.minor() {
        return Err(BasketError::DiscountTooLarge { discount, amount });
    }
    Ok(())
}

/// Which way a cash total goes that lies midway between two coins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tie {
    /// To the larger.
    Up,
    /// To the smaller.
    Down,
}

/// How the part of a total that is paid in cash is rounded: to the nearest multiple of the
/// smallest coin. Tax is computed before, and other tenders are never rounded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WrittenRounding")]
pub struct CashRounding {
    step_minor: i64,
    tie: Tie,
}

/// A rule as it was written down; read back, it passes the same check as when it was made.
#[derive(Deserialize)]
struct WrittenRounding {
    step_minor: i64,
    tie: Tie,
}

impl TryFrom<WrittenRounding> for CashRounding {
    type Error = &'static str;
    fn try_from(written: WrittenRounding) -> Result<Self, &'static str> {
        let wrong = "the smallest coin is 1 to 10000 minor units";
        Self::to_step(written.step_minor, written.tie).ok_or(wrong)
    }
}

impl CashRounding {
    /// To the minor unit: no rounding.
    pub const NONE: Self = Self { step_minor: 1, tie: Tie::Up };

    /// To multiples of the smallest coin, in minor units. None unless it is 1 to 10 000.
    pub fn to_step(step_minor: i64, tie: Tie) -> Option<Self> {
        (1..=10_000).contains(&step_minor).then_some(Self { step_minor, tie })
    }

    /// The smallest coin, in minor units.
    pub fn step_minor(self) -> i64 {
        self.step_minor
    }

    /// Which way a tie goes.
    pub fn tie(self) -> Tie {
        self.tie
    }

    /// The nearest multiple; the same for an amount and its negative.
    pub fn round(self, amount: Money) -> Result<Money, MoneyError> {
        let size = amount.minor().abs();
        let rest = size % self.step_minor;
        let up = match (rest * 2).cmp(&self.step_minor) {
            std::cmp::Ordering::Greater => true,
            std::cmp::Ordering::Equal => self.tie == Tie::Up,
            std::cmp::Ordering::Less => false,
        };
        let rounded = size - rest + if up { self.step_minor } else { 0 };
        Money::from_minor(rounded * amount.minor().signum(), amount.currency())
    }
}

/// A sale's figures. Law 4 holds by construction:
/// `lines − discounts + tax + shipping + rounding = tendered − change`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Totals {
    /// Sum of the line amounts.
    pub lines: Money,
    /// Sum of the discounts.
    pub discounts: Money,
    /// Sum of the tax.
    pub tax: Money,
    /// Shipping charged.
    pub shipping: Money,
    /// What cash rounding added (or took, if negative).
    pub rounding: Money,
    /// What the customer owes for it all, rounding included.
    pub due: Money,
    /// What was given.
    pub tendered: Money,
    /// What went back over the counter.
    pub change: Money,
}

/// What was given, by kind.
pub type Given = (TenderKind, Money);

/// Adds up the lines and settles them against the tenders.
pub fn settle(
    lines: &[LineMoney],
    shipping: Money,
    tenders: &[Given],
    rule: CashRounding,
) -> Result<Totals, BasketError> {
    let currency = shipping.currency();
    if tenders.len() > MAX_TENDERS {
        return Err(BasketError::TooManyTenders);
    }
    not_negative("shipping", shipping)?;
    shipping.within_limit()?;
    for (_, amount) in tenders {
        not_negative("a tender", *amount)?;
    }
    let sum = |pick: fn(&LineMoney) -> Money| Money::sum(lines.iter().map(pick), currency)?.within_limit();
    let (amounts, discounts, tax) = (sum(|l| l.amount)?, sum(|l| l.discount)?, sum(|l| l.tax)?);
    let exact = amounts.minus(discounts)?.plus(tax)?.plus(shipping)?.within_limit()?;
    let (cash, other) = by_cash(tenders, currency)?;
    let settled = settle_cash(exact, cash, other, rule)?;
    let tendered = cash.unwrap_or(Money::zero(currency)).plus(other)?.within_limit()?;
    let totals = Totals {
        lines: amounts,
        discounts,
        tax,
        shipping,
        rounding: settled.rounding,
        due: exact.plus(settled.rounding)?,
        tendered,
        change: settled.change,
    };
    debug_assert_eq!(totals.due, tendered.minus(settled.change)?, "law 4");
    Ok(totals)
}

struct Settled {
    rounding: Money,
    change: Money,
}

fn by_cash(tenders: &[Given], currency: Currency) -> Result<(Option<Money>, Money), MoneyError> {
    let of = |cash: bool| tenders.iter().filter(move |(k, _)| (*k == TenderKind::Cash) == cash).map(|t| t.1);
    let cash = if of(true).next().is_none() { None } else { Some(Money::sum(of(true), currency)?) };
    Ok((cash, Money::sum(of(false), currency)?))
}

/// Only the part that is left for cash is rounded; without cash nothing is.
fn settle_cash(
    due: Money,
    cash: Option<Money>,
    other: Money,
    rule: CashRounding,
) -> Result<Settled, BasketError> {
    if other.minor() > due.minor() {
        return Err(BasketError::Overpaid { due, tendered: other });
    }
    let for_cash = due.minus(other)?;
    let Some(cash) = cash else {
        if for_cash.is_zero() {
            return Ok(Settled { rounding: for_cash, change: for_cash });
        }
        return Err(BasketError::Underpaid { due, tendered: other, missing: for_cash });
    };
    let rounded = rule.round(for_cash)?;
    let change = cash.minus(rounded)?;
    if change.is_negative() {
        let due = other.plus(rounded)?;
        return Err(BasketError::Underpaid { due, tendered: other.plus(cash)?, missing: change.negated() });
    }
    Ok(Settled { rounding: rounded.minus(for_cash)?, change })
}

/// What is still to pay of `exact` after these tenders, if the rest is paid by `kind`: cash is rounded,
/// nothing else is. Below 0 if more was taken than is due.
pub fn still_due(
    exact: Money,
    tenders: &[Given],
    kind: TenderKind,
    rule: CashRounding,
) -> Result<Money, BasketError> {
    let (cash, other) = by_cash(tenders, exact.currency())?;
    let left = exact.minus(other)?;
    let left = if kind == TenderKind::Cash { rule.round(left)? } else { left };
    Ok(left.minus(cash.unwrap_or(Money::zero(exact.currency())))?)
}

/// The cost of a quantity, from the cost of one (of one stock unit, for goods by weight).
pub fn line_cost(cost: Option<Money>, quantity: Quantity) -> Result<Option<Money>, MoneyError> {
    cost.map(|c| line_amount(c, quantity)?.within_limit()).transpose()
}

/// The price of one from what a whole line came to, for showing; the line's money is what counts.
pub fn unit_price(amount: Money, quantity: Decimal) -> Result<Money, MoneyError> {
    let each = amount.major().checked_div(quantity).ok_or(MoneyError::TooLarge)?;
    Money::rounded_from_major(each, amount.currency())
}
