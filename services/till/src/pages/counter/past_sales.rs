//! Past sales: GET /counter/sales searches them.

use crate::app::App;
use crate::pages::counter::receipt::void_of;
use crate::pages::form::Faults;
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::{channel_name, moment};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::day::Day;
use domain::money::{Currency, Money};
use domain::receipt::ReceiptCode;
use ledger::Shop;
use ledger::sales::{FoundSales, SaleView, SalesQuery};
use serde::Deserialize;

/// Sales that are listed at once.
const MOST_LISTED: usize = 30;
/// A number with at most this many digits is a receipt's, a longer one a code's: no in-store code or GTIN is
/// this short.
const RECEIPT_DIGITS: usize = 7;

struct Row {
    id: String,
    receipt: String,
    when: String,
    place: String,
    what: String,
    due: String,
    state: String,
}

#[derive(Template)]
#[template(path = "counter/past_sales.html")]
pub(crate) struct List {
    frame: Frame,
    asked: Query,
    rows: Vec<Row>,
    next: Option<String>,
    /// How far back the search went, if it was not to the first sale.
    back_to: Option<String>,
    faults: Faults,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    what: String,
    #[serde(default)]
    day: String,
    #[serde(default)]
    total: String,
    #[serde(default)]
    before: String,
}

impl Query {
    fn read(&self, currency: Currency) -> Result<SalesQuery, Faults> {
        let what = self.what.trim();
        let is_number = !what.is_empty() && what.bytes().all(|b| b.is_ascii_digit());
        let scanned = ReceiptCode::read(what).map(ReceiptCode::receipt);
        let typed = if is_number && what.len() <= RECEIPT_DIGITS { what.parse().ok() } else { None };
        let receipt = scanned.or(typed);
        let code = match (what, receipt) {
            ("", _) | (_, Some(_)) => None,
            // A title or a name may be longer than a code.
            _ => Code::parse(what).ok(),
        };
        let day = match self.day.trim() {
            "" => None,
            text => Some(Day::parse(text).map_err(|error| Faults::one("day", error.to_string()))?),
        };
        let due = match self.total.trim() {
            "" => None,
            text => {
                let text = text.trim_start_matches(domain::shown::symbol(&currency)).replace(',', "");
                let due = Money::parse(&text, currency);
                Some(due.map_err(|error| Faults::one("total", error.to_string()))?)
            }
        };
        Ok(SalesQuery { receipt, code, day, due, words: String::new() })
    }

    /// Whether what was typed may be a title or a name: a misread code has no letters.
    fn has_words(&self) -> bool {
        ReceiptCode::read(&self.what).is_none() && self.what.chars().any(char::is_alphabetic)
    }
}

/// A code finds what has that very code; anything else is searched for in titles, codes and names.
async fn find(app: &App, query: &Query, asked: SalesQuery) -> Result<FoundSales, Problem> {
    let before = query.before.parse().ok();
    let is_typed = asked.code.is_some() || !query.has_words();
    if is_typed {
        let found = app.ledger.find_sales(&asked, before, MOST_LISTED).await?;
        if !found.sales.is_empty() || !query.has_words() {
            return Ok(found);
        }
    }
    let by_words = SalesQuery { code: None, words: query.what.clone(), ..asked };
    Ok(app.ledger.find_sales(&by_words, before, MOST_LISTED).await?)
}

fn row(shop: &Shop, sale: &SaleView, voided: Option<String>) -> Row {
    let titles: Vec<&str> = sale.lines.iter().map(|l| l.line.title.as_str()).collect();
    Row {
        id: sale.id.to_string(),
        receipt: sale.receipt.map_or_else(|| "past".to_owned(), |r| r.to_string()),
        when: moment(&shop.zone, sale.at),
        place: channel_name(shop, &sale.channel),
        what: titles.join(", "),
        due: sale.totals.due.shown(),
        state: match voided {
            Some(words) => words,
            None if sale.refunds.is_empty() => String::new(),
            None => "refunded in part or in full".to_owned(),
        },
    }
}

/// GET /counter/sales
pub(crate) async fn list(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    let shop = app.ledger.shop();
    let frame = Frame::new(&app, &caller, Room::Counter);
    let (found, faults) = match query.read(shop.currency) {
        Ok(asked) => (find(&app, &query, asked).await?, Faults::default()),
        Err(faults) => (FoundSales::default(), faults),
    };
    if let ([only], Some(_)) = (found.sales.as_slice(), ReceiptCode::read(&query.what)) {
        return Ok(see_other(&format!("/counter/sales/{}", only.id)));
    }
    let status = if faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let mut rows = Vec::with_capacity(found.sales.len());
    for sale in &found.sales {
        let voided = void_of(&app, &shop, sale).await?;
        rows.push(row(&shop, sale, voided));
    }
    let next = found.next.map(|sale| sale.to_string());
    let back_to = found.read_back_to.map(|at| moment(&shop.zone, at));
    let page = List { frame, asked: query, rows, next, back_to, faults };
    Ok((status, HtmlPage(page).with_camera()).into_response())
}
