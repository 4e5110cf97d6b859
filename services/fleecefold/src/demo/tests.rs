//! The demo from outside: the same twice, consistent, and as large as it is said to be.

use super::{DemoError, DemoSummary, Photographs, is_made, make};
use domain::channel::Channel;
use domain::day::{Day, Month, Zone};
use domain::money::Currency;
use domain::order::IncomingOrder;
use domain::stock::ItemKind;
use feeds::{Layout, Reading, read_orders};
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use ledger::orders::{OrderLineState, OrderOutcome, TakeOrders};
use ledger::sales::SaleView;
use ledger::shelf::{PictureName, ShelfQuery, ShelfRow};
use ledger::{Access, Ledger, SystemClock};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

/// More than there is of anything.
const ALL: usize = 100_000;

fn url(folder: &Path, name: &str) -> String {
    format!("sqlite:{}", folder.join(name).display())
}

/// The day for which the demo is made in tests.
fn as_of() -> Day {
    Day::parse("2025-11-01").unwrap()
}

async fn made(folder: &Path, name: &str) -> (DemoSummary, Ledger) {
    made_as_of(folder, name, as_of(), Photographs::None).await
}

async fn made_as_of(
    folder: &Path,
    name: &str,
    as_of: Day,
    photographs: Photographs,
) -> (DemoSummary, Ledger) {
    let url = url(folder, name);
    let summary = make(&url, as_of, photographs).await.unwrap();
    let ledger = Ledger::open(&url, Access::Write, Arc::new(SystemClock)).await.unwrap();
    (summary, ledger)
}

async fn months(ledger: &Ledger) -> Vec<BooksRow> {
    let by = BooksBy { day: false, month: true, channel: true };
    ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap()
}

async fn sold_out(ledger: &Ledger, sold_out: bool) -> Vec<ShelfRow> {
    ledger.shelf(&ShelfQuery { sold_out }).await.unwrap()
}

async fn sales(ledger: &Ledger) -> Vec<SaleView> {
    ledger.sales(None, ALL).await.unwrap()
}

/// The names and the contents of a folder's files.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let files = std::fs::read_dir(folder).unwrap().map(Result::unwrap);
    files.map(|file| (file.file_name().into_string().unwrap(), std::fs::read(file.path()).unwrap())).collect()
}

/// A backup without its first line, which says when it was made, and its last, the hash of it all. It has no hash of
/// a password, which is salted.
async fn backed_up(ledger: &Ledger, folder: &Path) -> Vec<String> {
    let file = folder.join("backup");
    ledger.backup(&file, |_, _| {}).await.unwrap();
    let text = std::fs::read_to_string(file).unwrap();
    let mut lines: Vec<String> = text.lines().skip(1).map(str::to_owned).collect();
    lines.pop();
    lines
}

#[tokio::test]
async fn two_makings_are_one_shop() {
    let folder = tempfile::tempdir().unwrap();
    let (here, there) = (folder.path().join("here"), folder.path().join("there"));
    for place in [&here, &there] {
        std::fs::create_dir(place).unwrap();
    }
    let (first, one) = made_as_of(&here, "demo.db", as_of(), Photographs::Drawn).await;
    let (second, other) = made_as_of(&there, "demo.db", as_of(), Photographs::Drawn).await;
    assert_eq!(first, second);
    assert_eq!(months(&one).await, months(&other).await);
    // Also identifiers, prices, counts, holds and revisions, not only the totals.
    assert_eq!(one.items(None, "", ALL).await.unwrap(), other.items(None, "", ALL).await.unwrap());
    assert_eq!(sales(&one).await, sales(&other).await);
    assert_eq!(one.orders(None, false, ALL).await.unwrap(), other.orders(None, false, ALL).await.unwrap());
    assert_eq!(one.open_holds(None, ALL).await.unwrap(), other.open_holds(None, ALL).await.unwrap());
    assert!(files(&here.join("images")) == files(&there.join("images")), "the photographs differ");
    let (kept, kept_too) = (backed_up(&one, &here).await, backed_up(&other, &there).await);
    assert!(kept.len() > 10_000, "{} rows and files", kept.len());
    let differ = kept.iter().zip(&kept_too).find(|(one, other)| one != other);
    assert_eq!(differ, None);
    one.close().await;
    other.close().await;
}

