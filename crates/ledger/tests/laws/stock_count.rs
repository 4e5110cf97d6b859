//! Counting the shelf while the shop goes on selling.

use crate::audit;
use crate::expected::*;
use crate::harness::{MINUTE_MS, START, Shop, on_each, open};
use crate::make::*;
use domain::ids::StockCountId;
use domain::stock::{ReturnDisposition, StockReason};
use ledger::rejection::HeldFor;
use ledger::shelf::{
    BeginStockCount, Counted, DropStockCount, FinishStockCount, LeftReason, Purpose, ScanFinding,
    ScanStockCount, StockCountState,
};
use ledger::{ManualClock, Rejection};
use std::sync::Arc;

async fn begin(shop: &Shop) -> StockCountId {
    shop.ok(BeginStockCount { style: None, note: "spring".to_owned(), who: "maker".to_owned() }).await
}

fn scan(id: StockCountId, sku: &str, quantity: Option<&str>) -> ScanStockCount {
    let quantity = quantity.map(asked);
    ScanStockCount { id, code: code(sku), quantity, is_all: false, who: "maker".to_owned() }
}

fn all_of(id: StockCountId, sku: &str, quantity: &str) -> ScanStockCount {
    ScanStockCount { is_all: true, ..scan(id, sku, Some(quantity)) }
}

fn finish(id: StockCountId, with_missing: bool) -> FinishStockCount {
    FinishStockCount { id, with_missing, who: "maker".to_owned() }
}

/// `p1 agrees 1`, `c1 fewer 3`.
async fn scanned(shop: &Shop, scan: ScanStockCount) -> String {
    let scanned = shop.ok(scan).await;
    let counted = scanned.counted.map_or("-".to_owned(), |q| q.to_string());
    let finding = match scanned.finding {
        ScanFinding::Agrees => "agrees".to_owned(),
        ScanFinding::Fewer => "fewer".to_owned(),
        ScanFinding::More => "more".to_owned(),
        ScanFinding::Again => "again".to_owned(),
        ScanFinding::Unknown => "unknown".to_owned(),
        ScanFinding::NotExpected(why) => format!("not expected ({why:?})"),
    };
    format!("{} {finding} {counted}", scanned.sku)
}

async fn on_hand(shop: &Shop, skus: &[&str]) -> String {
    let mut told = Vec::new();
    for sku in skus {
        told.push(format!("{sku} {}", shop.ledger.item(&code(sku)).await.unwrap().on_hand));
    }
    told.join(", ")
}

/// SKUs that are missing, and those that differ, with what was counted and booked.
async fn findings(shop: &Shop, id: StockCountId) -> String {
    let view = shop.ledger.stock_count(id).await.unwrap();
    let found = shop.ledger.stock_count_findings(&view, 100).await.unwrap();
    let missing: Vec<&str> = found.missing.iter().map(|l| l.sku.as_str()).collect();
    assert!(
        view.state != StockCountState::Open || found.missing_count == i64::try_from(missing.len()).unwrap()
    );
    let differing: Vec<String> =
        found.differing.iter().map(|l| format!("{} {}/{}", l.sku, l.counted, l.booked)).collect();
    let strays: Vec<String> = found.strays.iter().map(|(code, scans)| format!("{code} {scans}")).collect();
    format!("missing {}; differing {}; strays {}", missing.join(" "), differing.join(" "), strays.join(" "))
}

async fn stocked(shop: &Shop) {
    shop.ok(add(vec![
        piece("p1", 100),
        piece("p2", 100),
        piece("p3", 100),
        piece("p4", 100),
        piece("p5", 100),
        counted("c1", "10", 100),
        counted("c2", "5", 100),
        by_ounce("w1", "16", 100),
    ]))
    .await;
}

