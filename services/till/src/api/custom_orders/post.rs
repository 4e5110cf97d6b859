//! POST /api/custom-orders

use super::CustomOrderShown;
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::values;
use axum::extract::State;
use domain::customer::Contact;
use domain::money::Currency;
use ledger::sales::NewCustomOrder;
use serde::Deserialize;
use utoipa::ToSchema;

/// A custom order: of a customer on file, or of somebody new, who is added to the customers.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct CustomOrderText {
    /// The customer's identifier.
    customer_id: Option<String>,
    /// The name of somebody new.
    customer: Option<String>,
    /// The name of a style; without it the note says what is wanted.
    style: Option<String>,
    #[serde(default)]
    size: String,
    #[serde(default)]
    color: String,
    #[serde(default)]
    note: String,
    /// The day on which the customer is to have it.
    due: String,
    /// What it may cost.
    estimate: Option<String>,
}

impl Body for CustomOrderText {}

impl CustomOrderText {
    fn read(self, currency: Currency, who: String) -> Result<NewCustomOrder, Problem> {
        if self.customer_id.is_some() == self.customer.is_some() {
            let words = "say for whom it is: customerId for a customer on file, or customer for somebody new";
            return Err(Problem::invalid("#/customerId", words));
        }
        Ok(NewCustomOrder {
            customer: self.customer_id.as_deref().map(|t| values::id(t, "#/customerId")).transpose()?,
            contact: Contact { name: self.customer.unwrap_or_default(), ..Contact::default() },
            style: self.style,
            size: self.size,
            color: self.color,
            note: self.note,
            due: values::day(&self.due, "#/due")?,
            estimate: values::money_if(self.estimate.as_deref(), currency, "#/estimate")?,
            who,
        })
    }
}

/// Takes a custom order.
#[utoipa::path(post, path = "/api/custom-orders", tag = "sales", params(KeyHeader), request_body = CustomOrderText,
    responses(
        (status = 201, description = "The custom order.", body = CustomOrderShown, headers(("Location" = String))),
        WriteProblems,
    ))]
pub(crate) async fn take_custom_order(
    State(app): State<App>,
    write: Write<CustomOrderText>,
) -> Result<Answer<CustomOrderShown>, Problem> {
    let new = write.body.read(app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &new).await?;
    let order = app.ledger.custom_order(done.answer).await?;
    Ok(Answer::created(done.replayed, format!("/api/custom-orders/{}", done.answer), order.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn an_order_is_taken_once_and_every_field_is_checked() {
        let shop = TestShop::open().await;
        let new = || {
            json!({"customer": "Ada Moss", "style": "Moor cowl", "size": "M", "color": "fawn",
            "due": "2026-06-17", "estimate": "60.00"})
        };
        let made = shop.post("/api/custom-orders", "k1", new()).await;
        assert_eq!(made.status, 201, "{}", made.text());
        let order = made.json();
        assert_eq!(
            (&order["state"], &order["customer"], &order["estimate"], &order["deposits"]),
            (&json!("open"), &json!("Ada Moss"), &json!("60.00"), &json!("0.00"))
        );
        assert_eq!(shop.post("/api/custom-orders", "k1", new()).await.json(), order);
        let with = |field: &str, value: Value| {
            let mut body = new();
            body[field] = value;
            body
        };
        shop.post("/api/custom-orders", "k2", with("due", json!("soon"))).await.expect_fault("#/due");
        shop.post("/api/custom-orders", "k3", with("due", json!("2026-05-16"))).await.expect_fault("#/due");
        shop.post("/api/custom-orders", "k4", with("estimate", json!("0.00")))
            .await
            .expect_fault("#/estimate");
        shop.post("/api/custom-orders", "k5", with("style", json!("Sea cape"))).await.expect_fault("#/style");
        shop.post("/api/custom-orders", "k6", with("customerId", json!("1")))
            .await
            .expect_fault("#/customerId");
        let nothing = json!({"customer": "Ada Moss", "due": "2026-06-17"});
        shop.post("/api/custom-orders", "k7", nothing).await.expect_fault("#/style");
    }
}
