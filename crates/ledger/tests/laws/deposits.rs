//! Custom orders and deposits: a piece is made for one customer and collected by them, and what they paid toward it pays
//! for nothing else, goes to nobody else, and is never lost.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use crate::races::{at_once, outcome, views};
use domain::account::{
    AccountReason::{self, Forfeited, Refund, Returned, Sold, Spent, Voided},
    DepositFor,
};
use domain::basket::TenderKind;
use domain::custom_order::CustomOrderState;
use domain::customer::Contact;
use domain::day::{Day, Moment};
use domain::ids::{AccountId, CustomOrderId, CustomerId, HoldGroupId, SaleId};
use domain::item::{ItemPricing, ItemText};
use domain::money::Currency;
use domain::stock::ReturnDisposition::{Open, Shelf};
use ledger::books::{BooksBy, BooksQuery};
use ledger::customers::AddCustomer;
use ledger::keeping::EraseCustomer;
use ledger::orders::EndHold;
use ledger::rejection::{CustomersReason, NotVoidable, SalesReason, ShelfReason, Thing};
use ledger::sales::{
    BasketChange, BasketFromHold, CancelCustomOrder, CustomOrderView, ForfeitDeposit, HoldBasket,
    HoldOrderedPiece, MakeOrderedPiece, NewCustomOrder, NewRefund, NewSale, OpenBasket, Pay, PayBasket,
    RefundLine, RefundOf, RefundTender, ReopenCustomOrder, SaleDone, SaleLineIn, TenderIn, VoidSale,
};
use ledger::shelf::{NewHold, NewPiece, Purpose};

const AT: &str = "tenders.deposit";

fn who() -> String {
    "Maud".to_owned()
}

fn contact(name: &str) -> Contact {
    Contact { name: name.to_owned(), ..Contact::default() }
}

async fn customer(shop: &Shop, name: &str) -> CustomerId {
    shop.ok(AddCustomer { contact: contact(name), who: who() }).await
}

fn wanted(customer: CustomerId) -> NewCustomOrder {
    NewCustomOrder {
        customer: Some(customer),
        contact: Contact::default(),
        style: Some("ridge beanie".to_owned()),
        size: "L".to_owned(),
        color: "fawn".to_owned(),
        note: String::new(),
        due: Day::parse("2026-06-17").unwrap(),
        estimate: Some(usd(6000)),
        who: who(),
    }
}

fn beanie(ounces: &str) -> NewPiece {
    NewPiece {
        text: ItemText { color: "fawn".to_owned(), size: "L".to_owned(), ..ItemText::default() },
        pricing: ItemPricing {
            style: Some("Ridge beanie".to_owned()),
            weight: Some(weight(ounces)),
            ..ItemPricing::none(Currency::USD)
        },
        price_reason: String::new(),
        photographs: Vec::new(),
        rows: None,
        minutes: None,
        note: String::new(),
    }
}

fn make(order: CustomOrderId) -> MakeOrderedPiece {
    MakeOrderedPiece { order, piece: beanie("6.35 ONZ"), who: who() }
}

fn paid_in(of: DepositFor, amount: i64) -> SaleLineIn {
    SaleLineIn::Deposit { of, title: "Deposit".to_owned(), amount: usd(amount) }
}

/// Takes a deposit in cash. Returns it, and the sale that took it.
async fn deposit(shop: &Shop, of: DepositFor, amount: i64) -> (AccountId, SaleDone) {
    let sold = shop.ok(sale(vec![paid_in(of, amount)], cash(amount))).await;
    (shop.ledger.deposits_in(sold.id).await.unwrap()[0].id, sold)
}

async fn order(shop: &Shop) -> (CustomerId, CustomOrderId) {
    shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
    let ada = customer(shop, "Ada Moss").await;
    let order = shop.ok(wanted(ada)).await;
    (ada, order)
}

/// The order's piece, at $48.00.
async fn made(shop: &Shop, order: CustomOrderId) -> String {
    shop.ok(make(order)).await.item.sku
}

async fn view(shop: &Shop, order: CustomOrderId) -> CustomOrderView {
    shop.ledger.custom_order(order).await.unwrap()
}

