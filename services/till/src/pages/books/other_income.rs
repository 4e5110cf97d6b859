//! Other income: deposits that customers lost. They are in no figure of sales, so they are listed beside them.

use crate::app::App;
use crate::problem::Problem;
use domain::day::Moment;
use ledger::sales::Forfeited;

/// Entries that are listed; the sum is that of all.
const MOST_LISTED: usize = 100;

pub(super) struct Entry {
    pub(super) when: String,
    pub(super) deposit: String,
    pub(super) reason: String,
    pub(super) amount: String,
}

/// What was forfeited in a day or a month.
pub(super) struct OtherIncome {
    pub(super) entries: Vec<Entry>,
    pub(super) sum: String,
    /// Whether later entries are not shown.
    pub(super) is_cut: bool,
}

impl OtherIncome {
    pub(super) async fn read(app: &App, span: (Moment, Moment)) -> Result<Self, Problem> {
        let (mut all, sum) = app.ledger.forfeited(span, MOST_LISTED + 1).await?;
        let is_cut = all.len() > MOST_LISTED;
        all.truncate(MOST_LISTED);
        let zone = &app.ledger.shop().zone;
        let entry = |one: Forfeited| Entry {
            when: zone.shown(one.at),
            deposit: one.deposit.to_string(),
            reason: if one.who.is_empty() { one.reason } else { format!("{} · {}", one.reason, one.who) },
            amount: one.amount.shown(),
        };
        Ok(Self { entries: all.into_iter().map(entry).collect(), sum: sum.shown(), is_cut })
    }
}
