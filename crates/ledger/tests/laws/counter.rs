//! The counter: slips that are filled, put on hold, paid and abandoned; drawers that are counted.

use crate::audit;
use crate::expected::*;
use crate::harness::{MINUTE_MS, Shop, on_each};
use crate::make::*;
use crate::sales::owed;
use domain::basket::{LineKind, TenderKind};
use domain::cash::Count;
use domain::channel::Channel;
use domain::discount::Off;
use domain::ids::{BasketId, CustomerId, SaleId, TurnId};
use domain::stock::ReturnDisposition;
use ledger::Rejection;
use ledger::keeping::SetShop;
use ledger::sales::{
    BasketChange, BasketFromHold, BasketState, ChangeBasket, CloseDrawer, HoldBasket, LeaveBasket,
    MoveBasket, NewSale, OpenBasket, OpenDrawer, Pay, PayBasket, PutIn, RefundTender, SetBasketAside,
    StopPaying, TakeOut, TenderIn, VoidSale,
};
use testkit::make::certificate;

pub(crate) fn lay(sku: &str) -> BasketChange {
    BasketChange::Add { code: code(sku), quantity: None }
}

pub(crate) fn weigh(sku: &str, quantity: &str) -> BasketChange {
    BasketChange::Add { code: code(sku), quantity: Some(asked(quantity)) }
}

/// A slip in the store with these items.
pub(crate) async fn slip(shop: &Shop, skus: &[&str]) -> BasketId {
    let who = "Ada".to_owned();
    let basket = shop.ok(OpenBasket { channel: Channel::store(), first: None, who }).await;
    for sku in skus {
        change(shop, basket, lay(sku)).await;
    }
    basket
}

async fn change(shop: &Shop, basket: BasketId, change: BasketChange) -> Option<u32> {
    shop.ok(ChangeBasket { basket, revision: None, change }).await.line
}

fn changed(basket: BasketId, change: BasketChange) -> ChangeBasket {
    ChangeBasket { basket, revision: None, change }
}

async fn held(shop: &Shop, basket: BasketId) -> HoldBasket {
    let revision = shop.ledger.basket(basket).await.unwrap().revision;
    HoldBasket { basket, revision, without: Vec::new(), who: "Ada".to_owned() }
}

fn pay(basket: BasketId, due: i64, tender: TenderIn) -> PayBasket {
    PayBasket { basket, due: usd(due), left: None, tender, who: "Ada".to_owned() }
}

/// The slip's lines as `sku × quantity = amount − discount`, and their sum.
async fn told(shop: &Shop, basket: BasketId) -> (Vec<String>, i64) {
    let view = shop.ledger.basket(basket).await.unwrap();
    let line = |l: &ledger::sales::BasketLineView| {
        let gone = if l.gone.is_some() { " gone" } else { "" };
        format!("{} × {} = {} − {}{gone}", l.code, l.quantity, l.amount, l.discount)
    };
    (view.lines.iter().map(line).collect(), view.due.minor())
}

#[test]
fn a_slip_is_filled_line_by_line() {
    on_each(|shop| async move {
        shop.ok(add(vec![
            piece("p1", 4763),
            piece("p2", 3100),
            counted("c1", "10", 333),
            by_ounce("w1", "100", 225),
        ]))
        .await;
        let basket = slip(&shop, &["p1", "c1", "c1"]).await;
        let weighed = change(&shop, basket, weigh("w1", "2.5")).await.unwrap();
        change(&shop, basket, weigh("w1", "100 GRM")).await;
        let note = BasketChange::AddPaper {
            kind: LineKind::GiftCertificate,
            title: "Gift note".to_owned(),
            amount: usd(2500),
            certificate: Some(certificate(1)),
        };
        change(&shop, basket, note).await;
        assert_eq!(
            told(&shop, basket).await,
            (
                vec![
                    "p1 × 1 = 47.63 − 0.00".to_owned(),
                    "c1 × 2 = 6.66 − 0.00".to_owned(),
                    "w1 × 2.5 oz = 5.63 − 0.00".to_owned(),
                    "w1 × 3.527 oz = 7.94 − 0.00".to_owned(),
                    " × 1 = 25.00 − 0.00".to_owned(),
                ],
                4763 + 666 + 563 + 794 + 2500
            )
        );
        // 1 p1, 2 c1, 3 and 4 w1, 5 the note.
        for (change, expected) in wrong_changes(weighed) {
            shop.refuses(changed(basket, change), expected).await;
        }
        change(&shop, basket, quantity(weighed, "4")).await;
        change(&shop, basket, BasketChange::Remove { line: 4 }).await;
        change(&shop, basket, BasketChange::Remove { line: 5 }).await;
        change(&shop, basket, discount(Some(1), "10 %", "a pulled thread")).await;
        change(&shop, basket, discount(None, "1.50", "market friend")).await;
        let (lines, due) = told(&shop, basket).await;
        assert_eq!(lines[0], "p1 × 1 = 47.63 − 4.76");
        assert_eq!(due, 4763 - 476 + 666 + 900 - 150);
        let stale = ChangeBasket { basket, revision: Some(1), change: lay("p2") };
        shop.refuses(stale, crate::expected::stale(Edited::CurrentSale, 1, 12)).await;
    });
}

