//! What somebody should see to, each with its next step. People see only what they have permission to do.

mod online;
mod promised;

use crate::app::App;
use crate::pages::online::MOST_COUNTED;
use crate::pages::shown::Count;
use crate::pages::shown::{channel_name, counted, moment, money, open_sale};
use crate::problem::Problem;
use crate::request::caller::Caller;
use domain::people::Permission;
use ledger::Shop;
use ledger::keeping::NEWEST_LOOKED_AT;
use ledger::sales::Turn;
use ledger::shelf::{StockCountState, StockCountView};
use std::borrow::Cow;

/// Holds that are listed one by one.
const HOLDS: usize = 6;
/// Stock counts that are looked at, latest first.
const COUNTS: usize = 10;
/// Styles that are listed by name.
const STYLES: usize = 4;
/// Open sales of earlier days that are named.
const MOST_NAMED: usize = 4;
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

    /// What happens when its step is pressed; empty where the step's name says it.
    pub(crate) fn then(&self) -> &'static str {
        match self.step {
            "Close drawer" => "Opens the drawer, where you count the cash.",
            "Export changes" => "Opens the feeds. Nothing is sent until you export there.",
            "List pieces" => "Shows the pieces. None is listed until you export.",
            "Print tags" => "Shows which tags are missing or old, ready to print.",
            "Open orders" => "Lists the custom orders, the first due first.",
            "Review deposits" => "Shows what is left of them. Nothing is paid back until you say so.",
            "Record payment" => "Opens the open balances, where you enter what was paid.",
            "Resolve orders" => "Opens the orders. You decide line by line.",
            "Review connection" => "Shows what the online shop answered last.",
            "Review holds" => "Lists the holds. Each stays until you release it.",
            "Finish sales" => "Opens the Counter, with the open sales at its end.",
            _ => "",
        }
    }
}

/// What was counted up to one more than [`MOST_COUNTED`]: `1 piece has`, `50 or more pieces have`.
fn bounded(found: i64, one: &str, many: &str) -> String {
    let count = Count::of(usize::try_from(found).unwrap_or_default(), MOST_COUNTED);
    format!("{} {}", count.shown(), if count.is_one() { one } else { many })
}

/// The caller's tasks, most urgent first.
pub(crate) async fn read(app: &App, caller: &Caller) -> Result<Vec<Task>, Problem> {
    let shop = app.ledger.shop();
    let mut tasks = Vec::new();
    if caller.may(Permission::List) {
        tasks.extend(online::urgent(app, &shop).await?);
    }
    if caller.may(Permission::KeepDrawer) {
        tasks.extend(drawers(app, &shop).await?);
    }
    if caller.may(Permission::Sell) {
        tasks.extend(holds(app, &shop).await?);
        tasks.extend(promised::orders(app, &shop).await?);
        tasks.extend(promised::deposits(app).await?);
        tasks.extend(owed(app, &shop).await?);
        tasks.extend(left_open(app, &shop).await?);
    }
    if caller.may(Permission::GiveBack) {
        tasks.extend(return_decision(app).await?);
    }
    if caller.may(Permission::Count) {
        tasks.extend(stock_counts(app, &shop).await?);
    }
    if caller.may(Permission::List) {
        tasks.extend(online::later(app).await?);
    }
    if caller.may(Permission::Make) {
        tasks.extend(tags(app).await?);
        tasks.extend(ran_out(app).await?);
    }
    Ok(tasks)
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
        let words = format!("The cash drawer at {channel} has been open since {since}{by}");
        Task::new(words, format!("/counter/drawer?channel={}", turn.channel), "Close drawer")
    };
    Ok(left.map(task).collect())
}

/// What is on hold; holds that end today are named.
async fn holds(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let held = app.ledger.held_sum().await?;
    if held.holds == 0 {
        return Ok(None);
    }
    let end = shop.zone.end_of_day(app.ledger.now());
    // A hold through today ends with the day itself.
    let ending = app.ledger.ending_holds(end.plus_millis(1), HOLDS + 1).await?;
    let words = match ending.len() {
        0 => format!("{} on hold", counted(held.lines, "item is", "items are")),
        more if more > HOLDS => format!("More than {HOLDS} holds end today"),
        some => format!("{} today", counted(some, "hold ends", "holds end")),
    };
    let told = ending.iter().take(HOLDS).map(|hold| {
        let whom = if hold.for_whom.is_empty() { NOBODY } else { &hold.for_whom };
        let items = counted(hold.lines, "item", "items");
        if hold.until == end {
            format!("{whom}: {items}, through today")
        } else {
            format!("{whom}: {items}, until {}", shop.zone.clock(hold.until))
        }
    });
    Ok(Some(Task { more: told.collect(), ..Task::new(words, "/shelf/holds", "Review holds") }))
}

/// Open balances; what is due by now is named.
async fn owed(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let all = app.ledger.owed_sum(None).await?;
    let Some(first) = all.first_due else { return Ok(None) };
    let today = shop.zone.day_of(app.ledger.now());
    let due = app.ledger.owed_sum(Some(today)).await?;
    let balances = counted(all.tenders, "open balance", "open balances");
    let words = if due.tenders == 0 {
        format!("{balances}: {}. Next due {}", money(all.left), first.shown())
    } else if due.tenders == all.tenders {
        format!("{balances} due now: {}", money(due.left))
    } else {
        format!("{balances}: {}. Due now: {}", money(all.left), money(due.left))
    };
    Ok(Some(Task::new(words, "/counter/balances", "Record payment")))
}

/// Sales that were begun before today and neither paid nor discarded.
async fn left_open(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let start = shop.zone.start_of(shop.zone.day_of(app.ledger.now()));
    let count = app.ledger.sales_left_open(start, MOST_COUNTED + 1).await?;
    if count == 0 {
        return Ok(None);
    }
    let words =
        format!("{} neither paid nor discarded", bounded(count, "earlier sale was", "earlier sales were"));
    let oldest = app.ledger.baskets_left(start, MOST_NAMED).await?;
    let more = oldest.iter().map(|basket| open_sale(shop, basket, app.ledger.now())).collect();
    Ok(Some(Task { more, ..Task::new(words, "/counter", "Finish sales") }))
}

/// Stock counts that were begun and not finished.
async fn stock_counts(app: &App, shop: &Shop) -> Result<Vec<Task>, Problem> {
    let counts = app.ledger.stock_counts(COUNTS).await?.into_iter();
    let open = counts.filter(|count| count.state == StockCountState::Open);
    let task = |count: StockCountView| {
        let what = count.style.map_or("all stock".to_owned(), |(_, name)| name);
        let words =
            format!("The stock count of {what} from {} is not finished", moment(&shop.zone, count.begun));
        Task::new(words, format!("/shelf/counts/{}", count.id), "Continue count")
    };
    Ok(open.map(task).collect())
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

/// Items in stock whose tag was never printed, or has an old price or weight; only the newest are looked at, because
/// this page is opened all day. The page of tags looks at all.
async fn tags(app: &App) -> Result<Option<Task>, Problem> {
    let counts = app.ledger.tag_counts(app.ledger.now(), NEWEST_LOOKED_AT).await?;
    let missing = bounded(counts.missing, "piece has no tag", "pieces have no tag");
    let outdated =
        bounded(counts.outdated, "tag has an old price or weight", "tags have an old price or weight");
    let words = match (counts.missing, counts.outdated) {
        (0, 0) => return Ok(None),
        (_, 0) => missing,
        (0, _) => outdated,
        _ => format!("{missing}, and {outdated}"),
    };
    Ok(Some(Task::new(words, "/shelf/tags", "Print tags")))
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
