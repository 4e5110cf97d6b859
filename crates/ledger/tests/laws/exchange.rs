//! Exchanges: what is brought back pays for what is taken, in one transaction.

use crate::audit;
use crate::counter::lay;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use crate::sales::owed;
use domain::basket::TenderKind::{self, Card, Cash, Exchange, GiftCertificate, OnAccount};
use domain::channel::Channel;
use domain::ids::{BasketId, SaleId};
use domain::limits::LimitName;
use domain::people::Role;
use domain::stock::ReturnDisposition::Shelf;
use ledger::keeping::SetShop;
use ledger::people::{LimitsOf, SetLimits};
use ledger::sales::{
    ChangeBasket, HoldBasket, LeaveBasket, NewSale, Pay, PayBasket, RefundLine, RefundOf, SetBasketAside,
    StartExchange, TenderIn, VoidSale,
};
use ledger::{Actor, Key, Rejection};
use testkit::make::certificate;

/// Two pieces at $48.00 and $41.00, and some at $3.33.
pub(crate) async fn stocked(shop: &Shop) {
    shop.ok(add(vec![piece("cowl", 4800), piece("hat", 4100), counted("card", "10", 333)])).await;
}

async fn bring_back(shop: &Shop, sale: SaleId) -> StartExchange {
    let sold = shop.ledger.sale(sale).await.unwrap();
    let lines =
        sold.lines.iter().map(|line| RefundLine { line: line.line.id, what: RefundOf::Rest, fate: Shelf });
    let (reason, channel, who) = ("too big".to_owned(), Channel::store(), "Ada".to_owned());
    StartExchange { sale, lines: lines.collect(), reason, channel, who }
}

/// An exchange of a sale for these items, held and ready to be paid.
pub(crate) async fn ready(shop: &Shop, sale: SaleId, skus: &[&str]) -> BasketId {
    let basket = shop.ok(bring_back(shop, sale).await).await;
    for sku in skus {
        shop.ok(ChangeBasket { basket, revision: None, change: lay(sku) }).await;
    }
    shop.ok(held(shop, basket).await).await;
    basket
}

async fn held(shop: &Shop, basket: BasketId) -> HoldBasket {
    let revision = shop.ledger.basket(basket).await.unwrap().revision;
    HoldBasket { basket, revision, without: Vec::new(), who: "Ada".to_owned() }
}

pub(crate) fn pay(basket: BasketId, due: i64, kind: TenderKind, amount: i64) -> PayBasket {
    PayBasket { basket, due: usd(due), left: None, tender: tender(kind, amount), who: "Ada".to_owned() }
}

type Moved = Vec<(TenderKind, i64)>;

/// How a sale was paid, and how what was brought back for it was settled.
async fn settled(shop: &Shop, sale: SaleId) -> (Moved, Moved) {
    let view = shop.ledger.sale(sale).await.unwrap();
    let exchange = shop.ledger.exchange_of(sale).await.unwrap().expect("an exchange");
    let others = shop.ledger.exchanged_for(exchange.sale).await.unwrap();
    assert!(
        others.iter().any(|one| one.sale == sale && one.refund == exchange.refund),
        "they name each other"
    );
    (
        view.tenders.iter().map(|t| (t.tender.kind, t.tender.amount.minor())).collect(),
        exchange.tenders.iter().map(|(kind, amount)| (*kind, amount.minor())).collect(),
    )
}

async fn on_hand(shop: &Shop, sku: &str) -> i64 {
    shop.ledger.item(&code(sku)).await.unwrap().on_hand.stock_units()
}

#[test]
fn a_cheaper_piece_is_taken_and_the_rest_is_paid_back() {
    on_each(|shop| async move {
        stocked(&shop).await;
        for (kind, back) in [(Cash, 700), (GiftCertificate, 700), (Card, 700)] {
            let sold = shop.ok(sale_of("cowl", 4800)).await.id;
            let basket = ready(&shop, sold, &["hat"]).await;
            let view = shop.ledger.basket(basket).await.unwrap();
            let returns = view.returns.expect("what is brought back");
            assert_eq!((view.due, returns.credit, returns.sale), (usd(4100), usd(4800), sold));
            assert_eq!(returns.lines.iter().map(|line| line.amount).collect::<Vec<_>>(), [usd(4800)]);
            shop.refuses(pay(basket, 4100, OnAccount, 0), invalid("tender", SalesReason::NotAPayment)).await;
            let by = pay(basket, 4100, kind, 0);
            let new = (kind == GiftCertificate).then(|| certificate(1).number);
            let by = PayBasket { tender: TenderIn { certificate: new, ..by.tender.clone() }, ..by };
            let done = shop.ok(by).await.sale.expect("rung up");
            assert_eq!(
                settled(&shop, done).await,
                (vec![(Exchange, 4100)], vec![(Exchange, 4100), (kind, back)])
            );
            assert_eq!((on_hand(&shop, "cowl").await, on_hand(&shop, "hat").await), (1, 0));
            let lines = shop.ledger.exchange_of(done).await.unwrap().unwrap().lines;
            assert_eq!(
                lines.iter().map(|l| (l.amount, l.quantity.stock_units())).collect::<Vec<_>>(),
                [(usd(4800), 1)]
            );
            shop.refuses(
                VoidSale { sale: done, reason: "oops".to_owned(), who: String::new() },
                not_voidable(NotVoidable::Settled),
            )
            .await;
            // What was taken in exchange can be brought back too.
            shop.ok(whole(done, Shelf)).await;
        }
        audit::clean(&shop).await;
    });
}

