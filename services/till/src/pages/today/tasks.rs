//! What somebody should see to, each with its next step. People see only what they have permission to do.

use crate::app::App;
use crate::pages::online::connections::late::is_late;
use crate::pages::shown::{channel_name, counted, moment, money};
use crate::problem::Problem;
use crate::request::caller::Caller;
use domain::people::Permission;
use ledger::Shop;
use ledger::online::ConnectionStatus;
use ledger::sales::Turn;
use std::borrow::Cow;

/// Holds that are listed one by one.
const HOLDS: usize = 6;
/// Failed feeds that are counted; more are no more urgent.
const FAILED: usize = 20;
/// Styles that are listed by name.
const STYLES: usize = 4;
/// Shown for a hold without a customer's name.
const NOBODY: &str = "No name";

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Task {
    pub(crate) words: String,
    pub(crate) more: Vec<String>,
    /// The page where it is done.
    pub(crate) path: Cow<'static, str>,
    pub(crate) step: &'static str,
}

impl Task {
    fn new(words: String, path: impl Into<Cow<'static, str>>, step: &'static str) -> Self {
        Self { words, more: Vec::new(), path: path.into(), step }
    }
}

/// The caller's tasks, most urgent first.
pub(crate) async fn read(app: &App, caller: &Caller) -> Result<Vec<Task>, Problem> {
    let shop = app.ledger.shop();
    let mut tasks = Vec::new();
    if caller.may(Permission::List) {
        tasks.extend(short_lines(app).await?);
        tasks.extend(unknown_status(app).await?);
        tasks.extend(failed_feeds(app).await?);
        tasks.extend(connections(app, &shop).await?);
    }
    if caller.may(Permission::KeepDrawer) {
        tasks.extend(drawers(app, &shop).await?);
    }
    if caller.may(Permission::Sell) {
        tasks.extend(holds(app, &shop).await?);
        tasks.extend(owed(app, &shop).await?);
    }
    if caller.may(Permission::GiveBack) {
        tasks.extend(return_decision(app).await?);
    }
    if caller.may(Permission::List) {
        tasks.extend(unlisted(app).await?);
    }
    if caller.may(Permission::Make) {
        tasks.extend(ran_out(app).await?);
    }
    Ok(tasks)
}

async fn short_lines(app: &App) -> Result<Option<Task>, Problem> {
    let short = app.ledger.short_lines().await?;
    if short.lines == 0 {
        return Ok(None);
    }
    let lines = counted(short.lines, "line", "lines");
    let orders = counted(short.orders, "online order", "online orders");
    let is = if short.lines == 1 { "is" } else { "are" };
    let words = format!("{lines} in {orders} {is} out of stock. Substitute, refund or release a hold");
    Ok(Some(Task::new(words, "/online/orders", "Resolve orders")))
}

async fn unknown_status(app: &App) -> Result<Option<Task>, Problem> {
    let orders = app.ledger.orders_of_unknown_status().await?;
    if orders == 0 {
        return Ok(None);
    }
    let orders = format!("{} an unknown status", counted(orders, "online order has", "online orders have"));
    let words = format!("{orders}. Mark as paid or as canceled");
    Ok(Some(Task::new(words, "/online/orders", "Resolve orders")))
}

/// Failed feeds that nobody has looked at since.
async fn failed_feeds(app: &App) -> Result<Option<Task>, Problem> {
    let failed = app.ledger.feed_troubles(true, FAILED).await?;
    let Some(latest) = failed.first() else { return Ok(None) };
    let words = format!("{} failed. The latest is {}", counted(failed.len(), "feed", "feeds"), latest.file);
    Ok(Some(Task::new(words, "/online/feeds", "Review failed feeds")))
}

