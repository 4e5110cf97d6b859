//! GET /shelf/counts/{id}/differences: where the count and the books differ, and the form that ends the
//! count.

use super::stock_count::{LineShown, line};
use super::stock_counts::{self, CountShown};
use super::{Way, ways};
use crate::app::App;
use crate::pages::form::Faults;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use domain::ids::StockCountId;

/// Lines of each list that are shown; of the rest, only their number.
const LISTED: usize = 500;

#[derive(Template)]
#[template(path = "shelf/stock_count_differences.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    count: CountShown,
    missing: Vec<LineShown>,
    missing_count: i64,
    missing_more: i64,
    differing: Vec<LineShown>,
    strays: Vec<(String, i64)>,
    faults: Faults,
}

/// The page, with what went wrong when the count was to be ended, if anything.
pub(crate) async fn page(
    app: &App,
    caller: &Caller,
    id: StockCountId,
    faults: Faults,
) -> Result<Page, Problem> {
    let view = app.ledger.stock_count(id).await?;
    let findings = app.ledger.stock_count_findings(&view, LISTED).await?;
    let shown = i64::try_from(findings.missing.len()).unwrap_or(i64::MAX);
    Ok(Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, "/shelf/counts"),
        count: stock_counts::shown(&view, &app.ledger.shop().zone),
        missing: findings.missing.iter().map(line).collect(),
        missing_count: findings.missing_count,
        missing_more: findings.missing_count - shown,
        differing: findings.differing.iter().map(line).collect(),
        strays: findings.strays,
        faults,
    })
}

/// GET /shelf/counts/{id}/differences
pub(crate) async fn read_differences(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<StockCountId>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller, id, Faults::default()).await?))
}
