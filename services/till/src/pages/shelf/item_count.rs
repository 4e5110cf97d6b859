//! POST /shelf/items/{code}/count: sets an item's stock to what was counted.

use super::item;
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use domain::quantity::Asked;
use ledger::shelf::{AdjustStock, Counted};

fn read(form: &Form, code: &Code) -> Result<AdjustStock, Faults> {
    let counted = Asked::parse(form.text("count"), None);
    let counted = counted.map_err(|error| Faults::one("count", error.to_string()))?;
    Ok(AdjustStock {
        code: code.clone(),
        what: Counted::Is(counted),
        note: form.text("count_note").to_owned(),
        who: form.caller.who.clone(),
    })
}

/// POST /shelf/items/{code}/count
pub(crate) async fn count(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let command = read(&form, &code);
    item::done(&app, &code, form, command).await
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
