//! GET /books: a year of months by channel.

use super::chart::{Strip, strips};
use super::table::{Table, table};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use domain::day::Month;
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use serde::Deserialize;

/// Which year; by default the last one in the books.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct YearQuery {
    pub(super) year: Option<String>,
}

impl YearQuery {
    /// The first and the last month of the year, for books that end with `last`.
    pub(super) fn read(&self, app: &App, last: Option<Month>) -> Result<(Month, Month), Problem> {
        let wrong = || Problem::invalid_parameter("year", "enter a year such as 2026");
        let year = match &self.year {
            None => last.map_or_else(|| this_year(app), Month::year),
            Some(text) if text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit()) => {
                text.parse().map_err(|_| wrong())?
            }
            Some(_) => return Err(wrong()),
        };
        Month::of_year(year, 1).zip(Month::of_year(year, 12)).ok_or_else(wrong)
    }
}

fn this_year(app: &App) -> i64 {
    app.ledger.shop().zone.day_of(app.ledger.now()).month().year()
}

#[derive(Debug)]
pub(crate) struct YearDoor {
    year: i64,
    is_here: bool,
}

#[derive(Template)]
#[template(path = "books/year.html")]
pub(crate) struct Page {
    frame: Frame,
    year: i64,
    years: Vec<YearDoor>,
    strips: Vec<Strip>,
    table: Table,
}

/// A year of months by channel.
pub(super) async fn rows(app: &App, from: Month, to: Month) -> Result<Vec<BooksRow>, Problem> {
    let by = BooksBy { day: false, month: true, channel: true };
    Ok(app.ledger.books(&BooksQuery { from: Some(from), to: Some(to), by }).await?)
}

/// GET /books
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<YearQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let span = app.ledger.books_span().await?;
    let (from, to) = asked.read(&app, span.map(|(_, last)| last))?;
    let rows = rows(&app, from, to).await?;
    let shop = app.ledger.shop();
    let year = from.year();
    let (first, last) =
        span.map_or((year, year), |(first, last)| (first.year().min(year), last.year().max(year)));
    let path = |row: &BooksRow| row.month.map_or(String::new(), |month| format!("/books/month/{month}"));
    let name = |row: &BooksRow| row.month.map_or(String::new(), Month::name);
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Books),
        year,
        years: (first..=last).map(|y| YearDoor { year: y, is_here: y == year }).collect(),
        strips: strips(&shop, &rows)?,
        table: table(&shop, "month", &rows, |row| (name(row), path(row)))?,
    }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    async fn shop_with_sales() -> TestShop {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let roving = json!({"channel": "market", "tenders": [{"kind": "cash", "amount": "10.00"}],
            "lines": [{"sku": "ROVING", "quantity": "3.5", "unitCode": "ONZ", "discount": "0.38", "tax": "0.50"}]});
        assert_eq!(shop.post("/api/sales", "k2", roving).await.status, 201);
        shop
    }

    #[tokio::test]
    async fn an_empty_year_says_what_to_do() {
        let reply = TestShop::open().await.get("/books").await;
        assert_eq!(reply.status, 200);
        assert!(reply.text().contains("No sales in 2026"), "{}", reply.text());
        assert!(!reply.text().contains("<svg viewBox"), "{}", reply.text());
    }

    #[tokio::test]
    async fn a_year_has_its_months_by_channel_as_table_and_as_chart() {
        let shop = shop_with_sales().await;
        let reply = shop.get("/books?year=2026").await;
        let page = crate::pages::books::table::without_labels(reply.text());
        // Calculated by hand: 7.88 less 0.38 at the market, 48.00 in the store, which cost 12.50.
        let market = "<th scope=\"row\">Market stall</th><td class=\"figure\">1</td><td class=\"figure\">1</td>\
            <td class=\"figure\">3.50</td><td class=\"figure\">$7.88</td><td class=\"figure\">$0.38</td>\
            <td class=\"figure\">$0.00</td><td class=\"figure\">$7.50</td>";
        let all = "<tr class=\"sum\"><th scope=\"row\">Total</th><td class=\"figure\">2</td><td class=\"figure\">2</td>\
            <td class=\"figure\">3.50</td><td class=\"figure\">$55.88</td>";
        for part in [
            market,
            all,
            "<th scope=\"col\" class=\"figure\">No cost</th>",
            "<a href=\"/books/month/2026-05\">May</a>",
            "href=\"/books/csv?year=2026\"",
        ] {
            assert!(page.contains(part), "{part} in {page}");
        }
        // Each channel's strip, and one of all: identified by labels and weave, not by color.
        assert_eq!(page.matches("<svg viewBox").count(), 3, "{page}");
        for part in ["Market stall", "Farm store", "All channels", "id=\"weave-market\"", "May 2026: $7.50"] {
            assert!(page.contains(part), "{part} in {page}");
        }
    }

    #[tokio::test]
    async fn years_lie_side_by_side() {
        let shop = shop_with_sales().await;
        let page = shop.get("/books?year=2024").await;
        for year in 2024..=2026 {
            let here = if year == 2024 { " aria-current=\"page\"" } else { "" };
            let link = format!("<a href=\"/books?year={year}\"{here}>{year}</a>");
            assert!(page.text().contains(&link), "{link} in {}", page.text());
        }
        for query in ["year=26", "year=0000", "year=+202", "year=2026-05", "month=5"] {
            assert_eq!(shop.get(&format!("/books?{query}")).await.status, 422, "{query}");
        }
    }
}
