//! GET and POST /shelf/items/{code}/photographs: photographs are added to an item, put in order and removed.

use super::item::{PhotographShown, photographs};
use super::tag;
use super::{Way, ways};
use crate::app::App;
use crate::images::pictures::Size;
use crate::pages::face::{Stripe, stripes};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::upload::{PHOTOGRAPHS, PhotoForm};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::item::TextEdit;
use ledger::shelf::{EditItem, ItemView, MAX_PHOTOGRAPHS, PictureName};

#[derive(Template)]
#[template(path = "shelf/item_photographs.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    path: String,
    title: String,
    stripes: Vec<Stripe>,
    photographs: Vec<PhotographShown>,
    /// Stored already, but not the item's yet, because another file of the same form was wrong.
    kept: Vec<PictureName>,
    revision: i64,
    faults: Faults,
}

impl Page {
    fn new(app: &App, caller: &Caller, item: ItemView, kept: Vec<PictureName>, faults: Faults) -> Self {
        Self {
            frame: Frame::new(app, caller, Room::Shelf),
            ways: ways(caller, ""),
            path: tag::path(&item.in_store),
            stripes: stripes(&item.text.color),
            photographs: photographs(&item),
            revision: item.revision,
            title: item.text.name,
            kept,
            faults,
        }
    }

    fn thumb(name: &PictureName) -> String {
        Size::Small.address(&name.file()).unwrap_or_default()
    }
}

/// GET /shelf/items/{code}/photographs
pub(crate) async fn read_photographs(
    State(app): State<App>,
    caller: Caller,
    PathParam(code): PathParam<Code>,
) -> Result<HtmlPage<Page>, Problem> {
    let item = app.ledger.item(&code).await?;
    Ok(HtmlPage(Page::new(&app, &caller, item, Vec::new(), Faults::default())))
}

/// Whether a photograph that is there already is moved or removed.
fn takes_no_new(form: &Form) -> bool {
    form.has("earlier") || form.has("remove")
}

/// The item's images after one of the form's buttons was pressed.
fn changed(images: &[String], form: &Form, added: &[PictureName]) -> Result<Vec<String>, Faults> {
    let mut images = images.to_vec();
    let place = |file: &str| images.iter().position(|image| image == file);
    let new: Vec<String> = added.iter().map(PictureName::file).filter(|file| place(file).is_none()).collect();
    let (replaced, earlier, removed) = (form.text("replace"), form.text("earlier"), form.text("remove"));
    let takes_new = !takes_no_new(form);
    if takes_new && added.is_empty() {
        return Err(Faults::one(PHOTOGRAPHS, "choose a photograph, or take one"));
    }
    if takes_new && new.is_empty() {
        return Err(Faults::one(PHOTOGRAPHS, "the piece has this photograph already"));
    }
    match (place(replaced), place(earlier)) {
        (Some(at), _) if takes_new && !new.is_empty() => drop(images.splice(at..=at, new)),
        (_, Some(at)) if at > 0 => images.swap(at - 1, at),
        _ if takes_new => images.extend(new),
        _ => images.retain(|image| image != removed),
    }
    if images.len() > MAX_PHOTOGRAPHS {
        let words = format!("a piece can have at most {MAX_PHOTOGRAPHS} photographs; remove some first");
        return Err(Faults::one(PHOTOGRAPHS, words));
    }
    Ok(images)
}