/// Changes that the slip of [`a_slip_is_filled_line_by_line`] refuses, and why.
fn wrong_changes(weighed: u32) -> Vec<(BasketChange, Expected)> {
    let here = SalesReason::AlreadyInSale { title: "Item p1".to_owned(), sku: "p1".to_owned() };
    let weight = SalesReason::WeightMissing { title: "Item w1".to_owned(), unit: WeightUnit::Ounce };
    vec![
        (lay("p1"), invalid("code", here)),
        (lay("nothing"), unknown_code("nothing")),
        (lay("w1"), invalid("quantity", weight)),
        (weigh("c1", "1.5"), invalid("quantity", QuantityError::NotWhole { value: dec("1.5") })),
        (weigh("p2", "2"), invalid("quantity", ShelfReason::OnlyOne)),
        (weigh("c1", "100"), not_enough(102, 10)),
        (quantity(weighed, "0"), invalid("quantity", QuantityError::NotPositive)),
        (quantity(99, "1"), no_such(Thing::SaleLine, 99)),
        (BasketChange::Remove { line: 99 }, no_such(Thing::SaleLine, 99)),
        (discount(None, "10 %", ""), invalid("reason", TextError::Empty)),
        (discount(Some(weighed), "1", "4000 0000 0000 0002"), invalid("reason", TextError::CardNumber)),
        (BasketChange::Customer { customer: Some(CustomerId::from_raw(77)) }, no_such(Thing::Customer, 77)),
        (discount(Some(5), "1.00", "friend"), invalid("off", SalesReason::CertificateDiscounted)),
    ]
}

fn discount(line: Option<u32>, off: &str, reason: &str) -> BasketChange {
    let (off, reason) = (Some(Off::parse(off, domain::money::Currency::USD).unwrap()), reason.to_owned());
    match line {
        Some(line) => BasketChange::Line { line, quantity: None, off, reason },
        None => BasketChange::Discount { off, reason },
    }
}

fn quantity(line: u32, quantity: &str) -> BasketChange {
    BasketChange::Line { line, quantity: Some(asked(quantity)), off: None, reason: String::new() }
}

