//! POST /shelf/items/{code}/count: what is there of an item, by a count.

use super::{item, tag};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::go;
use crate::problem::Problem;
use crate::query::At;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use domain::quantity::Asked;
use ledger::{AdjustStock, Counted};

/// POST /shelf/items/{code}/count
pub(crate) async fn count(
    State(app): State<App>,
    At(code): At<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let counted = match Asked::parse(form.text("count"), None) {
        Ok(counted) => counted,
        Err(error) => return item::again(&app, &code, form, Faults::one("count", error.to_string())).await,
    };
    let command = AdjustStock {
        code: code.clone(),
        what: Counted::Is(counted),
        note: form.text("count_note").to_owned(),
        who: form.caller.who.clone(),
    };
    match app.run(&form.key, &command).await {
        Ok(_) => Ok(go(&tag::path(code.as_str()))),
        Err(problem) => {
            let faults = Faults::of(problem)?;
            item::again(&app, &code, form, faults).await
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_count_is_booked_or_refused() {
        let shop = TestShop::open().await;
        let check = |code: &'static str, count: &'static str, status: u16, on_hand: &'static str| {
            let shop = &shop;
            async move {
                let fields = [("count", count), ("count_note", "by the window")];
                let reply = send(shop, &format!("/shelf/items/{code}/count"), &fields).await;
                assert_eq!(reply.status, status, "{code} {count}: {}", reply.text());
                let item = shop.get(&format!("/api/items/{code}")).await.json();
                assert_eq!(item["onHand"], on_hand, "{code} {count}");
            }
        };
        check("SPINDLE", "12", 303, "12").await;
        check("ROVING", "38.5", 303, "38.500").await;
        check("COWL", "2", 422, "1").await;
        check("SPINDLE", "a few", 422, "12").await;
        check("SPINDLE", "", 422, "12").await;
        check("SPINDLE", "-1", 422, "12").await;
        let page = shop.get("/shelf/items/SPINDLE").await;
        assert!(page.text().contains("+2") && page.text().contains("by the window"), "{}", page.text());
    }
}
