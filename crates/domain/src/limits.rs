//! What a caller may do within their role: on which channels they sell, how much discount they give,
//! how far back they date a sale, how much they hold, whether they enter tax by hand, and how much they
//! refund. Beyond a limit, somebody with more rights must do it (OWASP ASVS 5.0.0, 2.4.1 and 8.2.1).

use crate::channel::Channel;
use crate::day::Moment;
use crate::money::{Currency, Money, plain_decimal};
use crate::people::Role;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// How a limit that is not set is written.
pub const NO_LIMIT: &str = "none";
/// The most days or holds that a limit can have: our own bound.
const MAX_COUNT: i64 = 100_000;
/// The most channels in a limit: more than any farm sells on.
const MAX_CHANNELS: usize = 100;
/// Decimals of a percentage, the same as for discounts.
const PERCENT_DIGITS: u32 = 2;
const DAY_MS: i64 = 24 * 60 * 60 * 1000;

/// The counter clerk's limits until the owner changes them (our own rule, no source): a quarter off, a
/// week back for a market's slips, and a season of holds. Refunds and tax have no limit, because
/// amounts differ from shop to shop and tax is entered by hand where the program does not compute it.
const COUNTER_DISCOUNT: i64 = 25;
const COUNTER_BACKDATE_DAYS: i64 = 7;
const COUNTER_OPEN_HOLDS: i64 = 50;
const COUNTER_HOLD_DAYS: i64 = 92;

/// A limit, by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitName {
    /// The channels on which they may sell.
    Channels,
    /// The largest discount, in percent of a line.
    Discount,
    /// How many days back a sale may be dated.
    BackdateDays,
    /// How many of their holds may be open at the same time.
    OpenHolds,
    /// How many days their holds may last.
    HoldDays,
    /// Whether they may enter sales tax by hand.
    TaxByHand,
    /// The most that they may refund of one sale.
    Refund,
    /// Whether they may refund in another way than the sale was paid.
    RefundTender,
}

impl LimitName {
    /// Every limit, in the order in which they are shown.
    pub const ALL: [Self; 8] = [
        Self::Channels,
        Self::Discount,
        Self::BackdateDays,
        Self::OpenHolds,
        Self::HoldDays,
        Self::TaxByHand,
        Self::Refund,
        Self::RefundTender,
    ];

    /// The name in the database, on the command line and in problem documents.
    pub fn code(self) -> &'static str {
        match self {
            Self::Channels => "channels",
            Self::Discount => "discount",
            Self::BackdateDays => "backdate_days",
            Self::OpenHolds => "open_holds",
            Self::HoldDays => "hold_days",
            Self::TaxByHand => "tax_by_hand",
            Self::Refund => "refund",
            Self::RefundTender => "refund_tender",
        }
    }

    /// The limit with this name, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|name| name.code() == code)
    }

    /// What a value may look like, for messages.
    fn written(self) -> &'static str {
        match self {
            Self::Channels => "channels separated by commas, such as store,market",
            Self::Discount => "a percentage from 0 to 100, such as 20",
            Self::BackdateDays | Self::OpenHolds | Self::HoldDays => "a whole number, such as 30",
            Self::TaxByHand | Self::RefundTender => "yes or no",
            Self::Refund => "an amount, such as 200.00",
        }
    }
}

/// The text is not a value of the limit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[error("“{value}” is no value of {}; write {}, or {NO_LIMIT} for no limit", name.code(), name.written())]
pub struct NotALimit {
    name: LimitName,
    value: String,
}

/// Somebody asked for more than their limit allows.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
pub struct AboveLimit {
    /// The limit.
    pub limit: LimitName,
    /// What they asked for, for people to read.
    pub asked: String,
    /// What the limit allows, for people to read.
    pub allowed: String,
}