#[test]
fn a_slip_is_held_first_and_rung_up_once() {
    on_each(|shop| async move {
        shop.ok(SetShop { key: "cash_rounding".to_owned(), value: "5 up".to_owned(), who: String::new() })
            .await;
        shop.ok(add(vec![piece("p1", 4763), piece("p2", 3100), counted("c1", "5", 333)])).await;
        let basket = slip(&shop, &["p1", "c1"]).await;
        change(&shop, basket, discount(None, "10 %", "a pulled thread")).await;
        let early = pay(basket, 4586, TenderIn::plain(TenderKind::Cash, usd(5000)));
        shop.refuses(early.clone(), invalid("slip", SalesReason::NotPaying)).await;
        let press = held(&shop, basket).await;
        shop.ok(press.clone()).await;
        shop.refuses(press, crate::expected::stale(Edited::CurrentSale, 4, 5)).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!((view.paying, view.held_until.is_some(), view.due), (true, true, usd(4586)));
        // Another counter, and an order, find it on hold.
        shop.refuses(sale_of("p1", 4765), on_hold_for("a customer of Ada")).await;
        shop.refuses(changed(basket, lay("p2")), invalid("slip", SalesReason::BeingPaid)).await;
        let refused = [
            (
                pay(basket, 4585, TenderIn::plain(TenderKind::Cash, usd(5000))),
                invalid("due", SalesReason::TotalChanged { now: usd(4586), shown: usd(4585) }),
            ),
            (
                pay(basket, 4586, TenderIn::plain(TenderKind::Card, usd(5000))),
                invalid("amount", BasketError::Overpaid { due: usd(4586), tendered: usd(5000) }),
            ),
            (
                pay(basket, 4586, TenderIn::plain(TenderKind::Cash, usd(0))),
                invalid(
                    "amount",
                    BasketError::Underpaid { due: usd(4585), tendered: usd(0), missing: usd(4585) },
                ),
            ),
            (
                pay(basket, 4586, TenderIn::plain(TenderKind::OnAccount, usd(4586))),
                invalid("tenders", SalesReason::AccountIncomplete),
            ),
        ];
        for (command, expected) in refused {
            shop.refuses(command, expected).await;
        }
        let part = shop.ok(pay(basket, 4586, TenderIn::plain(TenderKind::Card, usd(2000)))).await;
        assert_eq!((part.sale, part.rung_up), (None, false));
        shop.refuses(LeaveBasket { basket }, invalid("slip", SalesReason::AlreadyPaid { taken: usd(2000) }))
            .await;
        let last = pay(basket, 4586, TenderIn::plain(TenderKind::Cash, usd(3000)));
        let paid = shop.ok(last.clone()).await;
        let again = shop.ok(last).await;
        assert_eq!((paid.rung_up, again.rung_up, again.sale), (true, false, paid.sale));
        let sale = shop.ledger.sale(paid.sale.unwrap()).await.unwrap();
        assert_eq!(
            (sale.totals.due, sale.totals.rounding, sale.totals.change),
            (usd(4585), usd(-1), usd(415))
        );
        assert_eq!(sale.note, "10 % off the sale: a pulled thread");
        assert_eq!(shop.ledger.basket(basket).await.unwrap().state, BasketState::Paid);
        shop.refuses(changed(basket, lay("p2")), invalid("slip", SalesReason::Completed)).await;
        shop.refuses(LeaveBasket { basket }, invalid("slip", SalesReason::Completed)).await;
        assert_eq!(shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM sale").await, 1);
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_sold_meanwhile_is_said_and_not_charged() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4763), piece("p2", 3100)])).await;
        let basket = slip(&shop, &["p1", "p2"]).await;
        let before = shop.ledger.basket_pulse(basket).await.unwrap();
        assert_eq!(before, shop.ledger.basket_pulse(basket).await.unwrap());
        let press = held(&shop, basket).await;
        shop.ok(NewSale { channel: channel("online"), ..sale(vec![goods("p2", "1")], card(3100)) }).await;
        assert_ne!(before, shop.ledger.basket_pulse(basket).await.unwrap());
        let view = shop.ledger.basket(basket).await.unwrap();
        let Some(Rejection::AlreadySold { sold, .. }) = &view.lines[1].gone else {
            panic!("{:?}", view.lines)
        };
        assert_eq!((sold.channel.as_str(), view.due), ("online", usd(4763)));
        // Without having been seen, the hold refuses all of it; once seen, the sale goes on without it.
        shop.refuses(press.clone(), already_sold("online", 1)).await;
        assert_eq!(shop.number("SELECT CAST(SUM(held) AS BIGINT) FROM item").await, 0);
        shop.ok(HoldBasket { without: vec![2], ..press }).await;
        shop.ok(pay(basket, 4763, TenderIn::plain(TenderKind::Cash, usd(4763)))).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_hold_that_ran_out_is_taken_again_or_refused() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000)])).await;
        let (first, second) = (slip(&shop, &["p1"]).await, slip(&shop, &["p2"]).await);
        for basket in [first, second] {
            shop.ok(held(&shop, basket).await).await;
        }
        shop.clock.advance_millis(11 * MINUTE_MS);
        shop.ok(sale_of("p2", 1000)).await;
        let cash = || TenderIn::plain(TenderKind::Cash, usd(1000));
        shop.ok(pay(first, 1000, cash())).await;
        shop.refuses(pay(second, 1000, cash()), already_sold("store", 1)).await;
        // Pressed again, the first press's hold is replaced.
        assert_eq!(shop.ok(StopPaying { basket: second }).await, Vec::new());
        shop.ok(LeaveBasket { basket: second }).await;
        shop.refuses(changed(second, lay("p1")), invalid("slip", SalesReason::Discarded)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn paying_can_be_left_and_a_slip_set_aside() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), by_ounce("w1", "10", 225)])).await;
        let basket = slip(&shop, &["p1"]).await;
        change(&shop, basket, weigh("w1", "2.5")).await;
        shop.ok(held(&shop, basket).await).await;
        shop.ok(pay(basket, 1563, TenderIn::plain(TenderKind::Card, usd(500)))).await;
        let back = shop.ok(StopPaying { basket }).await;
        assert_eq!(back, vec![TenderIn::plain(TenderKind::Card, usd(500))]);
        assert_eq!(shop.number("SELECT CAST(SUM(held) AS BIGINT) FROM item").await, 0);
        let revision = shop.ledger.basket(basket).await.unwrap().revision;
        let aside =
            |for_whom: &str| SetBasketAside { basket, revision, for_whom: for_whom.to_owned(), until: None };
        shop.refuses(aside(""), invalid("forWhom", TextError::Empty)).await;
        let hold = shop.ok(aside("Rowan Hill")).await;
        assert_eq!(shop.ledger.basket(basket).await.unwrap().state, BasketState::Left);
        shop.refuses(sale_of("p1", 1000), on_hold_for("Rowan Hill")).await;
        let from = BasketFromHold { hold, channel: Channel::store(), who: "Ada".to_owned() };
        let again = shop.ok(from.clone()).await;
        shop.refuses(from, hold_over("ended")).await;
        let (lines, due) = told(&shop, again).await;
        assert_eq!((lines.len(), due), (2, 1563));
        let customer = shop.ledger.basket(again).await.unwrap().customer.unwrap();
        assert_eq!((customer.name.as_str(), customer.on_file), ("Rowan Hill", None));
        assert_eq!(shop.ledger.open_baskets(10).await.unwrap().len(), 1);
        audit::clean(&shop).await;
    });
}

