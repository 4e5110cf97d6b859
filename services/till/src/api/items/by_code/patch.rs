//! PATCH /api/items/{code}

use crate::api::answer::Answer;
use crate::api::etag::{self, Basis};
use crate::app::App;
use crate::problem::{KeyHeader, Problem, ProblemDocument, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values::{self, WeightText};
use axum::extract::State;
use axum::http::HeaderMap;
use domain::codes::Code;
use domain::item::{TextEdit, TextField};
use domain::money::{Currency, Money};
use ledger::shelf::{CostChange, EditItem, PriceChange};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Changes to an item; what is left out stays as it is.
#[derive(Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct EditText {
    name: Option<String>,
    color: Option<String>,
    size: Option<String>,
    material: Option<String>,
    brand: Option<String>,
    description: Option<String>,
    image: Option<Vec<String>>,
    /// The name of its style from now on, or empty for none; a calculated price follows it.
    style: Option<String>,
    /// A price override.
    price: Option<String>,
    /// `rule`: back to the price by the style's rule.
    priced_by: Option<String>,
    /// The scale reading; a calculated price follows it.
    weight: Option<WeightText>,
    extras: Option<String>,
    cost: Option<String>,
    do_not_list: Option<bool>,
    /// Why, for the activity log. It may be left out; if it is given, it may not be empty where the weight, style,
    /// price, extras or cost changes.
    reason: Option<String>,
}

impl Body for EditText {}

impl EditText {
    fn read(
        self,
        code: Code,
        revision: Option<i64>,
        currency: Currency,
        who: String,
    ) -> Result<EditItem, Problem> {
        Ok(EditItem {
            code,
            revision,
            price: self.price(currency)?,
            weight: self.weight.as_ref().map(|w| values::weight(w, "#/weight")).transpose()?,
            extras: at_least_none(self.extras.as_deref(), currency, "#/extras")?,
            cost: at_least_none(self.cost.as_deref(), currency, "#/cost")?.map(CostChange::Is),
            style: self.style,
            reason: self.reason,
            text: TextEdit::default()
                .with(TextField::Name, self.name)
                .with(TextField::Description, self.description)
                .with(TextField::Color, self.color)
                .with(TextField::Size, self.size)
                .with(TextField::Material, self.material)
                .with(TextField::Brand, self.brand)
                .with_images(self.image),
            do_not_list: self.do_not_list,
            who,
        })
    }

    fn price(&self, currency: Currency) -> Result<Option<PriceChange>, Problem> {
        match (self.price.as_deref(), self.priced_by.as_deref()) {
            (None, None) => Ok(None),
            (None, Some("rule")) => Ok(Some(PriceChange::Rule)),
            (Some(price), None | Some("hand")) => {
                Ok(Some(PriceChange::Hand(values::money(price, currency, "#/price")?)))
            }
            _ => Err(Problem::invalid("#/pricedBy", "write rule, or give a price")),
        }
    }
}

fn at_least_none(text: Option<&str>, currency: Currency, pointer: &str) -> Result<Option<Money>, Problem> {
    let money = values::money_if(text, currency, pointer)?;
    if money.is_some_and(Money::is_negative) {
        return Err(Problem::invalid(pointer, "extras and cost may not be below 0"));
    }
    Ok(money)
}

/// The item's new revision.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RevisionShown {
    revision: String,
}

impl RevisionShown {
    pub(crate) fn of(revision: i64) -> Self {
        Self { revision: revision.to_string() }
    }
}

/// The revision for the ledger to compare with. Of several, the current one if it is among them; the ledger
/// compares again in its transaction.
async fn expected(app: &App, code: &Code, basis: Basis) -> Result<Option<i64>, Problem> {
    /// Revisions begin at 1.
    const NEVER: i64 = 0;
    match basis {
        Basis::Any => Ok(None),
        Basis::OneOf(tags) if tags.len() <= 1 => Ok(Some(tags.first().copied().unwrap_or(NEVER))),
        Basis::OneOf(tags) => {
            let current = app.ledger.item(code).await?.revision;
            Ok(tags.iter().find(|t| **t == current).or(tags.first()).copied())
        }
    }
}

/// Edits an item. If-Match must have the `ETag` on which the edit is based, and is compared strongly.
#[utoipa::path(patch, path = "/api/items/{code}", tag = "items", request_body = EditText,
    params(("code" = String, Path, description = "sku, in-store code or GTIN"),
        ("If-Match" = String, Header, description = "The ETag that the edit is based on"), KeyHeader),
    responses(
        (status = 200, description = "Its new revision.", body = RevisionShown,
            headers(("ETag" = String))),
        (status = 412, description = "stale",
            body = ProblemDocument,
            content_type = "application/problem+json"),
        (status = 428, description = "precondition-required",
            body = ProblemDocument,
            content_type = "application/problem+json"),
        WriteProblems,
    ))]
