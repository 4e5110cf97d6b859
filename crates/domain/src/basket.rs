//! Sale arithmetic: lines, discounts, the amount due and how it is paid.

use crate::money::{Currency, Money, MoneyError, TO_MINOR_UNIT};
use crate::quantity::Quantity;
use crate::split::by_largest_remainder;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The most lines of one sale or order: more than anybody rings up, few enough for one transaction.
pub const MAX_LINES: usize = 200;
/// The most payments of one sale. Our own bound.
pub const MAX_TENDERS: usize = 20;

/// What a line of a sale stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineKind {
    /// Goods, which count as revenue.
    Goods,
    /// A gift certificate that was sold: money that is not revenue yet.
    GiftCertificate,
    /// A deposit that was taken: money that is not revenue yet.
    Deposit,
}

impl LineKind {
    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Goods => "goods",
            Self::GiftCertificate => "gift-certificate",
            Self::Deposit => "deposit",
        }
    }

    /// The kind with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Goods, Self::GiftCertificate, Self::Deposit].into_iter().find(|k| k.code() == code)
    }
}

/// A way to pay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TenderKind {
    /// Bills and coins: the only kind that is rounded and gives change.
    Cash,
    /// A card, charged on a separate terminal. Card numbers never come here.
    Card,
    /// A paper check.
    Check,
    /// Paid to the online shop.
    Online,
    /// A gift certificate that this shop sold.
    GiftCertificate,
    /// What the customer paid before, toward what is sold now.
    Deposit,
    /// Paid later by a named customer, with a due date.
    OnAccount,
    /// Any other way, which the note may explain.
    Other,
    /// What was brought back in an exchange: the same amount pays the sale and is refunded, and no money moves.
    Exchange,
}

impl TenderKind {
    /// In the order in which pages offer them.
    pub const ALL: [Self; 9] = [
        Self::Cash,
        Self::Card,
        Self::Check,
        Self::Online,
        Self::GiftCertificate,
        Self::Deposit,
        Self::OnAccount,
        Self::Other,
        Self::Exchange,
    ];

    /// Those that somebody can pay or be paid with. An exchange comes only with what was brought back.
    pub fn of_people() -> impl Iterator<Item = Self> {
        Self::ALL.into_iter().filter(|kind| *kind != Self::Exchange)
    }

    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Cash => "cash",
            Self::Card => "card",
            Self::Check => "check",
            Self::Online => "online",
            Self::GiftCertificate => "gift-certificate",
            Self::Deposit => "deposit",
            Self::OnAccount => "on-account",
            Self::Other => "other",
            Self::Exchange => "exchange",
        }
    }

    /// The kind with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.code() == code)
    }
}

impl fmt::Display for TenderKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// An amount of a sale that may not be below nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Amount {
    /// A line's.
    Line,
    /// A line's discount.
    Discount,
    /// A line's tax.
    Tax,
    /// The discount of the whole.
    OrderDiscount,
    /// Shipping.
    Shipping,
    /// A payment.
    Payment,
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Line => "a line",
            Self::Discount => "a discount",
            Self::Tax => "tax",
            Self::OrderDiscount => "an order discount",
            Self::Shipping => "shipping",
            Self::Payment => "a payment",
        })
    }
}

/// What is wrong with a sale's figures.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BasketError {
    /// The sale is empty.
    #[error("a sale has at least one line")]
    NoLines,
    /// More than [`MAX_LINES`].
    #[error("a sale has at most {MAX_LINES} lines; ring the rest up as a second sale")]
    TooManyLines,
    /// More than [`MAX_TENDERS`].
    #[error("a sale has at most {MAX_TENDERS} payments")]
    TooManyTenders,
    /// A part of the sale is below 0.
    #[error("{what} may not be below 0")]
    Negative {
        /// The name of that part, for people.
        what: Amount,
    },
    /// A discount is larger than the amount it is taken from.
    #[error("the discount of {} is more than the price of {}", discount.shown(), amount.shown())]
    DiscountTooLarge {
        /// The discount that was asked for.
        discount: Money,
        /// The amount before the discount.
        amount: Money,
    },
    /// The payments do not cover the amount due.
    #[error("{} is due, but {} was received; {} is missing", due.shown(), tendered.shown(), missing.shown())]
    Underpaid {
        /// The amount due, after cash rounding.
        due: Money,
        /// The sum of the payments.
        tendered: Money,
        /// The amount due less the payments.
        missing: Money,
    },
    /// More than the amount due was received in a form that gives no change.
    #[error("{} is due, but {} was received other than in cash; only cash gives change", due.shown(), tendered.shown())]
    Overpaid {
        /// The amount due.
        due: Money,
        /// The sum of the payments that are not cash.
        tendered: Money,
    },
    /// An amount is out of range, or in another currency.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

