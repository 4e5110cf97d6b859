//! A shop with a past, and a day in it with everything that books money and stock.

use crate::make::*;
use domain::account::DepositFor;
use domain::basket::{LineKind, TenderKind};
use domain::channel::Channel;
use domain::customer::Contact;
use domain::day::Day;
use domain::item::{ItemPricing, ItemText};
use domain::money::{Currency, Money};
use domain::order::{
    Customer, IncomingLine, IncomingOrder, IncomingRefund, LinePrice, OrderNumber, OrderStatus, Refunded,
};
use domain::stock::ReturnDisposition;
use ledger::books::{BooksBy, BooksQuery};
use ledger::customers::AddCustomer;
use ledger::orders::{EndHold, SettleStatus, SettledStatus, TakeOrders};
use ledger::sales::{
    BasketChange, CancelCustomOrder, ChangeBasket, CloseDrawer, DecideReturn, ForfeitDeposit, HoldBasket,
    HoldOrderedPiece, LeaveBasket, MakeOrderedPiece, NewCustomOrder, NewRefund, NewSale, OpenBasket,
    OpenDrawer, Pay, PayBasket, PutIn, RefundTender, SaleDone, SaleLineIn, SalesQuery, TakeOut, TakingsOf,
    TenderIn, VoidSale,
};
use ledger::shelf::{Counted, NewPiece, Purpose};
use ledger::{Command, Key};
use std::time::{Duration, Instant};
use testkit::make::certificate;
use testkit::{START, TestShop};

const WHO: &str = "Ada";
/// Enough that an index is worth using.
const SALES: usize = 300;

async fn ok<C: Command>(shop: &TestShop, command: C) -> C::Answer {
    match shop.ledger.execute(None, &command).await {
        Ok(done) => done.answer,
        Err(failure) => panic!("on {}: {failure:?}", shop.engine),
    }
}

fn owed(amount: i64) -> TenderIn {
    let due = Some(Day::parse("2026-07-17").unwrap());
    TenderIn { customer: "Rowan Hill".to_owned(), due, ..tender(TenderKind::OnAccount, amount) }
}

fn order(number: &str, sku: &str, quantity: &str) -> IncomingOrder {
    let zero = Money::zero(Currency::USD);
    IncomingOrder {
        channel: Channel::online(),
        number: OrderNumber::parse(number).unwrap(),
        ordered: START,
        modified: None,
        status: OrderStatus::OrderProcessing,
        lines: vec![IncomingLine {
            code: Some(code(sku)),
            name: String::new(),
            quantity: asked(quantity),
            price: LinePrice::Each(usd(100)),
            discount: zero,
            tax: zero,
        }],
        refunds: Vec::new(),
        discount: zero,
        shipping: usd(50),
        fee: zero,
        customer: Customer::default(),
    }
}

fn orders(orders: Vec<IncomingOrder>, past: bool) -> TakeOrders {
    TakeOrders { orders, past, who: WHO.to_owned() }
}

async fn sell(shop: &TestShop) -> SaleDone {
    ok(shop, NewSale { shipping: usd(20), ..sale(vec![goods("c1", "2"), goods("w1", "1.5")], cash(1000)) })
        .await
}

/// Sales on many days, some of them refunded, unpaid, held and ordered.
pub(crate) async fn fill(shop: &TestShop) {
    let pieces = (0..100).map(|n| piece(&format!("p{n}"), 4500));
    ok(shop, add(pieces.chain([counted("c1", "100000", 100), by_ounce("w1", "100000", 10)]).collect())).await;
    let past = (0..SALES).map(|n| order(&format!("H-{n}"), "old", "1")).collect();
    shop.ledger.take_orders(&orders(past, true)).await.unwrap();
    for number in 0..SALES {
        shop.clock.advance_millis(1_800_000);
        let sold = sell(shop).await;
        match number % 6 {
            0 => {
                ok(shop, whole(sold.id, ReturnDisposition::Open)).await;
            }
            1 => {
                let later = sale(vec![goods("c1", "1")], vec![owed(100)]);
                ok(shop, later).await;
            }
            2 => {
                ok(shop, hold(&[("c1", "1")], Purpose::Customer, None)).await;
            }
            _ => {}
        }
        if number % 3 == 0 {
            let one = order(&format!("O-{number}"), "c1", "1");
            shop.ledger.take_orders(&orders(vec![one], false)).await.unwrap();
        }
    }
}

