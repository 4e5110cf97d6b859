//! POST /online/put-out

use super::adapter;
use crate::app::App;
use crate::feed_adapter::{Outgoing, PutOut, WentOut};
use crate::pages::form::Form;
use crate::pages::frame::see_other;
use crate::problem::Problem;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

/// How listings can be exported here.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ways {
    pub(crate) any: bool,
    /// The folder, if there is one.
    pub(crate) folder: Option<String>,
    pub(crate) layouts: Vec<String>,
}

impl Ways {
    pub(crate) async fn read(app: &App) -> Result<Self, Problem> {
        let Some(adapter) = &app.feed_adapter else { return Ok(Self::default()) };
        let kept = app.ledger.layouts().await?;
        let for_listings =
            kept.into_iter().filter(|l| adapter.read_layout(&l.text).as_deref() == Ok("listings"));
        let layouts = for_listings.map(|layout| layout.name).collect();
        Ok(Self { any: true, folder: adapter.out_folder(), layouts })
    }
}

/// The text of the layout that a form names; none for our own columns.
pub(crate) async fn layout_named(app: &App, name: &str) -> Result<Option<String>, Problem> {
    if name.is_empty() {
        return Ok(None);
    }
    Ok(Some(app.ledger.layout(name).await?.text))
}

/// Exports listings and redirects to the run, or answers with the file.
pub(crate) async fn out(
    app: &App,
    what: Outgoing,
    layout: &str,
    download: bool,
) -> Result<Response, Problem> {
    let layout = layout_named(app, layout).await?;
    let went = adapter(app)?.put_out(PutOut { what: what.clone(), layout, download }).await?;
    if download && went.run.is_some() {
        return Ok(file(app, &what, went));
    }
    let run = went.run.map(|run| run.to_string()).unwrap_or_default();
    Ok(see_other(&format!("/online/feeds?out={run}&missing={}", went.missing.len())))
}

fn file(app: &App, what: &Outgoing, went: WentOut) -> Response {
    let name = if *what == Outgoing::All { "listings" } else { "changes" };
    let at: String = app.ledger.now().to_string().chars().filter(char::is_ascii_alphanumeric).collect();
    let attachment = format!("attachment; filename=\"{name}-{at}.csv\"");
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()),
        (header::CONTENT_DISPOSITION, attachment),
    ];
    (headers, went.bytes).into_response()
}

/// POST /online/put-out
pub(crate) async fn put_out(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let what = match form.text("what") {
        "all" => Outgoing::All,
        "changes" => Outgoing::Changes,
        run => Outgoing::Again(run.parse().map_err(|e| Problem::invalid("#/what", e))?),
    };
    out(&app, what, form.text("layout"), form.text("to") == "download").await
}

#[cfg(test)]
mod tests {
    use super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn listings_go_into_the_folder_or_to_whoever_asks() {
        let shop = TestShop::open().await.with_feed_adapter();
        let done = send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        assert_eq!(done.status, 303, "{}", done.text());
        let place = done.header("location").expect("a place").to_owned();
        assert!(place.starts_with("/online/feeds?out="), "{place}");
        let page = shop.get(&place).await;
        assert!(page.text().contains("4 listings were exported"), "{}", page.text());
        let file = send(&shop, "/online/put-out", &[("what", "all"), ("to", "download")]).await;
        assert_eq!((file.status, file.header("content-type")), (200, Some("text/csv; charset=utf-8")));
        let named = file.header("content-disposition").unwrap_or_default();
        assert!(named.starts_with("attachment; filename=\"listings-2026"), "{named}");
    }

    #[tokio::test]
    async fn what_cannot_be_put_out_is_said() {
        let shop = TestShop::open().await.with_feed_adapter();
        let check = async |pairs: &[(&str, &str)], status: u16, words: &str| {
            let reply = send(&shop, "/online/put-out", pairs).await;
            assert_eq!(reply.status, status, "{}", reply.text());
            assert!(reply.text().contains(words), "{words} in {}", reply.text());
        };
        check(&[("what", "yesterday")], 422, "not an identifier").await;
        check(&[("what", "all"), ("layout", "nothing")], 404, "There is no layout nothing").await;
        let without = TestShop::open().await;
        let reply = send(&without, "/online/put-out", &[("what", "all")]).await;
        assert_eq!(reply.status, 404);
    }
}
