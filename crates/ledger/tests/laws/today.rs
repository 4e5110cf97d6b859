//! The queries of Today and of a day in the books: what needs attention, what was sold and refunded.

use crate::expected::*;
use crate::harness::{DAY_MS, HOUR_MS, MINUTE_MS, START, Shop, on_each};
use crate::make::*;
use crate::sales::owed;
use domain::basket::TenderKind;
use domain::day::Day;
use domain::order::{Customer, IncomingLine, IncomingOrder, LinePrice, OrderNumber, OrderStatus};
use domain::stock::{ListingState, ReturnDisposition};
use ledger::books::{BooksBy, BooksQuery};
use ledger::keeping::{FirstSteps, HeldSum, SetShop, ShortLines};
use ledger::online::{Delivered, RecordRun};
use ledger::orders::TakeOrders;
use ledger::sales::{LeaveBasket, NewSale, Pay, VoidSale};
use ledger::shelf::{EditItem, NewHold, Purpose};

fn day(text: &str) -> Day {
    Day::parse(text).unwrap()
}

/// An order of one of each.
pub(crate) fn order(number: &str, skus: &[&str]) -> TakeOrders {
    let line = |sku: &&str| IncomingLine {
        code: Some(code(sku)),
        name: String::new(),
        quantity: asked("1"),
        price: LinePrice::Each(usd(1000)),
        discount: usd(0),
        tax: usd(0),
    };
    let order = IncomingOrder {
        channel: channel("online"),
        number: OrderNumber::parse(number).unwrap(),
        ordered: START,
        modified: None,
        status: OrderStatus::OrderProcessing,
        lines: skus.iter().map(line).collect(),
        refunds: Vec::new(),
        discount: usd(0),
        shipping: usd(0),
        fee: usd(0),
        customer: Customer::default(),
    };
    TakeOrders { orders: vec![order], past: false, who: "feed".to_owned() }
}

#[test]
fn short_lines_and_their_orders_are_counted() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000)])).await;
        let short = async || shop.ledger.short_lines().await.unwrap();
        assert_eq!(short().await, ShortLines { lines: 0, orders: 0 });
        for (number, skus) in [("1", &["p1", "p2"][..]), ("2", &["p1", "p2"]), ("3", &["p2"])] {
            shop.ok(order(number, skus)).await;
        }
        assert_eq!(short().await, ShortLines { lines: 3, orders: 2 });
    });
}

#[test]
fn what_could_be_listed_and_is_not_is_counted() {
    on_each(|shop| async move {
        let hidden = with(piece("off", 100), |i| i.stock.do_not_list = true);
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), hidden, counted("c0", "0", 100)])).await;
        let new = async || shop.ledger.count_unlisted().await.unwrap();
        assert_eq!(new().await, 2);
        shop.ok(hold(&[("p1", "1")], Purpose::Customer, None)).await;
        assert_eq!(new().await, 1, "what is set aside is not offered");
        shop.ok(EditItem { do_not_list: Some(false), ..edit("off") }).await;
        assert_eq!(new().await, 2);
        let to = shop.ledger.connection("feed").await.unwrap();
        let item = shop.ledger.item(&code("p2")).await.unwrap();
        let content = Some(("hash".to_owned(), ListingState::Listed));
        let told = Delivered { item: item.id, revision: item.revision, content };
        shop.ok(RecordRun { connection: to, told: vec![told], run: None }).await;
        assert_eq!(new().await, 1);
    });
}

#[test]
fn a_style_ran_out_if_it_sold_and_none_is_left() {
    on_each(|shop| async move {
        for name in ["moor cowl", "Ridge beanie", "Never sold", "Empty"] {
            shop.ok(style(name, "7.50", "ONZ", "whole", None)).await;
        }
        let of =
            |sku: &str, style: &str| with(piece(sku, 1000), |i| i.pricing.style = Some(style.to_owned()));
        shop.ok(add(vec![
            of("m1", "moor cowl"),
            of("m2", "moor cowl"),
            of("r1", "Ridge beanie"),
            of("n1", "Never sold"),
        ]))
        .await;
        let out = async || shop.ledger.styles_that_ran_out().await.unwrap();
        assert!(out().await.is_empty());
        let first = shop.ok(sale_of("m1", 1000)).await;
        shop.ok(sale_of("r1", 1000)).await;
        assert_eq!(out().await, ["Ridge beanie"]);
        shop.ok(sale_of("m2", 1000)).await;
        assert_eq!(out().await, ["moor cowl", "Ridge beanie"]);
        shop.ok(whole(first.id, ReturnDisposition::Shelf)).await;
        assert_eq!(out().await, ["Ridge beanie"]);
    });
}