/// Runs it, and returns how long sale, refund and void took.
pub(crate) async fn run(shop: &TestShop) -> String {
    let who = || WHO.to_owned();
    let turn = ok(shop, OpenDrawer { channel: Channel::store(), counts: Vec::new(), who: who() }).await;
    ok(shop, PutIn { turn, amount: usd(5000), reason: "change".to_owned(), who: who() }).await;
    let (mut sold, mut refunded, mut voided) = (Duration::ZERO, Duration::ZERO, Duration::ZERO);
    for round in 0..20 {
        if round == 10 {
            // By now every statement is prepared.
            (sold, refunded, voided) = (Duration::ZERO, Duration::ZERO, Duration::ZERO);
        }
        let began = Instant::now();
        let first = sell(shop).await;
        sold += began.elapsed();
        let second = sell(shop).await;
        let began = Instant::now();
        ok(shop, whole(first.id, ReturnDisposition::Shelf)).await;
        refunded += began.elapsed();
        let began = Instant::now();
        ok(shop, VoidSale { sale: second.id, reason: "twice".to_owned(), who: who() }).await;
        voided += began.elapsed();
    }
    counter(shop).await;
    certificates(shop).await;
    promises(shop).await;
    later(shop).await;
    online(shop).await;
    ok(shop, TakeOut { turn, amount: usd(100), reason: "bank".to_owned(), who: who() }).await;
    for of in [TakingsOf::Turn(turn), TakingsOf::Day(Day::parse("2026-06-16").unwrap())] {
        shop.ledger.takings(of).await.unwrap();
    }
    shop.ledger.drawer_entries(turn, 200).await.unwrap();
    ok(shop, CloseDrawer { turn, counts: Vec::new(), note: String::new(), who: who() }).await;
    let query = |by| BooksQuery { from: None, to: None, by };
    shop.ledger.books(&query(BooksBy { month: true, channel: true, ..BooksBy::default() })).await.unwrap();
    shop.ledger.books(&query(BooksBy { day: true, ..BooksBy::default() })).await.unwrap();
    format!("ten sales {sold:?}, refunds {refunded:?}, voids {voided:?}")
}

/// A slip, a hold, a sale by key.
async fn counter(shop: &TestShop) {
    let who = || WHO.to_owned();
    let basket = ok(shop, OpenBasket { channel: Channel::store(), first: None, who: who() }).await;
    let lay = BasketChange::Add { code: code("p1"), quantity: None };
    ok(shop, ChangeBasket { basket, revision: None, change: lay }).await;
    let revision = shop.ledger.basket(basket).await.unwrap().revision;
    ok(shop, HoldBasket { basket, revision, without: Vec::new(), who: who() }).await;
    let paid = tender(TenderKind::Card, 4500);
    ok(shop, PayBasket { basket, due: usd(4500), left: None, tender: paid, who: who() }).await;
    let left = ok(shop, OpenBasket { channel: Channel::store(), first: None, who: who() }).await;
    ok(shop, LeaveBasket { basket: left }).await;
    let held = ok(shop, hold(&[("p2", "1"), ("c1", "2")], Purpose::Basket, None)).await;
    let by_hold = with_hold(sale(vec![goods("p2", "1"), goods("c1", "2")], card(4700)), held.id);
    let key = Key::new("plans", &format!("k-{}", shop.engine), b"body").unwrap();
    shop.ledger.execute(Some(&key), &by_hold).await.unwrap();
    shop.ledger.execute(Some(&key), &by_hold).await.unwrap();
    let held = ok(shop, hold(&[("p3", "1")], Purpose::Customer, None)).await;
    ok(shop, EndHold { id: held.id }).await;
    ok(shop, adjust("c1", Counted::More(asked("5")))).await;
}

