//! Exchanges in one call: the same books as at the counter, and one of many at once.

use crate::audit;
use crate::exchange::stocked;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use crate::races::{at_once, outcome, views};
use crate::sales::owed;
use domain::basket::TenderKind::{self, Cash, Exchange, GiftCertificate, OnAccount};
use domain::ids::SaleId;
use domain::limits::LimitName;
use domain::people::Role;
use domain::stock::ReturnDisposition::Shelf;
use ledger::people::{LimitsOf, SetLimits};
use ledger::sales::{
    NewExchange, NewRefund, NewSale, RefundLine, RefundOf, RefundTender, SaleLineIn, TenderIn, VoidSale,
};
use ledger::{Actor, Key, Rejection};
use testkit::make::certificate;

/// Everything of a sale comes back for these lines; a rest is paid back in this way.
async fn exchange(
    shop: &Shop,
    sold: SaleId,
    takes: Vec<SaleLineIn>,
    pays: Vec<TenderIn>,
    rest: TenderKind,
) -> NewExchange {
    let view = shop.ledger.sale(sold).await.unwrap();
    let lines = view
        .lines
        .iter()
        .map(|l| RefundLine { line: l.line.id, what: RefundOf::Rest, fate: Shelf })
        .collect();
    let certificate = (rest == GiftCertificate).then(|| certificate(1).number);
    let back = NewRefund { lines, tender: RefundTender::All(rest), certificate, ..whole(sold, Shelf) };
    NewExchange { back, takes: sale(takes, pays) }
}

#[test]
fn the_difference_is_paid_or_paid_back() {
    on_each(|shop| async move {
        stocked(&shop).await;
        // What was sold, what is taken, what is paid, how the rest goes; the sale's tenders, the refund's.
        type Moved = Vec<(TenderKind, i64)>;
        let rows: [(&str, i64, &str, Moved, TenderKind, Moved, Moved); 4] = [
            ("cowl", 4800, "hat", vec![], Cash, vec![(Exchange, 4100)], vec![(Exchange, 4100), (Cash, 700)]),
            (
                "hat",
                4100,
                "cowl",
                vec![(Cash, 1000)],
                Cash,
                vec![(Exchange, 4100), (Cash, 1000)],
                vec![(Exchange, 4100)],
            ),
            ("cowl", 4800, "cowl", vec![], Cash, vec![(Exchange, 4800)], vec![(Exchange, 4800)]),
            (
                "cowl",
                4800,
                "hat",
                vec![],
                GiftCertificate,
                vec![(Exchange, 4100)],
                vec![(Exchange, 4100), (GiftCertificate, 700)],
            ),
        ];
        for (brought, price, taken, pays, rest, of_sale, of_refund) in rows {
            // The same piece can be taken again only once it is back, so that row gets another one.
            if brought == taken {
                shop.ok(add(vec![piece("twin", price)])).await;
            }
            let taken = if brought == taken { "twin" } else { taken };
            let sold = shop.ok(sale_of(brought, price)).await.id;
            let pays = pays.into_iter().map(|(kind, amount)| tender(kind, amount)).collect();
            let new = exchange(&shop, sold, vec![goods(taken, "1")], pays, rest).await;
            let done = shop.ok(new).await;
            let view = shop.ledger.sale(done.sale.id).await.unwrap();
            let tenders: Moved =
                view.tenders.iter().map(|t| (t.tender.kind, t.tender.amount.minor())).collect();
            let given: Moved = done.refund.tenders.iter().map(|t| (t.0, t.1.minor())).collect();
            assert_eq!((tenders, given), (of_sale, of_refund), "{brought} for {taken}");
            let named = shop.ledger.exchange_of(done.sale.id).await.unwrap().expect("an exchange");
            assert_eq!((named.sale, named.refund), (sold, done.refund.id));
            // What was taken goes back, so that the next row finds it.
            shop.ok(whole(done.sale.id, Shelf)).await;
        }
        audit::clean(&shop).await;
    });
}

