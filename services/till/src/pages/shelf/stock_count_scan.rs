//! POST /shelf/counts/{id}/scan: one thing counted. The page itself is the answer, so that it can show the
//! scan's result; sent again with the same key, the first answer is given again.

use super::stock_count::{self, Said};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::HtmlPage;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::ids::StockCountId;
use domain::quantity::Asked;
use ledger::shelf::ScanStockCount;

fn read(id: StockCountId, form: &Form) -> Result<ScanStockCount, Faults> {
    let quantity = match form.text("quantity") {
        "" => None,
        text => Some(Asked::parse(text, None).map_err(|e| Faults::one("quantity", e.to_string()))?),
    };
    Ok(ScanStockCount {
        id,
        code: Code::parse(form.text("code")).map_err(|e| Faults::one("code", e.to_string()))?,
        quantity,
        is_all: form.has("all"),
        who: form.caller.who.clone(),
    })
}

/// What the scan found, or what is wrong with the form.
async fn scanned(app: &App, id: StockCountId, form: &Form) -> Result<Result<Said, Faults>, Problem> {
    let command = match read(id, form) {
        Ok(command) => command,
        Err(faults) => return Ok(Err(faults)),
    };
    match app.run(&form.key, &command).await {
        Ok(done) => Ok(Ok(stock_count::said(&done.answer))),
        Err(problem) => Faults::of(problem).map(Err),
    }
}

/// POST /shelf/counts/{id}/scan
pub(crate) async fn scan(
    State(app): State<App>,
    PathParam(id): PathParam<StockCountId>,
    form: Form,
) -> Result<Response, Problem> {
    let (status, said, again) = match scanned(&app, id, &form).await? {
        Ok(said) => (StatusCode::OK, Some(said), None),
        Err(faults) => (StatusCode::UNPROCESSABLE_ENTITY, None, Some((&form, faults))),
    };
    let page = stock_count::page(&app, &form.caller, id, said, again).await?;
    Ok((status, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use super::super::stock_counts::tests::begun;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn each_scan_is_answered_in_words() {
        let shop = TestShop::open().await;
        shop.sell("HAT", "k").await;
        let path = format!("{}/scan", begun(&shop, "").await);
        let check = |code: &'static str, quantity: &'static str, status: u16, words: &'static str| {
            let (shop, path) = (&shop, &path);
            async move {
                let reply = send(shop, path, &[("code", code), ("quantity", quantity)]).await;
                assert_eq!(reply.status, status, "{code}: {}", reply.text());
                assert!(reply.text().contains(words), "{code}: {words} in {}", reply.text());
            }
        };
        check("COWL", "", 200, "Counted 1. It matches").await;
        check("COWL", "", 200, "Already counted.").await;
        check("SPINDLE", "4", 200, "Counted 4 so far; recorded stock is 10.").await;
        check("SPINDLE", "", 200, "Counted 5 so far; recorded stock is 10.").await;
        check("SPINDLE", "9", 200, "Counted 14; recorded stock is 10.").await;
        check("HAT", "", 200, "Not expected: Moor cowl, small (HAT) was already sold").await;
        check("BUTTON", "", 200, "No item has this code.").await;
        check("ROVING", "", 422, "id=\"fault-quantity\"").await;
        check("ROVING", "39.5", 200, "Counted 39.5 oz so far; recorded stock is 40 oz.").await;
        check("", "", 422, "id=\"fault-code\"").await;
        check("COWL", "many", 422, "id=\"fault-quantity\"").await;
        let all = send(&shop, &path, &[("code", "SPINDLE"), ("quantity", "10"), ("all", "yes")]).await;
        assert!(all.text().contains("Counted 10. It matches"), "{}", all.text());
        let once = [("code", "SPINDLE"), ("_key", "k1")];
        let first = send(&shop, &path, &once).await;
        let again = send(&shop, &path, &once).await;
        for reply in [first, again] {
            assert!(reply.text().contains("Counted 11; recorded stock is 10."), "{}", reply.text());
        }
        assert_eq!(send(&shop, "/shelf/counts/7/scan", &[("code", "COWL")]).await.status, 404);
    }
}
