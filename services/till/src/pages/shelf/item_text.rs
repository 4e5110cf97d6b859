//! GET and POST /shelf/items/{code}/text: an item's description and other text.

use super::{Way, tag, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::label;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::item::{ItemText, TextEdit, TextField};
use ledger::shelf::EditItem;

/// The fields of the form.
struct Words {
    text: ItemText,
    do_not_list: bool,
    /// The revision that the edit is based on.
    revision: String,
}

#[derive(Template)]
#[template(path = "shelf/item_text.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    path: String,
    words: Words,
    faults: Faults,
}

/// GET /shelf/items/{code}/text
pub(crate) async fn read_text(
    State(app): State<App>,
    caller: Caller,
    PathParam(code): PathParam<Code>,
) -> Result<HtmlPage<Page>, Problem> {
    let item = app.ledger.item(&code).await?;
    let color = item.text.color.replace('|', ", ");
    let words = Words {
        text: ItemText { color, ..item.text },
        do_not_list: item.do_not_list,
        revision: item.revision.to_string(),
    };
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, ""),
        path: tag::path(&item.in_store),
        words,
        faults: Faults::default(),
    }))
}

/// A text of the form.
struct Field<'a> {
    name: &'static str,
    label: String,
    text: &'a str,
    has_lines: bool,
}

impl Words {
    /// The texts, each with what is asked for, the longest last.
    fn fields(&self) -> impl Iterator<Item = Field<'_>> {
        let is_long = |field: TextField| field == TextField::Description;
        let short = self.text.fields().filter(move |(field, _)| !is_long(*field));
        let long = self.text.fields().filter(move |(field, _)| is_long(*field));
        short.chain(long).map(move |(field, text)| Field {
            name: field.property(),
            label: match field {
                TextField::Color => "Colors, separated by commas, the main one first".to_owned(),
                TextField::Description => "Description for the listing".to_owned(),
                _ => label(field.property()),
            },
            text,
            has_lines: is_long(field),
        })
    }

    fn of(form: &Form) -> Self {
        let text = |name| form.text(name).to_owned();
        let mut given = ItemText::default();
        for field in TextField::ALL {
            *given.get_mut(*field) = text(field.property());
        }
        Self { text: given, do_not_list: form.has("do_not_list"), revision: text("revision") }
    }

    fn edit(&self, code: &Code, who: &str) -> EditItem {
        let color = domain::color::parts(&self.text.color).join("|");
        let all = self
            .text
            .fields()
            .fold(TextEdit::default(), |edit, (field, text)| edit.with(field, text.to_owned()));
        EditItem {
            // A revision that cannot be parsed is one that the item never had.
            revision: Some(self.revision.parse().unwrap_or(0)),
            text: all.with(TextField::Color, color),
            do_not_list: Some(self.do_not_list),
            ..EditItem::new(code.clone(), who)
        }
    }
}

/// POST /shelf/items/{code}/text
pub(crate) async fn edit_text(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let words = Words::of(&form);
    let path = tag::path(code.as_str());
    let faults = match app.run(&form.key, &words.edit(&code, &form.caller.who)).await {
        Ok(_) => return Ok(see_other(&path)),
        Err(problem) => Faults::of(problem)?,
    };
    let frame = Frame::new(&app, &form.caller, Room::Shelf);
    let page = Page { frame, ways: ways(&form.caller, ""), path, words, faults };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    fn fields<'a>(name: &'a str, revision: &'a str) -> Vec<(&'a str, &'a str)> {
        vec![
            ("name", name),
            ("color", "fawn, dark moss"),
            ("size", "M"),
            ("material", "Wool"),
            ("description", "Soft."),
            ("do_not_list", "yes"),
            ("revision", revision),
        ]
    }

    #[tokio::test]
    async fn words_are_changed_by_the_revision_that_was_read() {
        let shop = TestShop::open().await;
        let form = shop.get("/shelf/items/COWL/text").await;
        assert!(form.text().contains("name=\"revision\" value=\"1\""), "{}", form.text());
        let reply = send(&shop, "/shelf/items/COWL/text", &fields("Fell cowl", "1")).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        let item = shop.get("/api/items/COWL").await.json();
        assert_eq!((&item["name"], &item["color"]), (&"Fell cowl".into(), &"fawn|dark moss".into()));
        assert_eq!((&item["doNotList"], &item["price"]), (&true.into(), &"48.00".into()));
        let check = |name: &'static str, revision: &'static str, words: &'static str| {
            let shop = &shop;
            async move {
                let reply = send(shop, "/shelf/items/COWL/text", &fields(name, revision)).await;
                assert_eq!(reply.status, 422, "{words}: {}", reply.text());
                assert!(reply.text().contains(words), "{words} in {}", reply.text());
            }
        };
        check("Late cowl", "1", "was changed by someone else").await;
        check("Late cowl", "", "was changed by someone else").await;
        check("", "2", "id=\"fault-name\"").await;
        check("5500 0000 0000 0004", "2", "card numbers are never").await;
        assert_eq!(shop.get("/api/items/COWL").await.json()["name"], "Fell cowl");
    }
}
