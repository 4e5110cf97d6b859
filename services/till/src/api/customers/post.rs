//! POST /api/customers

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use axum::extract::State;
use domain::customer::Contact;
use ledger::customers::AddCustomer;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A new customer.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct CustomerText {
    name: String,
    #[serde(default)]
    email: String,
    #[serde(default)]
    telephone: String,
    #[serde(default)]
    note: String,
}

impl Body for CustomerText {}

/// The new customer's identifier.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AddedShown {
    id: String,
}

/// Adds a customer, without special terms.
#[utoipa::path(post, path = "/api/customers", tag = "customers", params(KeyHeader), request_body = CustomerText,
    responses((status = 201, description = "The new customer.", body = AddedShown), WriteProblems))]
pub(crate) async fn add_customer(
    State(app): State<App>,
    write: Write<CustomerText>,
) -> Result<Answer<AddedShown>, Problem> {
    let CustomerText { name, email, telephone, note } = write.body;
    let contact = Contact { name, email, phone: telephone, note };
    let done = app.run(&write.key, &AddCustomer { contact, who: write.who }).await?;
    let place = format!("/api/customers/{}", done.answer);
    Ok(Answer::created(done.replayed, place, AddedShown { id: done.answer.to_string() }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_customer_is_added_once_and_every_field_is_checked() {
        let shop = TestShop::open().await;
        let ada = json!({"name": "Ada Moss", "email": "ada@example.com", "telephone": "802 555 0142"});
        let first = shop.post("/api/customers", "k1", ada.clone()).await;
        assert_eq!(first.status, 201, "{}", first.text());
        let path = format!("/api/customers/{}", first.json()["id"].as_str().expect("an id"));
        assert_eq!(first.header("location"), Some(path.as_str()));
        let again = shop.post("/api/customers", "k1", ada).await;
        assert_eq!((again.json(), again.header("answered-before")), (first.json(), Some("true")));
        let shown = shop.get(&path).await;
        assert_eq!(shown.header("etag"), Some("\"1\""));
        let terms =
            json!({"wholesale": false, "certificate": null, "keepUntil": null, "defaultDiscount": null});
        let expected = json!({"id": first.json()["id"], "revision": "1", "name": "Ada Moss", "email": "ada@example.com",
            "telephone": "802 555 0142", "note": "", "terms": terms, "erasedAt": null});
        assert_eq!(shown.json(), expected);
        for (key, body, field) in [
            ("w1", json!({"name": " "}), "#/name"),
            ("w2", json!({"name": "B", "email": "nowhere"}), "#/email"),
            ("w3", json!({"name": "B", "telephone": "call me"}), "#/telephone"),
            ("w4", json!({"name": "B", "note": "4000000000000002"}), "#/note"),
            ("w5", json!({"name": "B", "email": "ADA@example.com"}), "#/email"),
        ] {
            shop.post("/api/customers", key, body).await.expect_fault(field);
        }
    }
}
