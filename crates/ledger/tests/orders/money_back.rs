//! Money that an online shop refunded without goods.

use crate::build::{
    ZERO, books, code, item, later, line, moment, money_back, noted, order, refund, stock, stock_up, take,
    take_past, told,
};
use domain::order::{IncomingOrder, IncomingRefund, LinePrice, OrderStatus};
use domain::stock::ItemKind;
use ledger::Rejection;
use ledger::books::{BooksBy, BooksQuery};
use ledger::orders::{DecideLine, LineChoice, OrderOutcome};
use ledger::shelf::AddItems;
use testkit::make::usd;
use testkit::{START, TestShop, shops};

async fn clean(shop: &TestShop) {
    let report = shop.ledger.check(|_| ()).await.unwrap();
    assert!(report.is_clean(), "{}: {:?}", shop.engine, report.findings);
}

fn alone(of: &IncomingOrder, refunds: Vec<IncomingRefund>) -> IncomingOrder {
    IncomingOrder { lines: Vec::new(), refunds, ..of.clone() }
}

/// Takes in a refund of the order by itself, and returns what became of it.
async fn give(shop: &TestShop, of: &IncomingOrder, refund: IncomingRefund) -> String {
    told(&take(shop, &alone(of, vec![refund])).await)
}

/// Three kits at 12.00 with 1.20 tax, a piece at 40.00, 6.00 shipping.
fn hats_and_kits() -> IncomingOrder {
    let mut of = later(&order("H-1", vec![line("KIT", "3", "12.00"), line("P1", "1", "40.00")]), 1);
    of.lines[0].tax = usd("1.20");
    of.shipping = usd("6.00");
    of
}

#[tokio::test]
async fn money_alone_is_booked_once_and_never_more_than_is_left() {
    for shop in shops().await {
        stock_up(&shop).await;
        let of = hats_and_kits();
        take(&shop, &of).await;
        for expected in ["known, 1 refunds", "known, 0 refunds"] {
            let kit = money_back("R1", Some("KIT"), "5.00");
            assert_eq!(give(&shop, &of, kit).await, expected, "{}", shop.engine);
        }
        // Of 37.20 a share of 1.20 is tax: of 5.00 it is 0.16.
        let expected =
            "1 sales, 4 units, 76.00 − 0.00 − 4.84 = 71.16, shipping 6.00, tax 1.04, fees 0.00, cost 40.00";
        assert_eq!(books(&shop).await, expected, "{}", shop.engine);
        // For the whole order: divided over what is left, 32.20 and 40.00, so 4.46 and 5.54.
        assert_eq!(give(&shop, &of, money_back("R2", None, "10.00")).await, "known, 1 refunds");
        let lines = shop.ledger.sales(None, 1).await.unwrap().remove(0);
        assert_eq!((lines.refunds.len(), lines.refunds[1].given), (2, usd("10.00")));
        clean(&shop).await;
        let refused = give(&shop, &of, money_back("R3", Some("P1"), "34.47")).await;
        assert!(refused.contains("asked: Money(34.47 USD), left: Money(34.46 USD)"), "{refused}");
        let refused = give(&shop, &of, money_back("R3", None, "68.21")).await;
        assert!(refused.contains("asked: Money(68.21 USD), left: Money(68.20 USD)"), "{refused}");
        // The lines have 62.20; the rest is shipping.
        assert_eq!(give(&shop, &of, money_back("R3", None, "64.00")).await, "known, 1 refunds");
        assert!(books(&shop).await.contains("= 0.00, shipping 4.20, tax 0.00"), "{}", books(&shop).await);
        assert_eq!(give(&shop, &of, money_back("R4", None, "4.20")).await, "known, 1 refunds");
        assert!(books(&shop).await.contains("= 0.00, shipping 0.00, tax 0.00"), "{}", books(&shop).await);
        assert_eq!(
            (stock(&shop, "KIT").await.as_str(), stock(&shop, "P1").await.as_str()),
            ("2 / 0", "0 / 0")
        );
        assert!(shop.ledger.open_fates(None, 9).await.unwrap().is_empty(), "no goods are on their way");
        assert_eq!(noted(&shop).await.len(), 4, "{}", shop.engine);
        clean(&shop).await;
        // Canceled nevertheless: the goods come back, and no money with them.
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&of, 2) };
        assert_eq!(told(&take(&shop, &over).await), "changed, 0 refunds");
        assert_eq!(
            (stock(&shop, "KIT").await.as_str(), stock(&shop, "P1").await.as_str()),
            ("5 / 0", "1 / 0")
        );
        assert!(books(&shop).await.starts_with("1 sales, 0 units, 76.00 − 0.00 − 76.00 = 0.00"));
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn goods_that_come_back_later_give_what_is_left_of_their_price() {
    for shop in shops().await {
        stock_up(&shop).await;
        let of = later(&order("H-1", vec![line("KIT", "3", "12.00")]), 1);
        take(&shop, &of).await;
        assert_eq!(give(&shop, &of, money_back("R1", Some("KIT"), "5.00")).await, "known, 1 refunds");
        for (number, net) in [("R2", "= 19.00,"), ("R3", "= 7.00,"), ("R4", "= 0.00,")] {
            assert_eq!(
                give(&shop, &of, refund(number, "KIT", "1")).await,
                "known, 1 refunds",
                "{}",
                shop.engine
            );
            assert!(books(&shop).await.contains(net), "{number}: {}", books(&shop).await);
            clean(&shop).await;
        }
        let refused = give(&shop, &of, money_back("R5", None, "0.01")).await;
        assert!(refused.contains("asked: Money(0.01 USD), left: Money(0.00 USD)"), "{refused}");
        shop.end().await;
    }
}

