//! Where a device sells: its channel, kept in a cookie so that it stays from sale to sale, and the ribbon that
//! names it. POST /counter/channel switches the device, POST /counter/{basket}/channel also moves the sale.

use crate::app::App;
use crate::pages::counter::words::{self, Wrong};
use crate::pages::counter::{redisplay, run_form};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::see_other;
use crate::pages::shown::dye;
use crate::problem::Problem;
use crate::request::cookies::Cookie;
use crate::request::query::PathParam;
use crate::traffic::visit::{Via, Visit};
use axum::extract::{FromRequestParts, State};
use axum::http::header;
use axum::http::request::Parts;
use axum::response::Response;
use domain::channel::Channel;
use domain::ids::BasketId;
use ledger::Shop;
use ledger::sales::MoveBasket;

/// As long as browsers keep a cookie (RFC 6265bis, 5.5).
const SECONDS: i64 = 400 * 24 * 60 * 60;

/// The channel of the device that asks: the one chosen on it, or the store.
pub(crate) struct Here(pub(crate) Channel);

impl FromRequestParts<App> for Here {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let visit = Visit::from_request_parts(parts, app).await?;
        let kept = Cookie::Channel.read(visit.via, &parts.headers).unwrap_or_default();
        Ok(Self(named(&app.ledger.shop(), &kept).unwrap_or_else(Channel::store)))
    }
}

/// A channel with a counter, by its code.
pub(crate) fn named(shop: &Shop, code: &str) -> Option<Channel> {
    Channel::parse(code).ok().filter(|code| *code != Channel::online() && shop.channels.contains_key(code))
}

/// The channel that a form names: that of the page on which it was shown.
pub(crate) fn of_form(app: &App, form: &Form) -> Channel {
    named(&app.ledger.shop(), form.text("channel")).unwrap_or_else(Channel::store)
}

/// Channels with a counter: all except the online shop, the store first.
pub(crate) fn counters(shop: &Shop) -> Vec<(String, String)> {
    let mut all: Vec<(String, String)> = shop
        .channels
        .iter()
        .filter(|(code, _)| **code != Channel::online())
        .map(|(code, name)| (code.as_str().to_owned(), name.clone()))
        .collect();
    all.sort_by_key(|(code, _)| code != Channel::store().as_str());
    all
}

/// A channel as its name on its color.
pub(crate) struct Ribbon {
    pub(crate) code: String,
    pub(crate) name: String,
    pub(crate) dye: &'static str,
    /// Where else the device can sell, and its sale be moved to; none while that would be refused.
    pub(crate) others: Vec<(String, String)>,
}

impl Ribbon {
    /// Without a way to switch.
    pub(crate) fn fixed(shop: &Shop, channel: &Channel) -> Self {
        let (code, name) = (channel.as_str().to_owned(), words::channel(shop, channel));
        Self { code, name, dye: dye(channel), others: Vec::new() }
    }

    pub(crate) fn of(shop: &Shop, channel: &Channel) -> Self {
        let mut ribbon = Self::fixed(shop, channel);
        ribbon.others = counters(shop).into_iter().filter(|(code, _)| *code != ribbon.code).collect();
        ribbon
    }
}

fn read(app: &App, form: &Form) -> Result<Channel, Faults> {
    named(&app.ledger.shop(), form.text("channel"))
        .ok_or_else(|| Faults::one("channel", "choose one of the places where you sell"))
}

/// Goes to this page, where the device now sells at this channel.
fn kept(via: Via, channel: &Channel, path: &str) -> Response {
    let mut response = see_other(path);
    response.headers_mut().append(header::SET_COOKIE, Cookie::Channel.set(via, channel.as_str(), SECONDS));
    response
}

/// POST /counter/channel
pub(crate) async fn switch(State(app): State<App>, visit: Visit, form: Form) -> Result<Response, Problem> {
    match read(&app, &form) {
        Ok(channel) => Ok(kept(visit.via, &channel, "/counter")),
        Err(faults) => redisplay(&app, &form, None, faults, None).await,
    }
}

/// POST /counter/{basket}/channel
pub(crate) async fn move_sale(
    State(app): State<App>,
    visit: Visit,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let channel = match read(&app, &form) {
        Ok(channel) => channel,
        Err(faults) => return redisplay(&app, &form, Some(basket), faults, None).await,
    };
    let command: Result<_, Faults> = Ok(MoveBasket { basket, channel: channel.clone() });
    match run_form(&app, &form, command).await? {
        Ok(()) => Ok(kept(visit.via, &channel, &format!("/counter/{basket}"))),
        Err(wrong @ (Wrong::Refused(_) | Wrong::Typed(_))) => {
            redisplay(&app, &form, Some(basket), wrong, None).await
        }
    }
}
