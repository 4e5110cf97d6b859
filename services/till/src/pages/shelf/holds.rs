//! GET /shelf/holds: every open hold.

use super::item::{HoldShown, hold};
use super::{Way, ways};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{Page as Part, QueryParam};
use askama::Template;
use axum::extract::State;
use domain::ids::HoldGroupId;
use domain::people::Permission;
use serde::Deserialize;

/// Which part of the list to show.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct HoldsQuery {
    cursor: Option<String>,
}

#[derive(Template)]
#[template(path = "shelf/holds.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    holds: Vec<HoldShown>,
    next: Option<String>,
    may_sell: bool,
}

/// GET /shelf/holds
pub(crate) async fn list_holds(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<HoldsQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let part = Part::<HoldGroupId>::read(query.cursor.as_deref(), None)?;
    let mut holds = app.ledger.open_holds(part.after, part.and_one()).await?;
    let next = part.cut(&mut holds, |hold| hold.id.to_string());
    let zone = &app.ledger.shop().zone;
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, "/shelf/holds"),
        holds: holds.iter().map(|h| hold(h, zone)).collect(),
        next: next.map(|cursor| format!("/shelf/holds?cursor={cursor}")),
        may_sell: caller.may(Permission::Sell),
    }))
}
