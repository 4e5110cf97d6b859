//! POST /shelf/holds/{id}/end: ends a hold, so that its goods are free again.

use super::tag;
use crate::app::App;
use crate::pages::form::Form;
use crate::pages::frame::see_other;
use crate::pages::promised::after_hold;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::ids::{HoldGroupId, ItemId};
use ledger::orders::EndHold;

/// Where the form came from: an item's page, by its digits alone, or the list.
fn back(form: &Form) -> String {
    match form.text("back").parse::<ItemId>() {
        Ok(_) => tag::path(form.text("back")),
        Err(_) => "/shelf/holds".to_owned(),
    }
}

/// POST /shelf/holds/{id}/end
pub(crate) async fn end_hold(
    State(app): State<App>,
    PathParam(id): PathParam<HoldGroupId>,
    form: Form,
) -> Result<Response, Problem> {
    app.run(&form.key, &EndHold { id }).await?;
    let to = after_hold(&app, id, back(&form)).await?;
    Ok(see_other(&to))
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_hold_is_ended_from_the_list_or_from_its_item() {
        let shop = TestShop::open().await;
        for (back, expected) in [
            ("", "/shelf/holds"),
            ("2000000000015", "/shelf/items/2000000000015"),
            ("//evil.example", "/shelf/holds"),
        ] {
            let hold =
                json!({"for": "customer", "forWhom": "Ash", "lines": [{"sku": "COWL", "quantity": "1"}]});
            let held = shop.post("/api/holds", &format!("h{back}"), hold).await.json();
            let page = shop.get("/shelf/holds").await;
            assert!(
                page.text().contains("<b>Ash</b>") && page.text().contains("1 × Moor cowl"),
                "{}",
                page.text()
            );
            let path = format!("/shelf/holds/{}/end", held["id"].as_str().expect("an id"));
            let reply = send(&shop, &path, &[("back", back)]).await;
            assert_eq!((reply.status, reply.header("location")), (303, Some(expected)), "{}", reply.text());
            let again = send(&shop, &path, &[("back", back)]).await;
            assert_eq!(again.status, 409, "{}", again.text());
        }
        assert!(shop.get("/shelf/holds").await.text().contains("Nothing is on hold"));
        assert_eq!(shop.get("/shelf/holds?cursor=x").await.status, 422);
    }
}