#[test]
fn a_count_tells_what_agrees_and_books_what_differs() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(sale_of("p3", 100)).await;
        shop.ok(adjust("p4", Counted::Less(asked("1"), StockReason::Damage))).await;
        let id = begin(&shop).await;
        let scans = [
            (scan(id, "p1", None), "p1 agrees 1"),
            (scan(id, "p1", None), "p1 again 1"),
            (scan(id, "c1", Some("4")), "c1 fewer 4"),
            (scan(id, "c1", None), "c1 fewer 5"),
            (scan(id, "c1", Some("7")), "c1 more 12"),
            (all_of(id, "c1", "9"), "c1 fewer 9"),
            (scan(id, "w1", Some("1.25 LBR")), "w1 more 20 oz"),
            (scan(id, "STRAY", None), "STRAY unknown -"),
            (scan(id, "STRAY", None), "STRAY unknown -"),
        ];
        for (scan, expected) in scans {
            assert_eq!(scanned(&shop, scan).await, expected);
        }
        let sold = scanned(&shop, scan(id, "p3", None)).await;
        assert!(sold.starts_with("p3 not expected (AlreadySold { code: \"p3\""), "{sold}");
        let damaged = scanned(&shop, scan(id, "p4", None)).await;
        assert!(
            damaged.starts_with("p4 not expected (Gone ") && damaged.contains("why: Some(Damage)"),
            "{damaged}"
        );
        let expected = "missing p2 p5 c2; differing p3 1/0 p4 1/0 c1 9/10 w1 20 oz/16 oz; strays STRAY 2";
        assert_eq!(findings(&shop, id).await, expected);
        let done = shop.ok(finish(id, true)).await;
        assert_eq!(done.booked, 6);
        let left: Vec<&str> = done.left.iter().map(|l| l.sku.as_str()).collect();
        assert_eq!(left, ["p3"], "what was sold is never made a second time");
        let skus = ["p1", "p2", "p3", "p4", "p5", "c1", "c2", "w1"];
        assert_eq!(on_hand(&shop, &skus).await, "p1 1, p2 0, p3 0, p4 1, p5 0, c1 9, c2 0, w1 20 oz");
        let moves = shop.ledger.stock_moves(&code("c1"), None, 1).await.unwrap();
        assert_eq!(
            (moves[0].why, moves[0].note.as_str(), moves[0].sale),
            (StockReason::Count, "stock count", None)
        );
        let kept =
            "missing ; differing p2 0/1 p3 1/0 p4 1/0 p5 0/1 c1 9/10 c2 0/5 w1 20 oz/16 oz; strays STRAY 2";
        assert_eq!(findings(&shop, id).await, kept);
        shop.refuses(
            finish(id, true),
            invalid("stock_count", ShelfReason::CountOver { state: "finished".to_owned() }),
        )
        .await;
        shop.refuses(
            scan(id, "p1", None),
            invalid("stock_count", ShelfReason::CountOver { state: "finished".to_owned() }),
        )
        .await;
        audit::clean(&shop).await;
    });
}

/// What is sold, returned or added during the count is not a difference.
#[test]
fn the_shop_sells_on_while_it_is_counted() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let back = shop.ok(sale_of("p5", 100)).await;
        let id = begin(&shop).await;
        // p1 is counted and then sold, p2 sold and never counted, p3 neither.
        shop.ok(scan(id, "p1", None)).await;
        shop.ok(sale_of("p1", 100)).await;
        shop.ok(sale_of("p2", 100)).await;
        // p5 comes back, p6 is made, both after the count had passed.
        shop.ok(whole(back.id, ReturnDisposition::Shelf)).await;
        shop.ok(add(vec![piece("p6", 100)])).await;
        shop.ok(scan(id, "p4", None)).await;
        // Eight of ten counted, then two sold and one added.
        shop.ok(scan(id, "c1", Some("8"))).await;
        shop.ok(sale(vec![goods("c1", "2")], cash(200))).await;
        shop.ok(adjust("c1", Counted::More(asked("1")))).await;
        // Nothing of c2 is counted; two are added.
        shop.ok(adjust("c2", Counted::More(asked("2")))).await;
        shop.ok(scan(id, "w1", Some("16"))).await;
        assert_eq!(findings(&shop, id).await, "missing p3 c2; differing c1 8/10; strays ");
        let done = shop.ok(finish(id, true)).await;
        assert_eq!((done.booked, done.left.len()), (3, 0));
        let skus = ["p1", "p2", "p3", "p4", "p5", "p6", "c1", "c2", "w1"];
        // c1: 8 - 2 + 1.
        assert_eq!(on_hand(&shop, &skus).await, "p1 0, p2 0, p3 0, p4 1, p5 1, p6 1, c1 7, c2 2, w1 16 oz");
        audit::clean(&shop).await;
    });
}