/// Every piece has a photograph of its own, of a size that keeps the demo small.
#[tokio::test]
async fn every_piece_has_its_photograph() {
    let folder = tempfile::tempdir().unwrap();
    let (_, ledger) = made_as_of(folder.path(), "demo.db", as_of(), Photographs::Drawn).await;
    let items = ledger.items(None, "", ALL).await.unwrap();
    let pieces: Vec<_> = items.iter().filter(|item| item.kind == ItemKind::Piece).collect();
    assert_eq!(pieces.len(), 222);
    let named: BTreeSet<&String> = pieces.iter().flat_map(|piece| &piece.text.images).collect();
    assert_eq!(named.len(), 222, "each has one, and no two have the same");
    let names: Vec<PictureName> = named.iter().filter_map(|file| PictureName::of_file(file)).collect();
    let known = ledger.pictures(&names).await.unwrap();
    assert_eq!(known.len(), 222);
    let files = files(&folder.path().join("images"));
    assert_eq!(files.len(), 3 * 222);
    let large: Vec<usize> = known.values().map(|picture| files[&picture.name.file()].len()).collect();
    assert!(large.iter().all(|bytes| (10_000..120_000).contains(bytes)), "{large:?}");
    assert!(known.values().all(|picture| (20..90).contains(&picture.lightness)), "neither dark nor blank");
    ledger.close().await;
}

/// On any day the demo has what a tour of the program needs, and all laws hold in it.
#[tokio::test]
async fn it_can_be_made_for_any_day() {
    let check = async |day: &str| {
        let folder = tempfile::tempdir().unwrap();
        let as_of = Day::parse(day).unwrap();
        let (_, ledger) = made_as_of(folder.path(), "demo.db", as_of, Photographs::None).await;
        let report = ledger.check(|_| {}).await.unwrap();
        assert!(report.is_clean(), "{day}: {:#?}", report.findings);
        let zone = super::zone().unwrap();
        let days: BTreeSet<Day> = sales(&ledger).await.iter().map(|sale| zone.day_of(sale.at)).collect();
        let last = super::Calendar::before(as_of).unwrap().last.to_string();
        assert_eq!(days.last().map(Day::to_string), Some(last), "{day}: the last sale is of the day before");
        // A Saturday's sales at the stall are a Saturday's, whichever day it ends on.
        let market = Channel::parse("market").unwrap();
        let at_stall: Vec<_> =
            sales(&ledger).await.into_iter().filter(|sale| sale.channel == market).collect();
        for sale in at_stall {
            assert_eq!(zone.written(sale.at, "%a").as_deref(), Some("Sat"), "{day}");
        }
        assert!(ledger.open_holds(None, ALL).await.unwrap().len() >= 3, "{day}");
        assert_eq!(ledger.items(None, "", ALL).await.unwrap().len(), 300, "{day}");
        ledger.close().await;
    };
    for day in ["2024-02-29", "2025-03-10", "2026-01-01", "2026-08-31"] {
        check(day).await;
    }
}

#[tokio::test]
async fn every_law_holds_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let (_, ledger) = made(folder.path(), "demo.db").await;
    let report = ledger.check(|_| {}).await.unwrap();
    assert!(report.is_clean(), "{:#?}", report.findings);
    ledger.close().await;
}

#[tokio::test]
async fn it_is_as_large_as_it_is_said_to_be() {
    let folder = tempfile::tempdir().unwrap();
    let (summary, ledger) = made(folder.path(), "demo.db").await;
    assert!(is_made(&ledger));

    let rows = months(&ledger).await;
    let months: BTreeSet<Option<Month>> = rows.iter().map(|r| r.month).collect();
    assert_eq!(months.len(), 18);
    let channels: BTreeSet<String> =
        rows.iter().filter_map(|r| r.channel.as_ref()).map(Channel::to_string).collect();
    assert!(channels.iter().eq(["market", "online", "store", "wholesale"]), "{channels:?}");
    assert!(rows.iter().all(|r| r.figures.sales > 0));

    let items = ledger.items(None, "", ALL).await.unwrap();
    assert_eq!((items.len(), summary.items), (300, 300));
    let gone = sold_out(&ledger, true).await.len();
    let all = sold_out(&ledger, false).await.len();
    assert!(gone > 10 && gone * 2 < all, "{gone} of {all} are sold out");
    ledger.close().await;
}

