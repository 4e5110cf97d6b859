//! The lines of the current sale, and their total.

use super::approved::ApprovedHere;
use super::exchange::Returns;
use super::undo::Undone;
use crate::sales::accounts::NewCertificate;
use crate::sales::ring_up::{SaleLineIn, TenderIn};
use crate::shelf::lookup::Found;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::storage_error::StorageError;
use domain::account::DepositFor;
use domain::basket::{BasketError, LineKind, MAX_LINES, line_amount};
use domain::codes::Code;
use domain::discount::Off;
use domain::ids::{CustomerId, ItemId};
use domain::money::{Currency, Money};
use domain::quantity::{Asked, Measure, Quantity};
use serde::{Deserialize, Serialize};

/// The contents, as its row stores them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Content {
    pub(crate) lines: Vec<Line>,
    /// The last line's number; a number is never used twice.
    pub(crate) last: u32,
    pub(crate) off: Option<Off>,
    pub(crate) off_reason: String,
    /// For whom, on file or only by a name: their row of personal data.
    pub(crate) customer: Option<CustomerId>,
    /// Whether the discount on the whole is the one of the customer's terms.
    #[serde(default)]
    pub(crate) is_granted: bool,
    /// Whether a way to pay was chosen: from then on the lines stay as they are.
    pub(crate) paying: bool,
    /// What was received so far.
    pub(crate) tenders: Vec<TenderIn>,
    /// What the customer brings back in exchange.
    #[serde(default)]
    pub(crate) returns: Option<Returns>,
    /// What was approved for it.
    #[serde(default)]
    pub(crate) approved: Vec<ApprovedHere>,
    /// What was undone by the last change.
    #[serde(default)]
    pub(crate) undone: Option<Undone>,
}

/// A line of a slip.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Line {
    pub(crate) number: u32,
    pub(crate) what: What,
    pub(crate) off: Option<Off>,
    pub(crate) reason: String,
}

/// What a line stands for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum What {
    Goods {
        item: ItemId,
        code: Code,
        quantity: Asked,
    },
    Paper {
        kind: LineKind,
        title: String,
        amount: Money,
        #[serde(default)]
        certificate: Option<NewCertificate>,
    },
    Deposit {
        of: DepositFor,
        title: String,
        amount: Money,
    },
}

impl Line {
    /// Whom the gift certificate is for that the line sells.
    pub(crate) fn holder(&self) -> Option<CustomerId> {
        match &self.what {
            What::Paper { certificate, .. } => certificate.as_ref()?.on_file,
            What::Goods { .. } | What::Deposit { .. } => None,
        }
    }
}

/// The price of one, and what a step is.
pub(crate) type Known = (Money, Measure);

impl Content {
    /// The items of its lines.
    pub(super) fn items(&self) -> impl Iterator<Item = ItemId> {
        self.lines.iter().filter_map(|line| match &line.what {
            What::Goods { item, .. } => Some(*item),
            What::Paper { .. } | What::Deposit { .. } => None,
        })
    }

    pub(crate) fn read(text: &str) -> Result<Self, CommandError> {
        let content: Self = serde_json::from_str(text).stored("basket.content")?;
        if content.lines.len() > MAX_LINES {
            return Err(StorageError::impossible("basket.content has more lines than a slip").into());
        }
        Ok(content)
    }

    pub(crate) fn written(&self) -> Result<String, CommandError> {
        Ok(serde_json::to_string(self).map_err(StorageError::KeptAnswer)?)
    }

    pub(crate) fn add(&mut self, what: What) -> Result<u32, CommandError> {
        if self.lines.len() >= MAX_LINES {
            return Err(Rejection::invalid("code", domain::basket::BasketError::TooManyLines).into());
        }
        self.last += 1;
        self.lines.push(Line { number: self.last, what, off: None, reason: String::new() });
        Ok(self.last)
    }

    pub(crate) fn line(&mut self, number: u32) -> Result<&mut Line, CommandError> {
        let line = self.lines.iter_mut().find(|line| line.number == number);
        line.ok_or_else(|| Rejection::no_such(Thing::SaleLine, number).into())
    }

    /// Item, code and quantity of each line of goods.
    pub(crate) fn goods(&self) -> impl Iterator<Item = (ItemId, &Code, Asked)> {
        self.lines.iter().filter_map(|line| match &line.what {
            What::Goods { item, code, quantity } => Some((*item, code, *quantity)),
            What::Paper { .. } | What::Deposit { .. } => None,
        })
    }

