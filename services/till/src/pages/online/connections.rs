//! GET /online/connections: the online shops that are kept up to date automatically, and their status.

mod deferred;
mod difference;
mod end;
mod ids;
pub(crate) mod late;
mod now;
mod one;
mod put;
mod reconcile;
mod reread;
mod resend;
mod text;

use crate::app::App;
use crate::connection_adapter::ConnectionAdapter;
use crate::meters::connections::lag_seconds;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown;
use crate::problem::{Kind, Problem};
use crate::request::caller::{Access, Caller};
use crate::request::query::no_such;
use crate::request::route::Route;
use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{FromRequestParts, Path, State};
use axum::http::request::Parts;
use domain::day::{Moment, Zone};
use domain::people::Permission;
use ledger::online::{ConnectionStatus, LiveConnection};
use std::collections::BTreeMap;
use std::sync::Arc;

pub use text::FIRST_CONNECTION;

const PATH: &str = "/online/connections";

/// Its routes. Whoever manages the online shop may send again, list pieces and resolve differences; only the
/// owner defines connections.
pub(super) fn routes() -> Vec<Route> {
    let (list, run) = (Access::With(Permission::List), Access::With(Permission::Run));
    vec![
        Route::get(PATH, list, show),
        Route::get("/online/new-connection", run, text::new),
        Route::post(PATH, run, text::save_new),
        Route::get("/online/connections/{name}", list, one::show),
        Route::get("/online/connections/{name}/text", run, text::show),
        Route::post("/online/connections/{name}/text", run, text::save),
        Route::post("/online/connections/{name}/end", run, end::end),
        Route::post("/online/connections/{name}/resend", list, resend::resend),
        Route::post("/online/connections/{name}/put", list, put::put),
        Route::post("/online/connections/{name}/ids", list, ids::enter),
        Route::post("/online/connections/{name}/now", list, now::now),
        Route::post("/online/connections/{name}/try", list, now::try_it),
        Route::post("/online/connections/{name}/reread", list, reread::reread),
        Route::post("/online/connections/{name}/reconcile", list, reconcile::fetch),
        Route::post("/online/connections/{name}/compare", list, reconcile::compare),
        Route::post("/online/connections/{name}/deferred/{order}", list, deferred::settle),
        Route::post("/online/connections/{name}/differences/{difference}", list, difference::settle),
    ]
}

fn path(name: &str) -> String {
    // Its name has only lowercase letters, digits and hyphens.
    format!("{PATH}/{name}")
}

/// A connection's status, as pages show it.
pub(crate) struct Figures {
    pub(crate) name: String,
    path: String,
    channel: String,
    lag: String,
    is_late: bool,
    waiting: i64,
    parked: i64,
    sent: i64,
    refused: i64,
    deferred: i64,
    differences: i64,
    contact: Option<String>,
    quiet: Option<String>,
    troubles: Vec<(String, String)>,
    unsigned: i64,
}

/// A span of time, for people.
fn span(seconds: i64) -> String {
    match (seconds / 3600, seconds / 60 % 60, seconds % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, _) => format!("{m} min"),
        (h, m, _) if h < 48 => format!("{h} h {m} min"),
        (h, _, _) => format!("{} days", h / 24),
    }
}

fn figures(status: ConnectionStatus, zone: &Zone, now: Moment) -> Figures {
    let lag = lag_seconds(&status, now);
    Figures {
        path: path(&status.name),
        lag: lag.map_or_else(|| "Nothing waiting".to_owned(), span),
        is_late: late::is_late(&status, now),
        contact: status.last_contact.map(|at| shown::moment(zone, at)),
        quiet: status.quiet_until.map(|until| shown::moment(zone, until)),
        troubles: status.troubles.into_iter().map(|t| (shown::moment(zone, t.at), t.words)).collect(),
        unsigned: status.unsigned_hooks,
        name: status.name,
        channel: status.channel,
        waiting: status.waiting,
        parked: status.parked,
        sent: status.sent,
        refused: status.refused,
        deferred: status.orders_deferred,
        differences: status.differences,
    }
}

/// The connection that the path calls `name`.
pub(crate) struct ConnectionParam(LiveConnection);

impl FromRequestParts<App> for ConnectionParam {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let Path(parts) = Path::<BTreeMap<String, String>>::from_request_parts(parts, app)
            .await
            .map_err(|error: PathRejection| Problem::new(Kind::Malformed, error.body_text()))?;
        let name = parts.get("name").map(String::as_str).unwrap_or_default();
        let all = app.ledger.live_connections().await?;
        all.into_iter().find(|one| one.name == name).map(Self).ok_or_else(|| no_such("connection", name))
    }
}

/// The adapter, or an error if the program was built without one.
fn adapter(app: &App) -> Result<&Arc<dyn ConnectionAdapter>, Problem> {
    let words = "online shops cannot be reached from this server";
    app.connection_adapter.as_ref().ok_or_else(|| Problem::new(Kind::NotFound, words))
}

#[derive(Template)]
#[template(path = "online/connections/list.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    connections: Vec<Figures>,
    may_run: bool,
}

/// GET /online/connections
pub(crate) async fn show(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    let (zone, now) = (app.ledger.shop().zone.clone(), app.ledger.now());
    let statuses = app.ledger.connection_statuses().await?;
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Online),
        lane: "connections",
        connections: statuses.into_iter().map(|status| figures(status, &zone, now)).collect(),
        may_run: caller.may(Permission::Run),
    }))
}

#[cfg(test)]
mod tests {
    use super::span;
    use crate::testing::TestShop;
    use domain::people::Role;

    #[test]
    fn spans_are_said_as_people_say_them() {
        let check = |seconds: i64, expected: &str| assert_eq!(span(seconds), expected);
        check(0, "0 s");
        check(59, "59 s");
        check(60, "1 min");
        check(3599, "59 min");
        check(3600, "1 h 0 min");
        check(7500, "2 h 5 min");
        check(172_799, "47 h 59 min");
        check(172_800, "2 days");
    }

    #[tokio::test]
    async fn each_connection_stands_with_its_figures() {
        let shop = TestShop::open().await.with_connection_adapter();
        let none = shop.get("/online/connections").await;
        assert!(none.text().contains("No online shop is connected"), "{}", none.text());
        shop.connect("village").await;
        shop.put_on("village", &["COWL", "HAT"]).await;
        shop.advance_millis(20 * 60 * 1000);
        let page = shop.get("/online/connections").await;
        for part in ["href=\"/online/connections/village\"", "20 min", "Never", "/online/new-connection"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        let makers = shop.as_role(Role::Maker).get("/online/connections").await;
        assert!(!makers.text().contains("/online/new-connection"), "{}", makers.text());
    }
}
