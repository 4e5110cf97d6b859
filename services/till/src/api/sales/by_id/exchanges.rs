//! POST /api/sales/{id}/exchanges

use super::refunds::{RefundLineText, RefundMade, lines_of, paid_on};
use crate::api::answer::Answer;
use crate::api::sales::post::{SaleMade, deposits, issued};
use crate::api::sales::text::SaleText;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use domain::basket::TenderKind;
use domain::ids::SaleId;
use domain::money::Money;
use domain::stock::ReturnDisposition;
use ledger::Shop;
use ledger::sales::{ExchangeDone, NewExchange, NewRefund, RefundTender};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What comes back, and what is taken for it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ExchangeText {
    /// What comes back of the sale: at least one line, and goods, not money alone.
    lines: Vec<RefundLineText>,
    /// What becomes of the goods, unless a line says so: shelf, written-off or open.
    fate: Option<String>,
    reason: String,
    /// The sale of what is taken. Its tenders pay the difference, and are empty if what comes back is worth as much or more.
    takes: SaleText,
    /// How the rest is paid back if what comes back is worth more: cash, card, check, gift-certificate or other; cash
    /// without it.
    rest: Option<String>,
    /// The number of the gift certificate that gets the rest; without it a new one is issued.
    certificate: Option<String>,
}

impl Body for ExchangeText {}

impl ExchangeText {
    fn read(&self, sale: SaleId, shop: &Shop, who: String) -> Result<NewExchange, Problem> {
        let rest = self.rest.as_deref().map(|kind| values::tender_kind(kind, "#/rest")).transpose()?;
        let rest = rest.unwrap_or(TenderKind::Cash);
        let certificate =
            self.certificate.as_deref().map(|n| values::certificate(n, "#/certificate")).transpose()?;
        let is_issued = rest == TenderKind::GiftCertificate && certificate.is_none();
        let fate = self.fate.as_deref().map(|f| values::fate(f, "#/fate")).transpose()?;
        let back = NewRefund {
            sale,
            lines: lines_of(&self.lines, fate, shop.currency)?,
            fate: ReturnDisposition::Open,
            shipping: Money::zero(shop.currency),
            tender: RefundTender::All(rest),
            certificate: certificate.or_else(|| is_issued.then(values::new_certificate)),
            reason: self.reason.clone(),
            who: who.clone(),
        };
        let takes = self.takes.read(shop, who).map_err(|problem| problem.below("#/takes"))?;
        Ok(NewExchange { back, takes })
    }
}

/// The refund and the sale that name each other.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ExchangeMade {
    /// What came back; the part that paid for the sale is its tender `exchange`.
    refund: RefundMade,
    /// What was taken; what came back is its tender `exchange`.
    sale: SaleMade,
}

impl ExchangeMade {
    async fn of(app: &App, done: ExchangeDone, has_deposit: bool) -> Result<Self, Problem> {
        let certificates = issued(app, &done.sale).await?;
        let deposits = deposits(app, &done.sale, has_deposit).await?;
        let of_refund = paid_on(app, &done.refund).await?;
        Ok(Self {
            refund: RefundMade::of(done.refund, of_refund),
            sale: SaleMade::of(done.sale, certificates, deposits),
        })
    }
}

/// Exchanges goods of a sale for others in one transaction: what comes back pays, and only the difference is paid or paid
/// back.
#[utoipa::path(post, path = "/api/sales/{id}/exchanges", tag = "sales", request_body = ExchangeText,
    params(("id" = String, Path, description = "The sale that the goods come back from."), KeyHeader),
    responses(
        (status = 201, description = "The refund and the new sale.", body = ExchangeMade, headers(("Location" = String))),
        WriteProblems,
    ))]
