//! POST /api/holds

use super::HoldShown;
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::values;
use axum::extract::State;
use axum::http::StatusCode;
use domain::day::Zone;
use ledger::shelf::{HoldLine, NewHold, Purpose};
use serde::Deserialize;
use utoipa::ToSchema;

/// What to hold: all of it or none.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct HoldText {
    lines: Vec<HoldLineText>,
    /// basket (for 10 minutes, during payment), customer or market.
    #[serde(rename = "for")]
    purpose: String,
    #[serde(default)]
    for_whom: String,
    /// The customer's identifier, in place of a name.
    customer_id: Option<String>,
    /// RFC 3339, or a day, which means noon. For a basket it is set by the server; others may have no end.
    until: Option<String>,
}

/// A line to hold.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct HoldLineText {
    /// A SKU, in-store code or GTIN.
    sku: String,
    quantity: String,
    /// The unit of the quantity, for goods by weight; the item's own if left out.
    unit_code: Option<String>,
}

impl Body for HoldText {}

/// The purposes that the API accepts; orders hold stock by themselves.
const PURPOSES: [Purpose; 3] = [Purpose::Basket, Purpose::Customer, Purpose::Market];

impl HoldText {
    fn read(self, zone: &Zone) -> Result<NewHold, Problem> {
        let line = |(index, line): (usize, &HoldLineText)| {
            let place = format!("#/lines/{index}");
            Ok(HoldLine {
                code: values::code(&line.sku, &format!("{place}/sku"))?,
                quantity: values::asked(&line.quantity, line.unit_code.as_deref(), &place)?,
            })
        };
        let purpose = Purpose::from_code(&self.purpose).filter(|p| PURPOSES.contains(p));
        let purpose = values::choice(purpose, &PURPOSES.map(Purpose::code), "#/for")?;
        if purpose == Purpose::Basket && self.until.is_some() {
            return Err(Problem::invalid("#/until", "how long a basket is held is set here; leave it out"));
        }
        Ok(NewHold {
            lines: self.lines.iter().enumerate().map(line).collect::<Result<_, Problem>>()?,
            purpose,
            for_whom: self.for_whom,
            customer: self.customer_id.as_deref().map(|t| values::id(t, "#/customerId")).transpose()?,
            until: self.until.map(|t| values::moment(&t, zone, "#/until")).transpose()?,
        })
    }
}

/// Holds lines, all or none, and says until when.
#[utoipa::path(post, path = "/api/holds", tag = "holds", params(KeyHeader), request_body = HoldText,
    responses(
        (status = 201, description = "What was set aside, and until when.", body = HoldShown),
        WriteProblems,
    ))]
