//! The books by day, month and channel; the shelf; listings, feed runs and imported files.

use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, START, on_each};
use crate::make::*;
use domain::day::{Day, Moment, Month};
use domain::ids::{ConnectionId, ItemId, RunId};
use domain::item::TextField;
use domain::stock::{Availability, ListingState, ReturnDisposition, StockReason};
use ledger::books::{BooksBy, BooksQuery};
use ledger::keeping::SetShop;
use ledger::online::{Delivered, RecordRun, RunKind};
use ledger::orders::EndHold;
use ledger::sales::NewSale;
use ledger::shelf::{Counted, EditItem, EndIntake, Progress, Purpose, ShelfQuery};

fn zone(name: &str) -> SetShop {
    SetShop { key: "zone".to_owned(), value: name.to_owned(), who: "owner".to_owned() }
}

/// Month or day, channel, sales and gross, as one line each.
async fn told(shop: &crate::harness::Shop, by: BooksBy, from: Option<&str>, to: Option<&str>) -> Vec<String> {
    let month = |text: Option<&str>| text.map(|t| Month::parse(t).unwrap());
    let rows = shop.ledger.books(&BooksQuery { from: month(from), to: month(to), by }).await.unwrap();
    rows.iter()
        .filter(|r| r.figures.sales != 0)
        .map(|r| {
            let parts = [
                r.day.map(|d| d.to_string()),
                r.month.map(|m| m.to_string()),
                r.channel.as_ref().map(ToString::to_string),
            ];
            let group: Vec<String> = parts.into_iter().flatten().collect();
            format!("{} {} {}", group.join(" "), r.figures.sales, r.figures.gross.minor())
        })
        .collect()
}

const BY_DAY: BooksBy = BooksBy { day: true, month: false, channel: false };
const BY_MONTH_CHANNEL: BooksBy = BooksBy { day: false, month: true, channel: true };

/// New York is UTC-4 in summer, UTC-5 in winter; London UTC+1 in summer (IANA tz database).
#[test]
fn days_are_those_of_the_shops_zone_and_follow_it() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 100)])).await;
        for (at, where_, quantity) in [
            ("2026-01-01T04:59:59Z", "store", "1"),
            ("2026-01-01T05:00:00Z", "store", "2"),
            ("2026-04-30T23:30:00Z", "market", "3"),
            ("2026-05-01T03:59:59.999Z", "online", "4"),
            ("2026-05-01T04:00:00Z", "online", "5"),
        ] {
            let amount = quantity.parse::<i64>().unwrap() * 100;
            shop.ok(NewSale {
                at: Some(Moment::parse_rfc3339(at).unwrap()),
                channel: channel(where_),
                ..sale(vec![goods("c1", quantity)], card(amount))
            })
            .await;
        }
        let utc = ["2026-01-01 2 300", "2026-04-30 1 300", "2026-05-01 2 900"];
        assert_eq!(told(&shop, BY_DAY, None, None).await, utc);
        shop.ok(zone("America/New_York")).await;
        let new_york = ["2025-12-31 1 100", "2026-01-01 1 200", "2026-04-30 2 700", "2026-05-01 1 500"];
        assert_eq!(told(&shop, BY_DAY, None, None).await, new_york);
        let months = [
            "2025-12 store 1 100",
            "2026-01 store 1 200",
            "2026-04 market 1 300",
            "2026-04 online 1 400",
            "2026-05 online 1 500",
        ];
        assert_eq!(told(&shop, BY_MONTH_CHANNEL, None, None).await, months);
        assert_eq!(told(&shop, BY_MONTH_CHANNEL, Some("2026-01"), Some("2026-04")).await, months[1..4]);
        assert_eq!(told(&shop, BooksBy::default(), None, None).await, [" 5 1500"]);
        let by_channel = BooksBy { channel: true, ..BooksBy::default() };
        assert_eq!(
            told(&shop, by_channel, None, None).await,
            ["market 1 300", "online 2 900", "store 2 300"]
        );
        shop.ok(zone("Europe/London")).await;
        let london = ["2026-01-01 2 300", "2026-05-01 3 1200"];
        assert_eq!(told(&shop, BY_DAY, None, None).await, london);
        shop.ok(zone("UTC")).await;
        assert_eq!(told(&shop, BY_DAY, None, None).await, utc);
        audit::clean(&shop).await;
    });
}

