//! GET and POST /online/texts: the texts of many listings at once, from a template.

use super::pieces::Piece;
use super::put_out::{Ways, out};
use super::wording::{FIRST, NAME, Wording, names};
use crate::app::App;
use crate::feed_adapter::FEED;
use crate::feed_adapter::Outgoing;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use ledger::Key;
use ledger::online::KeepListingText;
use ledger::shelf::{ItemView, NewText, WriteTexts, text_mark};
use serde::Deserialize;

/// Pieces whose texts are written at once: nobody would check more before saving them.
pub(crate) const AT_ONCE: usize = 200;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TextsQuery {
    /// Also those that have a text.
    anew: Option<String>,
    sku: Option<String>,
}

struct Row {
    piece: Piece,
    was: String,
    text: String,
    fault: Option<String>,
}

#[derive(Template)]
#[template(path = "online/texts.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    template: String,
    names: String,
    fault: Option<String>,
    faults: Faults,
    rows: Vec<Row>,
    out: Ways,
}

/// GET /online/texts
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<TextsQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let template = app.ledger.listing_text(NAME).await?.unwrap_or_else(|| FIRST.to_owned());
    let items = items(&app, asked.sku.as_deref()).await?;
    let anew = asked.anew.is_some();
    let items = items.into_iter().map(|item| written(item, anew)).collect();
    Ok(HtmlPage(page(&app, &caller, template, items).await?))
}

/// An item with the text that it keeps: its own, if it has one and is not written anew.
fn written(item: ItemView, anew: bool) -> (ItemView, Option<String>) {
    let kept = (!anew && !item.text.description.trim().is_empty()).then(|| item.text.description.clone());
    (item, kept)
}

/// The piece that is named, or those that nothing was ever listed of.
async fn items(app: &App, sku: Option<&str>) -> Result<Vec<ItemView>, Problem> {
    if let Some(sku) = sku {
        return Ok(vec![item(app, sku).await?]);
    }
    let feed = app.ledger.connection(FEED).await?;
    Ok(app.ledger.unlisted(feed, None, AT_ONCE).await?)
}

async fn item(app: &App, sku: &str) -> Result<ItemView, Problem> {
    let code = Code::parse(sku).map_err(|error| Problem::invalid_parameter("sku", error))?;
    Ok(app.ledger.item(&code).await?)
}

/// The page with a text for each item: the given one, or else the template's.
async fn page(
    app: &App,
    caller: &Caller,
    template: String,
    items: Vec<(ItemView, Option<String>)>,
) -> Result<Page, Problem> {
    let shop = app.ledger.shop();
    let wording = Wording::read(&template);
    let mut rows = Vec::with_capacity(items.len());
    for (item, given) in items {
        let written = match (given, &wording) {
            (Some(text), _) => Ok(text),
            (None, Ok(wording)) => wording.write(&item, &shop),
            (None, Err(_)) => Ok(item.text.description.clone()),
        };
        let (text, fault) = match written {
            Ok(text) => (text, None),
            Err(words) => (item.text.description.clone(), Some(words)),
        };
        rows.push(Row { piece: Piece::of(&item), was: text_mark(&item.text.description), text, fault });
    }
    let fault = wording.err();
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "new",
        names: names(),
        fault,
        faults: Faults::default(),
        rows,
        out: Ways::read(app).await?,
        template,
    })
}

/// A piece's fields in the form.
struct Given {
    item: ItemView,
    was: String,
    text: String,
}

async fn given(app: &App, form: &Form) -> Result<Vec<Given>, Problem> {
    let (skus, marks, texts) = (form.all("sku"), form.all("was"), form.all("text"));
    if skus.len() != marks.len() || skus.len() != texts.len() || skus.len() > AT_ONCE {
        let words = format!("you can edit at most {AT_ONCE} texts at once. Reload the page and try again");
        return Err(Problem::invalid("#/text", words));
    }
    let mut given = Vec::with_capacity(skus.len());
    for ((sku, was), text) in skus.iter().zip(marks).zip(texts) {
        let text = text.replace("\r\n", "\n").trim().to_owned();
        given.push(Given { item: item(app, sku).await?, was: was.to_owned(), text });
    }
    Ok(given)
}

/// POST /online/texts
pub(crate) async fn keep(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let template = form.raw("template").replace("\r\n", "\n");
    let given = given(&app, &form).await?;
    let what = form.text("do");
    if what == "preview" || what == "preview-anew" {
        let items = given.into_iter().map(|g| written(g.item, what == "preview-anew")).collect();
        return Ok(HtmlPage(page(&app, &form.caller, template, items).await?).into_response());
    }
    save(&app, &form, template, given).await
}