#[test]
fn holds_that_run_out_are_told_the_first_first() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "20", 100)])).await;
        let until = |hours: i64| Some(START.plus_millis(hours * HOUR_MS));
        let put = |for_whom: &str, purpose, hours: Option<i64>| NewHold {
            for_whom: for_whom.to_owned(),
            until: hours.and_then(until),
            ..hold(&[("c1", "1"), ("c1", "2")], purpose, None)
        };
        shop.ok(put("Ann", Purpose::Customer, Some(5))).await;
        shop.ok(put("Ben", Purpose::Market, Some(2))).await;
        shop.ok(put("Cy", Purpose::Customer, Some(30))).await;
        shop.ok(put("Di", Purpose::Customer, None)).await;
        shop.ok(put("", Purpose::Basket, None)).await;
        let end = shop.ledger.shop().zone.end_of_day(START);
        let told = async |limit| {
            let holds = shop.ledger.ending_holds(end, limit).await.unwrap();
            holds.iter().map(|h| format!("{} {} {}", h.for_whom, h.lines, h.until)).collect::<Vec<_>>()
        };
        let all = ["Ben 2 2026-05-17T12:00:00Z", "Ann 2 2026-05-17T15:00:00Z"];
        assert_eq!(told(9).await, all);
        assert_eq!(told(1).await, all[..1]);
        assert_eq!(shop.ledger.held_sum().await.unwrap(), HeldSum { holds: 4, lines: 8 });
    });
}

#[test]
fn what_is_owed_is_told_until_it_is_paid() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "20", 1000)])).await;
        let sell = async || shop.ok(sale(vec![goods("c1", "1")], vec![owed(1000)])).await;
        let (first, second) = (sell().await, sell().await);
        let due = day("2026-06-17");
        let sum = async |until: Day| {
            let sum = shop.ledger.owed_sum(Some(until)).await.unwrap();
            (sum.tenders, sum.left.minor())
        };
        assert_eq!((sum(due.plus_days(-1)).await, sum(due).await), ((0, 0), (2, 2000)));
        let all = shop.ledger.owed_sum(None).await.unwrap();
        assert_eq!((all.tenders, all.left, all.first_due), (2, usd(2000), Some(due)));
        let debts = shop.ledger.debts(9).await.unwrap();
        let told: Vec<_> = debts.iter().map(|d| (d.sale, d.customer.as_str(), d.left)).collect();
        assert_eq!(told, [(first.id, "Ada", usd(1000)), (second.id, "Ada", usd(1000))]);
        let pay = |amount| Pay {
            tender: debts[0].tender,
            kind: TenderKind::Cash,
            amount,
            certificate: None,
            who: String::new(),
        };
        shop.ok(pay(usd(400))).await;
        assert_eq!(sum(due).await, (2, 1600));
        shop.ok(pay(usd(600))).await;
        assert_eq!(sum(due).await, (1, 1000));
        shop.ok(VoidSale { sale: second.id, reason: "slip".to_owned(), who: String::new() }).await;
        assert_eq!(sum(due).await, (0, 0), "a voided sale is owed by nobody");
        assert!(shop.ledger.debts(9).await.unwrap().is_empty());
    });
}

async fn told_of_day(shop: &Shop, text: &str) -> Vec<String> {
    let sales = shop.ledger.day_sales(day(text), None, 99).await.unwrap();
    let told = |s: &ledger::sales::DaySale| {
        let voided = if s.voided.is_some() { " voided" } else { "" };
        format!(
            "{} {} {}{voided}: {}",
            s.receipt.unwrap_or(0),
            s.channel,
            s.paid.minor(),
            s.titles.join(", ")
        )
    };
    sales.iter().map(told).collect()
}

