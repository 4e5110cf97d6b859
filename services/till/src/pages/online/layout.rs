//! One layout: GET /online/layouts/one, POST /online/layouts, POST /online/layouts/preview

use super::adapter;
use super::upload::Upload;
use crate::app::App;
use crate::feed_adapter::{FeedTrouble, GivenFile, Previewed, PreviewedRow};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ledger::online::{DropLayout, KeepLayout};
use serde::Deserialize;

/// Rows of a file that are shown as the layout reads them.
pub(super) const ROWS: usize = 20;
/// The text with which a new layout starts: orders, with the required fields.
const FIRST: &str = "\
feed = \"orders\"
format = \"csv\"
channel = \"online\"
ignore = \"*\"

[field.orderNumber]
from = \"Order\"

[field.orderDate]
from = \"Date\"
date = \"%d/%m/%Y\"

[field.sku]
from = \"Code\"

[field.orderQuantity]
from = \"Quantity\"

[field.price]
from = \"Price\"
";

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LayoutQuery {
    name: Option<String>,
}

#[derive(Template)]
#[template(path = "online/layout.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    name: String,
    text: String,
    revision: i64,
    faults: Faults,
    rows: Rows,
}

/// The first rows, within the page, and alone for its script.
#[derive(Default, Template)]
#[template(path = "online/rows.html")]
pub(crate) struct Rows {
    /// The kind of feed; none while there is no file.
    seen: Option<Seen>,
    /// What is wrong with the layout or the file.
    wrong: Option<String>,
    file: String,
}

/// Rows as they are shown.
struct Seen {
    feed: String,
    fields: Vec<String>,
    rows: Vec<Row>,
}

/// A row: each of its cells, and whether it is at fault.
struct Row {
    line: u64,
    cells: Vec<(String, bool)>,
    refused: Option<String>,
}

impl Seen {
    fn of(previewed: Previewed) -> Self {
        let row = |row: PreviewedRow| {
            let blamed = row.to_blame;
            let cells = row.cells.into_iter().enumerate();
            Row {
                line: row.line,
                cells: cells.map(|(at, cell)| (cell, blamed == Some(at))).collect(),
                refused: row.refused,
            }
        };
        let rows = previewed.rows.into_iter().map(row).collect();
        Self { feed: previewed.feed, fields: previewed.fields, rows }
    }
}

/// GET /online/layouts/one
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<LayoutQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let (name, text, revision) = match asked.name {
        None => (String::new(), FIRST.to_owned(), 0),
        Some(name) => {
            let kept = app.ledger.layout(&name).await?;
            (kept.name, kept.text, kept.revision)
        }
    };
    Ok(HtmlPage(page(&app, &caller, name, text, revision)))
}

fn page(app: &App, caller: &Caller, name: String, text: String, revision: i64) -> Page {
    let frame = Frame::new(app, caller, Room::Online);
    Page { frame, lane: "layouts", name, text, revision, faults: Faults::default(), rows: Rows::default() }
}