#[tokio::test]
async fn later_states_stand_beside_money_given_back_alone() {
    for shop in shops().await {
        stock_up(&shop).await;
        let of = later(&order("H-1", vec![line("KIT", "4", "10.00")]), 1);
        take(&shop, &of).await;
        give(&shop, &of, money_back("R1", Some("KIT"), "15.00")).await;
        let kits = |hours, quantity: &str, price: &str| IncomingOrder {
            lines: vec![line("KIT", quantity, price)],
            ..later(&of, hours)
        };
        // A state says what the shop sells, as if no money had been refunded; the books are 15.00 below it.
        let states = [("5", "= 35.00,"), ("4", "= 25.00,"), ("2", "= 5.00,"), ("3", "= 15.00,")];
        for ((quantity, net), hours) in states.into_iter().zip(2..) {
            assert_eq!(told(&take(&shop, &kits(hours, quantity, "10.00")).await), "changed, 0 refunds");
            assert!(books(&shop).await.contains(net), "{} {quantity}: {}", shop.engine, books(&shop).await);
            clean(&shop).await;
        }
        // A person has to say whether another price includes the 15.00.
        let refused = told(&take(&shop, &kits(9, "3", "8.00")).await);
        assert!(refused.contains("Orders(MoneyChanged"), "{}: {refused}", shop.engine);
        // Fewer goods than the refunded money: what is left is refunded with them, and no more.
        assert_eq!(told(&take(&shop, &kits(10, "1", "10.00")).await), "changed, 0 refunds");
        assert!(books(&shop).await.contains("= 0.00,"), "{}: {}", shop.engine, books(&shop).await);
        assert_eq!(stock(&shop, "KIT").await, "4 / 0");
        clean(&shop).await;
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&of, 11) };
        assert_eq!(told(&take(&shop, &over).await), "changed, 0 refunds");
        // Sold again after that, at any price.
        assert_eq!(told(&take(&shop, &kits(12, "2", "8.00")).await), "changed, 0 refunds");
        assert!(books(&shop).await.contains("= 16.00,"), "{}: {}", shop.engine, books(&shop).await);
        assert_eq!(told(&take(&shop, &kits(13, "2", "9.00")).await), "changed, 0 refunds");
        assert!(books(&shop).await.contains("= 18.00,"), "{}: {}", shop.engine, books(&shop).await);
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn money_alone_waits_for_its_sale_and_is_refused_where_nothing_was_sold() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut due = later(&order("H-1", vec![line("KIT", "2", "12.00")]), 1);
        due.status = OrderStatus::OrderPaymentDue;
        due.refunds = vec![money_back("R1", None, "5.00")];
        assert_eq!(told(&take(&shop, &due).await), "taken, 0 filled, 1 held, 0 short, 0 refunds");
        let refused = take(&shop, &alone(&due, vec![money_back("R1", None, "5.00")])).await;
        assert!(waits(&refused, "R1"), "{refused:?}");
        let paid = IncomingOrder { status: OrderStatus::OrderProcessing, ..later(&due, 2) };
        assert_eq!(told(&take(&shop, &paid).await), "changed, 1 refunds", "{}", shop.engine);
        assert!(books(&shop).await.contains("= 19.00,"), "{}", books(&shop).await);
        let refused = give(&shop, &due, money_back("R2", Some("P1"), "5.00")).await;
        assert!(refused.contains("NotInOrder { goods: \"P1\""), "{refused}");
        let unknown = give(&shop, &order("H-7", Vec::new()), money_back("R1", None, "5.00")).await;
        assert!(unknown.contains("UnknownOrder { number: OrderNumber(\"H-7\")"), "{unknown}");
        clean(&shop).await;
        shop.end().await;
    }
}