/// New York is four hours behind UTC in May (IANA tz database).
#[test]
fn a_day_has_its_sales_and_refunds_in_the_shops_zone() {
    on_each(|shop| async move {
        shop.ok(SetShop {
            key: "zone".to_owned(),
            value: "America/New_York".to_owned(),
            who: "owner".to_owned(),
        })
        .await;
        shop.ok(add(vec![counted("c1", "20", 1000), piece("p1", 500)])).await;
        assert_eq!(shop.ledger.books_span().await.unwrap(), None);
        let at = |minutes: i64| Some(START.plus_millis(minutes * MINUTE_MS));
        // START is 6:00 in New York; 18 hours later the day is over.
        let sell = async |minutes: i64, where_: &str| {
            let lines = vec![goods("c1", "1"), goods("c1", "1")];
            let new = NewSale { at: at(minutes), channel: channel(where_), ..sale(lines, card(2000)) };
            shop.ok(new).await
        };
        let first = sell(18 * 60 - 1, "market").await;
        sell(18 * 60, "store").await;
        sell(0, "store").await;
        let voided = sell(0, "store").await;
        shop.ok(VoidSale { sale: voided.id, reason: "slip".to_owned(), who: String::new() }).await;
        let both = "Item c1, Item c1";
        let expected = [
            format!("3 store 2000: {both}"),
            format!("4 store 2000 voided: {both}"),
            format!("1 market 2000: {both}"),
        ];
        assert_eq!(told_of_day(&shop, "2026-05-17").await, expected);
        assert_eq!(told_of_day(&shop, "2026-05-18").await, [format!("2 store 2000: {both}")]);
        assert!(told_of_day(&shop, "2026-05-16").await.is_empty());
        // In pages, each sale once.
        let mut after = None;
        let mut receipts = Vec::new();
        while let Some(sale) = shop.ledger.day_sales(day("2026-05-17"), after, 1).await.unwrap().pop() {
            after = Some((sale.at, sale.id));
            receipts.extend(sale.receipt);
        }
        assert_eq!(receipts, [3, 4, 1]);
        let figures = shop.ledger.day_figures(day("2026-05-17")).await.unwrap();
        let told: Vec<_> = figures.iter().map(|(c, f)| (c.as_str(), f.sales, f.gross.minor())).collect();
        assert_eq!(told, [("market", 1, 2000), ("store", 1, 2000)]);
        shop.clock.advance_millis(3 * DAY_MS);
        shop.ok(part(first.id, first.lines[0].id, None, ReturnDisposition::Shelf)).await;
        let refunds = shop.ledger.day_refunds(day("2026-05-20"), 9).await.unwrap();
        let told: Vec<_> = refunds.iter().map(|r| (r.sale, r.receipt, r.channel.as_str(), r.given)).collect();
        assert_eq!(told, [(first.id, Some(1), "market", usd(1000))]);
        assert!(shop.ledger.day_refunds(day("2026-05-17"), 9).await.unwrap().is_empty());
        let (from, to) = shop.ledger.books_span().await.unwrap().unwrap();
        assert_eq!((from.to_string().as_str(), to.to_string().as_str()), ("2026-05", "2026-05"));
        let backwards = BooksQuery { from: Some(to), to: Some(to.previous()), by: BooksBy::default() };
        let refused = shop.ledger.books(&backwards).await.unwrap_err();
        let reason = BooksReason::MonthsReversed { from: to, to: to.previous() };
        invalid("to", reason).check(refused.rejection().unwrap(), shop.engine);
    });
}

#[test]
fn a_sale_that_nobody_touches_any_more_is_counted() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let basket = crate::counter::slip(&shop, &["p1"]).await;
        let left = async |millis: i64| {
            shop.ledger.sales_left_open(shop.ledger.now().plus_millis(millis), 9).await.unwrap()
        };
        assert_eq!((left(0).await, left(1).await), (0, 1));
        let bounded = shop.ledger.sales_left_open(shop.ledger.now().plus_millis(1), 0).await.unwrap();
        assert_eq!(bounded, 0, "no more is counted");
        shop.ok(LeaveBasket { basket }).await;
        assert_eq!(left(1).await, 0);
    });
}

#[test]
fn a_new_shop_takes_its_first_steps_in_any_order() {
    on_each(|shop| async move {
        let steps = async || shop.ledger.first_steps().await.unwrap();
        assert_eq!(steps().await, FirstSteps::default());
        shop.ok(add(vec![piece("p1", 1000)])).await;
        assert_eq!(steps().await, FirstSteps { item: true, ..FirstSteps::default() });
        shop.ok(style("moor cowl", "7.50", "ONZ", "whole", None)).await;
        shop.ok(sale_of("p1", 1000)).await;
        let sold = FirstSteps { style: true, item: true, sale: true, ..FirstSteps::default() };
        assert_eq!(steps().await, sold);
        let (now, before) =
            (shop.ledger.now(), async |moment| shop.ledger.sold_before(moment).await.unwrap());
        assert_eq!((before(now.plus_millis(-1)).await, before(now.plus_millis(1)).await), (false, true));
        let named = SetShop { key: "name".to_owned(), value: "Fold End".to_owned(), who: String::new() };
        shop.ok(named).await;
        assert_eq!(steps().await, FirstSteps { name: true, ..sold });
        shop.ok(add(vec![piece("p2", 1000)])).await;
        let to = shop.ledger.connection("feed").await.unwrap();
        let item = shop.ledger.item(&code("p2")).await.unwrap();
        let content = Some(("hash".to_owned(), ListingState::Listed));
        let told = Delivered { item: item.id, revision: item.revision, content };
        shop.ok(RecordRun { connection: to, told: vec![told], run: None }).await;
        assert!(steps().await.online);
    });
}
