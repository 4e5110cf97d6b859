//! POST /api/orders/{id}/status

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use axum::extract::State;
use domain::ids::OrderId;
use ledger::orders::{SettleStatus, SettledStatus, StatusSettled};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The decision about an order with an unknown status.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct StatusText {
    /// `OrderProcessing` if it is paid: what is on hold is sold. `OrderCancelled` if it is canceled: the holds
    /// are released.
    order_status: String,
    /// The reason, for later questions.
    reason: Option<String>,
}

impl Body for StatusText {}

/// What became of the order.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct StatusShown {
    /// The order.
    order: String,
    order_number: String,
    /// Its sale; null if nothing of it was sold.
    sale: Option<String>,
    /// Lines that are out of stock and wait for a decision.
    short: String,
}

impl From<StatusSettled> for StatusShown {
    fn from(settled: StatusSettled) -> Self {
        Self {
            order: settled.order.to_string(),
            order_number: settled.number,
            sale: settled.sale.map(|sale| sale.to_string()),
            short: settled.short.to_string(),
        }
    }
}

/// Settles an order with an unknown status; its stock is on hold until then.
#[utoipa::path(post, path = "/api/orders/{id}/status", operation_id = "set_order_status", tag = "online",
    params(("id" = String, Path, description = "The order."), KeyHeader), request_body = StatusText,
    responses((status = 200, description = "What became of the order.", body = StatusShown), WriteProblems))]
pub(crate) async fn set_status(
    State(app): State<App>,
    caller: Caller,
    PathParam(order): PathParam<OrderId>,
    write: Write<StatusText>,
) -> Result<Answer<StatusShown>, Problem> {
    let StatusText { order_status, reason } = write.body;
    let is = SettledStatus::from_code(&order_status).ok_or_else(|| {
        Problem::invalid("#/orderStatus", "use OrderProcessing if it is paid, or OrderCancelled")
    })?;
    let command = SettleStatus { order, is, reason: reason.unwrap_or_default(), who: caller.who };
    let done = app.run(&write.key, &command).await?;
    Ok(Answer::ok(done.replayed, done.answer.into()))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{incoming, take};
    use crate::testing::TestShop;
    use domain::order::{IncomingOrder, OrderStatus};
    use serde_json::json;

    #[tokio::test]
    async fn an_order_of_unknown_status_is_paid_or_canceled_by_a_word() {
        let shop = TestShop::open().await;
        let unknown =
            |number, sku| IncomingOrder { status: OrderStatus::Unknown, ..incoming(&shop, number, sku) };
        let (first, _) = take(&shop, unknown("H-1", "COWL")).await;
        let (second, _) = take(&shop, unknown("H-2", "SPINDLE")).await;
        let to = |order: &str| format!("/api/orders/{order}/status");
        let paid = json!({"orderStatus": "OrderProcessing", "reason": "seen on the account"});
        let reply = shop.post(&to(&first), "k1", paid.clone()).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let made = reply.json();
        assert_eq!((&made["orderNumber"], &made["short"]), (&json!("H-1"), &json!("0")));
        assert!(made["sale"].is_string(), "{made}");
        let again = shop.post(&to(&first), "k1", paid.clone()).await;
        assert_eq!((again.status, again.header("answered-before")), (200, Some("true")));
        shop.post(&to(&first), "k2", paid).await.expect_problem("invalid", 422);
        let delivered = json!({"orderStatus": "OrderDelivered"});
        shop.post(&to(&second), "k3", delivered).await.expect_fault("#/orderStatus");
        let canceled = json!({"orderStatus": "OrderCancelled"});
        let reply = shop.post(&to(&second), "k4", canceled.clone()).await;
        assert_eq!((reply.status, &reply.json()["sale"]), (200, &json!(null)), "{}", reply.text());
        shop.post("/api/orders/77/status", "k5", canceled).await.expect_problem("no-such", 404);
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["held"], "0");
    }
}
