//! GET and POST /shelf/items/{code}/text: an item's description and other text.

use super::{Way, tag, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use ledger::shelf::EditItem;

/// The text fields of the form.
struct Words {
    name: String,
    color: String,
    size: String,
    material: String,
    description: String,
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
    let words = Words {
        name: item.name,
        color: item.color.replace('|', ", "),
        size: item.size,
        material: item.material,
        description: item.description,
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

impl Words {
    fn of(form: &Form) -> Self {
        let text = |name| form.text(name).to_owned();
        Self {
            name: text("name"),
            color: text("color"),
            size: text("size"),
            material: text("material"),
            description: text("description"),
            do_not_list: form.has("do_not_list"),
            revision: text("revision"),
        }
    }

    fn edit(&self, code: &Code, who: &str) -> EditItem {
        EditItem {
            code: code.clone(),
            // A revision that cannot be parsed is one that the item never had.
            revision: Some(self.revision.parse().unwrap_or(0)),
            name: Some(self.name.clone()),
            color: Some(domain::color::parts(&self.color).join("|")),
            size: Some(self.size.clone()),
            material: Some(self.material.clone()),
            description: Some(self.description.clone()),
            images: None,
            price: None,
            weight: None,
            extras: None,
            cost: None,
            do_not_list: Some(self.do_not_list),
            who: who.to_owned(),
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