/// Saves the texts and goes on to what the button says, or shows them again with what is wrong.
async fn save(app: &App, form: &Form, template: String, given: Vec<Given>) -> Result<Response, Problem> {
    if let Err(problem) = write(app, &form.key, &form.caller, &template, &given).await {
        return refused(app, &form.caller, template, given, problem).await;
    }
    match form.text("do") {
        what @ ("keep-out" | "keep-download") => {
            out(app, Outgoing::Changes, form.text("layout"), what == "keep-download").await
        }
        _ => Ok(see_other("/online")),
    }
}

/// Saves the new texts, all or none, and the template with them.
async fn write(
    app: &App,
    key: &Key,
    caller: &Caller,
    template: &str,
    given: &[Given],
) -> Result<(), Problem> {
    Wording::read(template).map_err(|words| Problem::invalid("#/template", words))?;
    let is_new = |g: &&Given| g.text != g.item.text.description && !g.text.is_empty();
    let texts: Result<Vec<NewText>, Problem> = given
        .iter()
        .filter(is_new)
        .map(|g| {
            let code = Code::parse(&g.item.sku).map_err(|error| Problem::invalid("#/sku", error))?;
            Ok(NewText { code, was: g.was.clone(), description: g.text.clone() })
        })
        .collect();
    let texts = texts?;
    if !texts.is_empty() {
        app.run(key, &WriteTexts { texts }).await?;
    }
    let (name, text, who) = (NAME.to_owned(), template.to_owned(), caller.who.clone());
    app.ledger.execute(None, &KeepListingText { name, text, who }).await?;
    Ok(())
}

async fn refused(
    app: &App,
    caller: &Caller,
    template: String,
    given: Vec<Given>,
    problem: Problem,
) -> Result<Response, Problem> {
    let faults = Faults::of(problem)?;
    let items = given.into_iter().map(|g| (g.item, Some(g.text))).collect();
    let page = Page { faults, ..page(app, caller, template, items).await? };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::tests::{add_pieces, send, values};
    use crate::testing::TestShop;
    use domain::codes::Code;

    async fn text_of(shop: &TestShop, sku: &str) -> String {
        shop.ledger().item(&Code::parse(sku).expect("a code")).await.expect("an item").text.description
    }

    #[tokio::test]
    async fn a_preview_writes_nothing_and_says_what_is_wrong() {
        let shop = TestShop::open().await;
        add_pieces(&shop, 2).await;
        let page = shop.get("/online/texts").await;
        let (skus, marks) = (values(page.text(), "sku"), values(page.text(), "was"));
        assert!(page.text().contains("Color: woad."), "{}", page.text());
        let form = |template: &'static str| {
            let mut form =
                vec![("do".to_owned(), "preview".to_owned()), ("template".to_owned(), template.to_owned())];
            for (sku, was) in skus.iter().zip(&marks) {
                form.push(("sku".to_owned(), sku.clone()));
                form.push(("was".to_owned(), was.clone()));
                form.push(("text".to_owned(), String::new()));
            }
            form
        };
        let check = async |template: &'static str, words: &str| {
            let form = form(template);
            let pairs: Vec<(&str, &str)> = form.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
            let reply = send(&shop, "/online/texts", &pairs).await;
            assert_eq!(reply.status, 200);
            assert!(reply.text().contains(words), "{words} in {}", reply.text());
        };
        check("Warm: {{ name }}!", "Warm: New cowl 1!").await;
        check("{{ fibre }}", "no value with this name").await;
        check("line\n{% endif %}", "line 2").await;
        assert_eq!(text_of(&shop, "N1").await, "");
        assert_eq!(shop.ledger().listing_text("listing").await.expect("read"), None);
    }

    #[tokio::test]
    async fn a_text_that_somebody_changed_meanwhile_is_not_written_over() {
        let shop = TestShop::open().await;
        add_pieces(&shop, 1).await;
        let page = shop.get("/online/texts?sku=N1").await;
        let was = values(page.text(), "was").remove(0);
        let form = [
            ("do", "keep"),
            ("template", "x"),
            ("sku", "N1"),
            ("was", was.as_str()),
            ("text", "Mine."),
            ("_key", "k1"),
        ];
        // Its stock may change meanwhile; its text must not.
        let done = send(&shop, "/online/texts", &form).await;
        assert_eq!((done.status, done.header("location")), (303, Some("/online")), "{}", done.text());
        assert_eq!(text_of(&shop, "N1").await, "Mine.");
        let theirs =
            [("do", "keep"), ("template", "x"), ("sku", "N1"), ("was", was.as_str()), ("text", "Theirs.")];
        let refused = send(&shop, "/online/texts", &theirs).await;
        assert_eq!(refused.status, 422);
        assert!(refused.text().contains("was changed by someone else"), "{}", refused.text());
        assert!(refused.text().contains("Theirs."), "what was typed is kept");
        assert_eq!(text_of(&shop, "N1").await, "Mine.");
        // The same form again is done once.
        assert_eq!(send(&shop, "/online/texts", &form).await.status, 303);
    }
}