/// A tour of the program needs something of everything to look at.
#[tokio::test]
async fn it_shows_what_a_shop_meets() {
    let folder = tempfile::tempdir().unwrap();
    let (_, ledger) = made(folder.path(), "demo.db").await;
    let sales = sales(&ledger).await;
    let tenders: BTreeSet<&str> =
        sales.iter().flat_map(|s| &s.tenders).map(|t| t.tender.kind.code()).collect();
    assert!(
        tenders.iter().eq(&["card", "cash", "check", "gift-certificate", "on-account", "online", "other"]),
        "{tenders:?}"
    );
    let fates: BTreeSet<&str> = sales
        .iter()
        .flat_map(|s| &s.refunds)
        .flat_map(|r| &r.lines)
        .map(|(_, _, fate)| fate.code())
        .collect();
    assert!(fates.contains("shelf") && fates.contains("written-off"), "{fates:?}");
    assert!(sales.iter().any(|s| s.voided));
    let owed = |s: &SaleView| s.tenders.iter().any(|t| t.still_owed.is_some_and(|owed| !owed.is_zero()));
    assert!(sales.iter().any(owed));
    let short = ledger.orders(None, true, ALL).await.unwrap();
    let waits = short.iter().flat_map(|o| &o.lines).filter(|l| l.state == OrderLineState::Short).count();
    assert!(waits > 0);
    assert!(ledger.open_holds(None, ALL).await.unwrap().len() >= 3);
    ledger.close().await;
}

#[tokio::test]
async fn a_shop_that_is_not_empty_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let url = url(folder.path(), "demo.db");
    make(&url, as_of(), Photographs::None).await.unwrap();
    let again = make(&url, as_of(), Photographs::None).await;
    assert!(matches!(again, Err(DemoError::NotEmpty { .. })), "{again:?}");
}

/// A shop that somebody named belongs to them, even with nothing in stock yet.
#[tokio::test]
async fn a_shop_that_somebody_named_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let url = url(folder.path(), "shop.db");
    let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.unwrap();
    let name = ledger::keeping::SetShop {
        key: "name".to_owned(),
        value: "Hill farm".to_owned(),
        who: "owner".to_owned(),
    };
    ledger.execute(None, &name).await.unwrap();
    ledger.close().await;
    let made = make(&url, as_of(), Photographs::None).await;
    assert!(matches!(made, Err(DemoError::NotEmpty { .. })), "{made:?}");
    let ledger = Ledger::open(&url, Access::Read, Arc::new(SystemClock)).await.unwrap();
    assert_eq!(ledger.refresh_shop().await.unwrap().name, "Hill farm");
    ledger.close().await;
}

/// Reads a layout's sample like `feed in`; rejected rows come as their message.
fn sample(layout: &str, file: &str, past: bool) -> Vec<Result<IncomingOrder, String>> {
    let layout = Layout::parse(layout).unwrap();
    let zone = Zone::from_name("America/New_York").unwrap();
    let reading =
        Reading { layout: &layout, currency: Currency::USD, zone: &zone, file_hash: "0123456789abcdef" };
    let orders = read_orders(Cursor::new(file.as_bytes()), reading, past).unwrap();
    orders.map(|order| order.map(|o| o.value).map_err(|reject| reject.to_string())).collect()
}

/// For each order that could be read: lines filled and lines out of stock.
async fn taken(ledger: &Ledger, read: Vec<Result<IncomingOrder, String>>, past: bool) -> Vec<(usize, usize)> {
    let orders = read.into_iter().filter_map(Result::ok).collect();
    let outcomes = ledger.take_orders(&TakeOrders { orders, past, who: String::new() }).await.unwrap();
    let lines = |outcome| match outcome {
        OrderOutcome::Taken { filled, short, .. } => (filled, short),
        other => panic!("{other:?}"),
    };
    outcomes.into_iter().map(lines).collect()
}

#[tokio::test]
async fn the_sample_layouts_are_of_this_shop() {
    let folder = tempfile::tempdir().unwrap();
    let (_, ledger) = made(folder.path(), "demo.db").await;
    let fairground = sample(
        include_str!("../../../../demo/layouts/fairground.toml"),
        include_str!("../../../../demo/layouts/fairground.csv"),
        false,
    );
    let refused: Vec<&String> = fairground.iter().filter_map(|read| read.as_ref().err()).collect();
    assert!(refused.len() == 1 && refused[0].starts_with("line 7, order F-504, orderDate"), "{refused:?}");
    assert_eq!(taken(&ledger, fairground, false).await, [(2, 0), (1, 0), (1, 1)]);

    let cards = sample(
        include_str!("../../../../demo/layouts/card-index.toml"),
        include_str!("../../../../demo/layouts/card-index.txt"),
        true,
    );
    assert_eq!(taken(&ledger, cards, true).await, [(1, 0); 10]);
    assert!(ledger.check(|_| {}).await.unwrap().is_clean());
    ledger.close().await;
}
