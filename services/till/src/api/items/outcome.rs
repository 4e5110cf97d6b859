//! The outcome for each style or item that was added.

use super::CalculationShown;
use crate::api::answer::Answer;
use crate::problem::{Problem, ProblemDocument};
use axum::http::StatusCode;
use ledger::Done;
use ledger::shelf::{ItemPrice, RowOutcome};
use serde::Serialize;
use utoipa::ToSchema;

/// One outcome per row, in the same order.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OutcomesShown {
    outcomes: Vec<OutcomeShown>,
}

/// The outcome for one row.
#[derive(Debug, Default, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct OutcomeShown {
    /// added, updated, unchanged or refused.
    outcome: &'static str,
    /// For an item.
    #[serde(skip_serializing_if = "Option::is_none")]
    sku: Option<String>,
    /// For a style.
    #[serde(skip_serializing_if = "Option::is_none")]
    style: Option<String>,
    /// For a new item.
    #[serde(skip_serializing_if = "Option::is_none")]
    in_store_code: Option<String>,
    /// For a new item.
    #[serde(skip_serializing_if = "Option::is_none")]
    price: Option<String>,
    /// For a new item with a calculated price.
    #[serde(skip_serializing_if = "Option::is_none")]
    calculation: Option<CalculationShown>,
    /// Why it was rejected.
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<ProblemDocument>,
}

/// A single rejected row is a problem by itself. Otherwise each row has its outcome, and the status says
/// whether all are new.
pub(crate) fn answer(done: Done<Vec<RowOutcome>>, place: &str) -> Result<Answer<OutcomesShown>, Problem> {
    let Done { mut answer, replayed } = done;
    if let [RowOutcome::Refused(rejection)] = answer.as_slice() {
        return Err(Problem::from(rejection.clone()).below(&format!("{place}/0")).replayed(replayed));
    }
    let is_new = |o: &RowOutcome| matches!(o, RowOutcome::Added(_) | RowOutcome::AddedStyle { .. });
    let status = if answer.iter().all(is_new) { StatusCode::CREATED } else { StatusCode::OK };
    let is_style = place == "#/styles";
    let shown = |(index, outcome)| show(outcome, is_style, &format!("{place}/{index}"));
    let outcomes = answer.drain(..).enumerate().map(shown).collect();
    Ok(Answer::new(status, replayed, OutcomesShown { outcomes }))
}

fn show(outcome: RowOutcome, is_style: bool, place: &str) -> OutcomeShown {
    let named = |outcome, name| {
        let (sku, style) = if is_style { (None, Some(name)) } else { (Some(name), None) };
        OutcomeShown { outcome, sku, style, ..OutcomeShown::default() }
    };
    match outcome {
        RowOutcome::Added(item) => OutcomeShown {
            in_store_code: Some(item.in_store),
            price: Some(item.price.price().to_string()),
            calculation: match &item.price {
                ItemPrice::ByRule(calculation) => Some(calculation.as_ref().into()),
                ItemPrice::ByHand(_) => None,
            },
            ..named("added", item.sku)
        },
        RowOutcome::AddedStyle { name } => named("added", name),
        RowOutcome::Updated { sku } => named("updated", sku),
        RowOutcome::Unchanged { sku } => named("unchanged", sku),
        RowOutcome::Refused(rejection) => OutcomeShown {
            outcome: "refused",
            problem: Some(Problem::from(rejection).below(place).into_document()),
            ..OutcomeShown::default()
        },
    }
}