fn counts(counts: &[(i64, i64)]) -> Vec<Count> {
    counts.iter().map(|(minor, n)| (usd(*minor), *n)).collect()
}

async fn open_drawer(shop: &Shop, of: &str, float: &[(i64, i64)]) -> TurnId {
    shop.ok(OpenDrawer { channel: channel(of), counts: counts(float), who: "Ada".to_owned() }).await
}

async fn expected(shop: &Shop, turn: TurnId) -> i64 {
    shop.ledger.turn(turn).await.unwrap().expected.minor()
}

#[test]
fn cash_goes_through_the_drawer_with_its_sale() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "100", 1000)])).await;
        // Nobody can count before a drawer is opened.
        shop.ok(sale_of("c1", 1000)).await;
        let turn = open_drawer(&shop, "store", &[(2000, 5)]).await;
        let again = OpenDrawer { channel: Channel::store(), counts: Vec::new(), who: String::new() };
        shop.refuses(again, invalid("channel", SalesReason::DrawerOpen)).await;
        let wrong =
            OpenDrawer { channel: channel("market"), counts: counts(&[(300, 1)]), who: String::new() };
        shop.refuses(
            wrong,
            invalid("counts", CountError::NoSuchCoin { amount: usd(300), currency: currency("USD") }),
        )
        .await;
        let sold = shop.ok(sale_of("c1", 1500)).await;
        assert_eq!(expected(&shop, turn).await, 10_000 + 1000);
        // By card, and at the market: no effect.
        shop.ok(sale(vec![goods("c1", "1")], card(1000))).await;
        shop.ok(NewSale { channel: channel("market"), ..sale_of("c1", 1000) }).await;
        assert_eq!(expected(&shop, turn).await, 11_000);
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        assert_eq!(expected(&shop, turn).await, 10_000);
        let slip = shop.ok(sale_of("c1", 1000)).await;
        shop.ok(VoidSale { sale: slip.id, reason: String::new(), who: String::new() }).await;
        assert_eq!(expected(&shop, turn).await, 10_000);
        let debt = shop.ok(sale(vec![goods("c1", "2")], vec![owed(2000)])).await;
        let tender = shop.ledger.sale(debt.id).await.unwrap().tenders[0].id;
        for (kind, amount) in [(TenderKind::Cash, 700), (TenderKind::Card, 300)] {
            shop.ok(Pay { tender, kind, amount: usd(amount), certificate: None, who: String::new() }).await;
        }
        assert_eq!(expected(&shop, turn).await, 10_700);
        let debts = shop.ledger.debts(10).await.unwrap();
        assert_eq!(debts.iter().map(|d| (d.sale, d.left)).collect::<Vec<_>>(), [(debt.id, usd(1000))]);
        let reason = || "for the bank".to_owned();
        let out = |amount| TakeOut { turn, amount: usd(amount), reason: reason(), who: String::new() };
        shop.refuses(out(10_701), invalid("amount", SalesReason::DrawerHolds { expected: usd(10700) })).await;
        shop.refuses(out(0), invalid("amount", SalesReason::NoAmount)).await;
        shop.refuses(TakeOut { reason: String::new(), ..out(1) }, invalid("reason", TextError::Empty)).await;
        assert_eq!(shop.ok(out(5000)).await, usd(5700));
        let more = PutIn { turn, amount: usd(300), reason: reason(), who: String::new() };
        assert_eq!(shop.ok(more.clone()).await, usd(6000));
        let close = CloseDrawer {
            turn,
            counts: counts(&[(2000, 2), (500, 3)]),
            note: String::new(),
            who: String::new(),
        };
        let ended = shop.ok(close.clone()).await;
        assert_eq!((ended.expected, ended.counted, ended.difference), (usd(6000), usd(5500), usd(-500)));
        shop.refuses(close, invalid("turn", SalesReason::DrawerClosed)).await;
        shop.refuses(more, invalid("turn", SalesReason::DrawerClosed)).await;
        shop.refuses(
            PutIn { turn: TurnId::from_raw(1), amount: usd(1), reason: reason(), who: String::new() },
            no_such(Thing::DrawerTurn, 1),
        )
        .await;
        let kinds: Vec<&str> =
            shop.ledger.drawer_entries(turn, 50).await.unwrap().iter().rev().map(|e| e.kind.code()).collect();
        assert_eq!(kinds, ["float", "sale", "refund", "sale", "void", "payment", "taken-out", "put-in"]);
        let closed = shop.ledger.turn(turn).await.unwrap().closed.unwrap();
        assert_eq!((closed.difference, closed.counts), (usd(-500), counts(&[(2000, 2), (500, 3)])));
        open_drawer(&shop, "store", &[]).await;
        assert_eq!(shop.ledger.turns(None, 10).await.unwrap().len(), 2);
        audit::clean(&shop).await;
    });
}

