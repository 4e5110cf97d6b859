//! One piece: weighed, priced and recorded.

use super::price::Slip;
use super::tags;
use super::typed::{PRICE_IT, Typed, at_field};
use crate::app::App;
use crate::images::pictures::Size;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::upload::PhotoForm;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::ids::CustomOrderId;
use domain::people::Permission;
use domain::stock::ItemKind;
use domain::text::fold;
use ledger::Rejection;
use ledger::sales::MakeOrderedPiece;
use ledger::shelf::{FinishPieces, ItemView, NewPiece, PictureName, PieceOutcome, StyleView};
use serde::Deserialize;

/// The piece recorded before this one.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Before {
    after: String,
    tare: String,
    /// A custom order that the piece is made for.
    order: String,
}

/// The form, and the slip beside it.
#[derive(Template)]
#[template(path = "workbench/piece.html")]
pub(crate) struct Page {
    frame: Frame,
    styles: Vec<StyleView>,
    typed: Typed,
    kept: Vec<PictureName>,
    slip: Slip,
    faults: Faults,
    unit: &'static str,
    /// A style that was added for this piece.
    added: Option<String>,
    may_price: bool,
    /// Whether it was not saved yet because its weight is unusual.
    is_odd: bool,
    /// What is made to order, and for whom.
    ordered: Option<String>,
}

/// GET /workbench
pub(crate) async fn room(
    State(app): State<App>,
    caller: Caller,
    QueryParam(before): QueryParam<Before>,
) -> Result<HtmlPage<Page>, Problem> {
    let typed = match piece_before(&app, &before).await? {
        Some(item) => Typed::after(item, before.tare.clone()),
        None => Typed { tare: before.tare.clone(), ..Typed::default() },
    };
    let typed = match before.order.parse() {
        Ok(order) => typed.ordered(&app.ledger.custom_order(order).await?),
        Err(_) => typed,
    };
    Ok(HtmlPage(Page::new(&app, &caller, typed, Vec::new(), None, Faults::default()).await?))
}

/// The named piece, or else the latest that was finished: its style and yarn are filled in.
async fn piece_before(app: &App, before: &Before) -> Result<Option<ItemView>, Problem> {
    let item = match Code::parse(&before.after) {
        // A code that leads nowhere is no reason to stop; the form is then empty.
        Ok(code) => app.ledger.item(&code).await.ok(),
        Err(_) => app.ledger.items(None, "", 1).await?.pop(),
    };
    Ok(item.filter(|item| item.kind == ItemKind::Piece))
}

