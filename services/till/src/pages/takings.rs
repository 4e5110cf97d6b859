//! Money by tender as a table, wherever a drawer, a day or a month is shown.

use crate::app::App;
use crate::pages::shown::tender_name;
use crate::problem::Problem;
use ledger::sales::{Takings, TakingsOf, money_in};

#[derive(Debug)]
pub(crate) struct TakingsRow {
    pub(crate) name: &'static str,
    pub(crate) taken: String,
    pub(crate) balances: String,
    pub(crate) given_back: String,
    pub(crate) voided: String,
    pub(crate) net: String,
}

/// For `takings.html`.
#[derive(Debug)]
pub(crate) struct TakingsTable {
    pub(crate) rows: Vec<TakingsRow>,
    /// The net of all rows but what is still to be paid.
    pub(crate) total: String,
    /// Whether something was sold on account.
    pub(crate) has_on_account: bool,
}

impl TakingsTable {
    pub(crate) async fn read(app: &App, of: TakingsOf) -> Result<Self, Problem> {
        let rows = app.ledger.takings(of).await?;
        Ok(Self {
            total: money_in(&rows, app.ledger.shop().currency)?.shown(),
            has_on_account: rows.iter().any(|row| row.kind == domain::basket::TenderKind::OnAccount),
            rows: rows.iter().map(row).collect(),
        })
    }
}

fn row(row: &Takings) -> TakingsRow {
    let less = |amount: domain::money::Money| {
        if amount.is_zero() { String::new() } else { amount.negated().shown() }
    };
    TakingsRow {
        name: tender_name(row.kind),
        taken: row.taken.shown(),
        balances: if row.balances.is_zero() { String::new() } else { row.balances.shown() },
        given_back: less(row.given_back),
        voided: less(row.voided),
        net: row.net.shown(),
    }
}
