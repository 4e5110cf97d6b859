//! GET /online/layouts

use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use askama::Template;
use axum::extract::State;

/// The layouts that the shop keeps.
#[derive(Template)]
#[template(path = "online/layouts.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    rows: Vec<Row>,
}

struct Row {
    name: String,
    address: String,
    feed: Option<String>,
    wrong: Option<String>,
    changed: String,
    who: String,
}

/// GET /online/layouts
pub(crate) async fn show(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    let kept = app.ledger.layouts().await?;
    let zone = &app.ledger.shop().zone;
    let row = |layout: ledger::online::KeptLayout| {
        let read = app.feed_adapter.as_ref().map(|adapter| adapter.read_layout(&layout.text));
        let (feed, wrong) = match read {
            None => (None, None),
            Some(Ok(feed)) => (Some(feed), None),
            Some(Err(fault)) => (None, Some(fault.to_string())),
        };
        Row {
            address: form_urlencoded::byte_serialize(layout.name.as_bytes()).collect(),
            name: layout.name,
            feed,
            wrong,
            changed: shown::moment(zone, layout.changed),
            who: layout.who,
        }
    };
    let rows = kept.into_iter().map(row).collect();
    Ok(HtmlPage(Page { frame: Frame::new(&app, &caller, Room::Online), lane: "layouts", rows }))
}
