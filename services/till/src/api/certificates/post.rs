//! POST /api/certificates

use super::IssuedShown;
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::values;
use axum::extract::State;
use domain::money::Currency;
use ledger::sales::{BringInCertificate, NewCertificate};
use serde::Deserialize;
use utoipa::ToSchema;

/// A gift certificate from before the shop's books were kept here. It gets a new number, and no money is booked.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct CertificateText {
    /// What is left on it.
    amount: String,
    /// Whom it is for.
    #[serde(default)]
    holder: String,
    /// Such as its old number.
    #[serde(default)]
    note: String,
}

impl Body for CertificateText {}

impl CertificateText {
    fn read(self, currency: Currency, who: String) -> Result<BringInCertificate, Problem> {
        Ok(BringInCertificate {
            certificate: NewCertificate {
                number: values::new_certificate(),
                holder: self.holder,
                on_file: None,
            },
            amount: values::money(&self.amount, currency, "#/amount")?,
            note: self.note,
            who,
        })
    }
}

/// Brings in a gift certificate that was sold before.
#[utoipa::path(post, path = "/api/certificates", tag = "sales", params(KeyHeader), request_body = CertificateText,
    responses(
        (status = 201, description = "The gift certificate, with its number.", body = IssuedShown,
            headers(("Location" = String))),
        WriteProblems,
    ))]
pub(crate) async fn bring_in(
    State(app): State<App>,
    write: Write<CertificateText>,
) -> Result<Answer<IssuedShown>, Problem> {
    let new = write.body.read(app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &new).await?;
    // Read again: the answer to a key that comes twice is the first number.
    let certificate = app.ledger.certificate(done.answer).await?;
    let shown = IssuedShown {
        id: done.answer.to_string(),
        number: certificate.number.to_string(),
        amount: new.amount.to_string(),
    };
    Ok(Answer::created(done.replayed, format!("/api/certificates/{}", done.answer), shown))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::certificate::CertificateNumber;
    use serde_json::json;

    #[tokio::test]
    async fn a_key_that_comes_twice_has_one_number() {
        let shop = TestShop::open().await;
        let new = || json!({"amount": "25.00", "holder": "Rowan", "note": ""});
        let made = shop.post("/api/certificates", "c1", new()).await;
        assert_eq!(made.status, 201);
        let number = made.json()["number"].as_str().expect("a number").to_owned();
        assert!(CertificateNumber::parse(&number).is_ok(), "{number}");
        assert_eq!(shop.post("/api/certificates", "c1", new()).await.json(), made.json());
        shop.post("/api/certificates", "c2", json!({"amount": "0.00"})).await.expect_fault("#/amount");
        shop.post("/api/certificates", "c3", json!({"amount": 5})).await.expect_fault("#/amount");
    }
}