impl fmt::Display for AboveLimit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { limit, asked, allowed } = self;
        match limit {
            LimitName::Channels => write!(f, "you can sell only on {allowed}, not on {asked}")?,
            LimitName::Discount => {
                write!(f, "a discount of {asked}% is above your limit of {allowed}%")?;
            }
            LimitName::BackdateDays => {
                write!(f, "the sale is dated {asked} days back, and your limit is {allowed}")?;
            }
            LimitName::OpenHolds => {
                write!(
                    f,
                    "you would have {asked} open holds, and your limit is {allowed}; release one first"
                )?;
            }
            LimitName::HoldDays => {
                write!(f, "the hold would last {asked} days, and your limit is {allowed}")?;
            }
            LimitName::TaxByHand => write!(f, "you cannot enter sales tax yourself")?,
            LimitName::Refund => {
                write!(f, "you would refund {asked} of this sale, and your limit is {allowed}")?;
            }
            LimitName::RefundTender => {
                write!(f, "you would refund {asked}, and this sale is refunded by {allowed} first")?;
            }
        }
        f.write_str(". Ask someone with more rights to do it")
    }
}

impl AboveLimit {
    /// What somebody else is asked to approve, for the activity log.
    pub fn act(&self) -> String {
        let asked = &self.asked;
        match self.limit {
            LimitName::Channels => format!("a sale on {asked}"),
            LimitName::Discount => format!("a discount of {asked}%"),
            LimitName::BackdateDays => format!("a sale dated {asked} days back"),
            LimitName::OpenHolds => format!("{asked} open holds"),
            LimitName::HoldDays => format!("a hold of {asked} days"),
            LimitName::TaxByHand => format!("sales tax of {asked} entered by hand"),
            LimitName::Refund => format!("refunds of {asked} for one sale"),
            LimitName::RefundTender => format!("a refund of {asked}"),
        }
    }
}

/// All limits of a caller; `None` means no limit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    channels: Option<Vec<Channel>>,
    discount: Option<Decimal>,
    backdate_days: Option<i64>,
    open_holds: Option<i64>,
    hold_days: Option<i64>,
    tax_by_hand: bool,
    refund: Option<Money>,
    refund_tender: bool,
}

impl Limits {
    /// No limits: for owners, the command line and the program itself.
    pub fn none() -> Self {
        Self {
            channels: None,
            discount: None,
            backdate_days: None,
            open_holds: None,
            hold_days: None,
            tax_by_hand: true,
            refund: None,
            refund_tender: true,
        }
    }

    /// A role's limits, before the owner changes any.
    pub fn of_role(role: Role) -> Self {
        match role {
            Role::Owner | Role::Maker => Self::none(),
            Role::Counter => Self {
                discount: Some(Decimal::from(COUNTER_DISCOUNT)),
                backdate_days: Some(COUNTER_BACKDATE_DAYS),
                open_holds: Some(COUNTER_OPEN_HOLDS),
                hold_days: Some(COUNTER_HOLD_DAYS),
                refund_tender: false,
                ..Self::none()
            },
        }
    }

    /// Sets a limit from its written value.
    pub fn set(&mut self, name: LimitName, value: &str, currency: Currency) -> Result<(), NotALimit> {
        let text = value.trim();
        let wrong = || NotALimit { name, value: text.chars().take(100).collect() };
        let given = (text != NO_LIMIT).then_some(text);
        let count = |text: &str| {
            text.parse::<i64>().ok().filter(|count| (0..=MAX_COUNT).contains(count)).ok_or_else(wrong)
        };
        match name {
            LimitName::Channels => {
                self.channels = given.map(|t| channels(t).ok_or_else(wrong)).transpose()?;
            }
            LimitName::Discount => {
                self.discount = given.map(|t| percent(t).ok_or_else(wrong)).transpose()?;
            }
            LimitName::BackdateDays => self.backdate_days = given.map(count).transpose()?,
            LimitName::OpenHolds => self.open_holds = given.map(count).transpose()?,
            LimitName::HoldDays => self.hold_days = given.map(count).transpose()?,
            LimitName::Refund => {
                self.refund = given.map(|t| amount(t, currency).ok_or_else(wrong)).transpose()?;
            }
            LimitName::TaxByHand => self.tax_by_hand = yes(text).ok_or_else(wrong)?,
            LimitName::RefundTender => self.refund_tender = yes(text).ok_or_else(wrong)?,
        }
        Ok(())
    }

