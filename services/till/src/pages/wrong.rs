//! A problem as a page: what went wrong, and where to go from there.

use crate::app::App;
use crate::pages::frame::{Frame, Room};
use crate::pages::shown::sentence;
use crate::problem::Reported;
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
    let page = Wrong { frame, title: problem.kind.title(), detail: sentence(&problem.detail), faults, back };
    let Ok(html) = page.render() else { return response };
    let (mut parts, _) = response.into_parts();
    parts.headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    parts.headers.remove(header::CONTENT_LENGTH);
    Response::from_parts(parts, html.into())
}