/// Each figure of a month, calculated by hand.
#[test]
fn a_month_is_closed_by_its_figures() {
    on_each(|shop| async move {
        let hat = with(piece("p1", 4500), |i| i.pricing.cost = Some(usd(1500)));
        let kit = with(counted("c1", "10", 1000), |i| i.pricing.cost = Some(usd(333)));
        shop.ok(add(vec![hat, kit, piece("p2", 2000), by_ounce("w1", "32", 350)])).await;
        let lines =
            vec![less("p1", "1", 500, 330), less("c1", "3", 0, 210), goods("p2", "1"), goods("w1", "2.5")];
        let sold = shop
            .ok(NewSale {
                shipping: usd(600),
                ..sale(lines, card(4500 - 500 + 330 + 3000 + 210 + 2000 + 875 + 600))
            })
            .await;
        let figures = async || {
            let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
            shop.ledger.books(&query).await.unwrap()[0].figures
        };
        let f = figures().await;
        assert_eq!((f.sales, f.units, f.uncosted), (1, 6, 2));
        assert_eq!((f.gross, f.discounts, f.refunds), (usd(10_375), usd(500), usd(0)));
        assert_eq!((f.tax, f.shipping, f.cost), (usd(540), usd(600), usd(1500 + 999)));
        assert_eq!((f.net().unwrap(), f.margin().unwrap()), (usd(9875), usd(9875 - 2499)));
        // 2.5 oz in eighths of a nanogram.
        assert_eq!(f.weight, 2500 * 226_796_185);
        // Two of three kits are returned, one of them to stock: 3.33 each, so 6.66 of 9.99 and 2.22... of
        // cost.
        shop.clock.advance_millis(20 * DAY_MS);
        shop.ok(part(sold.id, sold.lines[1].id, Some("1"), ReturnDisposition::Shelf)).await;
        shop.ok(part(sold.id, sold.lines[1].id, Some("1"), ReturnDisposition::WrittenOff)).await;
        // Half of the roving, then the rest of it: it counts as one returned unit with the last part.
        shop.ok(part(sold.id, sold.lines[3].id, Some("1"), ReturnDisposition::Shelf)).await;
        let june = Some(Month::parse("2026-06").unwrap());
        let in_june = async || {
            let query = BooksQuery { from: june, to: june, by: BooksBy::default() };
            shop.ledger.books(&query).await.unwrap()[0].figures
        };
        let f = in_june().await;
        assert_eq!((f.sales, f.units, f.uncosted), (0, -2, 0));
        assert_eq!((f.gross, f.refunds, f.tax), (usd(0), usd(2000 + 350), usd(-140)));
        assert_eq!((f.cost, f.weight), (usd(-333), -1000 * 226_796_185));
        shop.ok(part(sold.id, sold.lines[3].id, None, ReturnDisposition::Shelf)).await;
        let f = in_june().await;
        assert_eq!((f.units, f.uncosted, f.refunds), (-3, -1, usd(2000 + 875)));
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        let f = figures().await;
        assert_eq!((f.sales, f.units, f.net().unwrap(), f.tax, f.shipping), (1, 0, usd(0), usd(0), usd(0)));
        // What was not returned to stock remains a cost: one kit.
        assert_eq!((f.cost, f.uncosted, f.weight), (usd(333), 0, 0));
        audit::clean(&shop).await;
    });
}