/// What is stuck between this shop and an online shop. Each connection is listed at most once, with its worst
/// trouble.
async fn connections(app: &App, shop: &Shop) -> Result<Vec<Task>, Problem> {
    let now = app.ledger.now();
    let told = |one: ConnectionStatus| {
        let name = &one.name;
        let (words, step) = if let Some(until) = one.quiet_until {
            (
                format!(
                    "The online shop {name} is not responding. Sync is paused until {}",
                    moment(&shop.zone, until)
                ),
                "Review connection",
            )
        } else if is_late(&one, now) {
            (format!("Updates to the online shop {name} are more than 15 minutes late"), "Review connection")
        } else if one.parked > 0 {
            let messages = counted(one.parked, "message", "messages");
            (format!("{messages} to the online shop {name} could not be sent"), "Review messages")
        } else if one.orders_kept > 0 {
            let orders = counted(one.orders_kept, "order", "orders");
            (format!("{orders} from the online shop {name} could not be imported"), "Review orders")
        } else if one.differences > 0 {
            let differences = counted(one.differences, "price or text", "prices or texts");
            let differ = if one.differences == 1 { "differs" } else { "differ" };
            let words = format!("{differences} in the online shop {name} {differ} from yours");
            (words, "Review differences")
        } else {
            return None;
        };
        Some(Task::new(words, format!("/online/connections/{name}"), step))
    };
    Ok(app.ledger.connection_statuses().await?.into_iter().filter_map(told).collect())
}

/// Drawers left open since an earlier day; one that was opened today is normal.
async fn drawers(app: &App, shop: &Shop) -> Result<Vec<Task>, Problem> {
    let today = shop.zone.day_of(app.ledger.now());
    let turns = app.ledger.open_turns().await?;
    let left = turns.into_iter().filter(|turn| shop.zone.day_of(turn.opened) < today);
    let task = |turn: Turn| {
        let (channel, since) = (channel_name(shop, &turn.channel), moment(&shop.zone, turn.opened));
        let by = if turn.opened_by.is_empty() {
            String::new()
        } else {
            format!(" (opened by {})", turn.opened_by)
        };
        let words = format!("The cash drawer of {channel} has been open since {since}{by}");
        Task::new(words, "/counter/drawer", "Close drawer")
    };
    Ok(left.map(task).collect())
}

async fn holds(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let end = shop.zone.end_of_day(app.ledger.now());
    let holds = app.ledger.ending_holds(end, HOLDS + 1).await?;
    if holds.is_empty() {
        return Ok(None);
    }
    let words = if holds.len() > HOLDS {
        format!("More than {HOLDS} holds end today")
    } else {
        format!("{} today", counted(holds.len(), "hold ends", "holds end"))
    };
    let told = holds.iter().take(HOLDS).map(|hold| {
        let whom = if hold.for_whom.is_empty() { NOBODY } else { &hold.for_whom };
        format!("{whom}: {}, until {}", counted(hold.lines, "item", "items"), shop.zone.clock(hold.until))
    });
    Ok(Some(Task { more: told.collect(), ..Task::new(words, "/shelf/holds", "Review holds") }))
}

async fn owed(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let due = app.ledger.owed_sum(shop.zone.day_of(app.ledger.now())).await?;
    if due.tenders == 0 {
        return Ok(None);
    }
    let words =
        format!("{} is due on {}", money(due.left), counted(due.tenders, "open balance", "open balances"));
    Ok(Some(Task::new(words, "/counter/balances", "Record payment")))
}

/// Refunded goods without a decision.
async fn return_decision(app: &App) -> Result<Option<Task>, Problem> {
    let count = app.ledger.count_open_fates().await?;
    if count == 0 {
        return Ok(None);
    }
    let needs = counted(count, "refunded item needs", "refunded items need");
    let words = format!("{needs} to be returned to stock or written off");
    Ok(Some(Task::new(words, "/shelf/returned", "Check returns")))
}

async fn unlisted(app: &App) -> Result<Option<Task>, Problem> {
    let count = app.ledger.count_unlisted().await?;
    if count == 0 {
        return Ok(None);
    }
    let words = format!("{} not listed online", counted(count, "piece is", "pieces are"));
    Ok(Some(Task::new(words, "/online", "List pieces")))
}

async fn ran_out(app: &App) -> Result<Option<Task>, Problem> {
    let styles = app.ledger.styles_that_ran_out().await?;
    if styles.is_empty() {
        return Ok(None);
    }
    let told = styles.iter().take(STYLES).map(String::as_str).collect::<Vec<_>>().join(", ");
    let words = match styles.len().saturating_sub(STYLES) {
        0 => format!("Sold out: {told}"),
        more => format!("Sold out: {told} and {more} more"),
    };
    Ok(Some(Task::new(words, "/workbench", "Add pieces")))
}
