//! Where a device sells: its channel, kept in a cookie so that it stays from sale to sale, and the ribbon that
//! names it. POST /counter/channel switches the device, POST /counter/{basket}/channel also moves the sale.

use crate::app::App;
use crate::pages::counter::words::Wrong;
use crate::pages::counter::{SaleAt, redisplay, run_form};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::see_other;
use crate::pages::shown::{channel_name, dye};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::cookies::Cookie;
use crate::request::query::PathParam;
use crate::traffic::visit::{Via, Visit};
use axum::extract::{FromRequestParts, State};
use axum::http::request::Parts;
use axum::http::{HeaderValue, header};
use axum::response::Response;
use domain::channel::Channel;
use domain::ids::BasketId;
use ledger::sales::MoveBasket;
use ledger::{Rejection, Shop};

/// As long as browsers keep a cookie (RFC 6265bis, 5.5).
const SECONDS: i64 = 400 * 24 * 60 * 60;

/// The channel of the device that asks: the one chosen on it, or the store; another one if its clerk may not
/// sell there.
pub(crate) struct Here {
    pub(crate) channel: Channel,
    /// The choice of the device once more, so that it does not run out while it is used.
    renewed: Option<HeaderValue>,
}

impl FromRequestParts<App> for Here {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let visit = Visit::from_request_parts(parts, app).await?;
        let caller = Caller::from_request_parts(parts, app).await?;
        let shop = app.ledger.shop();
        let chosen = Cookie::Channel.read(visit.via, &parts.headers).and_then(|code| named(&shop, &code));
        let renewed = chosen.as_ref().map(|code| Cookie::Channel.set(visit.via, code.as_str(), SECONDS));
        let open = open_to(app, &caller).await?;
        let own = chosen.unwrap_or_else(Channel::store);
        let is_open = open.is_empty() || open.iter().any(|(code, _)| *code == own);
        let channel = if is_open { own } else { open.into_iter().next().map_or(own, |(code, _)| code) };
        Ok(Self { channel, renewed })
    }
}

impl Here {
    /// A page of this device, which keeps its choice.
    pub(crate) fn keep(self, mut response: Response) -> Response {
        if let Some(cookie) = self.renewed {
            response.headers_mut().append(header::SET_COOKIE, cookie);
        }
        response
    }
}

/// A channel with a counter, by its code.
pub(crate) fn named(shop: &Shop, code: &str) -> Option<Channel> {
    Channel::parse(code).ok().filter(|code| *code != Channel::online() && shop.channels.contains_key(code))
}

/// The channel that a form names, which is that of the page on which it was shown; the device's if it names
/// none.
pub(crate) fn of_form(app: &App, form: &Form, here: &Channel) -> Result<Channel, Faults> {
    if form.text("channel").is_empty() { Ok(here.clone()) } else { read(app, form) }
}

/// The channel of the page that a refused form came from; the device's if its clerk may not sell there.
pub(crate) async fn of_page(app: &App, form: &Form, here: &Channel) -> Result<Channel, Problem> {
    let open = open_to(app, &form.caller).await?;
    let named = of_form(app, form, here).ok();
    let named = named.filter(|channel| open.iter().any(|(code, _)| code == channel));
    Ok(named.unwrap_or_else(|| here.clone()))
}

/// Where this caller may sell over a counter, the store first.
async fn open_to(app: &App, caller: &Caller) -> Result<Vec<(Channel, String)>, Problem> {
    let limits = app.ledger.limits(caller.role, caller.token.as_deref()).await?;
    let mut open = counters(&app.ledger.shop());
    open.retain(|(code, _)| limits.allow_channel(code).is_ok());
    Ok(open)
}

/// Channels with a counter: all except the online shop, the store first.
pub(crate) fn counters(shop: &Shop) -> Vec<(Channel, String)> {
    let own = shop.channels.iter().filter(|(code, _)| **code != Channel::online());
    let mut all: Vec<_> = own.map(|(code, name)| (code.clone(), name.clone())).collect();
    all.sort_by_key(|(code, _)| *code != Channel::store());
    all
}

/// A channel as its name on its color.
pub(crate) struct Ribbon {
    pub(crate) code: String,
    pub(crate) name: String,
    pub(crate) dye: &'static str,
    /// Where else the device can sell, and its sale be moved to; none while that would be refused.
    pub(crate) others: Vec<(Channel, String)>,
}

impl Ribbon {
    /// Without a way to switch.
    pub(crate) fn fixed(shop: &Shop, channel: &Channel) -> Self {
        let (code, name) = (channel.as_str().to_owned(), channel_name(shop, channel));
        Self { code, name, dye: dye(channel), others: Vec::new() }
    }

    pub(crate) async fn of(app: &App, caller: &Caller, channel: &Channel) -> Result<Self, Problem> {
        let mut others = open_to(app, caller).await?;
        others.retain(|(code, _)| code != channel);
        Ok(Self { others, ..Self::fixed(&app.ledger.shop(), channel) })
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
pub(crate) async fn switch(
    State(app): State<App>,
    visit: Visit,
    here: Here,
    form: Form,
) -> Result<Response, Problem> {
    let limits = app.ledger.limits(form.caller.role, form.caller.token.as_deref()).await?;
    let wrong: Wrong = match read(&app, &form) {
        Ok(channel) => match limits.allow_channel(&channel) {
            Ok(()) => return Ok(kept(visit.via, &channel, "/counter")),
            Err(above) => Rejection::AboveLimit(above).into(),
        },
        Err(faults) => faults.into(),
    };
    redisplay(&app, &form, &SaleAt::New(here.channel), wrong, None).await
}

/// POST /counter/{basket}/channel
pub(crate) async fn move_sale(
    State(app): State<App>,
    visit: Visit,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let channel = read(&app, &form);
    let command = channel.clone().map(|channel| MoveBasket { basket, channel });
    match (channel, run_form(&app, &form, command).await?) {
        (Ok(channel), Ok(())) => Ok(kept(visit.via, &channel, &format!("/counter/{basket}"))),
        (Err(faults), _) => redisplay(&app, &form, &SaleAt::Open(basket), faults, None).await,
        (_, Err(wrong)) => redisplay(&app, &form, &SaleAt::Open(basket), wrong, None).await,
    }
}
