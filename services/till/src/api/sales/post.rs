//! POST /api/sales

use super::text::SaleText;
use super::{LineShown, TotalsShown};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::Write;
use axum::extract::State;
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
}

impl From<SaleDone> for SaleMade {
    fn from(sale: SaleDone) -> Self {
        Self {
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
    let done = app.run(&write.key, &sale).await?;
    if !done.replayed {
        app.meters.sale();
    }
    let place = format!("/api/sales/{}", done.answer.id);
    Ok(Answer::created(done.replayed, place, done.answer.into()))
}

#[cfg(test)]
mod tests;