async fn hold_of(shop: &Shop, order: CustomOrderId) -> HoldGroupId {
    view(shop, order).await.piece.and_then(|piece| piece.hold).expect("a hold")
}

async fn left(shop: &Shop, id: AccountId) -> i64 {
    shop.ledger.deposit(id).await.unwrap().balance.minor()
}

/// Reasons and amounts, the first change first.
async fn history(shop: &Shop, id: AccountId) -> Vec<(AccountReason, i64)> {
    let all = shop.ledger.deposit_history(id, 99).await.unwrap();
    all.iter().rev().map(|entry| (entry.reason, entry.amount.minor())).collect()
}

fn by(id: AccountId, amount: i64) -> TenderIn {
    TenderIn::by_deposit(id, usd(amount))
}

/// What was on hold, sold to somebody.
fn collect(sku: &str, hold: HoldGroupId, customer: Option<CustomerId>, tenders: Vec<TenderIn>) -> NewSale {
    NewSale { customer, ..with_hold(sale(vec![goods(sku, "1")], tenders), hold) }
}

fn void(sale: SaleId) -> VoidSale {
    VoidSale { sale, reason: "slip".to_owned(), who: who() }
}

fn money_of(sold: &SaleDone, amount: i64) -> NewRefund {
    let line = RefundLine { line: sold.lines[0].id, what: RefundOf::Money(usd(amount)), fate: Open };
    NewRefund { lines: vec![line], ..whole(sold.id, Open) }
}

