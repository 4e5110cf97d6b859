//! POST /shelf/counts/{id}/end: books a count's differences, or cancels the count.

use super::stock_count_differences::page;
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{HtmlPage, see_other};
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::ids::StockCountId;
use ledger::shelf::{DropStockCount, FinishStockCount};

async fn ended(app: &App, id: StockCountId, form: &Form) -> Result<(), Problem> {
    let who = form.caller.who.clone();
    match form.text("how") {
        "drop" => app.run(&form.key, &DropStockCount { id, who }).await.map(|_| ()),
        how @ ("all" | "counted") => {
            let command = FinishStockCount { id, with_missing: how == "all", who };
            app.run(&form.key, &command).await.map(|_| ())
        }
        _ => Err(Problem::invalid("#/how", "choose how to finish the count")),
    }
}

/// POST /shelf/counts/{id}/end
pub(crate) async fn end(
    State(app): State<App>,
    PathParam(id): PathParam<StockCountId>,
    form: Form,
) -> Result<Response, Problem> {
    match ended(&app, id, &form).await {
        Ok(()) => Ok(see_other(&format!("/shelf/counts/{id}/differences"))),
        Err(problem) => {
            let page = page(&app, &form.caller, id, Faults::of(problem)?).await?;
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use super::super::stock_counts::tests::begun;
    use crate::testing::TestShop;

    async fn on_hand(shop: &TestShop, sku: &str) -> String {
        let item = shop.get(&format!("/api/items/{sku}")).await.json();
        item["onHand"].as_str().expect("an amount").to_owned()
    }

    #[tokio::test]
    async fn differences_are_seen_and_booked() {
        let shop = TestShop::open().await;
        let path = begun(&shop, "").await;
        for (code, quantity) in [("SPINDLE", "8"), ("BUTTON", ""), ("HAT", "")] {
            let reply = send(&shop, &format!("{path}/scan"), &[("code", code), ("quantity", quantity)]).await;
            assert_eq!(reply.status, 200, "{}", reply.text());
        }
        shop.sell("HAT", "k").await;
        let page = shop.get(&format!("{path}/differences")).await;
        for words in ["Missing: 2", "Grey roving", "fewer than recorded", "<b>BUTTON</b>"] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        assert!(!page.text().contains("Moor cowl, small"), "what was sold meanwhile does not differ");
        let wrong = send(&shop, &format!("{path}/end"), &[("how", "")]).await;
        assert_eq!(wrong.status, 422);
        let fields = [("how", "all"), ("_key", "k1")];
        let reply = send(&shop, &format!("{path}/end"), &fields).await;
        let differences = format!("{path}/differences");
        assert_eq!(
            (reply.status, reply.header("location")),
            (303, Some(differences.as_str())),
            "{}",
            reply.text()
        );
        assert_eq!(send(&shop, &format!("{path}/end"), &fields).await.status, 303, "sent twice, booked once");
        assert_eq!(on_hand(&shop, "SPINDLE").await, "8");
        assert_eq!(on_hand(&shop, "COWL").await, "0");
        assert_eq!(on_hand(&shop, "ROVING").await, "0.000");
        let done = shop.get(&differences).await;
        assert!(done.text().contains("-2") && !done.text().contains("id=\"end\""), "{}", done.text());
        let page = shop.get(&path).await;
        assert_eq!((page.status, page.header("location")), (303, Some(differences.as_str())));
        let late = send(&shop, &format!("{path}/end"), &[("how", "drop")]).await;
        assert!(late.status == 422 && late.text().contains("already finished"), "{}", late.text());
    }

    #[tokio::test]
    async fn a_count_is_booked_in_part_or_given_up() {
        let shop = TestShop::open().await;
        for (how, spindles) in [("counted", "8"), ("drop", "8")] {
            let path = begun(&shop, "").await;
            let quantity = if how == "drop" { "3" } else { "8" };
            send(&shop, &format!("{path}/scan"), &[("code", "SPINDLE"), ("quantity", quantity)]).await;
            let reply = send(&shop, &format!("{path}/end"), &[("how", how)]).await;
            assert_eq!(reply.status, 303, "{}", reply.text());
            assert_eq!(
                (on_hand(&shop, "SPINDLE").await.as_str(), on_hand(&shop, "COWL").await.as_str()),
                (spindles, "1")
            );
        }
        let list = shop.get("/shelf/counts").await;
        assert!(list.text().contains("stock updated") && list.text().contains("canceled"), "{}", list.text());
    }
}