    /// The written value of a limit.
    pub fn written(&self, name: LimitName) -> String {
        let or_none = |text: Option<String>| text.unwrap_or_else(|| NO_LIMIT.to_owned());
        match name {
            LimitName::Channels => or_none(self.channels.as_deref().map(|c| listed(c, ","))),
            LimitName::Discount => or_none(self.discount.map(|d| d.normalize().to_string())),
            LimitName::BackdateDays => or_none(self.backdate_days.map(|d| d.to_string())),
            LimitName::OpenHolds => or_none(self.open_holds.map(|d| d.to_string())),
            LimitName::HoldDays => or_none(self.hold_days.map(|d| d.to_string())),
            LimitName::TaxByHand => yes_or_no(self.tax_by_hand),
            LimitName::RefundTender => yes_or_no(self.refund_tender),
            LimitName::Refund => or_none(self.refund.map(|m| m.to_string())),
        }
    }

    /// The allowed channels, if they are limited.
    pub fn channels(&self) -> Option<&[Channel]> {
        self.channels.as_deref()
    }

    /// Checks a sale on a channel.
    pub fn allow_channel(&self, channel: &Channel) -> Result<(), AboveLimit> {
        match &self.channels {
            Some(allowed) if !allowed.contains(channel) => Err(AboveLimit {
                limit: LimitName::Channels,
                asked: channel.to_string(),
                allowed: listed(allowed, ", "),
            }),
            _ => Ok(()),
        }
    }

    /// Checks a discount on a line of this amount. A discount that was spread over lines may be one
    /// minor unit more than its share on one of them.
    pub fn allow_discount(&self, amount: Money, off: Money, spread: bool) -> Result<(), AboveLimit> {
        let Some(limit) = self.discount else { return Ok(()) };
        let (amount, off) = (Decimal::from(amount.minor()), Decimal::from(off.minor()));
        let most = (amount * limit / Decimal::ONE_HUNDRED)
            .round_dp_with_strategy(0, RoundingStrategy::MidpointAwayFromZero)
            + Decimal::from(i64::from(spread));
        if off.is_zero() || off <= most {
            return Ok(());
        }
        let percent = (off * Decimal::ONE_HUNDRED).checked_div(amount).unwrap_or(Decimal::ONE_HUNDRED);
        // Rounded up, so that the message never shows the limit itself.
        let asked = percent.round_dp_with_strategy(PERCENT_DIGITS, RoundingStrategy::AwayFromZero);
        let allowed = limit.normalize().to_string();
        Err(AboveLimit { limit: LimitName::Discount, asked: asked.normalize().to_string(), allowed })
    }

    /// Checks the discounts of a sale's lines, each with the line's amount; the largest one is named.
    pub fn allow_discounts(
        &self,
        lines: impl IntoIterator<Item = (Money, Money)>,
        spread: bool,
    ) -> Result<(), AboveLimit> {
        let above =
            lines.into_iter().filter_map(|(amount, off)| self.allow_discount(amount, off, spread).err());
        match above.max_by_key(|above| plain_decimal(&above.asked)) {
            Some(largest) => Err(largest),
            None => Ok(()),
        }
    }

    /// Checks a sale that is dated this many days back.
    pub fn allow_backdate(&self, days: i64) -> Result<(), AboveLimit> {
        over(LimitName::BackdateDays, days, self.backdate_days)
    }

    /// Checks how many holds are open at once.
    pub fn allow_open_holds(&self, open: i64) -> Result<(), AboveLimit> {
        over(LimitName::OpenHolds, open, self.open_holds)
    }

    /// Whether open holds must be counted at all.
    pub fn counts_holds(&self) -> bool {
        self.open_holds.is_some()
    }

    /// The end of a hold. One without an end gets the longest that is allowed.
    pub fn allow_hold(&self, now: Moment, until: Option<Moment>) -> Result<Option<Moment>, AboveLimit> {
        let Some(days) = self.hold_days else { return Ok(until) };
        let last = now.plus_millis(days * DAY_MS);
        let Some(until) = until else { return Ok(Some(last)) };
        if until <= last {
            return Ok(Some(until));
        }
        let asked = (until.millis() - now.millis() + DAY_MS - 1).div_euclid(DAY_MS);
        over(LimitName::HoldDays, asked, Some(days)).map(|()| Some(until))
    }