#[test]
fn an_order_is_made_held_paid_by_its_deposit_and_collected() {
    on_each(|shop| async move {
        let (ada, order) = order(&shop).await;
        let (id, _) = deposit(&shop, DepositFor::Order(order), 2000).await;
        let sku = made(&shop, order).await;
        shop.refuses(make(order), invalid("order", SalesReason::OrderNotOpen)).await;
        let hold = hold_of(&shop, order).await;
        shop.refuses(sale_of(&sku, 4800), on_hold_for("Ada Moss")).await;
        let rest = tender(TenderKind::Card, 2800);
        let sold = shop.ok(collect(&sku, hold, Some(ada), vec![by(id, 2000), rest])).await;
        let after = view(&shop, order).await;
        assert_eq!(
            (after.state, after.sale.map(|sale| sale.0)),
            (CustomOrderState::Collected, Some(sold.id))
        );
        assert_eq!(history(&shop, id).await, [(Sold, 2000), (Spent, -2000)]);
        let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
        assert_eq!(shop.ledger.books(&query).await.unwrap()[0].figures.gross, usd(4800));
        assert_eq!(shop.ledger.deposits_owed().await.unwrap(), (usd(0), 0));
        let over = CancelCustomOrder { order, reason: "late".to_owned(), who: who() };
        shop.refuses(over, invalid("order", SalesReason::OrderEnded)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_deposit_pays_only_for_what_it_is_for_and_only_to_its_customer() {
    on_each(|shop| async move {
        let (ada, order) = order(&shop).await;
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        let (id, _) = deposit(&shop, DepositFor::Order(order), 2000).await;
        let bert = customer(&shop, "Bert Lane").await;
        let sku = made(&shop, order).await;
        let hold = hold_of(&shop, order).await;
        let rest = || tender(TenderKind::Card, 2800);
        let paid = |customer, id| collect(&sku, hold, customer, vec![by(id, 2000), rest()]);
        for other in [None, Some(bert)] {
            shop.refuses(paid(other, id), invalid(AT, SalesReason::DepositOfAnother)).await;
        }
        let nothing = AccountId::from_raw(7);
        shop.refuses(paid(Some(ada), nothing), no_such(Thing::Deposit, nothing)).await;
        let kit = NewSale { customer: Some(ada), ..sale(vec![goods("c1", "1")], vec![by(id, 1500)]) };
        shop.refuses(kit, invalid(AT, SalesReason::DepositForOther)).await;
        let unnamed = collect(&sku, hold, Some(ada), vec![tender(TenderKind::Deposit, 4800)]);
        shop.refuses(unnamed, invalid(AT, SalesReason::DepositNeeded)).await;
        let card = TenderIn { kind: TenderKind::Card, ..by(id, 4800) };
        let card = collect(&sku, hold, Some(ada), vec![card]);
        shop.refuses(card, invalid(AT, SalesReason::DepositNotUsed)).await;
        let short = SalesReason::DepositShort { left: usd(2000), asked: usd(2001) };
        let more = vec![by(id, 2001), tender(TenderKind::Card, 2799)];
        shop.refuses(collect(&sku, hold, Some(ada), more), invalid(AT, short)).await;
        let more = NewSale {
            lines: vec![goods(&sku, "1"), paid_in(DepositFor::Order(order), 4000)],
            ..collect(&sku, hold, Some(ada), vec![by(id, 2000), tender(TenderKind::Card, 6800)])
        };
        shop.ok(more).await;
        assert_eq!(left(&shop, id).await, 0);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_deposit_is_taken_only_for_what_is_open_and_its_customers() {
    on_each(|shop| async move {
        let (ada, order) = order(&shop).await;
        shop.ok(add(vec![piece("p1", 4500)])).await;
        let of = DepositFor::Order(order);
        let bert = customer(&shop, "Bert Lane").await;
        let take = |of, customer| NewSale { customer, ..sale(vec![paid_in(of, 500)], cash(500)) };
        shop.refuses(take(of, Some(bert)), invalid("lines", SalesReason::DepositOfAnother)).await;
        let sold = shop.ok(take(of, Some(ada))).await;
        let id = shop.ledger.deposits_in(sold.id).await.unwrap()[0].id;
        let another = SalesReason::DepositForAnother { sold: usd(500) };
        let with_itself = NewSale { tenders: vec![by(id, 500)], ..take(of, Some(ada)) };
        shop.refuses(with_itself, invalid(AT, another)).await;
        let market = NewHold { for_whom: String::new(), ..hold(&[("p1", "1")], Purpose::Market, None) };
        let market = shop.ok(market).await.id;
        let nobody = invalid("lines", SalesReason::DepositNeedsCustomer);
        shop.refuses(take(DepositFor::Hold(market), None), nobody).await;
        let none = HoldGroupId::from_raw(7);
        shop.refuses(take(DepositFor::Hold(none), None), no_such(Thing::Hold, none)).await;
        shop.ok(CancelCustomOrder { order, reason: "moved away".to_owned(), who: who() }).await;
        shop.refuses(take(of, None), invalid("lines", SalesReason::DepositForEnded)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_void_undoes_a_deposit_that_was_not_spent_and_a_sale_that_it_paid() {
    on_each(|shop| async move {
        let (ada, order) = order(&shop).await;
        let (id, taken) = deposit(&shop, DepositFor::Order(order), 2000).await;
        let sku = made(&shop, order).await;
        let hold = hold_of(&shop, order).await;
        let rest = tender(TenderKind::Card, 4300);
        let sold = shop.ok(collect(&sku, hold, Some(ada), vec![by(id, 500), rest])).await;
        shop.refuses(void(taken.id), not_voidable(NotVoidable::DepositSpent)).await;
        shop.ok(void(sold.id)).await;
        let after = view(&shop, order).await;
        let piece = after.piece.expect("a piece");
        assert_eq!((after.state, piece.is_in_stock, piece.hold), (CustomOrderState::Made, true, None));
        shop.ok(HoldOrderedPiece { order, who: who() }).await;
        assert!(view(&shop, order).await.piece.is_some_and(|piece| piece.hold.is_some()));
        shop.ok(void(taken.id)).await;
        let expected = [(Sold, 2000), (Spent, -500), (Voided, 500), (Voided, -2000)];
        assert_eq!(history(&shop, id).await, expected);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_refund_goes_back_to_the_deposit_first_and_the_deposit_to_the_customer() {
    on_each(|shop| async move {
        let (ada, order) = order(&shop).await;
        let (id, taken) = deposit(&shop, DepositFor::Order(order), 2000).await;
        let sku = made(&shop, order).await;
        let hold = hold_of(&shop, order).await;
        let rest = tender(TenderKind::Card, 2800);
        let sold = shop.ok(collect(&sku, hold, Some(ada), vec![by(id, 2000), rest])).await;
        let all = |tender| NewRefund { tender, ..whole(sold.id, Shelf) };
        let parts = |parts: &[(TenderKind, i64)]| {
            all(RefundTender::Parts(parts.iter().map(|(kind, amount)| (*kind, usd(*amount))).collect()))
        };
        let first = SalesReason::DepositFirst { part: usd(2000) };
        shop.refuses(parts(&[(TenderKind::Cash, 4800)]), invalid("tender", first)).await;
        let returned = |asked| SalesReason::DepositReturned { paid: usd(2000), asked: usd(asked) };
        shop.refuses(parts(&[(TenderKind::Deposit, 4800)]), invalid("tender", returned(4800))).await;
        let by_deposit = all(RefundTender::All(TenderKind::Deposit));
        shop.refuses(by_deposit, invalid("tender", returned(4800))).await;
        let back = shop.ok(all(RefundTender::All(TenderKind::Card))).await;
        assert_eq!(back.tenders, [(TenderKind::Deposit, usd(2000)), (TenderKind::Card, usd(2800))]);
        assert_eq!(history(&shop, id).await, [(Sold, 2000), (Spent, -2000), (Refund, 2000)]);
        let over = shop.ledger.deposits_left_over(9).await.unwrap();
        assert_eq!(over.iter().map(|deposit| deposit.id).collect::<Vec<_>>(), [id]);
        // The customer gets it in the way it was paid.
        shop.ok(whole(taken.id, Open)).await;
        assert_eq!((left(&shop, id).await, history(&shop, id).await[3]), (0, (Returned, -2000)));
        assert_eq!(shop.ledger.deposits_left_over(9).await.unwrap(), []);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_deposit_is_refunded_in_parts_and_what_is_left_is_forfeited_as_other_income() {
    on_each(|shop| async move {
        let (_, order) = order(&shop).await;
        let (id, taken) = deposit(&shop, DepositFor::Order(order), 2000).await;
        shop.ok(money_of(&taken, 700)).await;
        shop.refuses(money_of(&taken, 1301), more_money(usd(1301), usd(1300))).await;
        let cancel = CancelCustomOrder { order, reason: "never answered".to_owned(), who: who() };
        assert_eq!(shop.ok(cancel).await, usd(1300));
        let forfeit = |left, reason: &str| ForfeitDeposit {
            deposit: id,
            left: usd(left),
            reason: reason.to_owned(),
            who: who(),
        };
        shop.refuses(forfeit(1300, ""), invalid_at("reason")).await;
        let changed = SalesReason::DepositChanged { now: usd(1300), shown: usd(2000) };
        shop.refuses(forfeit(2000, "as agreed"), invalid("left", changed)).await;
        let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
        let before = shop.ledger.books(&query).await.unwrap();
        shop.ok(forfeit(1300, "as agreed")).await;
        assert_eq!(shop.ledger.books(&query).await.unwrap(), before, "no figure of sales");
        shop.refuses(forfeit(0, "twice"), invalid("left", SalesReason::DepositEmpty)).await;
        let spent = SalesReason::DepositSpent { left: usd(0), asked: usd(1300) };
        shop.refuses(whole(taken.id, Open), invalid("lines", spent)).await;
        assert_eq!(history(&shop, id).await, [(Sold, 2000), (Returned, -700), (Forfeited, -1300)]);
        let day = shop.ledger.shop().zone.day_of(shop.ledger.now());
        let start = |day: Day| shop.ledger.shop().zone.start_of(day);
        let span = |from: Moment, to: Moment| (from, to);
        let today = span(start(day), start(day.plus_days(1)));
        let (all, sum) = shop.ledger.forfeited(today, 9).await.unwrap();
        assert_eq!((all.len(), all[0].deposit, all[0].reason.as_str(), sum), (1, id, "as agreed", usd(1300)));
        let tomorrow = span(start(day.plus_days(1)), start(day.plus_days(2)));
        assert_eq!(shop.ledger.forfeited(tomorrow, 9).await.unwrap(), (vec![], usd(0)));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_hold_with_a_deposit_is_rung_up_at_the_counter_with_it() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500), piece("p2", 4500)])).await;
        // For a name that was typed.
        let held = shop.ok(hold(&[("p1", "1")], Purpose::Customer, None)).await.id;
        let of = DepositFor::Hold(held);
        let first = Some(BasketChange::AddDeposit { of, amount: usd(1000) });
        let basket = shop.ok(OpenBasket { channel: channel("store"), first, who: who() }).await;
        let pay = |basket, due, tender| PayBasket { basket, due: usd(due), left: None, tender, who: who() };
        shop.ok(HoldBasket { basket, revision: 1, without: vec![], who: who() }).await;
        let taken = shop.ok(pay(basket, 1000, tender(TenderKind::Cash, 1000))).await.sale.expect("a sale");
        let id = shop.ledger.deposits_in(taken).await.unwrap()[0].id;
        let from = BasketFromHold { hold: held, channel: channel("store"), who: who() };
        let basket = shop.ok(from).await;
        let usable = shop.ledger.basket(basket).await.unwrap().deposits;
        assert_eq!(usable.iter().map(|one| (one.id, one.left)).collect::<Vec<_>>(), [(id, usd(1000))]);
        shop.ok(HoldBasket { basket, revision: 1, without: vec![], who: who() }).await;
        let short = SalesReason::DepositShort { left: usd(1000), asked: usd(1001) };
        shop.refuses(pay(basket, 4500, by(id, 1001)), invalid(AT, short)).await;
        shop.ok(pay(basket, 4500, by(id, 1000))).await;
        assert_eq!(shop.ledger.basket(basket).await.unwrap().deposits, [], "all of it is promised");
        assert_eq!(left(&shop, id).await, 1000, "nothing is taken before the sale is rung up");
        assert!(shop.ok(pay(basket, 4500, tender(TenderKind::Card, 3500))).await.rung_up);
        assert_eq!(history(&shop, id).await, [(Sold, 1000), (Spent, -1000)]);
        let debt = Pay {
            tender: domain::ids::TenderId::from_raw(1),
            kind: TenderKind::Deposit,
            amount: usd(5),
            certificate: None,
            who: who(),
        };
        shop.refuses(debt, invalid("amount", SalesReason::NotAPayment)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_left_when_a_hold_ends_is_told_of() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500), piece("p2", 4500)])).await;
        let until = Some(shop.ledger.now().plus_millis(60_000));
        let ends = shop.ok(hold(&[("p1", "1")], Purpose::Customer, until)).await.id;
        let stays = shop.ok(hold(&[("p2", "1")], Purpose::Customer, None)).await.id;
        let (first, _) = deposit(&shop, DepositFor::Hold(ends), 300).await;
        let (second, _) = deposit(&shop, DepositFor::Hold(stays), 400).await;
        let over = async || {
            let all = shop.ledger.deposits_left_over(9).await.unwrap();
            all.iter().map(|deposit| (deposit.id, deposit.about.clone())).collect::<Vec<_>>()
        };
        assert_eq!(over().await, []);
        shop.clock.advance_millis(60_001);
        shop.ok(ledger::shelf::SweepHolds).await;
        assert_eq!(over().await, [(first, "Item p1".to_owned())]);
        shop.ok(EndHold { id: stays }).await;
        assert_eq!(over().await.len(), 2);
        assert_eq!(left(&shop, second).await, 400);
        audit::clean(&shop).await;
    });
}

#[test]
fn an_order_says_what_is_wanted_and_whose_it_is() {
    on_each(|shop| async move {
        let (ada, first) = order(&shop).await;
        let with = |change: fn(&mut NewCustomOrder)| {
            let mut new = wanted(ada);
            change(&mut new);
            new
        };
        let unknown = ShelfReason::UnknownStyle { name: "Sea cape".to_owned() };
        shop.refuses(with(|o| o.style = Some("Sea cape".to_owned())), invalid("style", unknown)).await;
        shop.refuses(with(|o| o.style = None), invalid("style", SalesReason::OrderOfNothing)).await;
        shop.refuses(with(|o| o.estimate = Some(usd(0))), invalid("estimate", SalesReason::NoAmount)).await;
        let past = with(|o| o.due = Day::parse("2026-05-16").unwrap());
        shop.refuses(past, invalid("due", SalesReason::OrderDueInPast)).await;
        let nobody = CustomerId::from_raw(7);
        let nobodys = NewCustomOrder { customer: Some(nobody), ..wanted(ada) };
        shop.refuses(nobodys, no_such(Thing::Customer, nobody)).await;
        let noted = with(|o| (o.style, o.note) = (None, "like the one in the window".to_owned()));
        let stranger = NewCustomOrder { customer: None, contact: contact("Cleo Marsh"), ..noted };
        let second = shop.ok(stranger).await;
        let seen = view(&shop, second).await;
        assert_eq!((seen.name.as_str(), seen.about.as_str()), ("Cleo Marsh", "fawn, L"));
        assert_eq!(view(&shop, first).await.about, "Ridge beanie, fawn, L");
        let due = |day: &str| shop.ledger.custom_orders_due(Some(Day::parse(day).unwrap()), 9);
        assert_eq!((due("2026-06-16").await.unwrap().len(), due("2026-06-17").await.unwrap().len()), (0, 2));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_piece_is_given_up_or_freed_with_its_order_and_the_customer_stays_until_then() {
    on_each(|shop| async move {
        let (ada, order) = order(&shop).await;
        let (id, taken) = deposit(&shop, DepositFor::Order(order), 2000).await;
        let wrong = MakeOrderedPiece { piece: NewPiece { rows: Some(0), ..beanie("6 ONZ") }, ..make(order) };
        shop.refuses(wrong, invalid_at("rows")).await;
        let first = made(&shop, order).await;
        shop.ok(ReopenCustomOrder { order, who: who() }).await;
        shop.refuses(ReopenCustomOrder { order, who: who() }, invalid("order", SalesReason::OrderNotMade))
            .await;
        shop.ok(sale_of(&first, 4800)).await;
        let second = made(&shop, order).await;
        let erase = || EraseCustomer { customer: ada, who: who() };
        let deposit = CustomersReason::HasDeposit { left: usd(2000) };
        shop.refuses(erase(), invalid("customer", deposit)).await;
        shop.ok(whole(taken.id, Open)).await;
        shop.refuses(erase(), invalid("customer", CustomersReason::HasCustomOrder)).await;
        shop.ok(CancelCustomOrder { order, reason: "too late".to_owned(), who: who() }).await;
        shop.ok(sale_of(&second, 4800)).await;
        let export = shop.ledger.export_customer(ada, "Maud").await.unwrap();
        assert_eq!((export.custom_orders.len(), export.deposits[0].balance.as_str()), (1, "0.00"));
        shop.ok(erase()).await;
        assert_eq!((view(&shop, order).await.name.as_str(), left(&shop, id).await), ("", 0));
        audit::clean(&shop).await;
    });
}

/// Eight counters at once, each with the same deposit: as many sales as it covers, and no more.
#[test]
fn of_many_at_once_only_as_many_spend_as_it_covers() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 100)])).await;
        let ada = customer(&shop, "Ada Moss").await;
        let held = NewHold { customer: Some(ada), ..hold(&[("c1", "1")], Purpose::Customer, None) };
        let held = shop.ok(held).await.id;
        let (id, _) = deposit(&shop, DepositFor::Hold(held), 350).await;
        let views = views(&shop).await;
        let outcomes = at_once(8, |n| {
            let ledger = views[n % 2].clone();
            async move {
                let one = sale(vec![goods("c1", "1")], vec![by(id, 100)]);
                outcome(ledger, None, NewSale { customer: Some(ada), ..one }).await.map(|_| ())
            }
        })
        .await;
        assert_eq!(outcomes.iter().filter(|o| o.is_ok()).count(), 3, "{outcomes:?}");
        assert_eq!(left(&shop, id).await, 50);
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// Of eight who make the piece of one order at once, one does, and nothing of the others is left.
#[test]
fn of_many_who_make_a_piece_at_once_one_does() {
    on_each(|shop| async move {
        let (_, order) = order(&shop).await;
        let views = views(&shop).await;
        let outcomes = at_once(8, |n| {
            let ledger = views[n % 2].clone();
            async move { outcome(ledger, None, make(order)).await.map(|_| ()) }
        })
        .await;
        assert_eq!(outcomes.iter().filter(|o| o.is_ok()).count(), 1, "{outcomes:?}");
        assert_eq!(shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM item").await, 1);
        views[1].close().await;
        audit::clean(&shop).await;
    });
}
