//! GET and POST /online/choose: pieces are chosen by filter and by ticking, and listed.

use super::pieces::{self, Piece};
use super::put_out::{Ways, out};
use super::texts::AT_ONCE;
use crate::app::App;
use crate::feed_adapter::{FEED, Outgoing};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::counted;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::ids::ConnectionId;
use domain::stock::ListingState;
use ledger::shelf::ItemView;
use serde::Deserialize;

/// Items that are read while looking for those of one style.
const MOST_READ: usize = 2000;
/// Online shops that are offered.
const MOST_SHOPS: usize = 20;
/// The ways to a feed, in the form's field `to`.
const FOLDER: &str = "folder";
const DOWNLOAD: &str = "download";

/// Which pieces are shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Show {
    /// Listed nowhere, the newest first.
    #[default]
    New,
    /// Listed by the feed, and another price, text or stock since.
    Changed,
}

impl Show {
    fn code(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Changed => "changed",
        }
    }
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ChooseQuery {
    #[serde(default)]
    show: Show,
    /// A style's name; all if empty.
    #[serde(default)]
    style: String,
    /// `all` if every piece is ticked.
    #[serde(default)]
    tick: String,
}

impl ChooseQuery {
    fn of_form(form: &Form) -> Self {
        let show = if form.text("show") == Show::Changed.code() { Show::Changed } else { Show::New };
        Self { show, style: form.text("style").to_owned(), tick: String::new() }
    }
}

/// A place where pieces can be listed: its value in the form, its name, and what happens there.
struct Target {
    value: String,
    name: String,
    words: String,
}

#[derive(Template)]
#[template(path = "online/choose.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    asked: ChooseQuery,
    styles: Vec<String>,
    pieces: Vec<(Piece, bool)>,
    ticked: usize,
    /// Whether there are more than are shown.
    more: bool,
    targets: Vec<Target>,
    faults: Faults,
}

impl Page {
    /// `asked` with its style as part of an address.
    fn tick_all(&self) -> String {
        let style: String = form_urlencoded::byte_serialize(self.asked.style.as_bytes()).collect();
        format!("/online/choose?show={}&style={style}&tick=all", self.asked.show.code())
    }

    fn sentence(&self) -> String {
        match self.ticked {
            0 => "Nothing is ticked yet.".to_owned(),
            ticked => format!("{} ticked.", counted(ticked, "piece is", "pieces are")),
        }
    }
}

/// GET /online/choose
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<ChooseQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller, asked, &[]).await?))
}

async fn page(app: &App, caller: &Caller, asked: ChooseQuery, ticked: &[&str]) -> Result<Page, Problem> {
    let mut items = items(app, &asked).await?;
    let more = items.len() > AT_ONCE;
    items.truncate(AT_ONCE);
    let all = asked.tick == "all";
    let pieces = pieces::of(app, &items).await?.into_iter();
    let pieces: Vec<_> = pieces
        .map(|piece| {
            let is_ticked = all || ticked.contains(&piece.sku.as_str());
            (piece, is_ticked)
        })
        .collect();
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "new",
        styles: app.ledger.styles().await?.into_iter().map(|style| style.name).collect(),
        ticked: pieces.iter().filter(|(_, is_ticked)| *is_ticked).count(),
        pieces,
        more,
        targets: targets(app).await?,
        asked,
        faults: Faults::default(),
    })
}

/// One more than is shown, if there are so many.
async fn items(app: &App, asked: &ChooseQuery) -> Result<Vec<ItemView>, Problem> {
    let feed = app.ledger.connection(FEED).await?;
    let is_meant =
        |item: &ItemView| asked.style.is_empty() || item.style.as_deref() == Some(asked.style.as_str());
    let mut found = match asked.show {
        Show::New => unlisted(app, feed, is_meant).await?,
        Show::Changed => changed(app, feed).await?,
    };
    found.retain(is_meant);
    Ok(found)
}

async fn unlisted(
    app: &App,
    feed: ConnectionId,
    is_meant: impl Fn(&ItemView) -> bool,
) -> Result<Vec<ItemView>, Problem> {
    let (mut found, mut read, mut before) = (Vec::new(), 0, None);
    while found.len() <= AT_ONCE && read < MOST_READ {
        let page = app.ledger.unlisted(feed, before, AT_ONCE + 1).await?;
        let is_last = page.len() <= AT_ONCE;
        read += page.len();
        before = page.last().map(|item| item.id);
        found.extend(page.into_iter().filter(&is_meant));
        if is_last {
            break;
        }
    }
    Ok(found)
}

/// The first page of changes is more than is shown.
async fn changed(app: &App, feed: ConnectionId) -> Result<Vec<ItemView>, Problem> {
    let rows = app.ledger.waiting_listings(feed, None).await?.rows()?;
    let codes = rows
        .iter()
        .filter(|row| row.state == Some(ListingState::Listed))
        .filter_map(|row| Code::parse(&row.sku).ok())
        .take(MOST_READ);
    Ok(app.ledger.known_items(&codes.collect::<Vec<_>>()).await?)
}

