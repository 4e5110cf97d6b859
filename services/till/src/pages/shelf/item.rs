//! GET /shelf/items/{code}: one item, and what can be done with it.

use super::tag;
use super::{Way, ways};
use crate::app::App;
use crate::images::pictures::Size;
use crate::pages::approval;
use crate::pages::face::{Stripe, stripes};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::{self, label};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::color;
use domain::day::Zone;
use domain::item::TextField;
use domain::people::Permission;
use domain::pricing;
use domain::stock::{ItemKind, ListingState, StockReason};
use ledger::Command;
use ledger::online::Offers;
use ledger::shelf::{Hold, ItemPast, ItemView, LatestTag, StockMove};

/// The latest stock entries that are shown; an item of counted goods may have thousands.
const MOVES: usize = 50;

pub(crate) struct HoldShown {
    pub(crate) id: String,
    pub(crate) whom: String,
    pub(crate) until: String,
    pub(crate) lines: Vec<String>,
    /// Whether it is a customer's, who can pay a deposit for it.
    pub(crate) takes_deposit: bool,
}

/// For whom, until when, what.
pub(crate) fn hold(hold: &Hold, zone: &Zone) -> HoldShown {
    let purpose = || shown::capital(shown::held_for(hold.purpose));
    let whom = if hold.for_whom.is_empty() { purpose() } else { hold.for_whom.clone() };
    HoldShown {
        takes_deposit: hold.purpose == ledger::shelf::Purpose::Customer && !hold.for_whom.is_empty(),
        id: hold.id.to_string(),
        whom,
        until: hold.until.map_or("no end date".to_owned(), |until| zone.until(until)),
        lines: hold.lines.iter().map(|line| format!("{} × {}", line.quantity, line.title)).collect(),
    }
}

struct MoveShown {
    when: String,
    change: String,
    why: &'static str,
    /// The page of the sale that it belongs to.
    sale: Option<String>,
    note: String,
    who: String,
}

pub(crate) fn why_words(why: StockReason) -> &'static str {
    match why {
        StockReason::Made => "Added",
        StockReason::Count => "Counted",
        StockReason::Damage => "Damaged",
        StockReason::Gift => "Given away",
        StockReason::OwnUse => "Kept for own use",
        StockReason::Mistake => "Entered by mistake",
        StockReason::Sold => "Sold",
        StockReason::PutBack => "Returned to stock",
        StockReason::Voided => "Sale voided",
    }
}

fn moved(entry: &StockMove, zone: &Zone) -> MoveShown {
    let sign = if entry.change.stock_units() > 0 { "+" } else { "" };
    MoveShown {
        when: shown::moment(zone, entry.at),
        change: format!("{sign}{}", entry.change),
        why: why_words(entry.why),
        sale: entry.sale.map(|sale| format!("/counter/sales/{sale}")),
        note: entry.note.clone(),
        who: entry.who.clone(),
    }
}

/// How the price was calculated, and the margin.
struct PriceShown {
    price: String,
    calculation: String,
    /// Cost and margin, for people who set prices.
    cost: Option<(String, String)>,
}

fn price(item: &ItemView, caller: &Caller) -> PriceShown {
    let calculation = match (&item.calculation, item.priced_by_hand) {
        (Some(calculation), _) => calculation.shown(),
        (None, true) => "Price override".to_owned(),
        (None, false) => "Priced at an earlier rate of its style".to_owned(),
    };
    let left = pricing::margin(item.price, item.cost).ok().flatten();
    let cost = item.cost.zip(left).filter(|_| caller.may(Permission::SeeCost));
    let each = item.stock_unit.map(|unit| format!(" {}", unit.each())).unwrap_or_default();
    PriceShown {
        price: format!("{}{each}", shown::money(item.price)),
        calculation,
        cost: cost.map(|(cost, left)| (shown::money(cost), shown::money(left))),
    }
}

/// A photograph of an item in its three sizes.
pub(super) struct PhotographShown {
    /// As the item names it.
    pub(super) file: String,
    pub(super) small: String,
    pub(super) middle: String,
    pub(super) large: String,
}

/// An item's photographs; images on other servers are not among them.
pub(super) fn photographs(item: &ItemView) -> Vec<PhotographShown> {
    let shown = |file: &String| {
        Some(PhotographShown {
            file: file.clone(),
            small: Size::Small.address(file)?,
            middle: Size::Middle.address(file)?,
            large: Size::Large.address(file)?,
        })
    };
    item.text.images.iter().filter_map(shown).collect()
}