/// A later count of a single item by hand takes precedence.
#[test]
fn what_was_counted_by_hand_since_stands() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let id = begin(&shop).await;
        shop.ok(scan(id, "c1", Some("8"))).await;
        shop.ok(adjust("c1", Counted::Is(asked("9")))).await;
        shop.ok(adjust("c2", Counted::Is(asked("4")))).await;
        for sku in ["p1", "p2", "p3", "p4", "p5"] {
            shop.ok(scan(id, sku, None)).await;
        }
        let done = shop.ok(finish(id, true)).await;
        assert_eq!(
            (done.booked, on_hand(&shop, &["c1", "c2", "w1"]).await.as_str()),
            (1, "c1 9, c2 4, w1 0 oz")
        );
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_held_and_missing_is_left_for_a_person() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(hold(&[("p1", "1"), ("c1", "9")], Purpose::Customer, None)).await;
        let id = begin(&shop).await;
        shop.ok(scan(id, "c1", Some("3"))).await;
        let done = shop.ok(finish(id, true)).await;
        assert_eq!(done.left.len(), 2, "{:?}", done.left);
        for left in &done.left {
            let LeftReason::OnHold(why) = &left.reason else { panic!("{left:?}") };
            let ada = HeldFor::Name("Ada".to_owned());
            assert!(matches!(&**why, Rejection::OnHold { for_whom, .. } if *for_whom == ada), "{why:?}");
        }
        let kept = shop.ledger.stock_count(id).await.unwrap();
        let kept = shop.ledger.stock_count_findings(&kept, 100).await.unwrap();
        let kept: Vec<_> = kept.differing.iter().filter_map(|line| line.left.clone()).collect();
        assert!(matches!(kept.as_slice(), [LeftReason::OnHold(_), LeftReason::OnHold(_)]), "{kept:?}");
        assert_eq!(on_hand(&shop, &["p1", "p2", "c1"]).await, "p1 1, p2 0, c1 10");
        audit::clean(&shop).await;
    });
}

#[test]
fn only_what_was_counted_or_one_style_or_nothing_is_booked() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        let hat = |sku: &str| with(piece(sku, 100), |i| i.pricing.style = Some("Ridge beanie".to_owned()));
        shop.ok(add(vec![hat("h1"), hat("h2")])).await;
        let id = begin(&shop).await;
        shop.ok(scan(id, "c1", Some("8"))).await;
        assert_eq!(shop.ok(finish(id, false)).await.booked, 1);
        assert_eq!(on_hand(&shop, &["c1", "p1"]).await, "c1 8, p1 1");

        let style = Some(shop.ledger.styles().await.unwrap()[0].id);
        let of_style = BeginStockCount { style, note: String::new(), who: String::new() };
        let id = shop.ok(of_style.clone()).await;
        shop.refuses(of_style, invalid("stock_count", ShelfReason::CountInProgress)).await;
        shop.ok(scan(id, "h1", None)).await;
        let view = shop.ledger.stock_count(id).await.unwrap();
        let progress = shop.ledger.stock_count_progress(&view, 5).await.unwrap();
        assert_eq!((progress.expected, progress.counted, progress.latest.len()), (2, 1, 1));
        assert_eq!(shop.ok(finish(id, true)).await.booked, 1);
        assert_eq!(on_hand(&shop, &["h1", "h2", "p1"]).await, "h1 1, h2 0, p1 1");

        let id = begin(&shop).await;
        assert_eq!(shop.ok(DropStockCount { id, who: "maker".to_owned() }).await, StockCountState::Dropped);
        shop.refuses(
            finish(id, true),
            invalid("stock_count", ShelfReason::CountOver { state: "dropped".to_owned() }),
        )
        .await;
        assert_eq!(on_hand(&shop, &["p1", "w1"]).await, "p1 1, w1 16 oz");
        let states: Vec<StockCountState> =
            shop.ledger.stock_counts(10).await.unwrap().iter().map(|v| v.state).collect();
        assert_eq!(states, [StockCountState::Dropped, StockCountState::Finished, StockCountState::Finished]);
        audit::clean(&shop).await;
    });
}