#[test]
fn a_dearer_piece_is_taken_and_the_rest_is_paid_once_or_in_parts() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let sold = shop.ok(sale_of("hat", 4100)).await.id;
        let basket = ready(&shop, sold, &["cowl"]).await;
        let part = shop.ok(pay(basket, 4800, Card, 300)).await;
        assert_eq!(part.sale, None);
        assert_eq!(on_hand(&shop, "hat").await, 0, "nothing is brought back before all is paid");
        let wrong = BasketError::Overpaid { due: usd(4800), tendered: usd(4900) };
        shop.refuses(pay(basket, 4800, Card, 500), invalid("amount", wrong)).await;
        let done = shop.ok(pay(basket, 4800, Cash, 500)).await.sale.expect("rung up");
        assert_eq!(
            settled(&shop, done).await,
            (vec![(Exchange, 4100), (Card, 300), (Cash, 500)], vec![(Exchange, 4100)])
        );
        let view = shop.ledger.sale(done).await.unwrap();
        assert_eq!((view.totals.due, view.totals.change), (usd(4800), usd(100)));
        assert_eq!((on_hand(&shop, "hat").await, on_hand(&shop, "cowl").await), (1, 0));
        audit::clean(&shop).await;
    });
}

#[test]
fn an_even_exchange_moves_no_money_and_an_open_balance_is_lowered_first() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("cowl", 4800), piece("other", 4800), piece("hat", 4100)])).await;
        let sold = shop.ok(sale_of("cowl", 4800)).await.id;
        let basket = ready(&shop, sold, &["other"]).await;
        let even = shop.ok(pay(basket, 4800, Cash, 0)).await.sale.expect("rung up");
        assert_eq!(settled(&shop, even).await, (vec![(Exchange, 4800)], vec![(Exchange, 4800)]));
        let unpaid = NewSale { tenders: vec![owed(4800)], ..sale_of("cowl", 0) };
        let unpaid = shop.ok(unpaid).await.id;
        let basket = ready(&shop, unpaid, &["hat"]).await;
        assert_eq!(shop.ledger.basket(basket).await.unwrap().returns.unwrap().credit, usd(0));
        let done = shop.ok(pay(basket, 4100, Card, 4100)).await.sale.expect("rung up");
        assert_eq!(settled(&shop, done).await, (vec![(Card, 4100)], vec![(OnAccount, 4800)]));
        let lowered = shop.ledger.exchange_of(done).await.unwrap().unwrap().lowered().collect::<Vec<_>>();
        assert_eq!(lowered, [usd(4800)]);
        shop.refuses(
            VoidSale { sale: done, reason: "oops".to_owned(), who: String::new() },
            not_voidable(NotVoidable::Settled),
        )
        .await;
        assert!(shop.ledger.debts(9).await.unwrap().is_empty());
        audit::clean(&shop).await;
    });
}

#[test]
fn an_exchange_is_listed_as_one_and_is_not_held_for_later() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let sold = shop.ok(sale_of("cowl", 4800)).await.id;
        let basket = shop.ok(bring_back(&shop, sold).await).await;
        shop.ok(ChangeBasket { basket, revision: None, change: lay("hat") }).await;
        let open = shop.ledger.open_baskets(9).await.unwrap();
        assert_eq!(
            open.iter().map(|one| (one.id, one.lines, one.returned)).collect::<Vec<_>>(),
            [(basket, 1, 1)]
        );
        let revision = shop.ledger.basket(basket).await.unwrap().revision;
        let aside = SetBasketAside { basket, revision, for_whom: "Ada".to_owned(), until: None };
        shop.refuses(aside, invalid("slip", SalesReason::ExchangeNotHeld)).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!((view.revision, view.returns.is_some()), (revision, true), "it goes on as it was");
        audit::clean(&shop).await;
    });
}

