//! A problem as a page: what went wrong, and where to go from there.

use crate::app::App;
use crate::pages::frame::{Frame, Room};
use crate::pages::shown::sentence;
use crate::problem::{Kind, Reported};
use crate::request::caller::Caller;
use askama::Template;
use axum::http::{HeaderValue, header};
use axum::response::Response;

#[derive(Template)]
#[template(path = "wrong.html")]
struct Wrong {
    frame: Frame,
    title: &'static str,
    detail: String,
    faults: Vec<String>,
    back: &'static str,
}

/// The titles of problems are for programs that call the API; these are the same for people at a page.
fn title(kind: Kind) -> &'static str {
    match kind {
        Kind::UnsupportedMediaType => "The form cannot be read",
        Kind::KeyReused => "The form was sent before",
        Kind::StillRunning => "The form is being saved",
        Kind::PreconditionRequired | Kind::KeyMissing => "The form is incomplete",
        kind => kind.title(),
    }
}

/// Renders a problem of a page's handler as a page, with the problem's status and headers.
pub(crate) fn as_page(
    app: &App,
    caller: Option<&Caller>,
    problem: &Reported,
    response: Response,
) -> Response {
    let (frame, back) = match caller {
        Some(caller) => (Frame::new(app, caller, Room::Today), Room::Today.path()),
        None => (Frame::outside(app, ""), "/"),
    };
    let faults =
        problem.faults.iter().filter(|f| !problem.detail.ends_with(*f)).map(|f| sentence(f)).collect();
    let page = Wrong { frame, title: title(problem.kind), detail: sentence(&problem.detail), faults, back };
    let Ok(html) = page.render() else { return response };
    let (mut parts, _) = response.into_parts();
    parts.headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    parts.headers.remove(header::CONTENT_LENGTH);
    Response::from_parts(parts, html.into())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;

    #[tokio::test]
    async fn an_error_page_speaks_to_a_person() {
        let shop = TestShop::open().await;
        let check = async |path: &str, status: u16, words: &str| {
            let reply = shop.get(path).await;
            assert!(reply.status == status && reply.text().contains(words), "{path}: {}", reply.text());
        };
        check("/shelf/styles/913", 404, "<p>This style does not exist. It may have been deleted.</p>").await;
        check("/workbench/tags?group=x", 422, "<p>Choose which tags to print.</p>").await;
        check("/online?cursor=x", 422, "<p>This page link is out of date; open the list again.</p>").await;
        let json = [("content-type", "application/json")];
        let reply = shop.ask(Method::POST, "/counter/scan", &json, Body::from("{}")).await;
        assert_eq!(reply.status, 415);
        assert!(reply.text().contains("<h1>The form cannot be read</h1>"), "{}", reply.text());
    }

    #[tokio::test]
    async fn the_api_names_what_a_program_sent() {
        let shop = TestShop::open().await;
        let reply = shop.get("/api/sales/913").await.json();
        assert_eq!(reply["detail"], "there is no sale 913", "{reply}");
        let reply = shop.get("/api/sales?limit=0").await.json();
        assert_eq!(reply["errors"][0]["parameter"], "limit", "{reply}");
        assert!(reply["detail"].as_str().is_some_and(|words| words.starts_with("limit: ")), "{reply}");
    }
}
