//! The drawer: GET and POST /counter/drawer, GET /counter/drawer/{turn}, POST …/cash and …/close

use crate::app::App;
use crate::pages::counter::place::{self, Here, counters};
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::channel_name;
use crate::pages::takings::TakingsTable;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::cash::{Count, denominations};
use domain::channel::Channel;
use domain::ids::TurnId;
use domain::money::{Currency, Money};
use ledger::sales::{CloseDrawer, DrawerEntry, EntryKind, OpenDrawer, PutIn, TakeOut, TakingsOf, Turn};
use ledger::{Command, Shop};
use serde::Deserialize;

/// Entries and turns that are listed.
const MOST_ENTRIES: usize = 200;
const MOST_TURNS: usize = 20;

/// One bill or coin in a count.
struct Coin {
    /// Its value in minor units, as in the field's name.
    minor: i64,
    amount: String,
    typed: String,
}

struct Entry {
    when: String,
    what: String,
    /// Its sale and receipt.
    sale: Option<(String, String)>,
    amount: String,
    who: String,
}

struct Told {
    id: String,
    place: String,
    opened: String,
    by: String,
    float: String,
    expected: String,
    closed: Option<ToldClose>,
}

struct ToldClose {
    at: String,
    by: String,
    counted: String,
    /// Over, short, or neither.
    difference: String,
    is_off: bool,
    note: String,
    counts: Vec<(String, i64)>,
}

/// The drawer of a channel: open, or to be opened by counting the cash.
#[derive(Template)]
#[template(path = "counter/drawer.html")]
pub(crate) struct Page {
    frame: Frame,
    channel: String,
    channels: Vec<(Channel, String)>,
    turn: Option<Told>,
    entries: Vec<Entry>,
    takings: Option<TakingsTable>,
    coins: Vec<Coin>,
    /// Zero as the script writes a sum.
    zero: String,
    turns: Vec<Told>,
    amount: String,
    reason: String,
    note: String,
    faults: Faults,
}

/// One drawer session, closed or still open.
#[derive(Template)]
#[template(path = "counter/turn.html")]
pub(crate) struct OneTurn {
    frame: Frame,
    turn: Told,
    entries: Vec<Entry>,
    takings: TakingsTable,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    channel: String,
}

fn told(shop: &Shop, turn: &Turn) -> Told {
    let closed = turn.closed.as_ref().map(|closed| ToldClose {
        at: shop.zone.shown(closed.at),
        by: closed.by.clone(),
        counted: closed.counted.shown(),
        difference: match closed.difference.minor() {
            0 => "No difference".to_owned(),
            over if over > 0 => format!("{} over", closed.difference.shown()),
            _ => format!("{} short", closed.difference.negated().shown()),
        },
        is_off: !closed.difference.is_zero(),
        note: closed.note.clone(),
        counts: closed.counts.iter().map(|(amount, count)| (amount.shown(), *count)).collect(),
    });
    Told {
        id: turn.id.to_string(),
        place: channel_name(shop, &turn.channel),
        opened: shop.zone.shown(turn.opened),
        by: turn.opened_by.clone(),
        float: turn.float.shown(),
        expected: turn.expected.shown(),
        closed,
    }
}

fn entry(shop: &Shop, entry: &DrawerEntry) -> Entry {
    let what = match entry.kind {
        EntryKind::Float => "Opening cash",
        EntryKind::PutIn => "Pay in",
        EntryKind::TakenOut => "Pay out",
        EntryKind::Sale => "Sale",
        EntryKind::Refund => "Refund",
        EntryKind::Payment => "Payment on account",
        EntryKind::Void => "Voided sale",
    };
    let because = if entry.reason.is_empty() { String::new() } else { format!(": {}", entry.reason) };
    Entry {
        when: shop.zone.shown(entry.at),
        what: format!("{what}{because}"),
        sale: entry.sale.map(|sale| {
            let receipt = entry.receipt.map_or_else(|| "sale".to_owned(), |r| format!("receipt {r}"));
            (sale.to_string(), receipt)
        }),
        amount: entry.amount.shown(),
        who: entry.who.clone(),
    }
}

impl Page {
    async fn of(app: &App, caller: &Caller, channel: &Channel, form: Option<&Form>) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let open = app.ledger.open_turn(channel).await?;
        let entries = match &open {
            Some(turn) => app.ledger.drawer_entries(turn.id, MOST_ENTRIES).await?,
            None => Vec::new(),
        };
        let takings = match &open {
            Some(turn) => Some(TakingsTable::read(app, TakingsOf::Turn(turn.id)).await?),
            None => None,
        };
        let typed = |name: &str| form.map(|form| form.text(name).to_owned()).unwrap_or_default();
        let coin = |amount: Money| Coin {
            minor: amount.minor(),
            amount: amount.shown(),
            typed: typed(&format!("count.{}", amount.minor())),
        };
        let closed = app.ledger.turns(None, MOST_TURNS).await?;
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            channel: channel.as_str().to_owned(),
            channels: counters(&shop),
            turn: open.as_ref().map(|turn| told(&shop, turn)),
            entries: entries.iter().map(|e| entry(&shop, e)).collect(),
            takings,
            coins: denominations(shop.currency).into_iter().map(coin).collect(),
            zero: Money::zero(shop.currency).shown(),
            turns: closed.iter().filter(|turn| turn.closed.is_some()).map(|turn| told(&shop, turn)).collect(),
            amount: typed("amount"),
            reason: typed("reason"),
            note: typed("note"),
            faults: Faults::default(),
        })
    }
}