fn listing_words(item: &ItemView, offers: &Offers) -> String {
    let stays = !item.do_not_list && item.on_hand.stock_units() > 0;
    match offers.state() {
        Some(ListingState::Listed) if stays => format!("Listed in {}.", shown::listed_by(offers)),
        Some(ListingState::Listed) => {
            format!("Still listed in {}. The next update removes it.", shown::listed_by(offers))
        }
        _ if item.do_not_list => "Don’t list online.".to_owned(),
        Some(ListingState::Ended) => "No longer listed online.".to_owned(),
        None => "Not listed online.".to_owned(),
    }
}

fn tag_words(tag: Option<&LatestTag>, zone: &Zone) -> String {
    let Some(tag) = tag else { return "No tag printed yet.".to_owned() };
    let when = shown::moment(zone, tag.at);
    if tag.is_outdated {
        let price = shown::money(tag.price);
        return format!("Print a new tag: the item changed after the last one ({price}, {when}).");
    }
    format!("Tag printed {when}.")
}

#[derive(Template)]
#[template(path = "shelf/item.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    item: ItemView,
    path: String,
    about: Vec<(String, String)>,
    stripes: Vec<Stripe>,
    photographs: Vec<PhotographShown>,
    notes: Vec<&'static str>,
    price: PriceShown,
    listing: String,
    /// What is known of its printed tag, for people who print tags.
    latest_tag: String,
    holds: Vec<HoldShown>,
    moves: Vec<MoveShown>,
    may_sell: bool,
    may_count: bool,
    may_make: bool,
    faults: Faults,
    form: Option<Form>,
}

impl Page {
    fn is_piece(&self) -> bool {
        self.item.kind == ItemKind::Piece
    }

    /// Whether it may be removed as a mistake, as far as the shelf knows.
    fn may_remove(&self) -> bool {
        self.is_piece() && self.holds.is_empty() && self.item.past == ItemPast::Unsold
    }

    fn is_removed(&self) -> bool {
        self.item.past == ItemPast::Removed
    }

    fn is_there(&self) -> bool {
        self.item.on_hand.stock_units() > 0
    }

    /// Whether any of it is not on hold.
    fn is_free(&self) -> bool {
        self.item.free().stock_units() > 0
    }

    /// What was typed into a field of the form that is shown again.
    fn typed(&self, field: &str) -> &str {
        self.form.as_ref().map_or("", |form| form.raw(field))
    }

    /// Whether an option was chosen in the form that is shown again.
    fn chose(&self, field: &str, value: &str) -> bool {
        self.typed(field) == value
    }
}

fn about(item: &ItemView) -> Vec<(String, String)> {
    let weight = item.weight.map(|w| w.to_string()).unwrap_or_default();
    let gtin = item.gtin.clone().unwrap_or_default();
    let sku = if item.sku == item.in_store { String::new() } else { item.sku.clone() };
    let own = |label: &str, words: String| (label.to_owned(), words);
    // Name and description have places of their own.
    let texts =
        item.text.fields().filter(|(field, _)| !matches!(field, TextField::Name | TextField::Description));
    let shown = |field, text: &str| match field {
        TextField::Color => color::shown(text),
        _ => text.to_owned(),
    };
    let texts = texts.map(|(field, text)| (label(field.property()), shown(field, text)));
    let care = [own("Care", item.care.clone())];
    let codes = [own("Tag code", item.in_store.clone()), own("Your code", sku), own("GTIN", gtin)];
    let first = [own("Style", item.style.clone().unwrap_or_default()), own("Weight", weight)];
    first.into_iter().chain(texts).chain(care).chain(codes).filter(|(_, words)| !words.is_empty()).collect()
}