    /// Checks tax that was entered with a sale's lines.
    pub fn allow_tax(&self, tax: Money) -> Result<(), AboveLimit> {
        if self.tax_by_hand || tax.is_zero() {
            return Ok(());
        }
        Err(AboveLimit { limit: LimitName::TaxByHand, asked: tax.to_string(), allowed: "no".to_owned() })
    }

    /// Checks the total refunded of one sale.
    pub fn allow_refund(&self, total: Money) -> Result<(), AboveLimit> {
        match self.refund {
            Some(most) if total.minor() > most.minor() => Err(AboveLimit {
                limit: LimitName::Refund,
                asked: total.to_string(),
                allowed: most.to_string(),
            }),
            _ => Ok(()),
        }
    }
}

impl Limits {
    /// Checks a refund of `asked`, such as “$40.00 by cash”, of a sale that is refunded by `expected` first.
    pub fn allow_refund_tender(&self, asked: String, expected: String) -> Result<(), AboveLimit> {
        if self.refund_tender {
            return Ok(());
        }
        Err(AboveLimit { limit: LimitName::RefundTender, asked, allowed: expected })
    }

    /// Whether somebody with these limits may do what somebody else was refused.
    pub fn would_allow(&self, above: &AboveLimit) -> bool {
        let asked = above.asked.as_str();
        let count =
            |most: Option<i64>| most.is_none_or(|most| asked.parse().is_ok_and(|asked: i64| asked <= most));
        match above.limit {
            LimitName::Channels => {
                Channel::parse(asked).is_ok_and(|channel| self.allow_channel(&channel).is_ok())
            }
            LimitName::Discount => {
                self.discount.is_none_or(|most| plain_decimal(asked).is_some_and(|asked| asked <= most))
            }
            LimitName::BackdateDays => count(self.backdate_days),
            LimitName::OpenHolds => count(self.open_holds),
            LimitName::HoldDays => count(self.hold_days),
            LimitName::TaxByHand => self.tax_by_hand,
            LimitName::Refund => self.refund.is_none_or(|most| {
                Money::parse(asked, most.currency()).is_ok_and(|asked| asked.minor() <= most.minor())
            }),
            LimitName::RefundTender => self.refund_tender,
        }
    }
}

/// A written yes or no; no limit is yes.
fn yes(text: &str) -> Option<bool> {
    match text {
        "yes" | NO_LIMIT => Some(true),
        "no" => Some(false),
        _ => None,
    }
}

fn yes_or_no(yes: bool) -> String {
    if yes { "yes" } else { "no" }.to_owned()
}

fn over(limit: LimitName, asked: i64, allowed: Option<i64>) -> Result<(), AboveLimit> {
    match allowed {
        Some(allowed) if asked > allowed => {
            Err(AboveLimit { limit, asked: asked.to_string(), allowed: allowed.to_string() })
        }
        _ => Ok(()),
    }
}

fn channels(text: &str) -> Option<Vec<Channel>> {
    let mut found = Vec::new();
    for code in text.split(',') {
        let channel = Channel::parse(code.trim()).ok()?;
        if !found.contains(&channel) {
            found.push(channel);
        }
    }
    (found.len() <= MAX_CHANNELS).then_some(found)
}

fn listed(channels: &[Channel], between: &str) -> String {
    channels.iter().map(ToString::to_string).collect::<Vec<_>>().join(between)
}

fn percent(text: &str) -> Option<Decimal> {
    let percent = plain_decimal(text.trim_end_matches('%').trim())?;
    let fits = percent <= Decimal::ONE_HUNDRED && percent.normalize().scale() <= PERCENT_DIGITS;
    (fits && !percent.is_sign_negative()).then_some(percent)
}

/// In the shop's currency, rounded: the limit stays when the currency changes.
fn amount(text: &str, currency: Currency) -> Option<Money> {
    let amount = plain_decimal(text)?;
    (!amount.is_sign_negative()).then(|| Money::rounded_from_major(amount, currency).ok()).flatten()
}

#[cfg(test)]
mod tests;