pub(crate) async fn hold(
    State(app): State<App>,
    write: Write<HoldText>,
) -> Result<Answer<HoldShown>, Problem> {
    let hold = write.body.read(&app.ledger.shop().zone)?;
    let mut done = app.run(&write.key, &hold).await?;
    if done.replayed {
        done.answer.for_whom = app.ledger.hold_is_for(done.answer.id).await?;
    }
    Ok(Answer::new(StatusCode::CREATED, done.replayed, done.answer.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn a_basket_is_held_for_ten_minutes_all_or_none() {
        let shop = TestShop::open().await;
        let basket = json!({"for": "basket", "lines": [
            {"sku": "COWL", "quantity": "1"}, {"sku": "ROVING", "quantity": "8", "unitCode": "ONZ"}]});
        let reply = shop.post("/api/holds", "k1", basket.clone()).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        let held = reply.json();
        assert_eq!((&held["for"], &held["until"]), (&json!("basket"), &json!("2026-05-17T12:10:00Z")));
        assert_eq!(
            held["lines"][1],
            json!({"sku": "ROVING", "name": "Grey roving", "quantity": "8.000", "unitCode": "ONZ"})
        );
        let again = shop.post("/api/holds", "k1", basket).await;
        assert_eq!((again.status, again.json(), again.header("answered-before")), (201, held, Some("true")));
        let other = json!({"for": "customer", "lines": [
            {"sku": "HAT", "quantity": "1"}, {"sku": "COWL", "quantity": "1"}]});
        let refused = shop.post("/api/holds", "k2", other).await;
        refused.expect_problem("on-hold", 409);
        let refused = refused.json();
        assert_eq!(refused["until"], "2026-05-17T12:10:00Z");
        assert_eq!(refused["item"], json!({"sku": "COWL", "name": "Moor cowl"}));
        assert_eq!(refused["forWhom"], "a sale in progress");
        assert_eq!(shop.get("/api/items/HAT").await.json()["held"], "0");
        assert_eq!(shop.get("/api/items/ROVING").await.json()["held"], "8.000");
    }

    /// The answer is stored as a whole, so a customer's name must only be in the hold itself.
    #[tokio::test]
    async fn a_customer_s_name_is_not_kept_with_the_answer() {
        let shop = TestShop::open().await;
        let hold = json!({"for": "customer", "forWhom": "Linden Marsh", "lines": [{"sku": "COWL", "quantity": "1"}]});
        let first = shop.post("/api/holds", "k1", hold.clone()).await;
        assert_eq!((first.status, &first.json()["forWhom"]), (201, &json!("Linden Marsh")));
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("shop.backup");
        shop.ledger().backup(&file, |_, _| ()).await.expect("a backup");
        let text = std::fs::read_to_string(&file).expect("text");
        let kept: Vec<&str> = text.lines().filter(|line| line.starts_with("[\"idempotency_key\"")).collect();
        assert!(kept.iter().any(|line| line.contains("COWL")), "{kept:?}");
        assert!(!kept.iter().any(|line| line.contains("Linden")), "{kept:?}");
        let again = shop.post("/api/holds", "k1", hold).await;
        assert_eq!((again.json(), again.header("answered-before")), (first.json(), Some("true")));
    }

    #[tokio::test]
    async fn others_are_held_as_long_as_is_said() {
        let shop = TestShop::open().await;
        let check = |purpose: &'static str, until: Value, expected: Value| {
            let shop = &shop;
            async move {
                let hold =
                    json!({"for": purpose, "until": until, "lines": [{"sku": "SPINDLE", "quantity": "1"}]});
                let reply = shop.post("/api/holds", &hold.to_string(), hold.clone()).await;
                assert_eq!(reply.json()["until"], expected, "{hold}: {}", reply.text());
            }
        };
        check("customer", json!(null), json!(null)).await;
        check("market", json!("2026-05-23"), json!("2026-05-23T12:00:00Z")).await;
        check("customer", json!("2026-05-18T18:00:00+02:00"), json!("2026-05-18T16:00:00Z")).await;
    }

    #[tokio::test]
    async fn a_wrong_value_names_its_place() {
        let shop = TestShop::open().await;
        let check = |hold: Value, pointer: &'static str| {
            let shop = &shop;
            async move { shop.post("/api/holds", &hold.to_string(), hold).await.expect_fault(pointer) }
        };
        let line = json!([{"sku": "SPINDLE", "quantity": "1"}]);
        check(json!({"for": "basket", "lines": []}), "#/lines").await;
        check(json!({"for": "order", "lines": line}), "#/for").await;
        check(json!({"for": "basket", "lines": line, "until": "2026-05-18"}), "#/until").await;
        check(json!({"for": "market", "lines": line, "until": "2026-05-16"}), "#/until").await;
        check(json!({"for": "market", "lines": line, "until": "soon"}), "#/until").await;
        check(json!({"for": "market", "lines": line, "until": "2028-05-16"}), "#/until").await;
        check(json!({"for": "customer", "forWhom": "4000000000000002", "lines": line}), "#/forWhom").await;
        let line = |sku: &str, quantity: &str| json!({"for": "basket", "lines": [{"sku": "HAT", "quantity": "1"}, {"sku": sku, "quantity": quantity}]});
        check(line("", "1"), "#/lines/1/sku").await;
        check(line("SPINDLE", "0"), "#/lines/1/quantity").await;
        check(line("SPINDLE", "1.5"), "#/lines/1/quantity").await;
        check(line("SPINDLE", "x"), "#/lines/1/quantity").await;
        let unit = json!({"for": "basket", "lines": [{"sku": "ROVING", "quantity": "1", "unitCode": "T"}]});
        check(unit, "#/lines/0/unitCode").await;
        shop.post("/api/holds", "nope", line("NOPE", "1")).await.expect_problem("unknown-code", 404);
        shop.post("/api/holds", "many", line("SPINDLE", "11")).await.expect_problem("not-enough", 409);
    }
}