#[test]
fn cash_given_back_for_an_order_leaves_the_stores_drawer() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "100", 1000)])).await;
        let turn = open_drawer(&shop, "store", &[(2000, 1)]).await;
        let online = NewSale {
            channel: channel("online"),
            ..sale(vec![goods("c1", "1")], vec![tender(TenderKind::Online, 1000)])
        };
        let sold = shop.ok(online).await;
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        assert_eq!(expected(&shop, turn).await, 1000);
        audit::clean(&shop).await;
    });
}

#[test]
fn nobody_gets_cash_for_what_they_still_owe() {
    on_each(|shop| async move {
        shop.ok(SetShop { key: "cash_rounding".to_owned(), value: "5 up".to_owned(), who: String::new() })
            .await;
        shop.ok(add(vec![counted("c1", "100", 1003)])).await;
        let turn = open_drawer(&shop, "store", &[(2000, 1)]).await;
        let tenders = || vec![tender(TenderKind::Cash, 1000), owed(2009)];
        let sold = shop.ok(sale(vec![goods("c1", "3")], tenders())).await;
        let line = sold.lines[0].id;
        let cash = TenderKind::Cash;
        // 20.09 is unpaid: the first two refunds lower it, and the rest of the third is paid out.
        let back = |quantity| part(sold.id, line, Some(quantity), ReturnDisposition::Shelf);
        let parts = |tenders: &[(TenderKind, i64)]| {
            RefundTender::Parts(tenders.iter().map(|(kind, amount)| (*kind, usd(*amount))).collect())
        };
        let all_in_cash = ledger::sales::NewRefund { tender: parts(&[(cash, 1005)]), ..back("1") };
        shop.refuses(
            all_in_cash,
            invalid("tender", SalesReason::BalanceFirst { balance: usd(2009), part: usd(1003) }),
        )
        .await;
        let first = shop.ok(back("1")).await;
        assert_eq!(first.tenders, [(TenderKind::OnAccount, usd(1003))]);
        assert_eq!(expected(&shop, turn).await, 3000);
        let rest = shop.ok(back("2")).await;
        // 20.06 is refunded, of which 10.06 was unpaid: 10.00 in cash.
        assert_eq!(rest.tenders, [(TenderKind::OnAccount, usd(1006)), (cash, usd(1000))]);
        assert_eq!((rest.given, rest.rounding), (usd(2006), usd(0)));
        assert_eq!(expected(&shop, turn).await, 2000);
        assert_eq!(shop.ledger.debts(10).await.unwrap(), Vec::new());
        audit::clean(&shop).await;
    });
}