/// Gift certificates: sold, spent, refunded, voided and looked at.
async fn certificates(shop: &TestShop) {
    let (number, seed) = (certificate(1).number, |seed| Some(certificate(seed)));
    let issue = |n| SaleLineIn::Paper {
        kind: LineKind::GiftCertificate,
        title: "Gift certificate".to_owned(),
        amount: usd(1000),
        certificate: seed(n),
    };
    let sold = ok(shop, sale(vec![issue(1), issue(2)], card(2000))).await;
    let by = || vec![TenderIn::by_certificate(number, usd(200))];
    let spent = ok(shop, sale(vec![goods("c1", "2")], by())).await;
    let twice = ok(shop, sale(vec![goods("c1", "2")], by())).await;
    ok(shop, VoidSale { sale: twice.id, reason: "twice".to_owned(), who: WHO.to_owned() }).await;
    let back = RefundTender::All(TenderKind::GiftCertificate);
    let back =
        NewRefund { tender: back, certificate: Some(number), ..whole(spent.id, ReturnDisposition::Shelf) };
    ok(shop, back).await;
    ok(shop, part(sold.id, sold.lines[1].id, None, ReturnDisposition::Open)).await;
    let found = shop.ledger.certificate_by_number(number).await.unwrap().unwrap();
    shop.ledger.certificate_history(found.id, 50).await.unwrap();
    shop.ledger.certificates_of(sold.id).await.unwrap();
    shop.ledger.certificates(None, 50).await.unwrap();
    shop.ledger.certificates_owed().await.unwrap();
}

/// A custom order and its deposit: taken, made, collected, voided, refunded, canceled and looked at.
async fn promises(shop: &TestShop) {
    let who = || WHO.to_owned();
    let contact = Contact { name: "Ada Moss".to_owned(), ..Contact::default() };
    let customer = ok(shop, AddCustomer { contact: contact.clone(), who: who() }).await;
    let order = NewCustomOrder {
        customer: Some(customer),
        contact,
        style: None,
        size: String::new(),
        color: "fawn".to_owned(),
        note: "a wide hat".to_owned(),
        due: Day::parse("2026-07-15").unwrap(),
        estimate: None,
        who: who(),
    };
    let order = ok(shop, order).await;
    let of = DepositFor::Order(order);
    let line = SaleLineIn::Deposit { of, title: "Deposit".to_owned(), amount: usd(500) };
    let taken = ok(shop, sale(vec![line], card(500))).await;
    let deposit = shop.ledger.deposits_in(taken.id).await.unwrap()[0].id;
    let pricing = ItemPricing { price: Some(usd(500)), ..ItemPricing::none(usd(0).currency()) };
    let piece = NewPiece {
        text: ItemText { name: "Ordered hat".to_owned(), ..ItemText::default() },
        pricing,
        price_reason: String::new(),
        photographs: Vec::new(),
        rows: None,
        minutes: None,
        note: String::new(),
    };
    let made = ok(shop, MakeOrderedPiece { order, piece, who: who() }).await;
    let hold = shop.ledger.custom_order(order).await.unwrap().piece.and_then(|piece| piece.hold);
    let paid = vec![TenderIn::by_deposit(deposit, usd(500))];
    let sold = NewSale { customer: Some(customer), hold, ..sale(vec![goods(&made.item.sku, "1")], paid) };
    let sold = ok(shop, sold).await;
    ok(shop, VoidSale { sale: sold.id, reason: "slip".to_owned(), who: who() }).await;
    ok(shop, HoldOrderedPiece { order, who: who() }).await;
    ok(shop, CancelCustomOrder { order, reason: "moved away".to_owned(), who: who() }).await;
    shop.ledger.deposits_left_over(9).await.unwrap();
    ok(shop, ForfeitDeposit { deposit, left: usd(500), reason: "as agreed".to_owned(), who: who() }).await;
    shop.ledger.deposit_history(deposit, 9).await.unwrap();
    shop.ledger.deposits(None, 9).await.unwrap();
    shop.ledger.deposits_for(of).await.unwrap();
    shop.ledger.deposits_of(customer).await.unwrap();
    shop.ledger.deposits_owed().await.unwrap();
    shop.ledger.custom_orders_due(None, 9).await.unwrap();
    shop.ledger.custom_orders_of(customer).await.unwrap();
    let now = shop.ledger.now();
    shop.ledger.forfeited((now.plus_millis(-1000), now.plus_millis(1000)), 9).await.unwrap();
}