/// A person refunded a line that was never sold; the shop then reports that very refund.
#[tokio::test]
async fn the_shops_word_on_money_that_a_person_gave_back_books_nothing() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &order("H-1", vec![line("P1", "1", "40.00")])).await;
        let half = order("H-2", vec![line("P1", "1", "38.00"), line("KIT", "1", "12.00")]);
        take(&shop, &half).await;
        let short = shop.ledger.orders(None, true, 9).await.unwrap().remove(0);
        let waits = short.lines.iter().find(|l| l.code == "P1").unwrap();
        let (reason, who) = ("agreed by mail".to_owned(), "maker".to_owned());
        let choice = DecideLine { order: short.id, line: waits.id, choice: LineChoice::Refund, reason, who };
        shop.ledger.execute(None, &choice).await.unwrap();
        let before = books(&shop).await;
        assert_eq!(give(&shop, &half, money_back("R1", None, "38.00")).await, "known, 1 refunds");
        assert_eq!(books(&shop).await, before, "{}", shop.engine);
        let refused = give(&shop, &half, money_back("R2", None, "38.00")).await;
        assert!(refused.contains("left: Money(12.00 USD)"), "known once: {refused}");
        clean(&shop).await;
        shop.end().await;
    }
}

/// The books of a month: refunds and net.
async fn months(shop: &TestShop) -> Vec<String> {
    let by = BooksBy { month: true, ..BooksBy::default() };
    let rows = shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
    let row = |row: &ledger::books::BooksRow| {
        let f = &row.figures;
        format!("{} {} {}", row.month.map(|m| m.to_string()).unwrap_or_default(), f.refunds, f.net().unwrap())
    };
    rows.iter().map(row).collect()
}

#[tokio::test]
async fn money_alone_is_booked_in_its_own_month_and_of_history_too() {
    for shop in shops().await {
        stock_up(&shop).await;
        let ordered = START.plus_millis(-40 * 86_400_000);
        let mut of = order("H-1", vec![line("KIT", "1", "12.00")]);
        of.ordered = ordered;
        take(&shop, &of).await;
        let back = IncomingOrder { modified: Some(moment(0)), ..of.clone() };
        assert_eq!(give(&shop, &back, money_back("R1", None, "2.00")).await, "known, 1 refunds");
        let mut past = order("A-1", vec![line("NONE", "2", "30.00")]);
        past.ordered = ordered;
        past.lines[0].code = None;
        past.lines[0].name = "Grey hat".to_owned();
        past.lines[0].price = LinePrice::Line(usd("60.00"));
        past.refunds = vec![IncomingRefund { name: "Grey hat".to_owned(), ..money_back("R1", None, "7.00") }];
        assert_eq!(told(&take_past(&shop, &past).await), "taken, sale true, 1 filled, 0 short, 1 refunds");
        assert_eq!(told(&take_past(&shop, &past).await), "known, 0 refunds");
        assert_eq!(months(&shop).await, ["2026-05 7.00 65.00", "2026-06 2.00 -2.00"], "{}", shop.engine);
        clean(&shop).await;
        shop.end().await;
    }
}

/// Numbers that look random and are the same each time (Marsaglia's xorshift64, from memory).
struct Drawn(u64);

impl Drawn {
    fn below(&mut self, bound: i64) -> i64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        i64::try_from(self.0 % u64::try_from(bound).unwrap()).unwrap()
    }
}

/// What the shop kept of all its sales, in minor units.
async fn net(shop: &TestShop) -> i64 {
    let rows = shop.ledger.books(&BooksQuery { from: None, to: None, by: BooksBy::default() }).await.unwrap();
    rows.first().map_or(0, |row| row.figures.net().unwrap().minor())
}