pub(crate) async fn edit_item(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    headers: HeaderMap,
    write: Write<EditText>,
) -> Result<Answer<RevisionShown>, Problem> {
    let revision = expected(&app, &code, etag::basis(&headers)?).await?;
    let edit = write.body.read(code, revision, app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &edit).await?;
    let tag = etag::of_revision(done.answer);
    Ok(Answer::ok(done.replayed, RevisionShown::of(done.answer)).with_tag(tag))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    const COWL: &str = "/api/items/COWL";

    #[tokio::test]
    async fn an_edit_says_what_it_is_based_on() {
        let shop = TestShop::open().await;
        let check = |tags: Option<&'static str>, status: u16, kind: Option<&'static str>| {
            let shop = &shop;
            async move {
                let key = format!("{tags:?}");
                let headers: Vec<(&str, &str)> = tags.iter().map(|t| ("if-match", *t)).collect();
                let reply = shop.patch(COWL, &key, &headers, json!({"color": "moss"})).await;
                match kind {
                    Some(kind) => reply.expect_problem(kind, status),
                    None => assert_eq!(reply.status, status, "{tags:?}: {}", reply.text()),
                }
            }
        };
        check(None, 428, Some("precondition-required")).await;
        check(Some("\"2\""), 412, Some("stale")).await;
        check(Some("W/\"1\""), 412, Some("stale")).await;
        check(Some("\"x\""), 412, Some("stale")).await;
        check(Some("\"7\", \"8\""), 412, Some("stale")).await;
        check(Some("1"), 400, Some("malformed")).await;
        check(Some("*, \"1\""), 400, Some("malformed")).await;
        check(Some("\"1\""), 200, None).await;
        check(Some("\"1\", \"2\""), 200, None).await;
        check(Some("*"), 200, None).await;
        let reply = shop.get(COWL).await;
        assert_eq!((reply.header("etag"), &reply.json()["color"]), (Some("\"4\""), &json!("moss")));
        let stale = shop.patch(COWL, "late", &[("if-match", "\"1\"")], json!({"color": "rust"})).await;
        stale.expect_problem("stale", 412);
        assert_eq!(stale.json()["revision"], "4");
    }

    #[tokio::test]
    async fn an_edit_sent_twice_is_made_once() {
        let shop = TestShop::open().await;
        let headers = [("if-match", "\"1\"")];
        let first = shop.patch(COWL, "k1", &headers, json!({"size": "L"})).await;
        let again = shop.patch(COWL, "k1", &headers, json!({"size": "L"})).await;
        for reply in [&first, &again] {
            assert_eq!((reply.status, reply.json()), (200, json!({"revision": "2"})));
            assert_eq!(reply.header("etag"), Some("\"2\""));
        }
        assert_eq!((first.header("answered-before"), again.header("answered-before")), (None, Some("true")));
    }

    #[tokio::test]
    async fn prices_follow_the_hand_or_the_scale() {
        let shop = TestShop::open().await;
        let check = |edit: Value, price: &'static str, by: &'static str| {
            let shop = &shop;
            async move {
                let reply = shop.patch(COWL, &edit.to_string(), &[("if-match", "*")], edit.clone()).await;
                assert_eq!(reply.status, 200, "{}", reply.text());
                let item = shop.get(COWL).await.json();
                assert_eq!((&item["price"], &item["pricedBy"]), (&json!(price), &json!(by)), "{edit}");
            }
        };
        let hat =
            json!({"styles": [{"style": "Fell hat", "rate": "8.50", "unitCode": "ONZ", "ending": "whole"}]});
        assert_eq!(shop.post("/api/styles", "hat", hat).await.status, 201);
        check(json!({"price": "55.00"}), "55.00", "hand").await;
        check(json!({"weight": {"value": "7.00", "unitCode": "ONZ"}}), "55.00", "hand").await;
        // 7 × 7.50 = 52.50; to the nearest whole amount, a tie goes up.
        check(json!({"pricedBy": "rule"}), "53.00", "rule").await;
        check(json!({"extras": "2.00"}), "55.00", "rule").await;
        check(json!({"style": "Fell hat", "reason": "a hat after all"}), "62.00", "rule").await;
        check(json!({"style": "moor COWL"}), "55.00", "rule").await;
        check(json!({"doNotList": true, "image": ["cowl.jpg"], "cost": "13.00"}), "55.00", "rule").await;
    }

    #[tokio::test]
    async fn a_wrong_value_names_its_place() {
        let shop = TestShop::open().await;
        let check = |edit: Value, pointer: &'static str| {
            let shop = &shop;
            async move {
                let reply = shop.patch(COWL, &edit.to_string(), &[("if-match", "*")], edit.clone()).await;
                reply.expect_fault(pointer);
            }
        };
        check(json!({"name": ""}), "#/name").await;
        check(json!({"price": "-1.00"}), "#/price").await;
        check(json!({"price": 48}), "#/price").await;
        check(json!({"pricedBy": "magic"}), "#/pricedBy").await;
        check(json!({"price": "4.00", "pricedBy": "rule"}), "#/pricedBy").await;
        check(json!({"weight": {"value": "-1", "unitCode": "ONZ"}}), "#/weight/value").await;
        check(json!({"cost": "-1.00"}), "#/cost").await;
        check(json!({"cost": "1.00", "reason": ""}), "#/reason").await;
        check(json!({"style": "No such"}), "#/style").await;
        check(json!({"extras": "-1.00"}), "#/extras").await;
        check(json!({"onHand": "5"}), "#/onHand").await;
        check(json!({"description": "5500 0000 0000 0004"}), "#/description").await;
        assert_eq!(shop.get(COWL).await.header("etag"), Some("\"1\""));
        let reply = shop.patch("/api/items/NOPE", "k", &[("if-match", "\"1\"")], json!({})).await;
        reply.expect_problem("unknown-code", 404);
    }
}