/// POST /online/layouts
pub(crate) async fn keep(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let name = form.text("name").to_owned();
    if form.text("do") == "drop" {
        app.run(&form.key, &DropLayout { name }).await?;
        return Ok(see_other("/online/layouts"));
    }
    let text = form.raw("text").replace("\r\n", "\n");
    let revision = form.text("revision").parse().unwrap_or(0);
    match write(&app, &form, &name, &text, revision).await {
        Ok(()) => Ok(see_other("/online/layouts")),
        Err(problem) => {
            let (mut faults, changed) = Faults::of_edit(problem, "layout")?;
            let revision = match changed {
                // A new layout must not replace one of which nobody thought.
                Some(_) if revision == 0 => {
                    faults =
                        Faults::one("name", "there is already a layout with this name; choose another name");
                    0
                }
                changed => changed.and_then(|revision| revision.parse().ok()).unwrap_or(revision),
            };
            let page = Page { faults, ..page(&app, &form.caller, name, text, revision) };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

/// A layout that cannot be used is not saved: it would fail later, with nobody watching.
async fn write(app: &App, form: &Form, name: &str, text: &str, revision: i64) -> Result<(), Problem> {
    adapter(app)?.read_layout(text).map_err(|fault| Problem::invalid("#/text", fault))?;
    let who = form.caller.who.clone();
    app.run(&form.key, &KeepLayout { name: name.to_owned(), text: text.to_owned(), revision, who }).await?;
    Ok(())
}

/// POST /online/layouts/preview
pub(crate) async fn preview(State(app): State<App>, mut upload: Upload) -> Result<Response, Problem> {
    let text = upload.raw("text").replace("\r\n", "\n");
    let rows = rows(&app, &text, upload.take_file(Some(text.clone()))).await?;
    if upload.has("part") {
        return Ok(HtmlPage(rows).into_response());
    }
    let (name, revision) =
        (upload.raw("name").trim().to_owned(), upload.raw("revision").parse().unwrap_or(0));
    Ok(HtmlPage(Page { rows, ..page(&app, &upload.caller, name, text, revision) }).into_response())
}

async fn rows(app: &App, text: &str, file: Option<GivenFile>) -> Result<Rows, Problem> {
    let adapter = adapter(app)?;
    if let Err(fault) = adapter.read_layout(text) {
        return Ok(Rows { wrong: Some(fault.to_string()), ..Rows::default() });
    }
    let Some(given) = file else { return Ok(Rows::default()) };
    let name = given.name.clone();
    rows_of(adapter.preview(given, ROWS).await, name)
}

/// The first rows of a file, or what keeps them from being read.
pub(super) fn rows_of(previewed: Result<Previewed, FeedTrouble>, name: String) -> Result<Rows, Problem> {
    match previewed {
        Ok(seen) => Ok(Rows { seen: Some(Seen::of(seen)), wrong: None, file: name }),
        Err(FeedTrouble::Unreadable(words)) => Ok(Rows { wrong: Some(words), file: name, ..Rows::default() }),
        Err(trouble) => Err(trouble.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::send;
    use super::super::upload::tests as upload;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_layout_is_written_changed_and_taken_away() {
        let shop = TestShop::open().await.with_feed_adapter();
        let keep = async |name: &str, text: &str, revision: &str| {
            send(&shop, "/online/layouts", &[("name", name), ("text", text), ("revision", revision)]).await
        };
        assert_eq!(keep("Fair", "feed = \"listings\"", "0").await.status, 303);
        let list = shop.get("/online/layouts").await;
        assert!(list.text().contains("Fair") && list.text().contains("listings"), "{}", list.text());
        assert!(
            shop.get("/online").await.text().contains("<option>Fair</option>"),
            "offered where feeds go out"
        );
        let page = shop.get("/online/layouts/one?name=Fair").await;
        assert!(page.text().contains("name=\"revision\" value=\"1\""), "{}", page.text());
        assert_eq!(keep("Fair", "feed = \"orders\"", "1").await.status, 303);
        let stale = keep("Fair", "feed = \"items\"", "1").await;
        assert!(
            stale.status == 422 && stale.text().contains("Someone else changed this layout"),
            "{}",
            stale.text()
        );
        assert!(stale.text().contains("name=\"revision\" value=\"2\""), "{}", stale.text());
        assert_eq!(keep("Fair", "feed = \"items\"", "2").await.status, 303, "saved again, it is saved");
        let taken = keep("Fair", "feed = \"orders\"", "0").await;
        assert!(taken.status == 422 && taken.text().contains("already a layout"), "{}", taken.text());
        assert!(taken.text().contains("name=\"revision\" value=\"0\""), "{}", taken.text());
        let wrong = keep("Other", "feed = nonsense", "0").await;
        assert!(wrong.status == 422 && wrong.text().contains("1 of the layout"), "{}", wrong.text());
        assert!(keep("", "feed = \"items\"", "0").await.text().contains("may not be empty"));
        assert_eq!(send(&shop, "/online/layouts", &[("name", "Fair"), ("do", "drop")]).await.status, 303);
        assert_eq!(shop.get("/online/layouts/one?name=Fair").await.status, 404);
    }

    #[tokio::test]
    async fn the_first_rows_stand_on_the_page_or_by_themselves() {
        let shop = TestShop::open().await.with_feed_adapter();
        let fields = [("text", "feed = \"orders\""), ("name", "Fair"), ("revision", "0")];
        let file = Some(("may.csv", b"a,b\n1,2\n".as_slice()));
        let whole = upload::send(&shop, "/online/layouts/preview", &fields, file).await;
        for part in ["<h1>", "may.csv", "orderNumber", "A-1", "the date is wrong"] {
            assert!(whole.text().contains(part), "{part} in {}", whole.text());
        }
        let part = [fields.as_slice(), &[("part", "rows")]].concat();
        let rows = upload::send(&shop, "/online/layouts/preview", &part, file).await;
        assert!(rows.text().contains("A-1") && !rows.text().contains("<h1>"), "{}", rows.text());
        let wrong = [("text", "feed = nonsense"), ("part", "rows")];
        let rows = upload::send(&shop, "/online/layouts/preview", &wrong, file).await;
        assert!(rows.text().contains("1 of the layout"), "{}", rows.text());
    }
}