/// What is unpaid, paid in parts and refunded; returned goods, decided later.
async fn later(shop: &TestShop) {
    let sold = ok(shop, sale(vec![goods("c1", "4")], vec![owed(400)])).await;
    let view = shop.ledger.sale(sold.id).await.unwrap();
    let (tender, who) = (view.tenders[0].id, WHO.to_owned());
    ok(shop, Pay { tender, kind: TenderKind::Cash, amount: usd(100), certificate: None, who: who.clone() })
        .await;
    let some = part(sold.id, sold.lines[0].id, Some("2"), ReturnDisposition::Open);
    let back = ok(shop, NewRefund { tender: RefundTender::All(TenderKind::Cash), ..some }).await;
    ok(shop, DecideReturn { line: back.lines[0].0, fate: ReturnDisposition::Shelf, who }).await;
    shop.ledger.debts(50).await.unwrap();
    shop.ledger.refund(back.id).await.unwrap();
    let due = SalesQuery { due: Some(usd(400)), ..SalesQuery::default() };
    let words = SalesQuery { words: "rowan".to_owned(), ..SalesQuery::default() };
    for query in [due, words] {
        shop.ledger.find_sales(&query, None, 30).await.unwrap();
    }
}

/// Orders of today, of another's past, changed and refunded.
async fn online(shop: &TestShop) {
    let take = async |order: IncomingOrder, past| {
        shop.ledger.take_orders(&orders(vec![order], past)).await.unwrap();
    };
    let one = || order("N-1", "c1", "3");
    take(one(), false).await;
    let back = IncomingRefund {
        number: OrderNumber::parse("R-1").unwrap(),
        code: Some(code("c1")),
        name: String::new(),
        what: Refunded::Goods(asked("1")),
    };
    take(IncomingOrder { lines: Vec::new(), refunds: vec![back], ..one() }, false).await;
    let money = IncomingRefund {
        number: OrderNumber::parse("R-2").unwrap(),
        code: None,
        name: String::new(),
        what: Refunded::Money(usd(130)),
    };
    take(IncomingOrder { lines: Vec::new(), refunds: vec![money], ..one() }, false).await;
    let canceled = OrderStatus::OrderCancelled;
    take(IncomingOrder { status: canceled, modified: Some(START.plus_millis(60_000)), ..one() }, false).await;
    take(order("N-2", "p9", "1"), false).await;
    take(order("N-3", "p9", "1"), false).await;
    take(IncomingOrder { status: OrderStatus::OrderPaymentDue, ..order("N-4", "c1", "1") }, false).await;
    take(IncomingOrder { status: OrderStatus::Unknown, ..order("N-5", "c1", "1") }, false).await;
    let odd = shop.ledger.orders(None, true, 1).await.unwrap().remove(0).id;
    let (is, reason, who) = (SettledStatus::Paid, String::new(), WHO.to_owned());
    ok(shop, SettleStatus { order: odd, is, reason, who }).await;
    shop.ledger.orders_of_unknown_status().await.unwrap();
    take(order("H-new", "old", "2"), true).await;
}