#[test]
fn past_sales_are_found_by_receipt_code_and_day() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), counted("c1", "10", 333)])).await;
        let first = shop.ok(sale_of("p1", 1000)).await;
        shop.clock.advance_millis(crate::harness::DAY_MS);
        let second = shop.ok(sale(vec![goods("c1", "1")], cash(333))).await;
        let third = shop.ok(sale(vec![goods("c1", "2")], cash(666))).await;
        let check = async |query: ledger::sales::SalesQuery, expected: &[SaleId]| {
            let found = shop.ledger.find_sales(&query, None, 10).await.unwrap();
            assert_eq!(found.sales.iter().map(|s| s.id).collect::<Vec<_>>(), expected, "{query:?}");
            assert_eq!((found.next, found.read_back_to), (None, None), "{query:?}");
        };
        let any = ledger::sales::SalesQuery::default;
        check(any(), &[third.id, second.id, first.id]).await;
        check(ledger::sales::SalesQuery { receipt: Some(2), ..any() }, &[second.id]).await;
        check(ledger::sales::SalesQuery { receipt: Some(9), ..any() }, &[]).await;
        check(ledger::sales::SalesQuery { code: Some(code("c1")), ..any() }, &[third.id, second.id]).await;
        check(ledger::sales::SalesQuery { code: Some(code("none")), ..any() }, &[]).await;
        let day = |text: &str| Some(domain::day::Day::parse(text).unwrap());
        check(ledger::sales::SalesQuery { day: day("2026-05-17"), ..any() }, &[first.id]).await;
        check(ledger::sales::SalesQuery { day: day("2026-05-18"), ..any() }, &[third.id, second.id]).await;
        check(ledger::sales::SalesQuery { day: day("2026-05-17"), code: Some(code("c1")), ..any() }, &[])
            .await;
    });
}

#[test]
fn an_open_sale_moves_to_another_channel_until_it_is_paid() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000)])).await;
        let basket = slip(&shop, &["p1"]).await;
        change(&shop, basket, discount(None, "10 %", "a pulled thread")).await;
        let to = |code: &str| MoveBasket { basket, channel: channel(code) };
        shop.ok(to("market")).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!((view.channel, view.lines.len(), view.due), (channel("market"), 1, usd(900)));
        let unknown = ShopReason::UnknownChannel { channel: channel("fair") };
        shop.refuses(to("fair"), invalid("channel", unknown)).await;
        shop.ok(held(&shop, basket).await).await;
        shop.refuses(to("store"), invalid("slip", SalesReason::BeingPaid)).await;
        shop.ok(StopPaying { basket }).await;
        shop.ok(to("wholesale")).await;
        shop.ok(to("market")).await;
        shop.ok(held(&shop, basket).await).await;
        let paid = shop.ok(pay(basket, 900, TenderIn::plain(TenderKind::Cash, usd(900)))).await;
        assert_eq!(shop.ledger.sale(paid.sale.unwrap()).await.unwrap().channel, channel("market"));
        shop.refuses(to("store"), invalid("slip", SalesReason::Completed)).await;
        let other = slip(&shop, &["p2"]).await;
        shop.ok(LeaveBasket { basket: other }).await;
        let late = MoveBasket { basket: other, channel: channel("market") };
        shop.refuses(late, invalid("slip", SalesReason::Discarded)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_discount_above_its_line_or_its_sale_is_refused_when_it_is_typed() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 500)])).await;
        let basket = slip(&shop, &["p1", "p2"]).await;
        let too_large = |discount: i64, amount: i64| {
            invalid("off", BasketError::DiscountTooLarge { discount: usd(discount), amount: usd(amount) })
        };
        shop.refuses(changed(basket, discount(Some(1), "10.01", "a flaw")), too_large(1001, 1000)).await;
        shop.refuses(changed(basket, discount(None, "15.01", "a flaw")), too_large(1501, 1500)).await;
        change(&shop, basket, discount(Some(1), "10.00", "a gift")).await;
        shop.refuses(changed(basket, discount(None, "5.01", "a flaw")), too_large(501, 500)).await;
        change(&shop, basket, discount(None, "5.00", "a gift")).await;
        assert_eq!(shop.ledger.basket(basket).await.unwrap().due, usd(0));
    });
}
