//! GET /shelf/returned: refunded goods for which nobody has decided yet whether they go back on the shelf. POST
//! /shelf/returned/{line}: the decision.

use super::{Way, tag, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{Page as Part, PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::day::Zone;
use domain::ids::RefundLineId;
use domain::stock::ReturnDisposition;
use ledger::sales::{DecideReturn, OpenReturn};
use serde::Deserialize;

const PATH: &str = "/shelf/returned";

/// Which part of the list to show.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct ReturnedQuery {
    cursor: Option<String>,
}

/// Goods without a decision.
struct ReturnedShown {
    line: String,
    what: String,
    item: String,
    sale: String,
    when: String,
    reason: String,
}

fn returned(open: &OpenReturn, zone: &Zone) -> ReturnedShown {
    ReturnedShown {
        line: open.line.to_string(),
        what: format!("{} × {}", open.quantity, open.title),
        item: tag::path(&open.sku),
        sale: format!("/counter/sales/{}", open.sale),
        when: shown::moment(zone, open.refunded),
        reason: open.reason.clone(),
    }
}

#[derive(Template)]
#[template(path = "shelf/returned.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    goods: Vec<ReturnedShown>,
    next: Option<String>,
    faults: Faults,
}

async fn page(app: &App, caller: &Caller, cursor: Option<&str>, faults: Faults) -> Result<Page, Problem> {
    let part = Part::<RefundLineId>::read(cursor, None)?;
    let mut goods = app.ledger.open_fates(part.after, part.and_one()).await?;
    let next = part.cut(&mut goods, |one| one.line.to_string());
    let zone = &app.ledger.shop().zone;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, PATH),
        goods: goods.iter().map(|one| returned(one, zone)).collect(),
        next: next.map(|cursor| format!("{PATH}?cursor={cursor}")),
        faults,
    })
}

/// GET /shelf/returned
pub(crate) async fn list_returned(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<ReturnedQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller, query.cursor.as_deref(), Faults::default()).await?))
}

/// POST /shelf/returned/{line}
pub(crate) async fn decide(
    State(app): State<App>,
    PathParam(line): PathParam<RefundLineId>,
    form: Form,
) -> Result<Response, Problem> {
    let fate = if form.has("shelf") { ReturnDisposition::Shelf } else { ReturnDisposition::WrittenOff };
    let decide = DecideReturn { line, fate, who: form.caller.who.clone() };
    let faults = match app.run(&form.key, &decide).await {
        Ok(_) => return Ok(see_other(PATH)),
        Err(problem) => Faults::of(problem)?,
    };
    let page = page(&app, &form.caller, None, faults).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;
    use serde_json::json;

    async fn refunded(shop: &TestShop, sku: &str) -> String {
        let sale = shop.sell(sku, sku).await;
        let refund = json!({"fate": "open", "tender": "cash", "reason": "too small"});
        let path = format!("/api/sales/{}/refunds", sale["id"].as_str().expect("an id"));
        let refund = shop.post(&path, &format!("r{sku}"), refund).await.json();
        refund["lines"][0]["id"].as_str().expect("a line").to_owned()
    }

    #[tokio::test]
    async fn what_return_decision_waits_until_somebody_says_where_it_goes() {
        let shop = TestShop::open().await;
        assert!(shop.get("/shelf/returned").await.text().contains("No returns to check"));
        let (cowl, hat) = (refunded(&shop, "COWL").await, refunded(&shop, "HAT").await);
        let page = shop.get("/shelf/returned").await;
        for words in ["1 × Moor cowl", "too small", "Return to stock", "Write off", "/counter/sales/"] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        let today = shop.get("/today").await;
        assert!(
            today.text().contains("2 refunded items need")
                && today.text().contains("href=\"/shelf/returned\""),
            "{}",
            today.text()
        );
        for (line, choice, sku, on_hand) in [(&cowl, "shelf", "COWL", "1"), (&hat, "off", "HAT", "0")] {
            let path = format!("/shelf/returned/{line}");
            let reply = send(&shop, &path, &[(choice, "yes"), ("_key", choice)]).await;
            assert_eq!(
                (reply.status, reply.header("location")),
                (303, Some("/shelf/returned")),
                "{}",
                reply.text()
            );
            let twice = send(&shop, &path, &[(choice, "yes"), ("_key", choice)]).await;
            assert_eq!(twice.status, 303, "sent twice, done once");
            assert_eq!(shop.get(&format!("/api/items/{sku}")).await.json()["onHand"], on_hand, "{sku}");
            let late = send(&shop, &path, &[("shelf", "yes")]).await;
            assert!(
                late.status == 422 && late.text().contains("already returned to stock"),
                "{}",
                late.text()
            );
        }
        assert!(shop.get("/shelf/returned").await.text().contains("No returns to check"));
        assert!(!shop.get("/today").await.text().contains("refunded item"));
        assert_eq!(shop.get("/shelf/returned?cursor=x").await.status, 422);
    }
}
