//! GET /api/certificates

use super::CertificateShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::AccountId;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of the gift certificates, the latest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CertificatesShown {
    certificates: Vec<CertificateShown>,
    /// What is left on all of them, which the shop owes.
    owed: String,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// All gift certificates.
#[utoipa::path(get, path = "/api/certificates", tag = "sales", params(PageQuery),
    responses((status = 200, description = "Some of the gift certificates.", body = CertificatesShown), ReadProblems))]
pub(crate) async fn list_certificates(
    State(app): State<App>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<CertificatesShown>, Problem> {
    let page = asked.read::<AccountId>()?;
    let mut certificates = app.ledger.certificates(page.after, page.and_one()).await?;
    let next = page.cut(&mut certificates, |certificate| certificate.id.to_string());
    let (owed, _) = app.ledger.certificates_owed().await?;
    let certificates = certificates.into_iter().map(CertificateShown::from).collect();
    Ok(Json(CertificatesShown { certificates, owed: owed.to_string(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn certificates_stand_in_pages_with_the_latest_first() {
        let shop = TestShop::open().await;
        for (key, amount) in [("c1", "10.00"), ("c2", "20.00"), ("c3", "30.00")] {
            let new = json!({"amount": amount, "holder": "Rowan", "note": "old number 7"});
            assert_eq!(shop.post("/api/certificates", key, new).await.status, 201);
        }
        let balances = |page: &serde_json::Value| -> Vec<String> {
            let all = page["certificates"].as_array().expect("certificates");
            all.iter().filter_map(|one| one["balance"].as_str().map(str::to_owned)).collect()
        };
        let first = shop.get("/api/certificates?limit=2").await.json();
        assert_eq!(
            (balances(&first), &first["owed"]),
            (vec!["30.00".to_owned(), "20.00".to_owned()], &json!("60.00"))
        );
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/certificates?limit=2&cursor={next}")).await.json();
        assert_eq!((balances(&rest), &rest["next"]), (vec!["10.00".to_owned()], &json!(null)));
        assert!(!first.to_string().contains("number\":"), "a list tells no whole number");
    }
}
