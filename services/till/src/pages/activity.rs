//! The activity log, for the owner to read.

use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::{Access, Caller};
use crate::request::query::QueryParam;
use crate::request::route::Route;
use askama::Template;
use axum::extract::State;
use domain::ids::ActivityId;
use domain::people::Permission;
use ledger::keeping::Subject;
use ledger::people::{Activity, ActivityRow};
use serde::Deserialize;

const LINES: usize = 100;

pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/settings/activity", Access::With(Permission::Run), room)]
}

struct Line {
    at: String,
    who: String,
    act: &'static str,
    what: String,
    /// The page of what it is about.
    path: Option<String>,
    detail: String,
}

#[derive(Template)]
#[template(path = "activity/room.html")]
pub(crate) struct Page {
    frame: Frame,
    lines: Vec<Line>,
    before: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
pub(crate) struct ActivityQuery {
    before: Option<String>,
}

/// GET /settings/activity
pub(crate) async fn room(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<ActivityQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let before = asked.before.map(|text| text.parse::<ActivityId>()).transpose();
    let before = before.map_err(|error| Problem::invalid_parameter("before", error))?;
    let mut rows = app.ledger.activity(before, LINES + 1).await?;
    let goes_on = rows.len() > LINES;
    rows.truncate(LINES);
    let zone = &app.ledger.shop().zone;
    let last = rows.last().map(|row| row.id.to_string()).filter(|_| goes_on);
    let subjects = app.ledger.activity_subjects(&rows).await?;
    let line = |row: ActivityRow| {
        let (what, path) = subject(&row, subjects.get(&row.id));
        Line {
            at: shown::moment(zone, row.at),
            who: row.who,
            act: row.act.words(),
            what,
            path,
            detail: row.detail,
        }
    };
    let lines = rows.into_iter().map(line).collect();
    Ok(HtmlPage(Page { frame: Frame::new(&app, &caller, Room::Settings), lines, before: last }))
}

/// What an entry is about, by a name that people know, and its page. Nobody can do anything with an identifier.
fn subject(row: &ActivityRow, found: Option<&Subject>) -> (String, Option<String>) {
    if let Some(customer) = row.customer {
        let name = if row.what.is_empty() { "an erased customer" } else { &row.what };
        return (name.to_owned(), Some(format!("/customers/{customer}")));
    }
    match found {
        Some(Subject::Item { sku, name, in_store }) => {
            (format!("{name} ({sku})"), Some(format!("/shelf/items/{in_store}")))
        }
        Some(Subject::Sale { id, receipt: Some(receipt) }) => {
            (format!("receipt {receipt}"), Some(format!("/counter/sales/{id}")))
        }
        Some(Subject::Sale { id, receipt: None }) => {
            ("a sale from another system".to_owned(), Some(format!("/counter/sales/{id}")))
        }
        None if row.act == Activity::Certificate => (format!("gift certificate …{}", row.what), None),
        None => (row.what.clone(), None),
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn what_an_entry_is_about_has_a_name_and_no_identifier() {
        let shop = TestShop::open().await;
        let reply = shop.patch("/api/items/COWL", "1", &[("if-match", "*")], json!({"price": "50.00"})).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let sold = shop.sell("COWL", "2").await;
        let id = sold["id"].as_str().expect("an id").to_owned();
        let void = shop.post(&format!("/api/sales/{id}/void"), "3", json!({"reason": "typing error"})).await;
        assert!(void.status < 300, "{}", void.text());
        let page = shop.get("/settings/activity").await;
        let receipt = sold["receipt"].to_string().replace('"', "");
        let link = format!("<a href=\"/counter/sales/{id}\">receipt {receipt}</a>");
        assert!(page.text().contains(&link), "{link} in {}", page.text());
        assert!(page.text().contains("Moor cowl (COWL)</a>"), "{}", page.text());
        let without_links = page.text().replace(&format!("/counter/sales/{id}"), "");
        assert!(!without_links.contains(&id), "{}", page.text());
    }

    #[tokio::test]
    async fn the_list_is_read_page_by_page() {
        let shop = TestShop::open().await;
        for n in 0..=super::LINES {
            let price = format!("{}.00", n + 50);
            let reply =
                shop.patch("/api/items/COWL", &price, &[("if-match", "*")], json!({"price": price})).await;
            assert_eq!(reply.status, 200, "{}", reply.text());
        }
        let first = shop.get("/settings/activity").await;
        let page = first.text();
        assert!(page.contains("$149.00 → $150.00, price override") && !page.contains("→ $50.00"), "{page}");
        let (_, rest) = page.split_once("href=\"/settings/activity?before=").expect("the next page");
        let id = rest.split('"').next().expect("an id");
        let next = shop.get(&format!("/settings/activity?before={id}")).await;
        assert!(
            next.text().contains("$48.00 → $50.00") && !next.text().contains("149.00"),
            "{}",
            next.text()
        );
        assert_eq!(shop.get("/settings/activity?before=x").await.status, 422);
    }
}