#[test]
fn an_open_balance_that_is_paid_meanwhile_asks_again() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let unpaid = shop.ok(NewSale { tenders: vec![owed(4800)], ..sale_of("cowl", 0) }).await.id;
        let basket = ready(&shop, unpaid, &["hat"]).await;
        let debt = shop.ledger.debts(9).await.unwrap().remove(0).tender;
        shop.ok(Pay { tender: debt, kind: Card, amount: usd(4800), certificate: None, who: String::new() })
            .await;
        let shown = |left| PayBasket { left: Some(usd(left)), ..pay(basket, 4100, Card, 0) };
        let first = PayBasket { tender: tender(Card, 4100), ..shown(4100) };
        let asked = shop.ok(first.clone()).await;
        assert_eq!((asked.sale, asked.credit_changed), (None, true));
        assert_eq!(shop.ledger.basket(basket).await.unwrap().returns.unwrap().credit, usd(4800));
        // What was shown before is refused from now on, whoever looked again.
        let reason = SalesReason::LeftChanged { now: usd(-700), shown: usd(4100) };
        shop.refuses(first, invalid("left", reason)).await;
        let paid = PayBasket { tender: tender(Card, 4100), ..shown(-700) };
        shop.refuses(paid, invalid("amount", SalesReason::NothingLeftToPay)).await;
        let done = shop.ok(shown(-700)).await.sale.expect("rung up");
        assert_eq!(settled(&shop, done).await, (vec![(Exchange, 4100)], vec![(Exchange, 4100), (Card, 700)]));
        audit::clean(&shop).await;
    });
}

#[test]
fn only_the_cash_that_is_paid_back_is_rounded() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("cowl", 4803), piece("hat", 4100)])).await;
        let (key, value) = ("cash_rounding".to_owned(), "5 up".to_owned());
        shop.ok(SetShop { key, value, who: String::new() }).await;
        let sold = shop.ok(sale(vec![goods("cowl", "1")], card(4803))).await.id;
        let basket = ready(&shop, sold, &["hat"]).await;
        let before = shop.ledger.basket(basket).await.unwrap().returns.unwrap().cash_before;
        assert_eq!((before.exact, before.handed_out), (usd(0), usd(0)));
        let done = shop.ok(pay(basket, 4100, Cash, 0)).await.sale.expect("rung up");
        assert_eq!(settled(&shop, done).await, (vec![(Exchange, 4100)], vec![(Exchange, 4100), (Cash, 705)]));
        audit::clean(&shop).await;
    });
}

#[test]
fn an_exchange_that_can_no_longer_be_made_changes_nothing() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let sold = shop.ok(sale_of("cowl", 4800)).await.id;
        let basket = ready(&shop, sold, &["hat"]).await;
        let late = shop.ok(bring_back(&shop, sold).await).await;
        shop.ok(ChangeBasket { basket: late, revision: None, change: lay("card") }).await;
        shop.ok(whole(sold, Shelf)).await;
        let before = audit::fingerprint(&shop).await;
        shop.refuses(pay(basket, 4100, Cash, 0), invalid("lines", SalesReason::AllRefunded)).await;
        let hold = held(&shop, late).await;
        shop.refuses(hold, invalid("lines", SalesReason::AllRefunded)).await;
        shop.refuses(bring_back(&shop, sold).await, invalid("lines", SalesReason::AllRefunded)).await;
        assert_eq!(audit::fingerprint(&shop).await, before);
        shop.refuses(pay(basket, 4100, Exchange, 4100), invalid("tender", SalesReason::NotAPayment)).await;
        let none = StartExchange { lines: Vec::new(), ..bring_back(&shop, sold).await };
        shop.refuses(none, invalid("lines", SalesReason::AllRefunded)).await;
        shop.ok(LeaveBasket { basket: late }).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn an_exchange_keeps_to_the_limits_of_its_clerk() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let sold = shop.ok(sale_of("cowl", 4800)).await.id;
        let who = "Maud".to_owned();
        let values = vec![(LimitName::Refund, "40.00".to_owned())];
        shop.ok(SetLimits { of: LimitsOf::Role(Role::Counter), values, who }).await;
        let clerk = Actor { who: "Ash".to_owned(), role: Role::Counter, token: None };
        let key = Key::new("exchange", "1", b"").unwrap().sent_by(clerk);
        let exchange = bring_back(&shop, sold).await;
        let refused = shop.ledger.answer(Some(&key), &exchange).await.unwrap().answer;
        assert!(
            matches!(&refused, Err(Rejection::AboveLimit(above)) if above.limit == LimitName::Refund),
            "on {:?}: {refused:?}",
            shop.engine
        );
        shop.ok(exchange).await;
    });
}