async fn targets(app: &App) -> Result<Vec<Target>, Problem> {
    let ways = Ways::read(app).await?;
    let target = |value: &str, name: &str, words: String| Target {
        value: value.to_owned(),
        name: name.to_owned(),
        words,
    };
    let mut targets = Vec::new();
    if let Some(folder) = &ways.folder {
        let words = format!("They are written to a file in {folder}, which your online shop reads.");
        targets.push(target(FOLDER, "Feed in the folder", words));
    }
    if ways.any {
        let words = "You get a file to upload to your online shop.".to_owned();
        targets.push(target(DOWNLOAD, "File to download", words));
    }
    let shops = app.ledger.connection_statuses().await?.into_iter().take(MOST_SHOPS);
    targets.extend(shops.map(|shop| {
        let words =
            format!("They are sent to the online shop {} right away, and kept up to date.", shop.name);
        target(&shop.name, &format!("Online shop {}", shop.name), words)
    }));
    Ok(targets)
}

/// POST /online/choose. What is listed stays listed, so a second press does nothing more.
pub(crate) async fn list(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    match listed(&app, &form).await {
        Ok(response) => Ok(response),
        Err(problem) => {
            let faults = Faults::of(problem)?;
            let asked = ChooseQuery::of_form(&form);
            let page = Page { faults, ..page(&app, &form.caller, asked, &form.all("piece")).await? };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

async fn listed(app: &App, form: &Form) -> Result<Response, Problem> {
    let chosen = form.all("piece");
    if chosen.is_empty() || chosen.len() > AT_ONCE {
        return Err(Problem::invalid("#/piece", format!("tick 1 to {AT_ONCE} pieces")));
    }
    let codes = chosen.iter().map(|sku| Code::parse(sku).map_err(|error| Problem::invalid("#/piece", error)));
    let codes = codes.collect::<Result<Vec<_>, _>>()?;
    match form.text("to") {
        "" => Err(Problem::invalid("#/to", "choose where to list them")),
        to @ (FOLDER | DOWNLOAD) => {
            let items = app.ledger.items_of(&codes).await?.into_iter().map(|item| item.id).collect();
            out(app, Outgoing::Pieces(items), "", to == DOWNLOAD).await
        }
        shop => {
            let connection = app.ledger.connection(shop).await?;
            let count = app.ledger.put_on_connection(connection, Some(&codes), &form.caller.who).await?;
            let shop: String = form_urlencoded::byte_serialize(shop.as_bytes()).collect();
            Ok(see_other(&format!("/online/connections/{shop}?did=put&count={count}")))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{add_pieces, send};
    use crate::testing::TestShop;

    #[tokio::test]
    async fn pieces_are_chosen_and_written_to_a_feed() {
        let shop = TestShop::open().await.with_feed_adapter();
        add_pieces(&shop, 3).await;
        let page = shop.get("/online/choose").await;
        for part in
            ["New cowl 1", "Nothing is ticked yet.", "Tick all 7 pieces", "They are written to a file in out"]
        {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        let all = shop.get("/online/choose?show=new&style=&tick=all").await;
        assert!(all.text().contains("7 pieces are ticked."), "{}", all.text());
        let none = shop.get("/online/choose?style=Nothing").await;
        assert!(none.text().contains("No pieces match"), "{}", none.text());
        let refused = send(&shop, "/online/choose", &[("to", "folder")]).await;
        assert!(
            refused.status == 422 && refused.text().contains("Tick 1 to 200 pieces"),
            "{}",
            refused.text()
        );
        let nowhere = send(&shop, "/online/choose", &[("piece", "N1")]).await;
        assert!(
            nowhere.status == 422 && nowhere.text().contains("Choose where to list"),
            "{}",
            nowhere.text()
        );
        assert!(nowhere.text().contains("value=\"N1\" checked"), "what was ticked stays: {}", nowhere.text());
        let fields = [("piece", "N1"), ("piece", "COWL"), ("to", "folder")];
        let done = send(&shop, "/online/choose", &fields).await;
        assert_eq!(done.status, 303, "{}", done.text());
        assert!(
            shop.get(done.header("location").expect("a place"))
                .await
                .text()
                .contains("2 listings were exported")
        );
        let left = shop.get("/online/choose").await;
        assert!(
            left.text().contains("Tick all 5 pieces") && !left.text().contains("New cowl 1<"),
            "{}",
            left.text()
        );
    }

    #[tokio::test]
    async fn pieces_are_put_on_an_online_shop() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        let page = shop.get("/online/choose").await;
        assert!(
            page.text().contains("They are sent to the online shop village right away"),
            "{}",
            page.text()
        );
        let fields = [("piece", "COWL"), ("piece", "HAT"), ("to", "village")];
        let done = send(&shop, "/online/choose", &fields).await;
        assert_eq!(
            done.header("location"),
            Some("/online/connections/village?did=put&count=2"),
            "{}",
            done.text()
        );
        let unknown = send(&shop, "/online/choose", &[("piece", "COWL"), ("to", "nowhere")]).await;
        assert_eq!(unknown.status, 422, "{}", unknown.text());
    }
}
