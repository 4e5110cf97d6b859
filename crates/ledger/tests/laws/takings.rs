//! Money by tender: for a drawer, a day and a month, computed from the tenders.

use crate::audit;
use crate::exchange::{pay, ready, stocked};
use crate::harness::{DAY_MS, HOUR_MS, Shop, on_each};
use crate::make::*;
use crate::sales::owed;
use domain::basket::TenderKind::{self, Card, Cash, Check, OnAccount};
use domain::channel::Channel;
use domain::day::{Day, Month};
use domain::stock::ReturnDisposition;
use ledger::sales::{
    CloseDrawer, NewRefund, NewSale, OpenDrawer, Pay, RefundTender, TakingsOf, VoidSale, money_in,
};

fn who() -> String {
    "Ada".to_owned()
}

/// Taken, for balances, given back, voided, net.
type Row = (TenderKind, [i64; 5]);

async fn takings(shop: &Shop, of: TakingsOf) -> Vec<Row> {
    let rows = shop.ledger.takings(of).await.unwrap();
    let row = |row: &ledger::sales::Takings| {
        let amounts = [row.taken, row.balances, row.given_back, row.voided, row.net];
        (row.kind, amounts.map(domain::money::Money::minor))
    };
    rows.iter().map(row).collect()
}

async fn opened(shop: &Shop, channel: Channel) -> domain::ids::TurnId {
    shop.ok(OpenDrawer { channel, counts: vec![(usd(1000), 3)], who: who() }).await
}

/// One of everything that moves money, at the store.
async fn a_day(shop: &Shop) {
    let cards = |count: &str| vec![goods("card", count)];
    // 3 × 3.33 = 9.99, 20.00 given, 10.01 change.
    shop.ok(sale(cards("3"), cash(2000))).await;
    let by_card = shop.ok(sale(cards("2"), card(666))).await;
    let later = shop.ok(sale(cards("1"), vec![owed(333)])).await;
    let tender = shop.ledger.sale(later.id).await.unwrap().tenders[0].id;
    shop.ok(Pay { tender, kind: Check, amount: usd(133), certificate: None, who: who() }).await;
    let back = part(by_card.id, by_card.lines[0].id, Some("1"), ReturnDisposition::Shelf);
    shop.ok(NewRefund { tender: RefundTender::All(Card), ..back }).await;
    for tenders in [cash(500), card(333)] {
        let wrong = shop.ok(sale(cards("1"), tenders)).await;
        shop.ok(VoidSale { sale: wrong.id, reason: "twice".to_owned(), who: who() }).await;
    }
    let cowl = shop.ok(sale_of("cowl", 4800)).await;
    let basket = ready(shop, cowl.id, &["hat"]).await;
    shop.ok(pay(basket, 4100, Cash, 0)).await;
}

const OF_A_DAY: [Row; 4] = [
    (Cash, [999 + 333 + 4800, 0, 700, 333, 999 + 4800 - 700]),
    (Card, [666 + 333, 0, 333, 333, 333]),
    (Check, [0, 133, 0, 0, 133]),
    (OnAccount, [333, 0, 0, 0, 333]),
];

