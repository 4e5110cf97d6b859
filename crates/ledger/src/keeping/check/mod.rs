//! Checks that the shop's books are right: every law, over the whole database, from one snapshot.
//!
//! Each rule is a statement that computes what should be from the entries, reads what is, and returns
//! only the rows where the two differ. The database does the summing, so the result is small, whatever
//! the shop's size.

mod codes;
mod known_codes;
mod rule;
mod rules_accounts;
mod rules_counter;
mod rules_customers;
mod rules_goods;
mod rules_limits;
mod rules_live;
mod rules_money;
mod rules_orders;
mod sold_prices;
mod totals;

use crate::store::error::CommandError;
use crate::store::{Ledger, settings};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;

/// How many findings of one law are listed: enough to see what kind of thing happened. The rest are
/// counted.
pub const FINDINGS_OF_A_LAW: usize = 50;

/// What a finding violates: a law, or a record that another part relies on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Law {
    /// 1: one stock for all; 0 ≤ held ≤ on hand, a piece at most once.
    OneShelf,
    /// 2: made = on hand + drawn + sold − put back + written off, each counter as its entries say.
    SoldOnce,
    /// 3: entries add up to stock, open holds to what is held, and days to their entries.
    LedgerAddsUp,
    /// 4: each sale and refund equals its payments.
    MoneyAddsUp,
    /// 5: an idempotency key has its answer.
    SaidOnce,
    /// 6: a sale line has its own copy of what it sold.
    SoldAsItWas,
    /// 7: no receipt number is missing.
    NothingLost,
    /// 8: an order and its sales agree.
    NothingHalfTaken,
    /// 9: never more refunded than was sold.
    GivenBackOnce,
    /// Codes find their items, and nobody received a revision that does not exist yet.
    Records,
}

impl Law {
    /// The number of the law in DEVELOPERS.md; none for records.
    pub fn number(self) -> Option<u8> {
        match self {
            Self::OneShelf => Some(1),
            Self::SoldOnce => Some(2),
            Self::LedgerAddsUp => Some(3),
            Self::MoneyAddsUp => Some(4),
            Self::SaidOnce => Some(5),
            Self::SoldAsItWas => Some(6),
            Self::NothingLost => Some(7),
            Self::NothingHalfTaken => Some(8),
            Self::GivenBackOnce => Some(9),
            Self::Records => None,
        }
    }

    fn title(self) -> &'static str {
        match self {
            Self::OneShelf => "one shelf",
            Self::SoldOnce => "sold once",
            Self::LedgerAddsUp => "the ledger adds up",
            Self::MoneyAddsUp => "money adds up",
            Self::SaidOnce => "said once, done once",
            Self::SoldAsItWas => "what was sold stays sold as it was",
            Self::NothingLost => "nothing acknowledged is lost",
            Self::NothingHalfTaken => "nothing is half taken",
            Self::GivenBackOnce => "given back once",
            Self::Records => "records",
        }
    }
}

impl fmt::Display for Law {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.number() {
            Some(number) => write!(f, "law {number} ({})", self.title()),
            None => f.write_str(self.title()),
        }
    }
}

/// One thing that is not as it must be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The law it violates.
    pub law: Law,
    /// What is wrong, in words.
    pub what: String,
    /// The record and its id, with the SKU, receipt number or order number that people know it by.
    pub place: String,
    /// The value it should have.
    pub expected: String,
    /// The value it has.
    pub found: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { law, what, place, expected, found } = self;
        write!(f, "{law}: {place}: {what}: should be {expected}, is {found}")
    }
}

/// The result of a check.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct CheckReport {
    /// At most [`FINDINGS_OF_A_LAW`] per law.
    pub findings: Vec<Finding>,
    /// How many more findings of each law there are.
    pub more: BTreeMap<Law, i64>,
}

impl CheckReport {
    /// Whether nothing was found.
    pub fn is_clean(&self) -> bool {
        self.findings.is_empty() && self.more.is_empty()
    }

    fn add(&mut self, finding: Finding) {
        let told = self.findings.iter().filter(|f| f.law == finding.law).count();
        if told < FINDINGS_OF_A_LAW {
            self.findings.push(finding);
        } else {
            self.add_more(finding.law, 1);
        }
    }

    fn add_more(&mut self, law: Law, count: i64) {
        if count > 0 {
            *self.more.entry(law).or_default() += count;
        }
    }
}

impl Ledger {
    /// Checks the laws on the whole shop while it stays open. `progress` gets what is being checked.
    pub async fn check(&self, mut progress: impl FnMut(&str) + Send) -> Result<CheckReport, CommandError> {
        let mut snapshot = self.snapshot().await?;
        // The snapshot's settings: its day totals were computed in its own zone.
        let shop = settings::load(&mut snapshot).await?;
        let mut report = CheckReport::default();
        for rule in [
            rules_goods::RULES,
            rules_money::RULES,
            rules_accounts::RULES,
            rules_orders::RULES,
            rules_counter::RULES,
            rules_customers::RULES,
            rules_limits::RULES,
            rules_live::RULES,
        ]
        .concat()
        {
            progress(rule.what);
            rule.apply(&mut snapshot, shop.currency, &mut report).await?;
        }
        progress(totals::WHAT);
        totals::check(&mut snapshot, &shop, &mut report).await?;
        progress(sold_prices::WHAT);
        sold_prices::check(&mut snapshot, shop.currency, &mut report).await?;
        progress(codes::WHAT);
        codes::check(&mut snapshot, &mut report).await?;
        progress(known_codes::WHAT);
        known_codes::check(&mut snapshot, &mut report).await?;
        snapshot.rollback().await?;
        report.findings.sort_by_key(|finding| finding.law);
        Ok(report)
    }
}
