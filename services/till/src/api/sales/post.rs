//! POST /api/sales

use super::text::SaleText;
use super::{LineShown, TotalsShown};
use crate::api::answer::Answer;
use crate::api::certificates::IssuedShown;
use crate::api::deposits::DepositShown;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::Write;
use axum::extract::State;
use domain::account::AccountReason;
use domain::basket::LineKind;
use ledger::sales::SaleDone;
use serde::Serialize;
use utoipa::ToSchema;

/// The sale that was rung up.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SaleMade {
    id: String,
    receipt: String,
    channel: String,
    at: String,
    totals: TotalsShown,
    /// The change to hand back.
    change: String,
    lines: Vec<LineShown>,
    /// The gift certificates among the lines, with the numbers to print on them.
    certificates: Vec<IssuedShown>,
    /// The deposits that it took or was paid with.
    deposits: Vec<DepositShown>,
}

impl SaleMade {
    pub(crate) fn of(sale: SaleDone, certificates: Vec<IssuedShown>, deposits: Vec<DepositShown>) -> Self {
        Self {
            certificates,
            deposits,
            id: sale.id.to_string(),
            receipt: sale.receipt.to_string(),
            channel: sale.channel.to_string(),
            at: sale.at.to_string(),
            totals: (&sale.totals).into(),
            change: sale.totals.change.to_string(),
            lines: sale.lines.into_iter().map(LineShown::from).collect(),
        }
    }
}

/// Most sales issue none, and are not read again.
pub(crate) async fn issued(app: &App, sale: &SaleDone) -> Result<Vec<IssuedShown>, Problem> {
    if sale.lines.iter().all(|line| line.kind != LineKind::GiftCertificate) {
        return Ok(Vec::new());
    }
    Ok(IssuedShown::all_of(app.ledger.certificates_of(sale.id).await?, AccountReason::Sold))
}

/// Most sales have none to do with them.
pub(crate) async fn deposits(
    app: &App,
    sale: &SaleDone,
    has_paid: bool,
) -> Result<Vec<DepositShown>, Problem> {
    if !has_paid && sale.lines.iter().all(|line| line.kind != LineKind::Deposit) {
        return Ok(Vec::new());
    }
    Ok(app.ledger.deposits_in(sale.id).await?.into_iter().map(DepositShown::from).collect())
}

/// Rings up a sale: stock, books and receipt in one transaction, or a rejection that says why.
#[utoipa::path(post, path = "/api/sales", tag = "sales", params(KeyHeader), request_body = SaleText,
    responses(
        (status = 201, description = "The sale, its receipt and the change.", body = SaleMade,
            headers(("Location" = String))),
        WriteProblems,
    ))]
pub(crate) async fn ring_up(
    State(app): State<App>,
    write: Write<SaleText>,
) -> Result<Answer<SaleMade>, Problem> {
    let sale = write.body.read(&app.ledger.shop(), write.who)?;
    let has_deposit = sale.tenders.iter().any(|tender| tender.deposit.is_some());
    let done = app.run(&write.key, &sale).await?;
    if !done.replayed {
        app.meters.sale();
    }
    let place = format!("/api/sales/{}", done.answer.id);
    let certificates = issued(&app, &done.answer).await?;
    let deposits = deposits(&app, &done.answer, has_deposit).await?;
    Ok(Answer::created(done.replayed, place, SaleMade::of(done.answer, certificates, deposits)))
}

#[cfg(test)]
mod tests;
