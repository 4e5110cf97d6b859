//! POST /shelf/items/{code}/removal: removes a piece that was entered by mistake.

use super::item;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use ledger::orders::RemovePiece;

/// POST /shelf/items/{code}/removal
pub(crate) async fn remove(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    let command = RemovePiece { code: code.clone(), reason, who };
    item::done(&app, &code, form, Ok(command)).await
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_mistake_is_removed_with_its_reason_and_found_nowhere() {
        let shop = TestShop::open().await;
        let path = "/shelf/items/COWL/removal";
        let refused = send(&shop, path, &[("reason", " ")]).await;
        assert!(
            refused.status == 422 && refused.text().contains("id=\"fault-reason\""),
            "{}",
            refused.text()
        );
        assert_eq!(send(&shop, path, &[("reason", "typed twice")]).await.status, 303);
        let page = shop.get("/shelf/items/COWL").await;
        for words in ["entered by mistake and removed", "typed twice", "Entered by mistake"] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        assert!(!page.text().contains("Remove piece"), "{}", page.text());
        for query in ["", "?state=all", "?state=sold-out", "?find=moor&state=all"] {
            let found = shop.get(&format!("/shelf{query}")).await;
            assert!(!found.text().contains("\"name\">Moor cowl<"), "{query}: {}", found.text());
        }
        let log = shop.get("/settings/activity").await;
        assert!(
            log.text().contains("removed a piece") && log.text().contains("typed twice"),
            "{}",
            log.text()
        );
        // It was none after all: whoever counts it has it again.
        assert_eq!(send(&shop, "/shelf/items/COWL/count", &[("count", "1")]).await.status, 303);
        assert!(shop.get("/shelf").await.text().contains("\"name\">Moor cowl<"));
    }

    #[tokio::test]
    async fn what_was_sold_or_is_held_is_not_offered_for_removal() {
        let shop = TestShop::open().await;
        let is_offered = |code: &'static str| {
            let shop = &shop;
            async move { shop.get(&format!("/shelf/items/{code}")).await.text().contains("Remove piece") }
        };
        assert!(is_offered("COWL").await && is_offered("HAT").await && !is_offered("SPINDLE").await);
        assert_eq!(send(&shop, "/shelf/items/COWL/hold", &[("for_whom", "Bea")]).await.status, 303);
        assert!(!is_offered("COWL").await);
        let held = send(&shop, "/shelf/items/COWL/removal", &[("reason", "typed twice")]).await;
        assert!(held.status == 422 && held.text().contains("Bea"), "{}", held.text());
        shop.sell("HAT", "k").await;
        assert!(!is_offered("HAT").await);
    }
}
