//! GET /shelf/tags: which items need a tag, and where to print them.

use super::{Way, ways};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::Count;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use ledger::shelf::{MOST_TAGS_COUNTED, StyleView, TagCounts};
use serde::Deserialize;

/// What was done just before, for a message.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct TagsQuery {
    /// How many tags were marked as printed.
    printed: Option<usize>,
}

#[derive(Template)]
#[template(path = "shelf/tags.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    counts: TagCounts,
    missing: Count,
    outdated: Count,
    added: Count,
    styles: Vec<StyleView>,
    printed: Option<usize>,
}

/// GET /shelf/tags
pub(crate) async fn list_tags(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<TagsQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let zone = app.ledger.shop().zone.clone();
    let today = zone.start_of(zone.day_of(app.ledger.now()));
    let counts = app.ledger.tag_counts(today, i64::MAX).await?;
    let count = |found: i64| Count::of(usize::try_from(found).unwrap_or(0), MOST_TAGS_COUNTED);
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, "/shelf/tags"),
        missing: count(counts.missing),
        outdated: count(counts.outdated),
        added: count(counts.added),
        counts,
        styles: app.ledger.styles().await?,
        printed: query.printed,
    }))
}
