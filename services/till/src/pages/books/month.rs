//! GET /books/month/2026-05: a month's days by channel.

use super::other_income::OtherIncome;
use super::table::{Table, table};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::takings::TakingsTable;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use domain::day::{Day, Month};
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use ledger::sales::TakingsOf;

#[derive(Template)]
#[template(path = "books/month.html")]
pub(crate) struct Page {
    frame: Frame,
    month: Month,
    table: Table,
    takings: TakingsTable,
    other_income: OtherIncome,
}

/// GET /books/month/{month}
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(month): PathParam<Month>,
) -> Result<HtmlPage<Page>, Problem> {
    let by = BooksBy { day: true, month: false, channel: true };
    let rows = app.ledger.books(&BooksQuery { from: Some(month), to: Some(month), by }).await?;
    let shop = app.ledger.shop();
    let path = |row: &BooksRow| row.day.map_or(String::new(), |day| format!("/books/day/{day}"));
    let start = |month: Month| shop.zone.start_of(month.first_day());
    let other_income = OtherIncome::read(&app, (start(month), start(month.next()))).await?;
    let name = |row: &BooksRow| row.day.map_or(String::new(), in_month);
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Books),
        month,
        other_income,
        takings: TakingsTable::read(&app, TakingsOf::Month(month)).await?,
        table: table(&shop, "day", &rows, |row| (name(row), path(row)))?,
    }))
}

/// A day where the month is known: `Sunday 17`.
fn in_month(day: Day) -> String {
    format!("{} {}", day.weekday(), day.number() % 100)
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_month_has_its_days() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        shop.next_day();
        shop.sell("HAT", "k2").await;
        let reply = shop.get("/books/month/2026-05").await;
        let page = reply.text();
        for part in [
            "<h1>May 2026</h1>",
            "<a href=\"/books/day/2026-05-17\">Sunday 17</a>",
            "<a href=\"/books/day/2026-05-18\">Monday 18</a>",
            "href=\"/books/month/2026-04\"",
            "href=\"/books/month/2026-06\"",
            "href=\"/books?year=2026\"",
        ] {
            assert!(page.contains(part), "{part} in {page}");
        }
        assert!(shop.get("/books/month/2026-04").await.text().contains("No sales"));
        for path in ["/books/month/2026-13", "/books/month/may"] {
            assert_eq!(shop.get(path).await.status, 422, "{path}");
        }
    }
}
