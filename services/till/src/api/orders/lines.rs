//! Decisions about an out-of-stock line of an order.

pub(crate) mod closest;
pub(crate) mod fill;
pub(crate) mod refund;
pub(crate) mod release;
pub(crate) mod substitute;

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::Problem;
use crate::request::body::Body;
use crate::request::query::OrderLinePath;
use ledger::Key;
use ledger::orders::{DecideLine, LineChoice, LineDecided};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Why, where nothing else is to be said.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReasonBody {
    /// The reason, for later questions.
    reason: Option<String>,
}

impl Body for ReasonBody {}

/// The result for the line.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct DecidedShown {
    /// The order.
    order: String,
    order_number: String,
    /// The order's sale; null if the line is refunded and nothing of the order was sold.
    sale: Option<String>,
    /// The amount to refund to the buyer, tax included; null if the line was sold.
    goods_back: Option<String>,
    /// The shipping to refund with it, once nothing of the order can be filled.
    shipping_back: Option<String>,
}

impl From<LineDecided> for DecidedShown {
    fn from(decided: LineDecided) -> Self {
        Self {
            order: decided.order.to_string(),
            order_number: decided.number,
            sale: decided.sale.map(|sale| sale.to_string()),
            goods_back: decided.goods_back.map(|money| money.to_string()),
            shipping_back: decided.shipping_back.map(|money| money.to_string()),
        }
    }
}

/// Carries out the decision.
async fn decide(
    app: &App,
    key: &Key,
    at: OrderLinePath,
    choice: LineChoice,
    reason: Option<String>,
    who: String,
) -> Result<Answer<DecidedShown>, Problem> {
    let OrderLinePath { order, line } = at;
    let command = DecideLine { order, line, choice, reason: reason.unwrap_or_default(), who };
    let done = app.run(key, &command).await?;
    Ok(Answer::ok(done.replayed, done.answer.into()))
}
