//! What somebody should see to in the room Online.

use super::{Task, bounded};
use crate::app::App;
use crate::pages::online::MOST_COUNTED;
use crate::pages::online::connections::late::is_late;
use crate::pages::shown::{counted, moment};
use crate::problem::Problem;
use ledger::Shop;
use ledger::online::{ConnectionStatus, StaleOffers};

/// Failed feeds that are counted; more are no more urgent.
const FAILED: usize = 20;

/// What may cost a customer or money.
pub(super) async fn urgent(app: &App, shop: &Shop) -> Result<Vec<Task>, Problem> {
    let mut tasks = Vec::new();
    tasks.extend(short_lines(app).await?);
    tasks.extend(unknown_status(app).await?);
    tasks.extend(stale(app, shop).await?);
    tasks.extend(failed_feeds(app).await?);
    tasks.extend(connections(app, shop).await?);
    Ok(tasks)
}

/// What can wait for a quiet hour.
pub(super) async fn later(app: &App) -> Result<Vec<Task>, Problem> {
    let mut tasks = Vec::new();
    tasks.extend(changed(app).await?);
    tasks.extend(waiting(app).await?);
    tasks.extend(unlisted(app).await?);
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

/// What is stuck between this shop and an online shop: each connection with its worst trouble, and the others
/// below.
async fn connections(app: &App, shop: &Shop) -> Result<Vec<Task>, Problem> {
    let now = app.ledger.now();
    let told = |one: ConnectionStatus| {
        let mut troubles = troubles(shop, &one, is_late(&one, now)).into_iter();
        let (words, step) = troubles.next()?;
        let more = troubles.map(|(words, _)| format!("{words}.")).collect();
        Some(Task { more, ..Task::new(words, format!("/online/connections/{}", one.name), step) })
    };
    Ok(app.ledger.connection_statuses().await?.into_iter().filter_map(told).collect())
}

/// What keeps changes from an online shop, the worst first, each with its step.
fn sending_troubles(shop: &Shop, one: &ConnectionStatus, is_late: bool) -> Vec<(String, &'static str)> {
    let name = &one.name;
    let mut all = Vec::new();
    if let Some(until) = one.quiet_until {
        let until = moment(&shop.zone, until);
        let words = format!("The online shop {name} is not responding. Sync is paused until {until}");
        all.push((words, "Review connection"));
    }
    if is_late {
        let words = format!("Updates to the online shop {name} are more than 15 minutes late");
        all.push((words, "Review connection"));
    }
    if one.parked > 0 {
        let messages = counted(one.parked, "message", "messages");
        all.push((format!("{messages} to the online shop {name} could not be sent"), "Review messages"));
    }
    all
}

/// All that is wrong with a connection, the worst first, each with its step.
fn troubles(shop: &Shop, one: &ConnectionStatus, is_late: bool) -> Vec<(String, &'static str)> {
    let name = &one.name;
    let mut all = sending_troubles(shop, one, is_late);
    if one.orders_deferred > 0 {
        let orders = counted(one.orders_deferred, "order", "orders");
        all.push((format!("{orders} from the online shop {name} could not be imported"), "Review orders"));
    }
    if one.differences > 0 {
        let differences = counted(one.differences, "price or text", "prices or texts");
        let differ = if one.differences == 1 { "differs" } else { "differ" };
        let words = format!("{differences} in the online shop {name} {differ} from yours");
        all.push((words, "Review differences"));
    }
    all
}

/// Pieces that are gone or should not be listed, and that an online shop still offers.
async fn stale(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let stale = app.ledger.stale_offers(MOST_COUNTED + 1).await?;
    if stale.items == 0 {
        return Ok(None);
    }
    let pieces = bounded(stale.items, "piece", "pieces");
    let still = if stale.items == 1 { "still is" } else { "still are" };
    let words = format!("{pieces} should no longer be listed online, and {still}");
    let mut more = Vec::new();
    if stale.by_feed > 0 {
        let them = if stale.by_feed == 1 { "it" } else { "them" };
        let pieces = bounded(stale.by_feed, "piece", "pieces");
        more.push(format!("By your feed: {pieces}. Export changes to remove {them}."));
    }
    more.extend(ends(app, shop, &stale).await?);
    let task = match (stale.by_feed, stale.shops.first()) {
        (0, Some(shop)) => Task::new(words, format!("/online/connections/{shop}"), "Review connection"),
        _ => Task::new(words, "/online/feeds", "Export changes"),
    };
    Ok(Some(Task { more, ..task }))
}

/// How each online shop comes to remove them: by itself, or not before its connection works.
async fn ends(app: &App, shop: &Shop, stale: &StaleOffers) -> Result<Vec<String>, Problem> {
    if stale.shops.is_empty() {
        return Ok(Vec::new());
    }
    let (now, statuses) = (app.ledger.now(), app.ledger.connection_statuses().await?);
    let them = if stale.items == 1 { "it" } else { "them" };
    let end = |name: &String| {
        let status = statuses.iter().find(|one| one.name == *name);
        match status.and_then(|one| sending_troubles(shop, one, is_late(one, now)).into_iter().next()) {
            Some((trouble, _)) => format!("In the online shop {name}. {trouble}."),
            None => format!("In the online shop {name}, which removes {them} by itself."),
        }
    };
    Ok(stale.shops.iter().map(end).collect())
}

/// Listed pieces that changed since the last export.
async fn changed(app: &App) -> Result<Option<Task>, Problem> {
    let count = app.ledger.unexported_changes(MOST_COUNTED + 1).await?;
    if count == 0 {
        return Ok(None);
    }
    let words = format!("{} changed since your last feed", bounded(count, "listed piece", "listed pieces"));
    Ok(Some(Task::new(words, "/online/feeds", "Export changes")))
}

/// Changes that are on their way to a connected shop.
async fn waiting(app: &App) -> Result<Vec<Task>, Problem> {
    let now = app.ledger.now();
    let statuses = app.ledger.connection_statuses().await?.into_iter();
    let well = statuses.filter(|one| one.quiet_until.is_none() && !is_late(one, now));
    let task = |one: ConnectionStatus| {
        let count = one.waiting - one.parked;
        let changes = counted(count, "change is", "changes are");
        let words = format!("{changes} waiting to be sent to the online shop {}", one.name);
        (count > 0)
            .then(|| Task::new(words, format!("/online/connections/{}", one.name), "Review connection"))
    };
    Ok(well.filter_map(task).collect())
}

async fn unlisted(app: &App) -> Result<Option<Task>, Problem> {
    let count = app.ledger.count_unlisted().await?;
    if count == 0 {
        return Ok(None);
    }
    let words = format!("{} not listed online", counted(count, "piece is", "pieces are"));
    Ok(Some(Task::new(words, "/online", "List pieces")))
}