#[test]
fn the_shelf_is_told_by_style_size_and_color() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        let hat = |sku: &str, size: &str, color: &str, price| {
            with(of(piece(sku, price), [(TextField::Size, size), (TextField::Color, color)]), |i| {
                i.pricing.style = Some("Ridge beanie".to_owned());
            })
        };
        shop.ok(add(vec![
            hat("h1", "L", "fern", 4000),
            hat("h2", "L", "fern", 4400),
            hat("h3", "L", "Ash", 4100),
            hat("h4", "S", "fern", 3000),
            counted("c1", "5", 999),
            by_ounce("w1", "8", 350),
        ]))
        .await;
        let shelf = async |sold_out| {
            let rows = shop.ledger.shelf(&ShelfQuery { sold_out }).await.unwrap();
            let told = |r: &ledger::shelf::ShelfRow| {
                let stock =
                    format!("{}/{}/{}", r.on_hand.normalize(), r.held.normalize(), r.sold.normalize());
                format!(
                    "{} {} {} {stock} {}-{}",
                    r.style,
                    r.size,
                    r.color,
                    r.lowest.minor(),
                    r.highest.minor()
                )
            };
            rows.iter().map(told).collect::<Vec<_>>()
        };
        shop.ok(sale_of("h4", 3000)).await;
        shop.ok(hold(&[("h1", "1")], Purpose::Market, None)).await;
        shop.ok(sale(vec![goods("w1", "2.5")], card(875))).await;
        assert_eq!(
            shelf(false).await,
            [
                "Item c1   5/0/0 999-999",
                "Item w1   5.5/0/2.5 350-350",
                "Ridge beanie L Ash 1/0/0 4100-4100",
                "Ridge beanie L fern 2/1/0 4000-4400",
                "Ridge beanie S fern 0/0/1 3000-3000",
            ]
        );
        assert_eq!(shelf(true).await, ["Ridge beanie S fern 0/0/1 3000-3000"]);
        let found = shop.ledger.items(None, "ITEM h", 10).await.unwrap();
        let skus: Vec<&str> = found.iter().map(|i| i.sku.as_str()).collect();
        assert_eq!(skus, ["h4", "h3", "h2", "h1"]);
        let next = shop.ledger.items(Some(found[1].id), "item H", 1).await.unwrap();
        assert_eq!(next[0].sku, "h2");
        // Given away is not sold out.
        shop.ok(adjust("h3", Counted::Less(asked("1"), StockReason::Gift))).await;
        assert_eq!(shelf(true).await.len(), 1);
    });
}

fn told_of(item: ItemId, revision: i64, hash: &str, state: ListingState) -> Delivered {
    Delivered { item, revision, content: Some((hash.to_owned(), state)) }
}

fn record(connection: ConnectionId, told: Vec<Delivered>) -> RecordRun {
    RecordRun { connection, told, run: None }
}

#[test]
fn listings_wait_until_they_were_told() {
    on_each(|shop| async move {
        let to = shop.ledger.connection("feed").await.unwrap();
        let lost = shop.ledger.connection("nobody").await.unwrap_err();
        no_such(Thing::Connection, "nobody").check(lost.rejection().unwrap(), shop.engine);
        let hidden = with(piece("off", 100), |i| i.stock.do_not_list = true);
        shop.ok(add(vec![piece("p1", 4500), hidden, counted("c0", "0", 100), counted("c1", "5", 100)])).await;
        let waiting = async || {
            let rows = shop.ledger.waiting_listings(to, None).await.unwrap().rows().unwrap();
            rows.iter().map(|r| format!("{} {}", r.sku, r.availability.code())).collect::<Vec<_>>()
        };
        let all = async || {
            let rows = shop.ledger.listings(to, None).await.unwrap().rows().unwrap();
            rows.iter().map(|r| r.sku.clone()).collect::<Vec<_>>()
        };
        let tell_all = async || {
            let rows = shop.ledger.waiting_listings(to, None).await.unwrap().rows().unwrap();
            let told = rows.iter().map(|r| match r.availability {
                Availability::InStock | Availability::Reserved => {
                    told_of(r.item, r.revision, "h", ListingState::Listed)
                }
                Availability::SoldOut | Availability::Discontinued => {
                    told_of(r.item, r.revision, "h", ListingState::Ended)
                }
            });
            shop.ok(record(to, told.collect())).await;
        };
        assert_eq!(waiting().await, ["p1 InStock", "c1 InStock"]);
        tell_all().await;
        assert!(waiting().await.is_empty());
        let held = shop.ok(hold(&[("p1", "1")], Purpose::Customer, None)).await;
        assert_eq!(waiting().await, ["p1 Reserved"]);
        shop.ok(EndHold { id: held.id }).await;
        assert_eq!(waiting().await, ["p1 InStock"]);
        shop.ok(sale_of("p1", 4500)).await;
        assert_eq!(
            (waiting().await, all().await),
            (vec!["p1 SoldOut".to_owned()], vec!["p1".to_owned(), "c1".to_owned()])
        );
        tell_all().await;
        assert_eq!(all().await, ["c1"]);
        // What could not be listed when it was added is listed once it can be.
        shop.ok(adjust("c0", Counted::More(asked("2")))).await;
        shop.ok(EditItem { do_not_list: Some(false), ..edit("off") }).await;
        assert_eq!(waiting().await, ["off InStock", "c0 InStock"]);
        tell_all().await;
        shop.ok(EditItem { do_not_list: Some(true), ..edit("off") }).await;
        assert_eq!(waiting().await, ["off Discontinued"]);
        tell_all().await;
        let view = shop.ledger.item(&code("off")).await.unwrap();
        let offers = shop.ledger.offers(&[view.id]).await.unwrap().remove(&view.id).unwrap();
        assert_eq!((offers.state(), offers.by.len()), (Some(ListingState::Ended), 0));
        audit::clean(&shop).await;
    });
}