#[test]
fn an_open_balance_is_lowered_before_anything_is_paid() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let unpaid = shop.ok(NewSale { tenders: vec![owed(4800)], ..sale_of("cowl", 0) }).await.id;
        let free = exchange(&shop, unpaid, vec![goods("hat", "1")], Vec::new(), Cash).await;
        let due = BasketError::Underpaid { due: usd(4100), tendered: usd(0), missing: usd(4100) };
        shop.refuses(free, invalid("tenders", due)).await;
        let paid = exchange(&shop, unpaid, vec![goods("hat", "1")], card(4100), Cash).await;
        let done = shop.ok(paid).await;
        assert_eq!(done.refund.tenders, [(OnAccount, usd(4800))]);
        assert!(shop.ledger.debts(9).await.unwrap().is_empty());
        let void = VoidSale { sale: done.sale.id, reason: "oops".to_owned(), who: String::new() };
        shop.refuses(void, not_voidable(NotVoidable::Settled)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_no_exchange_changes_nothing() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let sold = shop.ok(sale_of("cowl", 4800)).await.id;
        let good = exchange(&shop, sold, vec![goods("hat", "1")], Vec::new(), Cash).await;
        let before = audit::fingerprint(&shop).await;
        let back = |change: fn(&mut NewRefund)| {
            let mut other = good.clone();
            change(&mut other.back);
            other
        };
        let takes = |change: fn(&mut NewSale)| {
            let mut other = good.clone();
            change(&mut other.takes);
            other
        };
        shop.refuses(back(|b| b.lines.clear()), invalid("lines", SalesReason::AllRefunded)).await;
        shop.refuses(back(|b| b.shipping = usd(100)), invalid("lines", SalesReason::MoneyAlone)).await;
        shop.refuses(
            back(|b| b.lines[0].what = RefundOf::Money(usd(100))),
            invalid("lines", SalesReason::MoneyAlone),
        )
        .await;
        shop.refuses(
            back(|b| b.tender = RefundTender::All(OnAccount)),
            invalid("tender", SalesReason::NotAPayment),
        )
        .await;
        shop.refuses(takes(|t| t.lines.clear()), invalid("slip", SalesReason::NothingToPay)).await;
        shop.refuses(takes(|t| t.tenders = card(100)), invalid("tenders", SalesReason::NothingLeftToPay))
            .await;
        shop.refuses(
            takes(|t| t.tenders = vec![tender(Exchange, 4100)]),
            invalid("tenders", SalesReason::NotAPayment),
        )
        .await;
        assert_eq!(audit::fingerprint(&shop).await, before);
        let who = "Maud".to_owned();
        let values = vec![(LimitName::Refund, "40.00".to_owned())];
        shop.ok(SetLimits { of: LimitsOf::Role(Role::Counter), values, who }).await;
        let clerk = Actor { who: "Ash".to_owned(), role: Role::Counter, token: None };
        let key = Key::new("exchange", "1", b"").unwrap().sent_by(clerk);
        let refused = shop.ledger.answer(Some(&key), &good).await.unwrap().answer;
        assert!(
            matches!(&refused, Err(Rejection::AboveLimit(above)) if above.limit == LimitName::Refund),
            "on {:?}: {refused:?}",
            shop.engine
        );
        shop.ok(good).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn one_piece_comes_back_once_whoever_brings_it() {
    on_each(|shop| async move {
        let pieces = (0..8).map(|n| piece(&format!("p{n}"), 4100));
        shop.ok(add(pieces.chain([piece("cowl", 4800)]).collect())).await;
        let sold = shop.ok(sale_of("cowl", 4800)).await.id;
        let views = views(&shop).await;
        let mut each = Vec::new();
        for n in 0..8 {
            each.push(exchange(&shop, sold, vec![goods(&format!("p{n}"), "1")], Vec::new(), Cash).await);
        }
        let outcomes = at_once(8, move |n| outcome(views[n % 2].clone(), None, each[n].clone())).await;
        assert_eq!(outcomes.iter().filter(|o| o.is_ok()).count(), 1, "on {:?}", shop.engine);
        for refused in outcomes.iter().filter_map(|o| o.as_ref().err()) {
            assert!(
                matches!(refused, Rejection::Invalid { .. } | Rejection::MoreThanSold { .. }),
                "on {:?}: {refused}",
                shop.engine
            );
        }
        audit::clean(&shop).await;
    });
}

#[test]
fn exchanges_that_cross_all_end() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("a", "50", 333), counted("b", "50", 333)])).await;
        let mut each = Vec::new();
        for n in 0..8 {
            let (back, taken) = if n % 2 == 0 { ("a", "b") } else { ("b", "a") };
            let sold = shop.ok(sale_of(back, 333)).await.id;
            each.push(exchange(&shop, sold, vec![goods(taken, "1")], Vec::new(), Cash).await);
        }
        let views = views(&shop).await;
        let outcomes = at_once(8, move |n| outcome(views[n % 2].clone(), None, each[n].clone())).await;
        assert!(outcomes.iter().all(Result::is_ok), "on {:?}", shop.engine);
        audit::clean(&shop).await;
    });
}
