//! GET and POST /shelf/counts: the list of counts, and starting one.

use super::find::Choice;
use super::{Way, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::day::Zone;
use ledger::shelf::{BeginStockCount, StockCountState, StockCountView};

/// How many counts are listed: a farm counts a few times a year.
const LISTED: usize = 50;

/// A count's line in the list.
pub(crate) struct CountShown {
    pub(crate) path: String,
    pub(crate) of: String,
    pub(crate) note: String,
    pub(crate) begun: String,
    /// When it ended and who ended it.
    pub(crate) ended: String,
    pub(crate) state: &'static str,
    pub(crate) is_open: bool,
    pub(crate) scans: i64,
}

fn at(moment: String, who: &str) -> String {
    if who.is_empty() { moment } else { format!("{moment}, {who}") }
}

pub(crate) fn shown(view: &StockCountView, zone: &Zone) -> CountShown {
    CountShown {
        path: format!("/shelf/counts/{}", view.id),
        of: view.style.as_ref().map_or("All stock".to_owned(), |(_, name)| name.clone()),
        note: view.note.clone(),
        begun: at(shown::moment(zone, view.begun), &view.begun_by),
        ended: view.ended.map(|ended| at(shown::moment(zone, ended), &view.ended_by)).unwrap_or_default(),
        state: match view.state {
            StockCountState::Open => "in progress",
            StockCountState::Finished => "stock updated",
            StockCountState::Dropped => "canceled",
        },
        is_open: view.state == StockCountState::Open,
        scans: view.scans,
    }
}

#[derive(Template)]
#[template(path = "shelf/stock_counts.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    open: Option<CountShown>,
    past: Vec<CountShown>,
    styles: Vec<Choice>,
    note: String,
    faults: Faults,
}

async fn page(app: &App, caller: &Caller, chosen: &str, note: &str, faults: Faults) -> Result<Page, Problem> {
    let views = app.ledger.stock_counts(LISTED).await?;
    let zone = &app.ledger.shop().zone;
    let (open, past): (Vec<_>, Vec<_>) = views.iter().map(|v| shown(v, zone)).partition(|c| c.is_open);
    let all = (String::new(), "All stock".to_owned());
    let styles = app.ledger.styles().await?.into_iter().map(|s| (s.id.to_string(), s.name));
    let choice = |(value, words): (String, String)| Choice { is_chosen: value == chosen, value, words };
    Ok(Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, "/shelf/counts"),
        open: open.into_iter().next(),
        past,
        styles: std::iter::once(all).chain(styles).map(choice).collect(),
        note: note.to_owned(),
        faults,
    })
}

/// GET /shelf/counts
pub(crate) async fn list_stock_counts(
    State(app): State<App>,
    caller: Caller,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller, "", "", Faults::default()).await?))
}

fn read(form: &Form) -> Result<BeginStockCount, Faults> {
    let style = match form.text("style") {
        "" => None,
        id => Some(id.parse().map_err(|_| Faults::one("style", "choose a style from the list"))?),
    };
    Ok(BeginStockCount { style, note: form.text("note").to_owned(), who: form.caller.who.clone() })
}

/// POST /shelf/counts
pub(crate) async fn begin(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let faults = match read(&form) {
        Err(faults) => faults,
        Ok(command) => match app.run(&form.key, &command).await {
            Ok(done) => return Ok(see_other(&format!("/shelf/counts/{}", done.answer))),
            Err(problem) => Faults::of(problem)?,
        },
    };
    let page = page(&app, &form.caller, form.text("style"), form.text("note"), faults).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    /// Starts a count; returns its address.
    pub(crate) async fn begun(shop: &TestShop, style: &str) -> String {
        let reply = send(shop, "/shelf/counts", &[("style", style), ("note", "spring")]).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        reply.header("location").expect("an address").to_owned()
    }

    #[tokio::test]
    async fn one_count_is_begun_and_gone_on_with() {
        let shop = TestShop::open().await;
        assert!(shop.get("/shelf/counts").await.text().contains("Start count"));
        let path = begun(&shop, "").await;
        let list = shop.get("/shelf/counts").await;
        assert!(list.text().contains(&format!("href=\"{path}\"")), "{}", list.text());
        assert!(!list.text().contains("Start count"), "one at a time");
        let second = send(&shop, "/shelf/counts", &[("style", "")]).await;
        assert!(second.status == 422 && second.text().contains("count is in progress"), "{}", second.text());
        assert_eq!(send(&shop, "/shelf/counts", &[("style", "hats")]).await.status, 422);
    }
}
