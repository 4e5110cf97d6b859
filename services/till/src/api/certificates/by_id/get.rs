//! GET /api/certificates/{id}

use crate::api::certificates::CertificateShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use domain::ids::AccountId;
use ledger::sales::CertificateEntry;
use serde::Serialize;
use utoipa::ToSchema;

/// Changes that are told of one certificate, the latest.
const MOST_CHANGES: usize = 200;

/// A gift certificate, and what changed it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CertificateHistory {
    #[serde(flatten)]
    certificate: CertificateShown,
    /// The latest 200 changes, the last one first.
    changes: Vec<CertificateChange>,
}

/// A change of what a gift certificate is worth.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CertificateChange {
    /// sold, refund, brought-in, spent, returned, voided or written-off.
    why: &'static str,
    /// Below 0 it was taken off.
    amount: String,
    /// The sale that it was sold in, paid for, or got a refund of.
    sale: Option<String>,
    note: String,
    who: String,
    at: String,
}

impl From<CertificateEntry> for CertificateChange {
    fn from(entry: CertificateEntry) -> Self {
        Self {
            why: entry.reason.code(),
            amount: entry.amount.to_string(),
            sale: entry.sale.map(|sale| sale.to_string()),
            note: entry.note,
            who: entry.who,
            at: entry.at.to_string(),
        }
    }
}

/// One gift certificate.
#[utoipa::path(get, path = "/api/certificates/{id}", tag = "sales",
    params(("id" = String, Path, description = "As the list gives it.")),
    responses((status = 200, description = "The gift certificate and its history.", body = CertificateHistory),
        ReadProblems))]
pub(crate) async fn read_certificate(
    State(app): State<App>,
    PathParam(id): PathParam<AccountId>,
) -> Result<Json<CertificateHistory>, Problem> {
    let certificate = app.ledger.certificate(id).await?.into();
    let changes = app.ledger.certificate_history(id, MOST_CHANGES).await?;
    let changes = changes.into_iter().map(CertificateChange::from).collect();
    Ok(Json(CertificateHistory { certificate, changes }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn a_certificate_is_sold_spent_and_refunded() {
        let shop = TestShop::open().await;
        let line = json!({"kind": "gift-certificate", "title": "Gift certificate", "amount": "60.00", "holder": "Rowan"});
        let sale =
            json!({"channel": "store", "lines": [line], "tenders": [{"kind": "card", "amount": "60.00"}]});
        let sold = shop.post("/api/sales", "k1", sale.clone()).await.json();
        let issued = &sold["certificates"][0];
        assert_eq!(issued["amount"], "60.00");
        assert_eq!(shop.post("/api/sales", "k1", sale).await.json(), sold, "the same number again");
        let by = |amount: &str| json!({"kind": "gift-certificate", "amount": amount, "certificate": issued["number"]});
        let cowl = |tender: Value| json!({"channel": "store", "lines": [{"sku": "COWL", "quantity": "1"}], "tenders": [tender]});
        let spent = shop.post("/api/sales", "k2", cowl(by("48.00"))).await;
        assert_eq!(spent.status, 201);
        let spent = spent.json();
        let id = issued["id"].as_str().expect("an id");
        let path = format!("/api/certificates/{id}");
        let balance = async || shop.get(&path).await.json()["balance"].clone();
        assert_eq!(balance().await, "12.00");
        let back = json!({"lines": [{"line": spent["lines"][0]["id"], "fate": "shelf"}], "tender": "gift-certificate",
            "certificate": issued["number"], "reason": "too small"});
        let refunds = format!("/api/sales/{}/refunds", spent["id"].as_str().expect("an id"));
        assert_eq!(shop.post(&refunds, "r1", back).await.status, 201);
        let shown = shop.get(&path).await.json();
        let told: Vec<(&str, &str)> = shown["changes"]
            .as_array()
            .expect("changes")
            .iter()
            .map(|change| (change["why"].as_str().unwrap_or(""), change["amount"].as_str().unwrap_or("")))
            .collect();
        assert_eq!(told, [("refund", "48.00"), ("spent", "-48.00"), ("sold", "60.00")]);
        assert_eq!((&shown["holder"], &shown["balance"]), (&json!("Rowan"), &json!("60.00")));
        shop.get("/api/certificates/77").await.expect_problem("no-such", 404);
    }

    #[tokio::test]
    async fn what_cannot_be_spent_is_refused_at_its_place() {
        let shop = TestShop::open().await;
        let sale = |tender: Value| json!({"channel": "store", "lines": [{"sku": "COWL", "quantity": "1"}], "tenders": [tender]});
        let check = async |key: &str, tender: Value, place: &str| {
            shop.post("/api/sales", key, sale(tender)).await.expect_fault(place);
        };
        let unknown = "83NP-K5AK-0D6F-NRG48";
        check("k1", json!({"kind": "gift-certificate", "amount": "48.00"}), "#/tenders/certificate").await;
        check(
            "k2",
            json!({"kind": "gift-certificate", "amount": "48.00", "certificate": unknown}),
            "#/tenders/certificate",
        )
        .await;
        check(
            "k3",
            json!({"kind": "gift-certificate", "amount": "48.00", "certificate": "1234"}),
            "#/tenders/0/certificate",
        )
        .await;
        check(
            "k4",
            json!({"kind": "card", "amount": "48.00", "certificate": unknown}),
            "#/tenders/certificate",
        )
        .await;
    }
}
