//! GET /online/feeds and POST /online/feeds/seen

use super::MOST_COUNTED;
use super::put_out::Ways;
use crate::app::App;
use crate::feed_adapter::FEED;
use crate::pages::form::Form;
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::Count;
use crate::pages::shown::{self, counted};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::response::Response;
use ledger::online::{RunKind, SeeFeedTroubles};
use serde::Deserialize;

/// Runs and failures that are shown.
const SHOWN: usize = 50;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FeedsQuery {
    out: Option<String>,
    missing: Option<String>,
}

/// Exported feeds, and feeds that failed.
#[derive(Template)]
#[template(path = "online/feeds.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    said: Option<String>,
    out: Ways,
    waiting: Count,
    runs: Vec<Run>,
    failed: Vec<Failed>,
    latest: Option<String>,
}

struct Run {
    id: String,
    at: String,
    what: &'static str,
    listings: i64,
    file: String,
}

struct Failed {
    at: String,
    file: String,
    words: String,
    is_new: bool,
}

/// GET /online/feeds
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<FeedsQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(read(&app, &caller, &asked).await?))
}

async fn read(app: &App, caller: &Caller, asked: &FeedsQuery) -> Result<Page, Problem> {
    let feed = app.ledger.connection(FEED).await?;
    let zone = app.ledger.shop().zone.clone();
    let runs = app.ledger.feed_runs(feed, SHOWN).await?;
    let run = |run: &ledger::online::FeedRun| Run {
        id: run.id.to_string(),
        at: shown::moment(&zone, run.at),
        what: match run.kind {
            RunKind::All => "everything",
            RunKind::Changes => "changes",
        },
        listings: run.listings,
        file: run.file_name.clone(),
    };
    let runs: Vec<Run> = runs.iter().map(run).collect();
    let failed = app.ledger.feed_troubles(false, SHOWN).await?;
    let latest = failed.iter().find(|f| !f.seen).map(|f| f.id.to_string());
    let failure = |f: ledger::online::FeedFailed| Failed {
        at: shown::moment(&zone, f.at),
        file: f.file,
        words: f.words,
        is_new: !f.seen,
    };
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "feeds",
        said: said(asked, &runs),
        out: Ways::read(app).await?,
        waiting: Count::of(app.ledger.waiting_count(feed, MOST_COUNTED + 1).await?, MOST_COUNTED),
        runs,
        failed: failed.into_iter().map(failure).collect(),
        latest,
    })
}

/// The result of the feed that was just exported.
fn said(asked: &FeedsQuery, runs: &[Run]) -> Option<String> {
    let out = asked.out.as_deref()?;
    let Some(run) = runs.iter().find(|run| run.id == out) else {
        return Some("There was nothing new to export.".to_owned());
    };
    let what = counted(run.listings, "listing was", "listings were");
    let missing: u64 = asked.missing.as_deref().and_then(|text| text.parse().ok()).unwrap_or(0);
    let pictures = match missing {
        0 => String::new(),
        1 => " 1 photo is missing.".to_owned(),
        several => format!(" {several} photos are missing."),
    };
    Some(format!("{what} exported to {}.{pictures}", run.file))
}

/// POST /online/feeds/seen
pub(crate) async fn seen(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let up_to = form.text("up-to").parse().map_err(|e| Problem::invalid("#/up-to", e))?;
    app.run(&form.key, &SeeFeedTroubles { up_to }).await?;
    Ok(see_other("/online/feeds"))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{send, values};
    use crate::testing::TestShop;
    use ledger::online::NoteFeedTrouble;

    #[tokio::test]
    async fn a_failure_stands_until_somebody_has_seen_it() {
        let shop = TestShop::open().await;
        for file in ["may.csv", "june.csv"] {
            let words = "line 3: the price is 0".to_owned();
            let note = NoteFeedTrouble { file: file.to_owned(), words };
            shop.ledger().execute(None, &note).await.expect("noted");
        }
        assert!(shop.get("/online").await.text().contains("<b>2</b> feeds failed"));
        let page = shop.get("/online/feeds").await;
        assert!(
            page.text().contains("june.csv") && page.text().contains("the price is 0"),
            "{}",
            page.text()
        );
        let latest = values(page.text(), "up-to").remove(0);
        assert_eq!(send(&shop, "/online/feeds/seen", &[("up-to", &latest)]).await.status, 303);
        let page = shop.get("/online/feeds").await;
        assert!(
            page.text().contains("may.csv") && values(page.text(), "up-to").is_empty(),
            "{}",
            page.text()
        );
        assert!(!shop.get("/online").await.text().contains("feeds failed"));
    }

    #[tokio::test]
    async fn a_feed_can_be_put_out_again() {
        let shop = TestShop::open().await.with_feed_adapter();
        send(&shop, "/online/put-out", &[("what", "all"), ("to", "folder")]).await;
        let page = shop.get("/online/feeds").await;
        let run = values(page.text(), "what").into_iter().find(|v| v.len() > 9).expect("a run");
        let again = send(&shop, "/online/put-out", &[("what", &run), ("to", "folder")]).await;
        assert_eq!(again.status, 303, "{}", again.text());
        let nothing = send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        let place = nothing.header("location").expect("a place").to_owned();
        assert!(shop.get(&place).await.text().contains("There was nothing new to export"));
    }
}
