//! GET /shelf/counts/{id}: the page on which a count is scanned.

use super::stock_counts::{self, CountShown};
use super::{Way, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::response::Response;
use domain::ids::StockCountId;
use domain::stock::ItemKind;
use ledger::shelf::{CountedLine, ScanFinding, Scanned};

/// How many of the latest scans are shown, so that people see that each was taken.
const LATEST: usize = 12;

/// Something that was counted.
pub(crate) struct LineShown {
    pub(crate) title: String,
    pub(crate) about: String,
    pub(crate) counted: String,
    pub(crate) booked: String,
    pub(crate) difference: String,
    /// How it compares to the books, in words.
    pub(crate) words: String,
    pub(crate) agrees: bool,
}

/// A line of a count in words.
pub(crate) fn line(line: &CountedLine) -> LineShown {
    let (counted, booked) = (line.counted.stock_units(), line.booked.stock_units());
    let words = match (line.kind, counted.cmp(&booked)) {
        (_, std::cmp::Ordering::Equal) => "matches",
        (ItemKind::Piece, std::cmp::Ordering::Less) if line.is_held => "missing, on hold for a customer",
        (ItemKind::Piece, std::cmp::Ordering::Less) => "missing",
        (ItemKind::Piece, std::cmp::Ordering::Greater) => "not expected: recorded as gone",
        (_, std::cmp::Ordering::Less) if counted == 0 => "not counted",
        (_, std::cmp::Ordering::Less) => "fewer than recorded",
        (_, std::cmp::Ordering::Greater) => "more than recorded",
    };
    let color = domain::color::shown(&line.color);
    let about: Vec<&str> =
        [line.sku.as_str(), &color, &line.size].into_iter().filter(|w| !w.is_empty()).collect();
    let sign = if line.difference.stock_units() > 0 { "+" } else { "" };
    LineShown {
        title: line.title.clone(),
        about: about.join(" · "),
        counted: line.counted.to_string(),
        booked: line.booked.to_string(),
        difference: format!("{sign}{}", line.difference),
        words: line.left.as_ref().map_or_else(|| words.to_owned(), ::words::left),
        agrees: counted == booked,
    }
}

/// What the page says about a scan, and whether it went well.
pub(crate) struct Said {
    pub(crate) title: String,
    pub(crate) words: String,
    pub(crate) is_well: bool,
}

pub(crate) fn said(scanned: &Scanned) -> Said {
    let amount =
        |quantity: Option<domain::quantity::Quantity>| quantity.map(|q| q.to_string()).unwrap_or_default();
    let (counted, booked) = (amount(scanned.counted), amount(scanned.booked));
    let (words, is_well) = match &scanned.finding {
        ScanFinding::Agrees => (format!("Counted {counted}. It matches the recorded stock."), true),
        ScanFinding::Fewer => (format!("Counted {counted} so far; recorded stock is {booked}."), true),
        ScanFinding::More => (format!("Counted {counted}; recorded stock is {booked}."), false),
        ScanFinding::Again => ("Already counted. It still counts as one.".to_owned(), true),
        ScanFinding::NotExpected(why) => (format!("Not expected: {}.", ::words::rejection(why)), false),
        ScanFinding::Unknown => {
            ("No item has this code. It is noted; set the item aside and check it later.".to_owned(), false)
        }
    };
    let title = if scanned.title.is_empty() { scanned.sku.clone() } else { scanned.title.clone() };
    Said { title, words, is_well }
}

#[derive(Template)]
#[template(path = "shelf/stock_count.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    count: CountShown,
    expected: i64,
    counted: i64,
    latest: Vec<LineShown>,
    said: Option<Said>,
    faults: Faults,
    code: String,
    quantity: String,
}

/// The page, with the last scan's result or fault.
pub(crate) async fn page(
    app: &App,
    caller: &Caller,
    id: StockCountId,
    said: Option<Said>,
    again: Option<(&Form, Faults)>,
) -> Result<Page, Problem> {
    let view = app.ledger.stock_count(id).await?;
    let progress = app.ledger.stock_count_progress(&view, LATEST).await?;
    let typed = |name| again.as_ref().map(|(form, _)| form.text(name).to_owned()).unwrap_or_default();
    Ok(Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, "/shelf/counts"),
        count: stock_counts::shown(&view, &app.ledger.shop().zone),
        expected: progress.expected,
        counted: progress.counted,
        latest: progress.latest.iter().map(line).collect(),
        said,
        code: typed("code"),
        quantity: typed("quantity"),
        faults: again.map(|(_, faults)| faults).unwrap_or_default(),
    })
}

/// GET /shelf/counts/{id}
pub(crate) async fn read_stock_count(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<StockCountId>,
) -> Result<Response, Problem> {
    let page = page(&app, &caller, id, None, None).await?;
    if !page.count.is_open {
        return Ok(see_other(&format!("{}/differences", page.count.path)));
    }
    Ok(HtmlPage(page).with_camera())
}
