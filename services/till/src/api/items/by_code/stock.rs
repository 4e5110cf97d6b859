//! POST /api/items/{code}/stock

use crate::api::answer::Answer;
use crate::api::shown;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use domain::codes::Code;
use domain::quantity::Quantity;
use domain::stock::StockReason;
use ledger::shelf::{AdjustStock, Counted};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What happened to an item's stock: one of `count`, `more` and `less`.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct StockText {
    /// There is this much, by a count.
    count: Option<String>,
    /// This much more was made or bought.
    more: Option<String>,
    /// This much was lost, given away or used; needs `why`.
    less: Option<String>,
    /// The unit of the quantity, for goods by weight; the item's own if left out.
    unit_code: Option<String>,
    /// For `less`: damage, gift or own-use.
    why: Option<String>,
    #[serde(default)]
    note: String,
}

impl Body for StockText {}

impl StockText {
    fn read(self, code: Code, who: String) -> Result<AdjustStock, Problem> {
        let asked = |text: &str, field: &str| {
            domain::quantity::Asked::parse(text, self.unit_code.as_deref())
                .map_err(|error| Problem::invalid(format!("#/{field}"), error))
        };
        let what = match (&self.count, &self.more, &self.less, &self.why) {
            (Some(count), None, None, None) => Counted::Is(asked(count, "count")?),
            (None, Some(more), None, None) => Counted::More(asked(more, "more")?),
            (None, None, Some(less), Some(why)) => {
                let losses: Vec<&str> =
                    StockReason::ALL.into_iter().filter(|w| w.is_loss()).map(StockReason::code).collect();
                let why = StockReason::from_code(why).filter(|w| w.is_loss());
                Counted::Less(asked(less, "less")?, values::choice(why, &losses, "#/why")?)
            }
            (None, None, Some(_), None) => {
                return Err(Problem::invalid("#/why", "say why: damage, gift or own-use"));
            }
            _ => {
                let words = "give one of count, more, or less with why";
                return Err(Problem::invalid("#", words));
            }
        };
        Ok(AdjustStock { code, what, note: self.note, who })
    }
}

/// The stock afterwards.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct StockShown {
    on_hand: String,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
}

impl From<Quantity> for StockShown {
    fn from(on_hand: Quantity) -> Self {
        Self { on_hand: shown::quantity(on_hand), unit_code: shown::unit_code(on_hand.measure()) }
    }
}

/// Books a count, an addition or a loss of stock, with its reason.
#[utoipa::path(post, path = "/api/items/{code}/stock", tag = "stock", request_body = StockText,
    params(("code" = String, Path, description = "sku, in-store code or GTIN"), KeyHeader),
    responses((status = 200, description = "Stock on hand afterwards.", body = StockShown), WriteProblems))]
pub(crate) async fn adjust_stock(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    write: Write<StockText>,
) -> Result<Answer<StockShown>, Problem> {
    let done = app.run(&write.key, &write.body.read(code, write.who)?).await?;
    Ok(Answer::ok(done.replayed, done.answer.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn counts_gains_and_losses() {
        let shop = TestShop::open().await;
        let check = |sku: &'static str, body: Value, on_hand: &'static str| {
            let shop = &shop;
            async move {
                let path = format!("/api/items/{sku}/stock");
                let reply = shop.post(&path, &body.to_string(), body.clone()).await;
                assert_eq!((reply.status, &reply.json()["onHand"]), (200, &json!(on_hand)), "{body}");
                let again = shop.post(&path, &body.to_string(), body.clone()).await;
                assert_eq!((again.json(), again.header("answered-before")), (reply.json(), Some("true")));
            }
        };
        check("SPINDLE", json!({"count": "12"}), "12").await;
        check("SPINDLE", json!({"more": "3", "note": "turned on Sunday"}), "15").await;
        check("SPINDLE", json!({"less": "1", "why": "damage", "note": "cracked"}), "14").await;
        check("SPINDLE", json!({"count": "0"}), "0").await;
        check("ROVING", json!({"less": "8", "why": "own-use"}), "32.000").await;
        // A pound is 16 ounces.
        check("ROVING", json!({"more": "1", "unitCode": "LBR"}), "48.000").await;
        check("COWL", json!({"less": "1", "why": "gift"}), "0").await;
    }

    #[tokio::test]
    async fn what_cannot_be_is_refused() {
        let shop = TestShop::open().await;
        let check = |sku: &'static str, body: Value, kind: &'static str, status: u16| {
            let shop = &shop;
            async move {
                let reply =
                    shop.post(&format!("/api/items/{sku}/stock"), &body.to_string(), body.clone()).await;
                reply.expect_problem(kind, status);
            }
        };
        check("SPINDLE", json!({}), "invalid", 422).await;
        check("SPINDLE", json!({"count": "1", "more": "1"}), "invalid", 422).await;
        check("SPINDLE", json!({"count": 1}), "invalid", 422).await;
        check("SPINDLE", json!({"count": "-1"}), "invalid", 422).await;
        check("SPINDLE", json!({"more": "0"}), "invalid", 422).await;
        check("SPINDLE", json!({"more": "0.5"}), "invalid", 422).await;
        check("SPINDLE", json!({"more": "1", "unitCode": "ONZ"}), "invalid", 422).await;
        check("SPINDLE", json!({"less": "1"}), "invalid", 422).await;
        check("SPINDLE", json!({"less": "1", "why": "sold"}), "invalid", 422).await;
        check("SPINDLE", json!({"count": "1", "why": "gift"}), "invalid", 422).await;
        check("SPINDLE", json!({"less": "11", "why": "damage"}), "not-enough", 409).await;
        check("COWL", json!({"more": "1"}), "invalid", 422).await;
        check("NOPE", json!({"count": "1"}), "unknown-code", 404).await;
    }
}