/// POST /workbench
pub(crate) async fn finish(State(app): State<App>, sent: PhotoForm) -> Result<Response, Problem> {
    let (form, kept, mut faults) = sent.take_in(&app).await?;
    let typed = Typed::of_form(&form);
    let read = typed.read_whole(&app.ledger.shop(), kept.clone());
    let piece = read.map_err(|more| faults.join(more)).ok();
    let mut is_odd = false;
    if let Some(piece) = piece.as_ref().filter(|_| faults.is_empty() && !form.has(PRICE_IT)) {
        is_odd = Slip::of(&app, piece).await?.odd.is_some_and(|odd| !odd.is_seen(&form));
    }
    if let Some(piece) = piece.as_ref().filter(|_| faults.is_empty() && !form.has(PRICE_IT) && !is_odd) {
        match keep(&app, &form, piece.clone()).await? {
            Ok(code) => return Ok(see_other(&tags::address_of_new(&[code], &typed.tare))),
            Err((field, words)) => faults.add(&field, words),
        }
    }
    let is_right = faults.is_empty() && !is_odd;
    let status = if is_right { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let page = Page::new(&app, &form.caller, typed, kept, piece.as_ref(), faults).await?;
    let page = Page { is_odd, ..page };
    Ok((status, HtmlPage(page)).into_response())
}

/// The in-store code of the new piece, or the faults by field.
async fn keep(app: &App, form: &Form, piece: NewPiece) -> Result<Result<String, (String, String)>, Problem> {
    if let Ok(order) = form.text("order").parse() {
        return keep_ordered(app, form, order, piece).await;
    }
    let finish = FinishPieces { pieces: vec![piece], who: form.caller.who.clone() };
    let outcome = app.run(&form.key, &finish).await?.answer.pop();
    Ok(match outcome {
        Some(PieceOutcome::Finished(finished)) => Ok(finished.item.in_store),
        Some(PieceOutcome::Refused(rejection)) => {
            let (field, words) = at_field(&rejection);
            Err((field.to_owned(), words))
        }
        None => Err((String::new(), "the piece was not saved; send the form again".to_owned())),
    })
}

/// The same for the piece of a custom order, which is then on hold for the customer.
async fn keep_ordered(
    app: &App,
    form: &Form,
    order: CustomOrderId,
    piece: NewPiece,
) -> Result<Result<String, (String, String)>, Problem> {
    let make = MakeOrderedPiece { order, piece, who: form.caller.who.clone() };
    let made = app.ledger.answer(Some(&form.key), &make).await?.answer;
    Ok(match made {
        Ok(finished) => Ok(finished.item.in_store),
        Err(rejection @ Rejection::StillRunning) => return Err(rejection.into()),
        Err(rejection) => {
            let (field, words) = at_field(&rejection);
            Err((field.to_owned(), words))
        }
    })
}

/// For whom a piece is made, in words; none if it is for the shelf, or for an order that is not there.
async fn for_whom(app: &App, order: &str) -> Option<String> {
    let order = app.ledger.custom_order(order.parse().ok()?).await.ok()?;
    Some(format!("{} for {}, due {}", order.about, order.name, order.due.shown()))
}

impl Page {
    /// The form with a piece that another form carried along, perhaps while its style was added.
    pub(crate) async fn carried_back(
        app: &App,
        caller: &Caller,
        typed: Typed,
        kept: Vec<PictureName>,
        added: Option<String>,
    ) -> Result<Self, Problem> {
        let piece = typed.read(&app.ledger.shop(), kept.clone());
        let faults = piece.as_ref().err().cloned().unwrap_or_default();
        let page = Self::new(app, caller, typed, kept, piece.as_ref().ok(), faults).await?;
        Ok(Self { added, ..page })
    }

    async fn new(
        app: &App,
        caller: &Caller,
        typed: Typed,
        kept: Vec<PictureName>,
        piece: Option<&NewPiece>,
        faults: Faults,
    ) -> Result<Self, Problem> {
        let slip = match piece {
            Some(piece) => Slip::of(app, piece).await?,
            None => Slip::empty(),
        };
        let frame = Frame::new(app, caller, Room::Workbench);
        let styles = app.ledger.styles().await?;
        let (unit, may_price) = (app.ledger.shop().unit.plural(), caller.may(Permission::Price));
        let ordered = for_whom(app, &typed.order).await;
        let (added, is_odd) = (None, false);
        Ok(Self { frame, styles, typed, kept, slip, faults, unit, added, may_price, is_odd, ordered })
    }

    fn is_chosen(&self, style: &StyleView) -> bool {
        fold(&style.name) == fold(self.typed.style.trim())
    }

    /// The sizes of the chosen style, or of all styles.
    fn sizes(&self) -> Vec<&str> {
        let chosen = self.styles.iter().find(|style| self.is_chosen(style));
        let styles = chosen.map_or(&self.styles[..], std::slice::from_ref);
        let mut sizes: Vec<&str> = Vec::new();
        for size in styles.iter().flat_map(|style| &style.sizes) {
            if !sizes.contains(&size.as_str()) {
                sizes.push(size);
            }
        }
        sizes
    }

    fn thumb(name: &PictureName) -> String {
        Size::Small.address(&name.file()).unwrap_or_default()
    }

    /// Whether the rarely needed fields are open: one of them is filled in or has a fault.
    fn shows_more(&self) -> bool {
        let Typed { name, extras, price, reason, cost, description, .. } = &self.typed;
        [name, extras, price, reason, cost, description].into_iter().any(|text| !text.is_empty())
            || ["name", "extras", "price", "reason", "cost", "description"]
                .into_iter()
                .any(|field| self.faults.at(field).is_some())
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::send_files;
    use crate::images::pictures::{dark, jpeg, photograph};
    use crate::testing::{Reply, TestShop};
    use domain::codes::Code;
    use ledger::shelf::{ItemView, PictureName};

    const BEANIE: &[(&str, &str)] = &[("weight", "6.35 oz"), ("style", "Moor cowl"), ("color", "fawn")];

    fn with<'a>(more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
        [BEANIE, more].concat()
    }

    fn code_of(reply: &Reply) -> String {
        let place = reply.header("location").unwrap_or_else(|| panic!("{}", reply.text()));
        let code = place.strip_prefix("/workbench/tags?pieces=").unwrap_or_else(|| panic!("{place}"));
        code.split('&').next().unwrap_or_default().to_owned()
    }

    async fn item_of(shop: &TestShop, reply: &Reply) -> ItemView {
        assert_eq!(reply.status, 303, "{}", reply.text());
        shop.ledger().item(&Code::parse(&code_of(reply)).expect("a code")).await.expect("an item")
    }

    async fn pieces(shop: &TestShop) -> usize {
        shop.ledger().items(None, "", 100).await.expect("items").len()
    }

    #[tokio::test]
    async fn weighed_priced_and_kept_with_its_photographs() {
        let shop = TestShop::open().await;
        let first = jpeg(&photograph(800, 600), &[]);
        let fields = with(&[("rows", "96"), ("minutes", "52"), ("note", "needles 4 mm"), ("tare", "")]);
        let reply = send_files(&shop, "/workbench", &fields, &[("a.jpg", &first), ("b.jpg", &dark())]).await;
        let item = item_of(&shop, &reply).await;
        assert_eq!(
            (item.text.name.as_str(), item.price.to_string()),
            ("Moor cowl, fawn", "48.00".to_owned())
        );
        let names: Vec<PictureName> =
            item.text.images.iter().map(|file| PictureName::of_file(file).expect("a name")).collect();
        let pictures = shop.ledger().pictures(&names).await.expect("pictures");
        assert_eq!((pictures[&names[0]].width, pictures[&names[0]].height), (800, 600));
        assert!(pictures[&names[0]].lightness > 20 && pictures[&names[1]].lightness < 10, "{pictures:?}");
        for file in &item.text.images {
            assert_eq!(shop.get(&format!("/pictures/{file}")).await.status, 200);
        }
        let work = shop.ledger().piece_work(item.id).await.expect("work").expect("some");
        assert_eq!((work.rows, work.minutes, work.note.as_str()), (Some(96), Some(52), "needles 4 mm"));
    }

    #[tokio::test]
    async fn sent_twice_it_is_one_piece() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let fields = with(&[("_key", "once")]);
        let photo = dark();
        let first = send_files(&shop, "/workbench", &fields, &[("a.jpg", &photo)]).await;
        let again = send_files(&shop, "/workbench", &fields, &[("a.jpg", &photo)]).await;
        assert_eq!(code_of(&first), code_of(&again));
        assert_eq!(pieces(&shop).await, before + 1);
        let other = send_files(&shop, "/workbench", &fields, &[]).await;
        assert_eq!(other.status, 422, "{}", other.text());
    }

    #[tokio::test]
    async fn the_next_piece_keeps_style_yarn_and_bowl() {
        let shop = TestShop::open().await;
        let fields = [
            ("weight", "8.45 oz"),
            ("tare", "2.1 oz"),
            ("style", "Moor cowl"),
            ("color", "fawn and \"white\""),
            ("material", "100 % alpaca"),
        ];
        let reply = send_files(&shop, "/workbench", &fields, &[]).await;
        assert_eq!(item_of(&shop, &reply).await.weight.map(|w| w.to_string()).as_deref(), Some("6.35 oz"));
        let tags = shop.get(reply.header("location").expect("tags")).await;
        let next = tags.text().split("href=\"/workbench?after=").nth(1).and_then(|t| t.split('"').next());
        let next = format!(
            "/workbench?after={}",
            next.expect("the next piece").replace("&amp;", "&").replace("&#38;", "&")
        );
        let page = shop.get(&next).await;
        for words in ["value=\"2.1 oz\"", "value=\"fawn and &#34;white&#34;\"", "value=\"100 % alpaca\""] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        assert!(
            page.text().contains("<option selected>Moor cowl</option>") || page.text().contains("selected")
        );
    }

    #[tokio::test]
    async fn colors_are_typed_shown_and_named_in_one_form() {
        let shop = TestShop::open().await;
        let fields = [("weight", "6.35 oz"), ("style", "Moor cowl"), ("color", "fawn, grey with white")];
        let reply = send_files(&shop, "/workbench", &fields, &[]).await;
        let item = item_of(&shop, &reply).await;
        assert_eq!(
            (item.text.color.as_str(), item.text.name.as_str()),
            ("fawn|grey with white", "Moor cowl, fawn, grey with white")
        );
        let next = shop.get("/workbench").await;
        assert!(next.text().contains("name=\"color\" value=\"fawn, grey with white\""), "{}", next.text());
    }

    #[tokio::test]
    async fn an_odd_weight_is_saved_once_somebody_saw_the_warning() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let odd = [("weight", "63.5 oz"), ("style", "Moor cowl")];
        let asked = send_files(&shop, "/workbench", &odd, &[]).await;
        assert_eq!((asked.status, pieces(&shop).await), (422, before), "{}", asked.text());
        for words in ["not saved yet", "Check the scale reading", "name=\"seen\" value=\"63.5 oz\""] {
            assert!(asked.text().contains(words), "{words} in {}", asked.text());
        }
        let other = [&odd[..], &[("seen", "6.35 oz")]].concat();
        assert_eq!(send_files(&shop, "/workbench", &other, &[]).await.status, 422);
        let seen = [&odd[..], &[("seen", "63.5 oz")]].concat();
        assert_eq!(send_files(&shop, "/workbench", &seen, &[]).await.status, 303);
        assert_eq!(pieces(&shop).await, before + 1);
    }

    #[tokio::test]
    async fn what_is_wrong_stands_at_its_field_and_what_was_typed_stays() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let check = |fields: Vec<(&'static str, &'static str)>, field: &'static str, words: &'static str| {
            let shop = &shop;
            async move {
                let reply = send_files(shop, "/workbench", &fields, &[]).await;
                assert_eq!(reply.status, 422, "{fields:?}: {}", reply.text());
                let page = reply.text();
                let fault = format!("id=\"fault-{field}\">{words}");
                assert!(page.contains(&fault), "{fields:?}: {fault} in {page}");
                assert!(page.contains(&format!("aria-describedby=\"fault-{field}\"")), "{field} in {page}");
                for (name, value) in &fields {
                    assert!(page.contains(value), "{name} {value} in {page}");
                }
            }
        };
        check(
            vec![("weight", "six"), ("style", "Moor cowl"), ("note", "as typed")],
            "weight",
            "“six” is not",
        )
        .await;
        check(vec![("style", "Moor cowl"), ("note", "as typed")], "weight", "Enter the scale reading").await;
        check(vec![("weight", "6 oz"), ("note", "as typed")], "style", "Choose a style").await;
        check(with(&[("price", "40.00")]), "reason", "").await;
        check(with(&[("price", "4o")]), "price", "").await;
        check(with(&[("rows", "0")]), "rows", "").await;
        check(with(&[("minutes", "an hour")]), "minutes", "“an hour” is not a whole").await;
        check(with(&[("note", "card 4000 0000 0000 0002")]), "note", "This looks like a payment card").await;
        assert_eq!(pieces(&shop).await, before);
    }

    #[tokio::test]
    async fn a_photograph_that_is_none_is_named_and_the_others_stay() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let good = jpeg(&photograph(800, 600), &[]);
        let files: &[(&str, &[u8])] =
            &[("good.jpg", &good), ("evil.jpg", b"<!doctype html><script>1</script>")];
        let reply = send_files(&shop, "/workbench", BEANIE, files).await;
        assert_eq!(reply.status, 422);
        let words = "evil.jpg: it is not a photo";
        assert!(reply.text().contains(words), "{}", reply.text());
        assert_eq!(pieces(&shop).await, before);
        let name = reply.text().split("name=\"kept\" value=\"").nth(1).and_then(|t| t.split('"').next());
        let name = name.expect("the good one stays").to_owned();
        let item =
            item_of(&shop, &send_files(&shop, "/workbench", &with(&[("kept", &name)]), &[]).await).await;
        assert_eq!(item.text.images, [format!("{name}.jpg")]);
    }

    #[tokio::test]
    async fn too_many_or_too_large_photographs_are_refused_in_words() {
        let shop = TestShop::open().await;
        let photo = dark();
        let many: Vec<(&str, &[u8])> = vec![("a.jpg", &photo[..]); 9];
        let reply = send_files(&shop, "/workbench", BEANIE, &many).await;
        assert_eq!(reply.status, 422);
        assert!(reply.text().contains("at most 8 photographs"), "{}", reply.text());
        let large = vec![0xff; 20 * 1024 * 1024 + 1];
        let reply = send_files(&shop, "/workbench", BEANIE, &[("large.jpg", &large)]).await;
        assert_eq!(reply.status, 422);
        assert!(reply.text().contains("large.jpg: it is larger than 20 MB"), "{}", reply.text());
        let whole: Vec<(&str, &[u8])> = vec![("large.jpg", &large[..]); 4];
        assert_eq!(send_files(&shop, "/workbench", BEANIE, &whole).await.status, 413);
    }

    #[tokio::test]
    async fn where_scripts_are_off_a_button_tells_the_price_and_keeps_nothing() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let reply = send_files(&shop, "/workbench", &with(&[("price_it", "")]), &[]).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        assert!(
            reply.text().contains("6.35 oz × $7.50 an ounce = $47.63, rounded to $48.00"),
            "{}",
            reply.text()
        );
        assert_eq!(pieces(&shop).await, before);
    }

    #[tokio::test]
    async fn what_is_typed_is_shown_as_text() {
        let shop = TestShop::open().await;
        let reply = send_files(&shop, "/workbench", &[("weight", "\"><script>1</script>")], &[]).await;
        assert_eq!(reply.status, 422);
        assert!(!reply.text().contains("<script>1"), "{}", reply.text());
    }
}