/// GET /counter/drawer
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    here: Here,
    QueryParam(query): QueryParam<Query>,
) -> Result<HtmlPage<Page>, Problem> {
    let channel = place::named(&app.ledger.shop(), &query.channel).unwrap_or(here.channel);
    Ok(HtmlPage(Page::of(&app, &caller, &channel, None).await?))
}

/// Runs a form's command and redirects, or shows the drawer again with what is wrong.
async fn run<C: Command>(
    app: &App,
    form: &Form,
    channel: &Channel,
    command: Result<C, Faults>,
    next: &str,
) -> Result<Response, Problem> {
    let Err(wrong) = run_form(app, form, command).await? else { return Ok(see_other(next)) };
    let page = Page { faults: wrong.faults(app), ..Page::of(app, &form.caller, channel, Some(form)).await? };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

fn address(channel: &Channel) -> String {
    format!("/counter/drawer?channel={channel}")
}

/// The fields `count.500` and so on; an empty one counts as none.
fn counts(form: &Form, currency: Currency) -> Result<Vec<Count>, Faults> {
    let mut counts = Vec::new();
    for amount in denominations(currency) {
        let text = form.text(&format!("count.{}", amount.minor()));
        if text.is_empty() {
            continue;
        }
        let wrong = |_| {
            Faults::one("counts", format!("the count of {}: “{text}” is not a whole number", amount.shown()))
        };
        counts.push((amount, text.parse().map_err(wrong)?));
    }
    Ok(counts)
}

/// POST /counter/drawer: the opening cash is counted.
pub(crate) async fn open(State(app): State<App>, here: Here, form: Form) -> Result<Response, Problem> {
    let named = place::of_form(&app, &form, &here.channel);
    let channel = named.clone().unwrap_or(here.channel);
    let counts = counts(&form, app.ledger.shop().currency);
    let who = form.caller.who.clone();
    let command = named.and_then(|channel| Ok(OpenDrawer { channel, counts: counts?, who }));
    run(&app, &form, &channel, command, &address(&channel)).await
}

/// GET /counter/drawer/{turn}
pub(crate) async fn turn(
    State(app): State<App>,
    caller: Caller,
    PathParam(turn): PathParam<TurnId>,
) -> Result<HtmlPage<OneTurn>, Problem> {
    let shop = app.ledger.shop();
    let entries = app.ledger.drawer_entries(turn, MOST_ENTRIES).await?;
    let takings = TakingsTable::read(&app, TakingsOf::Turn(turn)).await?;
    Ok(HtmlPage(OneTurn {
        takings,
        frame: Frame::new(&app, &caller, Room::Counter),
        turn: told(&shop, &app.ledger.turn(turn).await?),
        entries: entries.iter().map(|e| entry(&shop, e)).collect(),
    }))
}

/// POST /counter/drawer/{turn}/cash: cash is paid in or out, with a reason.
pub(crate) async fn cash(
    State(app): State<App>,
    PathParam(turn): PathParam<TurnId>,
    form: Form,
) -> Result<Response, Problem> {
    let channel = app.ledger.turn(turn).await?.channel;
    move_cash(&app, &form, turn, &channel).await
}

async fn move_cash(app: &App, form: &Form, turn: TurnId, channel: &Channel) -> Result<Response, Problem> {
    let amount = Money::parse(form.text("amount"), app.ledger.shop().currency);
    let amount = amount.map_err(|error| Faults::one("amount", error.to_string()));
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    if form.text("do") == "take-out" {
        let command = amount.map(|amount| TakeOut { turn, amount, reason, who });
        run(app, form, channel, command, &address(channel)).await
    } else {
        let command = amount.map(|amount| PutIn { turn, amount, reason, who });
        run(app, form, channel, command, &address(channel)).await
    }
}

/// POST /counter/drawer/{turn}/close: the closing cash is counted.
pub(crate) async fn close(
    State(app): State<App>,
    PathParam(turn): PathParam<TurnId>,
    form: Form,
) -> Result<Response, Problem> {
    let channel = app.ledger.turn(turn).await?.channel;
    let (note, who) = (form.text("note").to_owned(), form.caller.who.clone());
    let counts = counts(&form, app.ledger.shop().currency);
    let command = counts.map(|counts| CloseDrawer { turn, counts, note, who });
    run(&app, &form, &channel, command, &format!("/counter/drawer/{turn}")).await
}