/// The item's page, with what was typed and what is wrong with it if a form had faults.
pub(crate) async fn page(
    app: &App,
    caller: &Caller,
    code: &Code,
    faults: Faults,
    form: Option<Form>,
) -> Result<Page, Problem> {
    let item = app.ledger.item(code).await?;
    let offers = app.ledger.offers(&[item.id]).await?.remove(&item.id).unwrap_or_default();
    let holds = app.ledger.holds_of(item.id).await?;
    let moves = app.ledger.stock_moves(code, None, MOVES).await?;
    let latest_tag = app.ledger.latest_tag(item.id).await?;
    let zone = &app.ledger.shop().zone;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, ""),
        path: tag::path(&item.in_store),
        about: about(&item),
        stripes: stripes(&item.text.color),
        photographs: photographs(&item),
        notes: tag::notes(&item, offers.is_listed()),
        price: price(&item, caller),
        listing: listing_words(&item, &offers),
        latest_tag: tag_words(latest_tag.as_ref(), zone),
        holds: holds.iter().map(|h| hold(h, zone)).collect(),
        moves: moves.iter().map(|m| moved(m, zone)).collect(),
        may_sell: caller.may(Permission::Sell),
        may_count: caller.may(Permission::Count),
        may_make: caller.may(Permission::Make),
        item,
        faults,
        form,
    })
}

/// The page again, with the faults of one of its forms.
async fn redisplay(app: &App, code: &Code, form: Form, faults: Faults) -> Result<Response, Problem> {
    let caller = form.caller.clone();
    let page = page(app, &caller, code, faults, Some(form)).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

/// Runs the command of one of the page's forms and redirects to the item; on a refusal, shows the page again
/// with what was typed.
pub(super) async fn done<C: Command>(
    app: &App,
    code: &Code,
    form: Form,
    command: Result<C, Faults>,
) -> Result<Response, Problem> {
    let faults = match command {
        Err(faults) => faults,
        Ok(command) => match app.ledger.answer(Some(&form.key), &command).await?.answer {
            Ok(_) => return Ok(see_other(&tag::path(code.as_str()))),
            Err(rejection) => {
                let ask = approval::ask(app, &form, &rejection).await?;
                Faults::of(rejection.into())?.with_ask(ask)
            }
        },
    };
    redisplay(app, code, form, faults).await
}

/// GET /shelf/items/{code}
pub(crate) async fn read_item(
    State(app): State<App>,
    caller: Caller,
    PathParam(code): PathParam<Code>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller, &code, Faults::default(), None).await?))
}

#[cfg(test)]
pub(crate) mod tests {
    use crate::testing::{Reply, TestShop};
    use axum::body::Body;
    use axum::http::Method;

    /// Sends a form as a browser does.
    pub(crate) async fn send(shop: &TestShop, path: &str, fields: &[(&str, &str)]) -> Reply {
        let body = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
        let headers = [("content-type", "application/x-www-form-urlencoded")];
        shop.ask(Method::POST, path, &headers, Body::from(body)).await
    }

    #[tokio::test]
    async fn a_piece_shows_its_price_s_working_and_its_moves() {
        let shop = TestShop::open().await;
        let page = shop.get("/shelf/items/COWL").await;
        assert_eq!(page.status, 200, "{}", page.text());
        for words in [
            "<h1>Moor cowl</h1>",
            "6.35 oz × $7.50 an ounce = $47.63, rounded to $48.00",
            "$12.50",
            "$35.50",
            "Added",
            "Not listed online.",
        ] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        let sale = shop.sell("COWL", "k").await;
        let page = shop.get("/shelf/items/COWL").await;
        let link = format!("<a href=\"/counter/sales/{}\">Sold</a>", sale["id"].as_str().expect("an id"));
        assert!(page.text().contains(&link), "{link} in {}", page.text());
        assert!(page.text().contains("-1") && page.text().contains("<span>Sold</span>"), "{}", page.text());
        let nothing = shop.get("/shelf/items/NOPE").await;
        assert_eq!(nothing.status, 404);
    }

    #[tokio::test]
    async fn what_is_on_hold_is_neither_held_nor_written_off() {
        let shop = TestShop::open().await;
        let actions = ["Hold item", "Write off item"];
        let page = shop.get("/shelf/items/COWL").await;
        assert!(actions.iter().all(|words| page.text().contains(words)), "{}", page.text());
        let held = send(&shop, "/shelf/items/COWL/hold", &[("for_whom", "Ada")]).await;
        assert_eq!(held.status, 303, "{}", held.text());
        let page = shop.get("/shelf/items/COWL").await;
        assert!(!actions.iter().any(|words| page.text().contains(words)), "{}", page.text());
        assert!(
            page.text().contains("Save count") && page.text().contains("Release hold"),
            "{}",
            page.text()
        );
    }
}