/// Whatever mix of fewer, more and money alone is drawn, at one price: money alone is refunded to the cent
/// as long as it is left, and the books are never above the state's total, nor below that total less what
/// was refunded alone.
#[tokio::test]
async fn any_mix_of_states_and_money_alone_adds_up() {
    const PRICE: i64 = 777;
    for shop in shops().await {
        let items = vec![item("A", ItemKind::Counted, "5.00", "100000")];
        let added = AddItems { items, who: "test".to_owned(), progress: None };
        shop.ledger.execute(None, &added).await.unwrap();
        for seed in 1..=30_u64 {
            let mut drawn = Drawn(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15));
            let of = |hours, quantity: i64| {
                let one = order(&format!("H-{seed}"), vec![line("A", &quantity.to_string(), "7.77")]);
                IncomingOrder { shipping: ZERO, ..later(&one, hours) }
            };
            let (before, mut said, mut alone) = (net(&shop).await, 1 + drawn.below(6), 0);
            take(&shop, &of(0, said)).await;
            for step in 1..=6 {
                let left = net(&shop).await - before;
                if drawn.below(2) == 0 {
                    let asked = 1 + drawn.below(900);
                    let money = format!("{}.{:02}", asked / 100, asked % 100);
                    let ended =
                        give(&shop, &of(0, said), money_back(&format!("R{step}"), None, &money)).await;
                    let given = if ended.starts_with("known, 1") { asked } else { 0 };
                    assert_eq!(
                        given > 0,
                        asked <= left,
                        "{} {seed}: {asked} of {left}: {ended}",
                        shop.engine
                    );
                    assert_eq!(net(&shop).await - before, left - given, "{} {seed}", shop.engine);
                    alone += given;
                    continue;
                }
                let next = 1 + drawn.below(6);
                let ended = told(&take(&shop, &of(step, next)).await);
                if ended.starts_with("rejected") {
                    assert!(ended.contains("Orders(MoneyChanged") && alone > 0, "{ended}");
                    continue;
                }
                said = next;
                let now = net(&shop).await - before;
                let least = (said * PRICE - alone).max(0);
                assert!((least..=said * PRICE).contains(&now), "{} {seed}: {now} of {said}", shop.engine);
                assert!(alone > 0 || now == said * PRICE, "{} {seed}: {now} of {said}", shop.engine);
            }
        }
        clean(&shop).await;
        shop.end().await;
    }
}

/// Decides about an order's short line.
async fn choose(shop: &TestShop, number: &str, sku: &str, choice: LineChoice) {
    let orders = shop.ledger.orders(None, true, 9).await.unwrap();
    let order = orders.iter().find(|order| order.number == number).unwrap();
    let line = order.lines.iter().find(|line| line.code == sku).unwrap().id;
    let (reason, who) = ("agreed by mail".to_owned(), "maker".to_owned());
    shop.ledger.execute(None, &DecideLine { order: order.id, line, choice, reason, who }).await.unwrap();
}

fn waits(outcome: &OrderOutcome, refund: &str) -> bool {
    matches!(outcome, OrderOutcome::Rejected(Rejection::RefundWaits { refund: of, .. }) if of == refund)
}

/// An order for a piece that is gone and for a kit, of which money or goods are refunded: before and after
/// a person has decided about the short line.
#[tokio::test]
async fn what_is_given_back_of_goods_that_wait_waits_for_the_choice() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &order("H-1", vec![line("P1", "1", "40.00")])).await;
        let check = async |number: &str, refund: IncomingRefund, choice: LineChoice, is_booked: bool| {
            let of = order(number, vec![line("P1", "1", "38.00"), line("KIT", "1", "12.00")]);
            assert_eq!(told(&take(&shop, &of).await), "taken, sale true, 1 filled, 1 short, 0 refunds");
            let back = alone(&of, vec![refund.clone()]);
            let outcome = take(&shop, &back).await;
            assert!(waits(&outcome, "R1"), "{number}: {outcome:?}");
            choose(&shop, number, "P1", choice).await;
            let before = books(&shop).await;
            assert_eq!(told(&take(&shop, &back).await), "known, 1 refunds", "{number}");
            assert_eq!(told(&take(&shop, &back).await), "known, 0 refunds", "{number}");
            let after = books(&shop).await;
            assert_eq!(before != after, is_booked, "{number}: {before} then {after}");
            clean(&shop).await;
        };
        // Its own money was never in the books, and never will be.
        check("H-2", money_back("R1", Some("P1"), "5.00"), LineChoice::Refund, false).await;
        // A substitute has the price that was paid for it.
        let instead = LineChoice::Substitute(code("P2"));
        check("H-3", money_back("R1", Some("P1"), "5.00"), instead, true).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn of_an_order_that_was_never_sold_nothing_is_given_back() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "5", "12.00")])).await;
        let mut of = later(&order("H-2", vec![line("P1", "1", "38.00")]), 1);
        take(&shop, &of).await;
        of.refunds = vec![money_back("R1", None, "5.00")];
        assert!(waits(&take(&shop, &later(&of, 2)).await, "R1"));
        // Canceled, it waits no more.
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&of, 3) };
        let before = books(&shop).await;
        assert_eq!(told(&take(&shop, &over).await), "changed, 1 refunds", "{}", shop.engine);
        assert_eq!(books(&shop).await, before);
        // Part of a short line is no different; goods that the order never had are rejected as before.
        let kits = order("H-3", vec![line("KIT", "2", "12.00")]);
        take(&shop, &kits).await;
        assert!(waits(&take(&shop, &alone(&kits, vec![refund("R1", "KIT", "1")])).await, "R1"));
        let strange = take(&shop, &alone(&kits, vec![money_back("R2", Some("P2"), "5.00")])).await;
        assert!(matches!(&strange, OrderOutcome::Rejected(Rejection::Invalid { .. })), "{strange:?}");
        clean(&shop).await;
        shop.end().await;
    }
}