/// A line before the discount on the whole sale is spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line {
    /// Quantity × price, rounded to the minor unit.
    pub amount: Money,
    /// The discount on this line alone.
    pub discount: Money,
    /// The sales tax, as it was entered.
    pub tax: Money,
}

/// A line after the discount on the whole sale was spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineMoney {
    /// Quantity × price, rounded to the minor unit.
    pub amount: Money,
    /// The line's own discount and its share of the sale's.
    pub discount: Money,
    /// The sales tax, as it was entered.
    pub tax: Money,
}

/// Quantity × price of one (of one stock unit, for goods by weight), rounded by [`TO_MINOR_UNIT`]. A
/// sale that is being rung up shows its total whatever it is; [`settle_lines`] limits what is booked.
pub fn line_amount(price: Money, quantity: Quantity) -> Result<Money, MoneyError> {
    let exact = price.major().checked_mul(quantity.value()).ok_or(MoneyError::TooLarge)?;
    let rounded = exact.round_dp_with_strategy(price.currency().minor_digits(), TO_MINOR_UNIT);
    Money::computed(rounded, price.currency())
}

/// Spreads the discount on the whole sale over the lines, in proportion to what each is worth after its
/// own discount. The shares add up to the minor unit.
pub fn settle_lines(lines: &[Line], order_discount: Money) -> Result<Vec<LineMoney>, BasketError> {
    let currency = order_discount.currency();
    if lines.is_empty() {
        return Err(BasketError::NoLines);
    }
    if lines.len() > MAX_LINES {
        return Err(BasketError::TooManyLines);
    }
    not_negative(Amount::OrderDiscount, order_discount)?;
    for line in lines {
        let amounts =
            [(Amount::Line, line.amount), (Amount::Discount, line.discount), (Amount::Tax, line.tax)];
        for (what, amount) in amounts {
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

fn not_negative(what: Amount, amount: Money) -> Result<(), BasketError> {
    if amount.is_negative() { Err(BasketError::Negative { what }) } else { Ok(()) }
}

fn fits(discount: Money, amount: Money) -> Result<(), BasketError> {
    if discount.minor() > amount.minor() {
        return Err(BasketError::DiscountTooLarge { discount, amount });
    }
    Ok(())
}

/// Where a cash total goes that lies midway between two coins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tie {
    /// To the larger amount.
    Up,
    /// To the smaller amount.
    Down,
}

/// How the cash part of a total is rounded: to the nearest multiple of the smallest coin. Tax is
/// computed before, and other ways to pay are never rounded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WrittenRounding")]
pub struct CashRounding {
    step_minor: i64,
    tie: Tie,
}

/// A stored rule. Reading it repeats the check of its constructor.
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
    /// No rounding beyond the minor unit.
    pub const NONE: Self = Self { step_minor: 1, tie: Tie::Up };

    /// Rounds to multiples of the smallest coin, in minor units. None unless that is 1 to 10,000.
    pub fn to_step(step_minor: i64, tie: Tie) -> Option<Self> {
        (1..=10_000).contains(&step_minor).then_some(Self { step_minor, tie })
    }

    /// The smallest coin, in minor units.
    pub fn step_minor(self) -> i64 {
        self.step_minor
    }

    /// Where a total midway between two coins goes.
    pub fn tie(self) -> Tie {
        self.tie
    }

    /// The nearest multiple. An amount and its negative round to the same size.
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

/// The figures of a sale. The constructor guarantees that `lines − discounts + tax + shipping +
/// rounding = tendered − change`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Totals {
    /// The sum of the line amounts, before discounts.
    pub lines: Money,
    /// The sum of all discounts.
    pub discounts: Money,
    /// The sum of the sales tax.
    pub tax: Money,
    /// Shipping that the customer pays.
    pub shipping: Money,
    /// What cash rounding added, or took if below 0.
    pub rounding: Money,
    /// What the customer pays in total, rounding included.
    pub due: Money,
    /// The sum of the payments.
    pub tendered: Money,
    /// The change handed back, in cash.
    pub change: Money,
}

/// A payment: its kind and its amount.
pub type Given = (TenderKind, Money);

/// Adds up the lines and compares them with the payments.
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
    not_negative(Amount::Shipping, shipping)?;
    shipping.within_limit()?;
    for (_, amount) in tenders {
        not_negative(Amount::Payment, *amount)?;
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

/// Rounds only the part that is left for cash.
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

/// What is still due of `exact` after these payments if the rest is paid by `kind`: only cash is
/// rounded. Below 0 if more was received than is due.
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

/// The price of one, from the amount of a whole line. For showing only; the line's amount is what
/// counts.
pub fn unit_price(amount: Money, quantity: Decimal) -> Result<Money, MoneyError> {
    let each = amount.major().checked_div(quantity).ok_or(MoneyError::TooLarge)?;
    Money::rounded_from_major(each, amount.currency())
}
