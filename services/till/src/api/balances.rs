//! POST /api/balances/{tender}/payments

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use axum::http::StatusCode;
use domain::ids::TenderId;
use domain::money::Currency;
use ledger::sales::Pay;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A payment of an open balance.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct PaymentText {
    /// cash, card, check, online, gift-certificate or other.
    kind: String,
    amount: String,
    /// Of `gift-certificate`: its number.
    certificate: Option<String>,
}

impl Body for PaymentText {}

impl PaymentText {
    fn read(&self, tender: TenderId, currency: Currency, who: String) -> Result<Pay, Problem> {
        Ok(Pay {
            tender,
            kind: values::tender_kind(&self.kind, "#/kind")?,
            amount: values::money(&self.amount, currency, "#/amount")?,
            certificate: self
                .certificate
                .as_deref()
                .map(|number| values::certificate(number, "#/certificate"))
                .transpose()?,
            who,
        })
    }
}

/// What is still due.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct LeftShown {
    still_owed: String,
}

/// Pays what a tender of kind `on-account` left open, or a part of it.
#[utoipa::path(post, path = "/api/balances/{tender}/payments", tag = "sales", request_body = PaymentText,
    params(("tender" = String, Path, description = "The tender on account, as the sale shows it."), KeyHeader),
    responses((status = 201, description = "What is left.", body = LeftShown), WriteProblems))]
pub(crate) async fn pay(
    State(app): State<App>,
    PathParam(tender): PathParam<TenderId>,
    write: Write<PaymentText>,
) -> Result<Answer<LeftShown>, Problem> {
    let pay = write.body.read(tender, app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &pay).await?;
    let left = LeftShown { still_owed: done.answer.left.to_string() };
    Ok(Answer::new(StatusCode::CREATED, done.replayed, left))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn what_is_owed_is_paid_in_parts() {
        let shop = TestShop::open().await;
        let sale = json!({"channel": "wholesale", "lines": [{"sku": "COWL", "quantity": "1"}],
            "tenders": [{"kind": "on-account", "amount": "48.00", "customer": "Bridge yarn shop", "due": "2026-06-16"}]});
        let sale = shop.post("/api/sales", "k1", sale).await.json();
        let id = sale["id"].as_str().expect("an id");
        let shown = shop.get(&format!("/api/sales/{id}")).await.json();
        let tender = shown["tenders"][0]["id"].as_str().expect("a tender");
        let path = format!("/api/balances/{tender}/payments");
        let pay = |amount: &str| json!({"kind": "check", "amount": amount});
        let first = shop.post(&path, "p1", pay("20.00")).await;
        assert_eq!((first.status, first.json()), (201, json!({"stillOwed": "28.00"})));
        let again = shop.post(&path, "p1", pay("20.00")).await;
        assert_eq!((again.status, again.json()), (201, json!({"stillOwed": "28.00"})));
        shop.post(&path, "p2", pay("28.01")).await.expect_fault("#/amount");
        shop.post(&path, "p3", pay("0.00")).await.expect_fault("#/amount");
        shop.post(&path, "p4", json!({"kind": "on-account", "amount": "1.00"}))
            .await
            .expect_problem("invalid", 422);
        shop.post(&path, "p5", json!({"kind": "cash", "amount": 5})).await.expect_fault("#/amount");
        assert_eq!(shop.post(&path, "p6", pay("28.00")).await.json(), json!({"stillOwed": "0.00"}));
        shop.post("/api/balances/77/payments", "p7", pay("1.00")).await.expect_problem("no-such", 404);
        shop.post("/api/balances/x/payments", "p8", pay("1.00")).await.expect_problem("no-such", 404);
    }
}
