//! A connection's text: GET /online/new-connection and POST /online/connections for a new one, GET and POST
//! /online/connections/{name}/text for an existing one. It contains no secret, only their names.

use super::{ConnectionParam, adapter, path};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ledger::online::SaveConnection;

/// The text with which a new connection starts.
pub const FIRST_CONNECTION: &str = include_str!("first.toml");

#[derive(Template)]
#[template(path = "online/connections/text.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    is_new: bool,
    name: String,
    text: String,
    revision: i64,
    secrets: Option<String>,
    faults: Faults,
}

impl Page {
    fn new(app: &App, caller: &Caller, name: String, text: String, revision: i64) -> Self {
        Self {
            frame: Frame::new(app, caller, Room::Online),
            lane: "connections",
            is_new: revision == 0,
            name,
            text,
            revision,
            secrets: app.connection_adapter.as_ref().map(|adapter| adapter.where_secrets_go()),
            faults: Faults::default(),
        }
    }
}

/// GET /online/new-connection
pub(crate) async fn new(State(app): State<App>, caller: Caller) -> HtmlPage<Page> {
    HtmlPage(Page::new(&app, &caller, String::new(), FIRST_CONNECTION.to_owned(), 0))
}

/// GET /online/connections/{name}/text
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    ConnectionParam(of): ConnectionParam,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::new(&app, &caller, of.name, of.text, of.revision)))
}

/// POST /online/connections
pub(crate) async fn save_new(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let name = form.text("name").to_owned();
    let there = app.ledger.live_connections().await?.into_iter().any(|one| one.name == name);
    if there {
        let taken = Faults::one("name", "a connection with this name already exists; choose another name");
        return Ok(redisplay(&app, &form, name, 0, taken));
    }
    keep(&app, &form, name, 0).await
}

/// POST /online/connections/{name}/text
pub(crate) async fn save(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let name = of.name.clone();
    if form.text("revision").parse() != Ok(of.revision) {
        let words = "someone else changed this text. Open the connection in another tab to compare, and save again to replace their text";
        return Ok(redisplay(&app, &form, name, of.revision, Faults::one("text", words)));
    }
    keep(&app, &form, name, of.revision).await
}

/// A text that cannot be used is not saved: it would fail later, with nobody watching.
async fn keep(app: &App, form: &Form, name: String, revision: i64) -> Result<Response, Problem> {
    let text = text_of(form);
    let read = match adapter(app)?.read_connection(&text) {
        Ok(read) => read,
        Err(fault) => {
            return Ok(redisplay(app, form, name, revision, Faults::one("text", fault.to_string())));
        }
    };
    let save = SaveConnection {
        name: name.clone(),
        channel: read.channel,
        text,
        new_pieces: read.new_pieces,
        takes_orders: read.takes_orders,
        who: form.caller.who.clone(),
    };
    match app.run(&form.key, &save).await {
        Ok(_) => Ok(see_other(&format!("{}?did=saved", path(&name)))),
        Err(problem) => Ok(redisplay(app, form, name, revision, Faults::of(problem)?)),
    }
}

fn text_of(form: &Form) -> String {
    form.raw("text").replace("\r\n", "\n")
}

fn redisplay(app: &App, form: &Form, name: String, revision: i64, faults: Faults) -> Response {
    let page = Page { faults, ..Page::new(app, &form.caller, name, text_of(form), revision) };
    (StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response()
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::{send, values};
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_connection_is_made_and_changed_by_its_text() {
        let shop = TestShop::open().await.with_connection_adapter();
        let new = shop.get("/online/new-connection").await;
        assert!(
            new.text().contains("base = ") && new.text().contains("FLEECEFOLD_SECRET_"),
            "{}",
            new.text()
        );
        assert!(!new.text().contains("type=\"password\""), "no secret is asked for");
        let make = async |name: &str, text: &str| {
            send(&shop, "/online/connections", &[("name", name), ("text", text), ("revision", "0")]).await
        };
        let wrong = make("village", "channel = \"online\"\nbass = 2").await;
        assert!(
            wrong.status == 422 && wrong.text().contains("Line 2: bass is not known"),
            "{}",
            wrong.text()
        );
        assert!(wrong.text().contains("bass = 2"), "what was typed is kept");
        let odd = make("Village Shop", "channel = \"online\"").await;
        assert!(odd.status == 422 && odd.text().contains("lowercase letters"), "{}", odd.text());
        let made = make("village", "channel = \"online\"").await;
        let place = Some("/online/connections/village?did=saved");
        assert_eq!((made.status, made.header("location")), (303, place), "{}", made.text());
        let twice = make("village", "channel = \"market\"").await;
        assert!(twice.status == 422 && twice.text().contains("already exists"), "{}", twice.text());
        let to = "/online/connections/village/text";
        let revision = values(shop.get(to).await.text(), "revision").remove(0);
        let change = [("text", "channel = \"market\""), ("revision", revision.as_str())];
        assert_eq!(send(&shop, to, &change).await.status, 303);
        let stale =
            send(&shop, to, &[("text", "channel = \"store\""), ("revision", revision.as_str())]).await;
        assert!(
            stale.status == 422 && stale.text().contains("Someone else changed this text"),
            "{}",
            stale.text()
        );
        let kept = shop.ledger().live_connections().await.expect("connections").remove(0);
        assert_eq!((kept.channel.to_string(), kept.revision), ("market".to_owned(), 2));
        assert_eq!(make("harbour", "channel = \"online\"\n[orders]").await.status, 303);
        let second = make("third", "channel = \"online\"\n[orders]").await;
        assert_eq!(second.status, 422);
        assert!(
            second.text().contains("connection harbour already imports the orders of online"),
            "{}",
            second.text()
        );
    }
}