#[test]
fn a_drawer_a_day_and_a_month_have_their_money_by_tender() {
    on_each(|shop| async move {
        stocked(&shop).await;
        // Before the drawer opens, and at another place: in the day, not in the drawer.
        shop.ok(sale(vec![goods("card", "1")], cash(333))).await;
        shop.clock.advance_millis(HOUR_MS);
        let turn = opened(&shop, Channel::store()).await;
        a_day(&shop).await;
        shop.ok(NewSale { channel: channel("market"), ..sale(vec![goods("card", "1")], card(333)) }).await;
        assert_eq!(takings(&shop, TakingsOf::Turn(turn)).await, OF_A_DAY);
        let expected = shop.ledger.turn(turn).await.unwrap().expected;
        assert_eq!(expected, usd(3000 + OF_A_DAY[0].1[4]), "the drawer's cash is what its takings say");
        let closing = CloseDrawer { turn, counts: vec![(expected, 1)], note: String::new(), who: who() };
        let closing = CloseDrawer { counts: Vec::new(), ..closing };
        shop.ok(closing).await;
        shop.clock.advance_millis(HOUR_MS);
        let next = opened(&shop, Channel::store()).await;
        shop.ok(sale(vec![goods("card", "2")], card(666))).await;
        assert_eq!(takings(&shop, TakingsOf::Turn(turn)).await, OF_A_DAY);
        assert_eq!(takings(&shop, TakingsOf::Turn(next)).await, [(Card, [666, 0, 0, 0, 666])]);
        let [mut in_cash, mut by_card, check, on_account] = OF_A_DAY;
        in_cash.1[0] += 333;
        in_cash.1[4] += 333;
        by_card.1[0] += 333 + 666;
        by_card.1[4] += 333 + 666;
        let day = [in_cash, by_card, check, on_account];
        assert_eq!(takings(&shop, TakingsOf::Day(Day::parse("2026-05-17").unwrap())).await, day);
        assert_eq!(takings(&shop, TakingsOf::Month(Month::parse("2026-05").unwrap())).await, day);
        assert_eq!(takings(&shop, TakingsOf::Day(Day::parse("2026-05-16").unwrap())).await, []);
        let rows = shop.ledger.takings(TakingsOf::Month(Month::parse("2026-05").unwrap())).await.unwrap();
        let money = day.iter().filter(|row| row.0 != OnAccount).map(|row| row.1[4]).sum();
        assert_eq!(money_in(&rows, domain::money::Currency::USD).unwrap(), usd(money));
        audit::clean(&shop).await;
    });
}

/// A balance counts on the day of its payment, a market's slips on their own day though they are rung up later, in the
/// drawer that is open then.
#[test]
fn money_counts_when_it_comes() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let sold = shop.ok(sale(vec![goods("card", "1")], vec![owed(333)])).await;
        let at_market = shop.ledger.now();
        shop.clock.advance_millis(DAY_MS);
        let turn = opened(&shop, channel("market")).await;
        let slip = NewSale {
            channel: channel("market"),
            at: Some(at_market),
            ..sale(vec![goods("card", "2")], cash(666))
        };
        let slip = shop.ok(slip).await;
        let tender = shop.ledger.sale(sold.id).await.unwrap().tenders[0].id;
        shop.ok(Pay { tender, kind: Card, amount: usd(333), certificate: None, who: who() }).await;
        let (first, second) = (Day::parse("2026-05-17").unwrap(), Day::parse("2026-05-18").unwrap());
        let slips = (Cash, [666, 0, 0, 0, 666]);
        assert_eq!(takings(&shop, TakingsOf::Turn(turn)).await, [slips]);
        assert_eq!(takings(&shop, TakingsOf::Day(first)).await, [slips, (OnAccount, [333, 0, 0, 0, 333])]);
        assert_eq!(takings(&shop, TakingsOf::Day(second)).await, [(Card, [0, 333, 0, 0, 333])]);
        assert!(shop.ledger.is_in_a_drawer(slip.id).await.unwrap());
        assert!(!shop.ledger.is_in_a_drawer(sold.id).await.unwrap());
    });
}

/// Each entry of a drawer leads to its sale, that of a refund, a payment or a void too.
#[test]
fn a_drawer_s_entries_name_their_receipts() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let turn = opened(&shop, Channel::store()).await;
        let first = shop.ok(sale(vec![goods("card", "2")], cash(666))).await;
        shop.ok(whole(first.id, ReturnDisposition::Shelf)).await;
        let second = shop.ok(sale(vec![goods("card", "1")], vec![owed(333)])).await;
        let tender = shop.ledger.sale(second.id).await.unwrap().tenders[0].id;
        shop.ok(Pay { tender, kind: Cash, amount: usd(333), certificate: None, who: who() }).await;
        let third = shop.ok(sale(vec![goods("card", "1")], cash(333))).await;
        shop.ok(VoidSale { sale: third.id, reason: "twice".to_owned(), who: who() }).await;
        let entries = shop.ledger.drawer_entries(turn, 10).await.unwrap();
        let of: Vec<_> = entries.iter().rev().map(|entry| (entry.sale, entry.receipt)).collect();
        let named = |sale: &ledger::sales::SaleDone| (Some(sale.id), Some(sale.receipt));
        let (first, second, third) = (named(&first), named(&second), named(&third));
        assert_eq!(of, [(None, None), first, first, second, third, third]);
    });
}
