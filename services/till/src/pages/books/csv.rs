//! GET /books/csv: a year as `fleecefold books --format csv` prints it.

use super::Summed;
use super::year::{YearQuery, rows};
use crate::app::App;
use crate::problem::Problem;
use crate::request::query::QueryParam;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use domain::revenue::COLUMNS;
use ledger::books::BooksRow;
use std::fmt::Write;

/// RFC 4180 and RFC 7111.
const CSV: &str = "text/csv; charset=utf-8; header=present";

/// The rows with their headings. Months, channels' codes and figures contain nothing that needs quotes.
fn text(rows: &[BooksRow]) -> Result<String, Problem> {
    let mut text = format!("month,channel,{}\n", COLUMNS.join(","));
    for row in rows {
        let (Some(month), Some(channel)) = (row.month, &row.channel) else { continue };
        let cells = row.figures.cells().summed()?;
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{month},{channel},{}", cells.join(","));
    }
    Ok(text)
}

/// GET /books/csv
pub(crate) async fn download(
    State(app): State<App>,
    QueryParam(asked): QueryParam<YearQuery>,
) -> Result<Response, Problem> {
    let span = app.ledger.books_span().await?;
    let (from, to) = asked.read(&app, span.map(|(_, last)| last))?;
    let text = text(&rows(&app, from, to).await?)?;
    let name = format!("attachment; filename=\"books-{}.csv\"", from.year());
    Ok(([(header::CONTENT_TYPE, CSV.to_owned()), (header::CONTENT_DISPOSITION, name)], text).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_year_is_downloaded_under_the_columns_of_the_command_line() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let reply = shop.get("/books/csv?year=2026").await;
        assert_eq!(
            (reply.status, reply.header("content-type"), reply.header("content-disposition")),
            (200, Some(super::CSV), Some("attachment; filename=\"books-2026.csv\""))
        );
        // The columns are those of design 9.
        let expected = "month,channel,sales,units,ounces,gross,discounts,refunds,net,shipping,tax,fees,postage,cost,\
            margin,uncosted,rounding\n\
            2026-05,store,1,1,0.00,48.00,0.00,0.00,48.00,0.00,0.00,0.00,0.00,12.50,35.50,0,0.00\n";
        assert_eq!(reply.text(), expected);
        assert_eq!(shop.get("/books/csv?year=2025").await.text().lines().count(), 1);
    }
}
