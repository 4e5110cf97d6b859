//! GET /api/customers

use super::CustomerRowShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{Page, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::CustomerId;
use domain::text::{MAX_NAME_CHARS, TextError};
use ledger::customers::FindCustomers;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Which customers.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct CustomersQuery {
    /// Parts of the name or the e-mail address, each of which must be found, or digits of the phone number.
    #[serde(default)]
    q: String,
    /// `next` from the previous answer; the first rows if left out.
    cursor: Option<String>,
    /// How many rows, 1 to 200; 50 if left out.
    limit: Option<String>,
}

/// Some customers, those added last first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CustomersShown {
    customers: Vec<CustomerRowShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// Customers on file, found by a part of the name, e-mail address or phone number.
#[utoipa::path(get, path = "/api/customers", tag = "customers", params(CustomersQuery),
    responses((status = 200, description = "Some of the customers.", body = CustomersShown), ReadProblems))]
pub(crate) async fn list_customers(
    State(app): State<App>,
    QueryParam(asked): QueryParam<CustomersQuery>,
) -> Result<Json<CustomersShown>, Problem> {
    let page = Page::<CustomerId>::read(asked.cursor.as_deref(), asked.limit.as_deref())?;
    if asked.q.chars().count() > MAX_NAME_CHARS {
        return Err(Problem::invalid_parameter("q", TextError::TooLong { limit: MAX_NAME_CHARS }));
    }
    let find = FindCustomers { words: asked.q, before: page.after };
    let mut customers = app.ledger.find_customers(&find, page.and_one()).await?;
    let next = page.cut(&mut customers, |customer| customer.id.to_string());
    Ok(Json(CustomersShown { customers: customers.into_iter().map(CustomerRowShown::from).collect(), next }))
}

#[cfg(test)]
mod tests {
    use super::MAX_NAME_CHARS;
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn customers_are_found_by_parts_of_what_is_known() {
        let shop = TestShop::open().await;
        for (name, email, telephone) in [
            ("Ada Moss", "ada@example.com", "+1 802 555 0142"),
            ("Bea Fern", "", ""),
            ("Cy Adams", "", "555-0199"),
        ] {
            let customer = json!({"name": name, "email": email, "telephone": telephone});
            assert_eq!(shop.post("/api/customers", name, customer).await.status, 201);
        }
        let names = |page: &Value| -> Vec<String> {
            let all = page["customers"].as_array().expect("customers");
            all.iter().filter_map(|c| c["name"].as_str().map(str::to_owned)).collect()
        };
        let check = |q: &'static str, expected: &'static [&'static str]| {
            let shop = &shop;
            async move {
                let page = shop.get(&format!("/api/customers?q={q}")).await.json();
                assert_eq!(names(&page), expected, "{q}");
            }
        };
        check("", &["Cy Adams", "Bea Fern", "Ada Moss"]).await;
        check("ada", &["Cy Adams", "Ada Moss"]).await;
        check("MOSS%20ada", &["Ada Moss"]).await;
        check("example.com", &["Ada Moss"]).await;
        check("5550142", &["Ada Moss"]).await;
        check("nobody", &[]).await;
        let first = shop.get("/api/customers?limit=2").await.json();
        assert_eq!(names(&first), ["Cy Adams", "Bea Fern"]);
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/customers?limit=2&cursor={next}")).await.json();
        assert_eq!((names(&rest), &rest["next"]), (vec!["Ada Moss".to_owned()], &json!(null)));
        let many = shop.get("/api/customers?q=a%20b%20c%20d%20e%20f%20g%20h%20i").await;
        assert_eq!(many.status, 422, "{}", many.text());
        let long = format!("/api/customers?q={}", "a".repeat(MAX_NAME_CHARS + 1));
        shop.get(&long).await.expect_problem("invalid", 422);
    }
}