#[test]
fn what_cannot_be_counted_is_refused() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let id = begin(&shop).await;
        let in_store = shop.ledger.item(&code("p1")).await.unwrap().in_store;
        let last = in_store.chars().last().unwrap();
        let slip = format!("{}{}", &in_store[..12], if last == '0' { '1' } else { '0' });
        let refused = [
            (scan(id, "p1", Some("2")), invalid("quantity", ShelfReason::OnlyOne)),
            (scan(id, "c1", Some("1.5")), invalid("quantity", QuantityError::NotWhole { value: dec("1.5") })),
            (scan(id, "w1", None), invalid("quantity", ShelfReason::WeightMissing)),
            (scan(id, &slip, None), wrong_digit(5)),
            (scan(StockCountId::from_raw(7), "p1", None), no_such(Thing::StockCount, 7)),
        ];
        for (scan, expected) in refused {
            shop.refuses(scan, expected).await;
        }
        shop.refuses(finish(StockCountId::from_raw(7), true), no_such(Thing::StockCount, 7)).await;
        assert_eq!(shop.ok(scan(id, "p1", Some("0"))).await.finding, ScanFinding::Fewer);
    });
}

/// Two processes whose clocks differ by a minute, either way: what happened later counts as later.
#[test]
fn a_count_through_two_processes_does_not_depend_on_their_clocks() {
    on_each(|shop| async move {
        stocked(&shop).await;
        for off in [-MINUTE_MS, MINUTE_MS] {
            let clock = Arc::new(ManualClock::at(START.plus_millis(off)));
            let other = open(&shop.url, clock).await;
            let fresh = format!("n{off}");
            other.execute(None, &add(vec![piece(&format!("before{off}"), 100)])).await.unwrap();
            let id = begin(&shop).await;
            other.execute(None, &add(vec![piece(&fresh, 100)])).await.unwrap();
            other.execute(None, &adjust("c2", Counted::More(asked("2")))).await.unwrap();
            shop.ok(scan(id, "c1", Some("4"))).await;
            other.execute(None, &adjust("c1", Counted::Is(asked("6")))).await.unwrap();
            other.execute(None, &adjust("w1", Counted::Is(asked("8")))).await.unwrap();
            shop.ok(scan(id, "w1", Some("7"))).await;
            shop.ok(finish(id, true)).await;
            let skus = [&*format!("before{off}"), &fresh, "c1", "c2", "w1"];
            let expected = format!("before{off} 0, {fresh} 1, c1 6, c2 2, w1 7 oz");
            assert_eq!(on_hand(&shop, &skus).await, expected, "the other clock is {off} ms off");
            shop.ok(adjust("c2", Counted::Is(asked("5")))).await;
            other.close().await;
        }
        audit::clean(&shop).await;
    });
}

/// A single count during a count of all is later than the scans before it, whether it agrees or differs, and
/// scans go on from where they were.
#[test]
fn a_single_count_within_a_count_of_all() {
    on_each(|shop| async move {
        let check = async |scans: &[&str], single: &str, after: &[&str], expected: &str| {
            shop.ok(adjust("c2", Counted::Is(asked("5")))).await;
            let id = begin(&shop).await;
            for quantity in scans {
                shop.ok(scan(id, "c2", Some(quantity))).await;
            }
            shop.ok(adjust("c2", Counted::Is(asked(single)))).await;
            for quantity in after {
                shop.ok(scan(id, "c2", Some(quantity))).await;
            }
            shop.ok(finish(id, true)).await;
            assert_eq!(
                on_hand(&shop, &["c2"]).await,
                format!("c2 {expected}"),
                "{scans:?} {single} {after:?}"
            );
        };
        stocked(&shop).await;
        check(&[], "5", &[], "5").await;
        check(&[], "4", &[], "4").await;
        check(&["3"], "5", &[], "5").await;
        check(&["3"], "4", &[], "4").await;
        check(&[], "5", &["1", "1", "1", "1", "1"], "5").await;
        check(&["3"], "5", &["2"], "5").await;
        check(&["3"], "4", &["2"], "5").await;
        audit::clean(&shop).await;
    });
}