    /// The lines of the sale, with the discount on the whole; `found` are the goods' items, in the same
    /// order.
    pub(crate) fn sale_lines(
        &self,
        found: &[Found],
        currency: Currency,
    ) -> Result<(Vec<SaleLineIn>, Money), CommandError> {
        let mut items = found.iter();
        let mut lines = Vec::with_capacity(self.lines.len());
        for line in &self.lines {
            let known = match line.what {
                What::Goods { .. } => items.next().map(|item| (item.price, item.measure)),
                What::Paper { .. } | What::Deposit { .. } => None,
            };
            let (_, discount) = line.money(known, currency)?;
            lines.push(match &line.what {
                What::Goods { code, quantity, .. } => {
                    let (code, tax) = (code.clone(), Money::zero(currency));
                    SaleLineIn::Goods { code, quantity: *quantity, discount, tax }
                }
                What::Paper { kind, title, amount, certificate } => SaleLineIn::Paper {
                    kind: *kind,
                    title: title.clone(),
                    amount: *amount,
                    certificate: certificate.clone(),
                },
                What::Deposit { of, title, amount } => {
                    SaleLineIn::Deposit { of: *of, title: title.clone(), amount: *amount }
                }
            });
        }
        Ok((lines, self.whole_off(self.worth(found, currency)?)?))
    }

    /// What the goods come to, less the discounts on their lines.
    fn worth(&self, found: &[Found], currency: Currency) -> Result<Money, CommandError> {
        let goods = self.lines.iter().filter(|line| matches!(line.what, What::Goods { .. }));
        let mut worth = Money::zero(currency);
        for (line, item) in goods.zip(found) {
            let (amount, discount) = line.money(Some((item.price, item.measure)), currency)?;
            worth = worth.plus(amount).and_then(|w| w.minus(discount)).field("lines")?;
        }
        Ok(worth)
    }

    /// Rejects a discount on the whole sale that is more than what it is taken from.
    pub(crate) fn refuse_large_off(&self, found: &[Found], currency: Currency) -> Result<(), CommandError> {
        let amount = self.worth(found, currency)?;
        too_large(amount, self.whole_off(amount)?)
    }

    /// The discount on the whole sale, for goods of this worth.
    pub(crate) fn whole_off(&self, worth: Money) -> Result<Money, CommandError> {
        self.off.map_or(Ok(Money::zero(worth.currency())), |off| off.of(worth)).field("discount")
    }

    /// The reasons for the discounts, as the sale's note.
    pub(crate) fn note(&self, titles: &[String]) -> String {
        let of_line = |(line, title): (&Line, &String)| {
            line.off.map(|off| format!("{off} off {title}{}", because(&line.reason)))
        };
        let mut words: Vec<String> = self.lines.iter().zip(titles).filter_map(of_line).collect();
        if let Some(off) = self.off {
            words.push(format!("{off} off the sale{}", because(&self.off_reason)));
        }
        words.extend(self.approved_words());
        words.join("\n")
    }
}

fn too_large(amount: Money, discount: Money) -> Result<(), CommandError> {
    if discount.minor() > amount.minor() {
        return Err(Rejection::invalid("off", BasketError::DiscountTooLarge { discount, amount }).into());
    }
    Ok(())
}

fn because(reason: &str) -> String {
    if reason.is_empty() { String::new() } else { format!(": {reason}") }
}

impl Line {
    /// Rejects a discount that is more than the line.
    pub(crate) fn refuse_large_off(&self, found: &Found, currency: Currency) -> Result<(), CommandError> {
        let (amount, discount) = self.money(Some((found.price, found.measure)), currency)?;
        too_large(amount, discount)
    }

    /// The amount and its discount.
    pub(crate) fn money(
        &self,
        known: Option<Known>,
        currency: Currency,
    ) -> Result<(Money, Money), CommandError> {
        let amount = match (&self.what, known) {
            (What::Goods { quantity, .. }, Some((price, measure))) => {
                line_amount(price, Quantity::resolve(*quantity, measure).field("quantity")?)
                    .field("quantity")?
            }
            (What::Goods { .. }, None) => {
                return Err(Rejection::invalid("lines", SalesReason::LineWithoutItem).into());
            }
            (What::Paper { amount, .. } | What::Deposit { amount, .. }, _) => *amount,
        };
        let off = self.off.map_or(Ok(Money::zero(currency)), |off| off.of(amount)).field("discount")?;
        Ok((amount, off))
    }
}
