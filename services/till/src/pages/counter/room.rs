//! GET /counter and GET /counter/{basket}

use crate::app::App;
use crate::pages::counter::place::{Here, Ribbon};
use crate::pages::counter::slip::{Slip, read};
use crate::pages::counter::words::ago;
use crate::pages::face::{Stripe, picture, stripes};
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::{capital, counted, held_for, open_sale};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::color;
use domain::day::Moment;
use domain::ids::BasketId;
use domain::stock::ItemKind;
use ledger::Shop;
use ledger::sales::BasketSummary;
use ledger::shelf::{Hold, ItemView, Purpose};
use serde::Deserialize;

/// Tags that are shown at once: they fit on a tablet without much scrolling.
const MOST_TAGS: usize = 12;
/// Other slips and holds that are listed.
const MOST_LISTED: usize = 20;

pub(crate) struct Find {
    code: String,
    title: String,
    price: String,
    /// A piece's weight, or how much of the goods is in stock.
    weight: String,
    about: String,
    picture: Option<String>,
    stripes: Vec<Stripe>,
}

/// A slip or a hold in a list.
pub(crate) struct Listed {
    id: String,
    name: String,
    about: String,
    /// Whether it is a hold for a customer.
    takes_deposit: bool,
}

#[derive(Template)]
#[template(path = "counter/room.html")]
pub(crate) struct Page {
    frame: Frame,
    slip: Slip,
    typed: String,
    words: String,
    finds: Vec<Find>,
    open: Vec<Listed>,
    on_hold: Vec<Listed>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    find: String,
}

impl Page {
    /// The room around a slip; `typed` is what was typed and could not be used.
    pub(crate) async fn around(
        app: &App,
        caller: &Caller,
        slip: Slip,
        typed: &str,
        query: Query,
    ) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let now = app.ledger.now();
        let finds = app.ledger.free_items(&query.find, MOST_TAGS).await?;
        let open =
            app.ledger.open_baskets(MOST_LISTED).await?.into_iter().filter(|b| b.id.to_string() != slip.id);
        let holds = app.ledger.open_holds(None, MOST_LISTED).await?.into_iter();
        let holds = holds.filter(|h| matches!(h.purpose, Purpose::Customer | Purpose::Market));
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            typed: typed.to_owned(),
            finds: finds.iter().map(tag).collect(),
            open: open.map(|basket| lying(&shop, &basket, now)).collect(),
            on_hold: holds.map(|hold| on_hold(&shop, &hold)).collect(),
            words: query.find,
            slip,
        })
    }

    /// With the status of its faults.
    pub(crate) fn answer(self) -> Response {
        let is_fine = self.slip.faults.is_empty();
        let status = if is_fine { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
        (status, HtmlPage(self).with_camera()).into_response()
    }
}

fn tag(item: &ItemView) -> Find {
    let weight = match item.kind {
        ItemKind::Piece => item.weight.map(|w| w.to_string()).unwrap_or_default(),
        ItemKind::Counted => format!("{} in stock", item.on_hand),
        ItemKind::Weight => format!(
            "{}, {} in stock",
            item.stock_unit.map_or("", domain::weight::WeightUnit::each),
            item.on_hand
        ),
    };
    let parts = [color::shown(&item.text.color), item.text.size.clone()];
    let about: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    Find {
        code: item.sku.clone(),
        title: item.text.name.clone(),
        price: item.price.shown(),
        weight,
        about: about.join(" · "),
        picture: picture(item),
        stripes: stripes(&item.text.color),
    }
}

fn lying(shop: &Shop, basket: &BasketSummary, now: Moment) -> Listed {
    let who = if basket.who.is_empty() { String::new() } else { format!("{}, ", basket.who) };
    let lines = counted(basket.lines, "item", "items");
    let paying = if basket.paying { ", payment in progress" } else { "" };
    let name = open_sale(shop, basket, now);
    let customer =
        if basket.customer.is_empty() { String::new() } else { format!("for {}, ", basket.customer) };
    let exchange = match basket.returned {
        0 => String::new(),
        returned => format!("{} returned, {lines} taken, ", counted(returned, "item", "items")),
    };
    let changed = format!("last changed {}", ago(shop, basket.changed, now));
    let about = format!("{customer}{exchange}{who}{changed}{paying}");
    Listed { id: basket.id.to_string(), name, about, takes_deposit: false }
}

fn on_hold(shop: &Shop, hold: &Hold) -> Listed {
    let titles: Vec<&str> = hold.lines.iter().map(|line| line.title.as_str()).collect();
    let until = hold.until.map(|u| format!(", {}", shop.zone.until(u))).unwrap_or_default();
    let name = if hold.for_whom.is_empty() { capital(held_for(hold.purpose)) } else { hold.for_whom.clone() };
    let takes_deposit = hold.purpose == Purpose::Customer && !hold.for_whom.is_empty();
    let about = format!("{}{until}", titles.join(", "));
    Listed { id: hold.id.to_string(), name, about, takes_deposit }
}

/// GET /counter
pub(crate) async fn room(
    State(app): State<App>,
    caller: Caller,
    here: Here,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    let ribbon = Ribbon::of(&app, &caller, &here.channel).await?;
    let slip = Slip::empty(&app.ledger.shop(), ribbon);
    Ok(here.keep(Page::around(&app, &caller, slip, "", query).await?.answer()))
}

/// GET /counter/{basket}
pub(crate) async fn at_slip(
    State(app): State<App>,
    caller: Caller,
    PathParam(basket): PathParam<BasketId>,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    match read(&app, &caller, basket).await? {
        Ok(slip) => Ok(Page::around(&app, &caller, slip, "", query).await?.answer()),
        Err(elsewhere) => Ok(elsewhere),
    }
}