/// A late message never overwrites a newer one, and leaves what is newer waiting.
#[test]
fn a_stale_listing_never_overwrites_a_newer_one() {
    on_each(|shop| async move {
        let to = shop.ledger.connection("feed").await.unwrap();
        shop.ok(add(vec![counted("c1", "9", 100)])).await;
        let item = shop.ledger.item(&code("c1")).await.unwrap().id;
        for _ in 0..3 {
            shop.ok(sale_of("c1", 100)).await;
        }
        let row = async || {
            let row = shop.ledger.listings(to, None).await.unwrap().rows().unwrap().remove(0);
            (row.told_revision, row.told_hash, row.revision)
        };
        let waiting = async || shop.ledger.waiting_listings(to, None).await.unwrap().rows().unwrap().len();
        shop.ok(record(to, vec![told_of(item, 3, "three", ListingState::Listed)])).await;
        assert_eq!((row().await, waiting().await), ((3, "three".to_owned(), 4), 1), "revision 4 still waits");
        shop.ok(record(to, vec![told_of(item, 2, "two", ListingState::Listed)])).await;
        assert_eq!(row().await, (3, "three".to_owned(), 4));
        shop.ok(record(to, vec![told_of(item, 4, "four", ListingState::Listed)])).await;
        assert_eq!((row().await, waiting().await), ((4, "four".to_owned(), 4), 0));
        let run = RecordRun {
            connection: to,
            told: vec![],
            run: Some(ledger::online::NewRun {
                id: shop.ledger.new_run().unwrap(),
                kind: RunKind::Changes,
                listings: 1,
                file_name: "changes.csv".to_owned(),
                file_hash: "hash".to_owned(),
                items: vec![item],
            }),
        };
        let run = shop.ok(run).await.unwrap();
        assert_eq!(shop.ledger.feed_runs(to, 5).await.unwrap()[0].id, run);
        assert_eq!(shop.ledger.listings_of_run(to, run, None).await.unwrap().rows().unwrap()[0].sku, "c1");
        assert!(shop.ledger.listings_of_run(to, RunId::from_raw(1), None).await.unwrap().last().is_none());
    });
}

#[test]
fn a_file_goes_on_where_it_stopped() {
    on_each(|shop| async move {
        let progress = |rows_done| Progress {
            hash: "abc".to_owned(),
            feed: "items".to_owned(),
            file_name: "items.csv".to_owned(),
            rows_done,
            again: false,
        };
        let known = async || shop.ledger.intake("abc", "items").await.unwrap();
        assert_eq!(known().await, None);
        let batch = ledger::shelf::AddItems {
            progress: Some(progress(2)),
            ..add(vec![piece("p1", 100), piece("p2", 100)])
        };
        shop.ok(batch).await;
        let found = known().await.unwrap();
        assert_eq!((found.rows_done, found.answer), (2, None));
        // A second run that started with the first finds its rows imported.
        let twice = ledger::shelf::AddItems { progress: Some(progress(1)), ..add(vec![piece("p1", 100)]) };
        shop.refuses(twice, invalid("items.csv", ShelfReason::FileInUse)).await;
        shop.ok(EndIntake { progress: progress(2), answer: "three rows".to_owned() }).await;
        let found = known().await.unwrap();
        assert_eq!((found.rows_done, found.answer.as_deref()), (2, Some("three rows")));
        assert_eq!(shop.ledger.intake("abc", "styles").await.unwrap(), None);
        assert_eq!(shop.ledger.stock_moves(&code("p1"), None, 5).await.unwrap()[0].at, START);
        assert_eq!(Day::parse("2026-05-17").unwrap(), shop.ledger.shop().zone.day_of(START));
    });
}
