//! PATCH /api/limits/roles/{role}

use super::{LimitsShown, LimitsText};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::Write;
use crate::request::query::PathParam;
use axum::extract::State;
use domain::people::Role;
use ledger::people::{LimitsOf, SetLimits};

/// Sets the limits of everybody with a role. Owners have none.
#[utoipa::path(patch, path = "/api/limits/roles/{role}", tag = "limits", request_body = LimitsText,
    params(("role" = String, Path, description = "counter or maker"), KeyHeader),
    responses((status = 200, description = "The limits that hold now.", body = LimitsShown), WriteProblems))]
pub(crate) async fn set_limits(
    State(app): State<App>,
    PathParam(role): PathParam<Role>,
    write: Write<LimitsText>,
) -> Result<Answer<LimitsShown>, Problem> {
    let set = SetLimits { of: LimitsOf::Role(role), values: write.body.values(), who: write.who };
    let done = app.run(&write.key, &set).await?;
    Ok(Answer::ok(done.replayed, (&app.ledger.limits(role, None).await?).into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::people::Role;
    use serde_json::{Value, json};

    fn sale(extra: &Value) -> Value {
        let mut line = json!({"sku": "SPINDLE", "quantity": "1"});
        for (name, value) in extra["line"].as_object().cloned().unwrap_or_default() {
            line[name] = value;
        }
        let mut sale =
            json!({"channel": "store", "lines": [line], "tenders": [{"kind": "cash", "amount": "18.00"}]});
        for (name, value) in extra["sale"].as_object().cloned().unwrap_or_default() {
            sale[name] = value;
        }
        sale
    }

    #[tokio::test]
    async fn the_owner_says_how_far_a_role_may_go() {
        let shop = TestShop::open().await;
        let before = shop.get("/api/limits").await.json();
        let expected = json!({"channels": "none", "discount": "25", "backdateDays": "7", "openHolds": "50",
            "holdDays": "92", "taxByHand": "yes", "refund": "none", "refundTender": "no"});
        assert_eq!(before["roles"][0], json!({"role": "counter", "limits": expected}));
        assert_eq!(before["roles"][1]["limits"]["discount"], "none");
        let set = json!({"channels": "store", "discount": "10", "taxByHand": "no"});
        let reply = shop.patch("/api/limits/roles/counter", "k1", &[], set).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        assert_eq!((&reply.json()["discount"], &reply.json()["openHolds"]), (&json!("10"), &json!("50")));
        let counter = shop.as_role(Role::Counter);
        let check = |key: &'static str, extra: Value, limit: Option<&'static str>| {
            let (counter, shop) = (counter.clone(), shop.clone());
            async move {
                let refused = counter.post("/api/sales", key, sale(&extra)).await;
                if let Some(limit) = limit {
                    refused.expect_problem("above-your-limit", 403);
                    let told = refused.json();
                    assert_eq!(told["limit"], limit, "{told}");
                    assert!(told["asked"].is_string() && told["allowed"].is_string(), "{told}");
                } else {
                    assert_eq!(refused.status, 201, "{key}: {}", refused.text());
                }
                let done = shop.post("/api/sales", key, sale(&extra)).await;
                assert_eq!(done.status, 201, "the owner has no limits: {}", done.text());
            }
        };
        check("d1", json!({"line": {"discount": "1.80"}}), None).await;
        check("d2", json!({"line": {"discount": "1.81"}}), Some("discount")).await;
        check("d3", json!({"sale": {"discount": "1.82"}}), Some("discount")).await;
        check("c1", json!({"sale": {"channel": "market"}}), Some("channels")).await;
        let taxed =
            json!({"line": {"tax": "1.00"}, "sale": {"tenders": [{"kind": "cash", "amount": "19.00"}]}});
        check("t1", taxed, Some("tax_by_hand")).await;
    }

    #[tokio::test]
    async fn limits_are_refused_in_words() {
        let shop = TestShop::open().await;
        let check = |path: &'static str, body: Value, kind: &'static str, status: u16| {
            let shop = shop.clone();
            async move {
                let reply = shop.patch(path, &body.to_string(), &[], body.clone()).await;
                reply.expect_problem(kind, status);
            }
        };
        check("/api/limits/roles/owner", json!({"discount": "1"}), "invalid", 422).await;
        check("/api/limits/roles/queen", json!({"discount": "1"}), "no-such", 404).await;
        check("/api/limits/roles/counter", json!({"discount": "much"}), "invalid", 422).await;
        check("/api/limits/roles/counter", json!({"channels": "moon"}), "invalid", 422).await;
        check("/api/limits/roles/counter", json!({"mood": "1"}), "invalid", 422).await;
        check("/api/limits/tokens/nobody", json!({"discount": "1"}), "no-such", 404).await;
        let reply = shop.as_role(Role::Maker).patch("/api/limits/roles/maker", "k", &[], json!({})).await;
        reply.expect_problem("not-allowed", 403);
    }
}
