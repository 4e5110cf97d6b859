//! GET and POST /shelf/styles/{id}/text: the name, sizes, category and care words of a style.

use super::{Way, ways};
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
use domain::ids::StyleId;
use ledger::shelf::EditStyle;

#[derive(Template)]
#[template(path = "shelf/style_text.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    path: String,
    name: String,
    sizes: String,
    category: String,
    care: String,
    revision: String,
    faults: Faults,
}

/// GET /shelf/styles/{id}/text
pub(crate) async fn read_text(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<StyleId>,
) -> Result<HtmlPage<Page>, Problem> {
    let style = app.ledger.style(id).await?;
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, ""),
        path: format!("/shelf/styles/{id}"),
        name: style.name,
        sizes: style.sizes.join(", "),
        category: style.category,
        care: style.care,
        revision: style.revision.to_string(),
        faults: Faults::default(),
    }))
}

fn edit(style: StyleId, form: &Form) -> EditStyle {
    let sizes = form.text("sizes").split(',').map(str::trim).filter(|s| !s.is_empty());
    EditStyle {
        style,
        // A revision that cannot be parsed is one that the style never had.
        revision: form.text("revision").parse().unwrap_or(0),
        name: Some(form.text("name").to_owned()),
        sizes: Some(sizes.map(str::to_owned).collect()),
        category: Some(form.text("category").to_owned()),
        care: Some(form.text("care").to_owned()),
    }
}

/// POST /shelf/styles/{id}/text
pub(crate) async fn edit_text(
    State(app): State<App>,
    PathParam(id): PathParam<StyleId>,
    form: Form,
) -> Result<Response, Problem> {
    let path = format!("/shelf/styles/{id}");
    let (mut faults, changed) = match app.run(&form.key, &edit(id, &form)).await {
        Ok(_) => return Ok(see_other(&path)),
        Err(problem) => Faults::of_edit(problem, "style")?,
    };
    let text = |name| form.text(name).to_owned();
    if changed.is_some() {
        let saved = app.ledger.style(id).await?;
        for (field, saved) in [
            ("name", saved.name),
            ("sizes", saved.sizes.join(", ")),
            ("category", saved.category),
            ("care", saved.care),
        ] {
            faults.note_saved(field, form.text(field), &saved);
        }
    }
    let page = Page {
        frame: Frame::new(&app, &form.caller, Room::Shelf),
        ways: ways(&form.caller, ""),
        path,
        name: text("name"),
        sizes: text("sizes"),
        category: text("category"),
        care: text("care"),
        revision: changed.unwrap_or_else(|| text("revision")),
        faults,
    };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use super::super::style::tests::path;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_style_s_words_are_changed() {
        let shop = TestShop::open().await;
        let path = path(&shop).await;
        let text = format!("{path}/text");
        let care = ("care", "Hand wash cool. Dry flat.");
        let fields =
            [("name", "Fell cowl"), ("sizes", "S, L ,"), ("category", "cowls"), care, ("revision", "1")];
        let reply = send(&shop, &text, &fields).await;
        assert_eq!((reply.status, reply.header("location")), (303, Some(path.as_str())), "{}", reply.text());
        let page = shop.get(&text).await;
        assert!(
            page.text().contains("value=\"Hand wash cool. Dry flat.\"")
                && page.text().contains("value=\"S, L\"")
                && page.text().contains("value=\"Fell cowl\""),
            "{}",
            page.text()
        );
        let late = [("name", "Late cowl"), ("sizes", "S, L"), ("category", "cowls"), ("revision", "1")];
        let reply = send(&shop, &text, &late).await;
        for words in
            ["Someone else changed this style.", "“Fell cowl” is saved.", "name=\"revision\" value=\"2\""]
        {
            assert!(reply.status == 422 && reply.text().contains(words), "{words} in {}", reply.text());
        }
        let again = [&late[..3], &[("revision", "2")]].concat();
        assert_eq!(send(&shop, &text, &again).await.status, 303, "saved again, it is saved");
        let empty = send(&shop, &text, &[("name", " "), ("revision", "3")]).await;
        assert!(empty.status == 422 && empty.text().contains("id=\"fault-name\""), "{}", empty.text());
    }
}
