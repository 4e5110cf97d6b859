//! PATCH /api/limits/tokens/{name}

use super::{LimitsShown, LimitsText};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::Write;
use crate::request::query::{PathParam, TokenName, no_such};
use axum::extract::State;
use domain::text;
use ledger::people::{LimitsOf, SetLimits};

/// Sets the limits of a token; they take precedence over its role's.
#[utoipa::path(patch, path = "/api/limits/tokens/{name}", tag = "limits", request_body = LimitsText,
    params(("name" = String, Path, description = "What the token is called"), KeyHeader),
    responses((status = 200, description = "The limits that hold now.", body = LimitsShown), WriteProblems))]
pub(crate) async fn set_token_limits(
    State(app): State<App>,
    PathParam(TokenName(name)): PathParam<TokenName>,
    write: Write<LimitsText>,
) -> Result<Answer<LimitsShown>, Problem> {
    let of = LimitsOf::Token(name.clone());
    let set = SetLimits { of, values: write.body.values(), who: write.who };
    let done = app.run(&write.key, &set).await?;
    Ok(Answer::ok(done.replayed, limits_of(&app, &name).await?))
}

/// The limits that hold now for the token with this name.
async fn limits_of(app: &App, name: &str) -> Result<LimitsShown, Problem> {
    let folded = text::fold(name.trim());
    let token = app.ledger.tokens().await?.into_iter().find(|token| text::fold(&token.name) == folded);
    let token = token.ok_or_else(|| no_such("token", name))?;
    Ok((&app.ledger.limits(token.role, Some(&token.jti)).await?).into())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::people::Role;
    use serde_json::{Value, json};

    /// The token's own limits apply, whatever its role; those of people with the role stay.
    #[tokio::test]
    async fn a_token_has_limits_of_its_own() {
        let shop = TestShop::open().await;
        let set = json!({"openHolds": "1", "holdDays": "2", "refund": "10", "backdateDays": "0"});
        assert_eq!(shop.patch("/api/limits/tokens/MAKER", "k1", &[], set).await.status, 200);
        let maker = shop.as_role(Role::Maker);
        let hold = |until: Value| json!({"for": "customer", "forWhom": "Ann", "until": until, "lines": [{"sku": "SPINDLE", "quantity": "1"}]});
        let above = maker.post("/api/holds", "h1", hold(json!("2026-05-20"))).await;
        above.expect_problem("above-your-limit", 403);
        assert_eq!(above.json()["limit"], "hold_days");
        let held = maker.post("/api/holds", "h2", hold(Value::Null)).await;
        assert_eq!(
            (held.status, &held.json()["until"]),
            (201, &json!("2026-05-19T12:00:00Z")),
            "{}",
            held.text()
        );
        let second = maker.post("/api/holds", "h3", hold(Value::Null)).await;
        second.expect_problem("above-your-limit", 403);
        assert_eq!(second.json()["limit"], "open_holds");
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["held"], "1", "nothing of it stays");
        let basket = json!({"for": "basket", "lines": [{"sku": "SPINDLE", "quantity": "1"}]});
        assert_eq!(maker.post("/api/holds", "h4", basket).await.status, 201, "a sale can still be paid");

        let late = json!({"channel": "store", "at": "2026-05-16", "lines": [{"sku": "SPINDLE", "quantity": "1"}],
            "tenders": [{"kind": "cash", "amount": "18.00"}]});
        let above = maker.post("/api/sales", "s1", late).await;
        above.expect_problem("above-your-limit", 403);
        assert_eq!((&above.json()["limit"], &above.json()["asked"]), (&json!("backdate_days"), &json!("1")));

        let sold = shop.post("/api/sales", "s2", TestShop::cash_sale("SPINDLE")).await.json();
        let path = format!("/api/sales/{}", sold["id"].as_str().expect("an id"));
        let back = json!({"reason": "too heavy", "tender": "cash", "fate": "shelf"});
        let above = maker.post(&format!("{path}/refunds"), "r1", back.clone()).await;
        above.expect_problem("above-your-limit", 403);
        assert_eq!(above.json()["limit"], "refund");
        let above = maker.post(&format!("{path}/void"), "v1", json!({"reason": "a slip"})).await;
        above.expect_problem("above-your-limit", 403);
        assert_eq!(shop.post(&format!("{path}/refunds"), "r1", back).await.status, 201);
        let again = json!({"openHolds": "default", "holdDays": "default", "backdateDays": "default"});
        let reply = shop.patch("/api/limits/tokens/maker", "k2", &[], again).await.json();
        assert_eq!((&reply["openHolds"], &reply["refund"]), (&json!("none"), &json!("10.00")));
    }
}