pub(crate) async fn exchange(
    State(app): State<App>,
    PathParam(sale): PathParam<SaleId>,
    write: Write<ExchangeText>,
) -> Result<Answer<ExchangeMade>, Problem> {
    let exchange = write.body.read(sale, &app.ledger.shop(), write.who)?;
    let has_deposit = exchange.takes.tenders.iter().any(|tender| tender.deposit.is_some());
    let done = app.run(&write.key, &exchange).await?;
    if !done.replayed {
        app.meters.sale();
    }
    let place = format!("/api/sales/{}", done.answer.sale.id);
    let made = ExchangeMade::of(&app, done.answer, has_deposit).await?;
    Ok(Answer::created(done.replayed, place, made))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    fn line_of(sale: &Value) -> &str {
        sale["lines"][0]["id"].as_str().expect("an id")
    }

    fn exchange(line: &str, takes: &str, tenders: &Value) -> Value {
        json!({"lines": [{"line": line, "fate": "shelf"}], "reason": "too big",
            "takes": {"channel": "store", "lines": [{"sku": takes, "quantity": "1"}], "tenders": tenders}})
    }

    /// Moor cowl 48.00, spindle 18.00.
    #[tokio::test]
    async fn the_difference_alone_is_paid_or_paid_back() {
        let shop = TestShop::open().await;
        let sold = shop.sell("COWL", "k1").await;
        let path = format!("/api/sales/{}/exchanges", sold["id"].as_str().expect("an id"));
        let reply = shop.post(&path, "x1", exchange(line_of(&sold), "SPINDLE", &json!([]))).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        let made = reply.json();
        let given = json!([{"kind": "exchange", "amount": "18.00"}, {"kind": "cash", "amount": "30.00"}]);
        assert_eq!((&made["refund"]["tenders"], &made["sale"]["totals"]["due"]), (&given, &json!("18.00")));
        assert_eq!(
            reply.header("location"),
            Some(format!("/api/sales/{}", made["sale"]["id"].as_str().expect("an id")).as_str())
        );
        let again = shop.post(&path, "x1", exchange(line_of(&sold), "SPINDLE", &json!([]))).await;
        assert_eq!(
            (again.status, again.text(), again.header("answered-before")),
            (201, reply.text(), Some("true"))
        );
        // The spindle goes back for the cowl, and 30.00 are paid.
        let path = format!("/api/sales/{}/exchanges", made["sale"]["id"].as_str().expect("an id"));
        let pays = json!([{"kind": "card", "amount": "30.00"}]);
        let back = shop.post(&path, "x2", exchange(line_of(&made["sale"]), "COWL", &pays)).await;
        assert_eq!(back.status, 201, "{}", back.text());
        assert_eq!(back.json()["refund"]["tenders"], json!([{"kind": "exchange", "amount": "18.00"}]));
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "10");
        assert_eq!(shop.get("/api/items/COWL").await.json()["onHand"], "0");
    }

    #[tokio::test]
    async fn a_rest_can_stay_as_a_gift_certificate() {
        let shop = TestShop::open().await;
        let sold = shop.sell("COWL", "k1").await;
        let mut body = exchange(line_of(&sold), "SPINDLE", &json!([]));
        body["rest"] = json!("gift-certificate");
        let path = format!("/api/sales/{}/exchanges", sold["id"].as_str().expect("an id"));
        let made = shop.post(&path, "x1", body).await.json();
        assert_eq!(made["refund"]["certificates"][0]["amount"], "30.00", "{made}");
    }

    #[tokio::test]
    async fn what_is_wrong_is_named_where_it_stands() {
        let shop = TestShop::open().await;
        let sold = shop.sell("COWL", "k1").await;
        let path = format!("/api/sales/{}/exchanges", sold["id"].as_str().expect("an id"));
        let good = exchange(line_of(&sold), "SPINDLE", &json!([]));
        let check = |at: &'static str, to: Value, pointer: &'static str| {
            let (shop, path, mut body) = (&shop, path.clone(), good.clone());
            *body.pointer_mut(at).expect("a place") = to;
            async move { shop.post(&path, &body.to_string(), body.clone()).await.expect_fault(pointer) }
        };
        check("/lines", json!([]), "#/lines").await;
        check("/lines/0/fate", json!("moths"), "#/lines/0/fate").await;
        check("/takes/channel", json!("Moon"), "#/takes/channel").await;
        check("/takes/lines/0/quantity", json!("much"), "#/takes/lines/0/quantity").await;
        check("/takes/tenders", json!([{"kind": "goats", "amount": "1.00"}]), "#/takes/tenders/0/kind").await;
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "10");
    }
}