/// POST /shelf/items/{code}/photographs
pub(crate) async fn change(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    sent: PhotoForm,
) -> Result<Response, Problem> {
    // Nothing is stored for an item that does not exist.
    app.ledger.item(&code).await?;
    let (form, added, mut faults) = sent.take_in(&app).await?;
    let item = app.ledger.item(&code).await?;
    match changed(&item.text.images, &form, &added) {
        Ok(images) if faults.is_empty() => {
            let edit = EditItem {
                // A revision that cannot be parsed is one that the item never had.
                revision: Some(form.text("revision").parse().unwrap_or(0)),
                text: TextEdit::default().with_images(images),
                ..EditItem::new(code.clone(), &form.caller.who)
            };
            match app.run(&form.key, &edit).await {
                // What is still to be added stays in the form.
                Ok(_) if takes_no_new(&form) && !added.is_empty() => {
                    let item = app.ledger.item(&code).await?;
                    return Ok(HtmlPage(Page::new(&app, &form.caller, item, added, faults)).into_response());
                }
                Ok(_) => return Ok(see_other(&format!("{}/photographs", tag::path(&item.in_store)))),
                Err(problem) => faults.join(Faults::of_edit(problem, "item")?.0),
            }
        }
        Ok(_) => (),
        Err(more) => faults.join(more),
    }
    let item = app.ledger.item(&code).await?;
    let page = Page::new(&app, &form.caller, item, added, faults);
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use crate::images::pictures::{dark, jpeg, photograph};
    use crate::pages::workbench::tests::send_files;
    use crate::testing::TestShop;
    use domain::codes::Code;

    const PATH: &str = "/shelf/items/COWL/photographs";

    async fn images(shop: &TestShop) -> Vec<String> {
        let cowl = Code::parse("COWL").expect("a code");
        shop.ledger().item(&cowl).await.expect("an item").text.images
    }

    #[tokio::test]
    async fn photographs_are_added_put_in_order_and_removed_later() {
        let shop = TestShop::open().await;
        let yarn = "fill=\"url(#stitches)\"";
        assert!(shop.get("/shelf/items/COWL").await.text().contains(yarn));
        let light = jpeg(&photograph(800, 600), &[]);
        let files: [(&str, &[u8]); 2] = [("a.jpg", &light), ("b.jpg", &dark())];
        let sent = send_files(&shop, PATH, &[("revision", "1")], &files).await;
        assert_eq!(sent.status, 303, "{}", sent.text());
        let added = images(&shop).await;
        assert_eq!(added.len(), 2);
        let item = shop.get("/shelf/items/COWL").await;
        assert!(item.text().contains(&format!("/pictures/{}", added[0])), "{}", item.text());
        assert!(!item.text().contains(yarn), "{}", item.text());
        let stem = added[0].trim_end_matches(".jpg");
        for room in ["/shelf?find=moor", "/online"] {
            let page = shop.get(room).await;
            assert!(page.text().contains(&format!("src=\"/pictures/{stem}")), "{room}: {}", page.text());
        }
        let earlier = [("revision", "2"), ("earlier", added[1].as_str())];
        assert_eq!(send_files(&shop, PATH, &earlier, &[]).await.status, 303);
        assert_eq!(images(&shop).await, [added[1].clone(), added[0].clone()]);
        let late = send_files(&shop, PATH, &[("revision", "2"), ("remove", added[0].as_str())], &[]).await;
        assert!(
            late.status == 422 && late.text().contains("Someone else changed this item"),
            "{}",
            late.text()
        );
        let remove = [("revision", "3"), ("remove", added[0].as_str())];
        assert_eq!(send_files(&shop, PATH, &remove, &[]).await.status, 303);
        assert_eq!(images(&shop).await, [added[1].clone()]);
        let replace = [("revision", "4"), ("replace", added[1].as_str())];
        let none = send_files(&shop, PATH, &replace, &[]).await;
        assert!(none.status == 422 && none.text().contains("Choose a photograph"), "{}", none.text());
        assert_eq!(send_files(&shop, PATH, &replace, &[("a.jpg", &light)]).await.status, 303);
        assert_eq!(images(&shop).await, [added[0].clone()]);
        let same = [("revision", "5"), ("replace", added[0].as_str())];
        let same = send_files(&shop, PATH, &same, &[("a.jpg", &light)]).await;
        assert!(same.status == 422 && same.text().contains("has this photograph already"), "{}", same.text());
    }

    #[tokio::test]
    async fn what_is_still_to_be_added_stays_while_another_is_removed() {
        let shop = TestShop::open().await;
        let light = jpeg(&photograph(800, 600), &[]);
        assert_eq!(send_files(&shop, PATH, &[("revision", "1")], &[("a.jpg", &light)]).await.status, 303);
        let first = images(&shop).await;
        let remove = [("revision", "2"), ("remove", first[0].as_str())];
        let page = send_files(&shop, PATH, &remove, &[("b.jpg", &dark())]).await;
        assert_eq!((page.status, page.text().matches("name=\"kept\"").count()), (200, 1), "{}", page.text());
        assert!(images(&shop).await.is_empty());
    }

    #[tokio::test]
    async fn a_file_that_is_no_photograph_stops_nothing_but_itself() {
        let shop = TestShop::open().await;
        let none = send_files(&shop, PATH, &[("revision", "1")], &[]).await;
        assert!(none.status == 422 && none.text().contains("Choose a photograph"), "{}", none.text());
        let files: [(&str, &[u8]); 2] = [("a.txt", b"a letter"), ("b.jpg", &dark())];
        let wrong = send_files(&shop, PATH, &[("revision", "1")], &files).await;
        assert!(wrong.status == 422 && wrong.text().contains("a.txt: "), "{}", wrong.text());
        assert!(images(&shop).await.is_empty());
        let kept =
            wrong.text().split("name=\"kept\" value=\"").nth(1).and_then(|part| part.split('"').next());
        let again = [("revision", "1"), ("kept", kept.expect("the right one is kept"))];
        assert_eq!(send_files(&shop, PATH, &again, &[]).await.status, 303);
        assert_eq!(images(&shop).await.len(), 1);
    }
}
