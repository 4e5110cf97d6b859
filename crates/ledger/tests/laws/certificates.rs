//! Gift certificates: what is put on one is owed until it is spent, and is spent once.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use crate::races::{at_once, outcome, views};
use domain::account::AccountReason::{self, BroughtIn, Refund, Returned, Sold, Spent, Voided, WrittenOff};
use domain::basket::{LineKind, TenderKind};
use domain::certificate::CertificateNumber;
use domain::ids::{AccountId, SaleId};
use domain::stock::ReturnDisposition::{Open, Shelf};
use ledger::books::{BooksBy, BooksQuery};
use ledger::rejection::{NotVoidable, SalesReason};
use ledger::sales::{
    BringInCertificate, EndCertificate, HoldBasket, NewRefund, OpenBasket, Pay, PayBasket, RefundTender,
    RenumberCertificate, SaleLineIn, StopPaying, TenderIn, VoidSale,
};
use testkit::make::certificate;

fn number(seed: u32) -> CertificateNumber {
    certificate(seed).number
}

fn sold(seed: u32, amount: i64) -> SaleLineIn {
    SaleLineIn::Paper {
        kind: LineKind::GiftCertificate,
        title: "Gift certificate".to_owned(),
        amount: usd(amount),
        certificate: Some(certificate(seed)),
    }
}

fn by(seed: u32, amount: i64) -> TenderIn {
    TenderIn::by_certificate(number(seed), usd(amount))
}

fn void(sale: SaleId) -> VoidSale {
    VoidSale { sale, reason: "slip".to_owned(), who: "counter".to_owned() }
}

async fn left(shop: &Shop, seed: u32) -> i64 {
    let found = shop.ledger.certificate_by_number(number(seed)).await.unwrap();
    found.expect("a certificate").balance.minor()
}

async fn id(shop: &Shop, seed: u32) -> AccountId {
    shop.ledger.certificate_by_number(number(seed)).await.unwrap().expect("a certificate").id
}

/// Reasons and amounts, the first change first.
async fn history(shop: &Shop, seed: u32) -> Vec<(AccountReason, i64)> {
    let all = shop.ledger.certificate_history(id(shop, seed).await, 99).await.unwrap();
    all.iter().rev().map(|entry| (entry.reason, entry.amount.minor())).collect()
}

const AT: &str = "tenders.certificate";

fn short_at(at: &str, seed: u32, left: i64, asked: i64) -> Expected {
    let last_four = number(seed).last_four();
    let reason = SalesReason::CertificateShort { last_four, left: usd(left), asked: usd(asked) };
    invalid(at, reason)
}

fn short(seed: u32, left: i64, asked: i64) -> Expected {
    short_at(AT, seed, left, asked)
}

#[test]
fn a_certificate_is_spent_in_parts_and_never_beyond_what_is_left() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        shop.ok(sale(vec![sold(1, 5000)], card(5000))).await;
        assert_eq!(left(&shop, 1).await, 5000);
        let one = |tenders| sale(vec![goods("c1", "1")], tenders);
        shop.ok(one(vec![by(1, 1500)])).await;
        shop.ok(one(vec![by(1, 1000), tender(TenderKind::Cash, 500)])).await;
        shop.refuses(
            sale(vec![goods("c1", "2")], vec![by(1, 2501), tender(TenderKind::Cash, 499)]),
            short(1, 2500, 2501),
        )
        .await;
        // Twice in one sale, which together is too much.
        shop.refuses(sale(vec![goods("c1", "2")], vec![by(1, 1500), by(1, 1500)]), short(1, 1000, 1500))
            .await;
        let last_four = number(9).last_four();
        shop.refuses(one(vec![by(9, 1500)]), invalid(AT, SalesReason::CertificateUnknown { last_four }))
            .await;
        shop.refuses(
            one(vec![tender(TenderKind::GiftCertificate, 1500)]),
            invalid(AT, SalesReason::CertificateNeeded),
        )
        .await;
        let not_one = TenderIn { kind: TenderKind::Card, ..by(1, 1500) };
        shop.refuses(one(vec![not_one]), invalid(AT, SalesReason::CertificateNotUsed)).await;
        assert_eq!(history(&shop, 1).await, [(Sold, 5000), (Spent, -1500), (Spent, -1000)]);
        let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
        assert_eq!(shop.ledger.books(&query).await.unwrap()[0].figures.gross, usd(3000));
        assert_eq!(shop.ledger.certificates_owed().await.unwrap(), (usd(2500), 1));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_certificate_does_not_pay_for_another() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        shop.ok(sale(vec![sold(1, 5000)], card(5000))).await;
        let both = |tenders| sale(vec![goods("c1", "1"), sold(2, 2000)], tenders);
        let reason = SalesReason::CertificateForAnother { sold: usd(2000) };
        let with_card = |amount| tender(TenderKind::Card, amount);
        shop.refuses(both(vec![by(1, 1501), with_card(1999)]), invalid(AT, reason)).await;
        shop.ok(both(vec![by(1, 1500), with_card(2000)])).await;
        assert_eq!((left(&shop, 1).await, left(&shop, 2).await), (3500, 2000));
        let unnumbered = |kind, certificate| SaleLineIn::Paper {
            kind,
            title: "Paper".to_owned(),
            amount: usd(700),
            certificate,
        };
        for (line, reason) in [
            (unnumbered(LineKind::GiftCertificate, None), SalesReason::CertificateUnnumbered),
            (unnumbered(LineKind::Deposit, Some(certificate(3))), SalesReason::DepositForNothing),
        ] {
            shop.refuses(sale(vec![line], card(700)), invalid("lines", reason)).await;
        }
        audit::clean(&shop).await;
    });
}

#[test]
fn a_void_undoes_what_was_sold_and_what_was_spent() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        let issued = shop.ok(sale(vec![sold(1, 5000)], card(5000))).await.id;
        let spent = shop.ok(sale(vec![goods("c1", "1")], vec![by(1, 1500)])).await.id;
        shop.refuses(void(issued), not_voidable(NotVoidable::CertificateSpent)).await;
        assert_eq!(left(&shop, 1).await, 3500);
        shop.ok(void(spent)).await;
        assert_eq!(left(&shop, 1).await, 5000);
        shop.ok(void(issued)).await;
        let expected = [(Sold, 5000), (Spent, -1500), (Voided, 1500), (Voided, -5000)];
        assert_eq!(history(&shop, 1).await, expected);
        shop.refuses(sale(vec![goods("c1", "1")], vec![by(1, 1500)]), short(1, 0, 1500)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_refund_goes_back_on_a_certificate_or_on_a_new_one() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        shop.ok(sale(vec![sold(1, 5000)], card(5000))).await;
        let bought = shop.ok(sale(vec![goods("c1", "3")], vec![by(1, 4500)])).await;
        let line = bought.lines[0].id;
        let back = |certificate| NewRefund {
            tender: RefundTender::All(TenderKind::GiftCertificate),
            certificate,
            ..part(bought.id, line, Some("1"), Shelf)
        };
        shop.refuses(back(None), invalid("certificate", SalesReason::CertificateNeeded)).await;
        shop.ok(back(Some(number(1)))).await;
        shop.ok(back(Some(number(2)))).await;
        assert_eq!((left(&shop, 1).await, left(&shop, 2).await), (2000, 1500));
        assert_eq!(history(&shop, 1).await, [(Sold, 5000), (Spent, -4500), (Refund, 1500)]);
        assert_eq!(history(&shop, 2).await, [(Refund, 1500)]);
        let of_sale = shop.ledger.certificates_of(bought.id).await.unwrap();
        let told: Vec<_> = of_sale.iter().map(|of| (of.reason, of.amount.minor())).collect();
        assert_eq!(told, [(Spent, -4500), (Refund, 1500), (Refund, 1500)]);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_certificate_is_refunded_as_far_as_it_is_not_spent() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        let issued = shop.ok(sale(vec![sold(1, 5000), sold(2, 300)], card(5300))).await;
        let line = issued.lines[0].id;
        let spent = shop.ok(sale(vec![goods("c1", "1")], vec![by(1, 1500)])).await.id;
        let whole_line = part(issued.id, line, None, Open);
        let reason = SalesReason::CertificateSpent { left: usd(3500), asked: usd(5000) };
        shop.refuses(whole_line.clone(), invalid("lines", reason)).await;
        shop.ok(void(spent)).await;
        shop.ok(whole_line).await;
        assert_eq!((left(&shop, 1).await, left(&shop, 2).await), (0, 300));
        let expected = [(Sold, 5000), (Spent, -1500), (Voided, 1500), (Returned, -5000)];
        assert_eq!(history(&shop, 1).await, expected);
        audit::clean(&shop).await;
    });
}

#[test]
fn an_open_balance_is_paid_by_certificate() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 1500)])).await;
        shop.ok(sale(vec![sold(1, 2000)], card(2000))).await;
        let owing = shop.ok(sale(vec![goods("c1", "2")], vec![crate::sales::owed(3000)])).await.id;
        let debt = shop.ledger.sale(owing).await.unwrap().tenders[0].id;
        let pay = |amount, certificate| Pay {
            tender: debt,
            kind: TenderKind::GiftCertificate,
            amount: usd(amount),
            certificate,
            who: "counter".to_owned(),
        };
        let needed = invalid("certificate", SalesReason::CertificateNeeded);
        shop.refuses(pay(1000, None), needed).await;
        shop.refuses(pay(2001, Some(number(1))), short_at("certificate", 1, 2000, 2001)).await;
        assert_eq!(shop.ok(pay(2000, Some(number(1)))).await.left, usd(1000));
        assert_eq!(history(&shop, 1).await, [(Sold, 2000), (Spent, -2000)]);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_payment_in_parts_asks_what_is_left_before_it_is_taken() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500)])).await;
        shop.ok(sale(vec![sold(1, 2000)], card(2000))).await;
        let first = ledger::sales::BasketChange::Add { code: code("p1"), quantity: None };
        let who = || "Ada".to_owned();
        let open = OpenBasket { channel: channel("store"), first: Some(first), who: who() };
        let basket = shop.ok(open).await;
        shop.ok(HoldBasket { basket, revision: 1, without: vec![], who: who() }).await;
        let pay = |tender| PayBasket { basket, due: usd(4500), left: None, tender, who: who() };
        shop.refuses(pay(by(1, 2001)), short(1, 2000, 2001)).await;
        shop.ok(pay(by(1, 1200))).await;
        // What this sale was promised already counts.
        shop.refuses(pay(by(1, 801)), short(1, 2000, 2001)).await;
        assert_eq!(left(&shop, 1).await, 2000, "nothing is taken before the sale is rung up");
        let back = shop.ok(StopPaying { basket }).await;
        assert_eq!(back.iter().map(|t| (t.amount, t.certificate)).collect::<Vec<_>>(), [(usd(1200), None)]);
        shop.ok(HoldBasket { basket, revision: 4, without: vec![], who: who() }).await;
        shop.ok(pay(by(1, 2000))).await;
        let done = shop.ok(pay(tender(TenderKind::Card, 2500))).await;
        assert!(done.rung_up);
        assert_eq!(history(&shop, 1).await, [(Sold, 2000), (Spent, -2000)]);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_certificate_from_before_is_brought_in_renumbered_and_ended() {
    on_each(|shop| async move {
        let bring = |seed, amount| BringInCertificate {
            certificate: certificate(seed),
            amount,
            note: "old number 17".to_owned(),
            who: "Ada".to_owned(),
        };
        shop.refuses(bring(1, usd(0)), invalid("amount", SalesReason::CertificateOfNothing)).await;
        let account = shop.ok(bring(1, usd(2500))).await;
        let again = |reason: &str| RenumberCertificate {
            account,
            number: number(2),
            reason: reason.to_owned(),
            who: "Ada".to_owned(),
        };
        shop.refuses(again(""), invalid_at("reason")).await;
        shop.ok(again("lost")).await;
        assert_eq!(shop.ledger.certificate_by_number(number(1)).await.unwrap(), None);
        assert_eq!((left(&shop, 2).await, history(&shop, 2).await), (2500, vec![(BroughtIn, 2500)]));
        let end = |left| EndCertificate {
            account,
            left: usd(left),
            reason: "entered by mistake".to_owned(),
            who: "Ada".to_owned(),
        };
        let reason = SalesReason::CertificateChanged { now: usd(2500), shown: usd(2400) };
        shop.refuses(end(2400), invalid("left", reason)).await;
        shop.ok(end(2500)).await;
        shop.refuses(end(0), invalid("left", SalesReason::CertificateEmpty)).await;
        assert_eq!(history(&shop, 2).await, [(BroughtIn, 2500), (WrittenOff, -2500)]);
        audit::clean(&shop).await;
    });
}

/// Eight counters at once, each with the same certificate: as many sales as it covers, and no more.
#[test]
fn of_many_at_once_only_as_many_spend_as_it_covers() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 100)])).await;
        shop.ok(sale(vec![sold(1, 350)], card(350))).await;
        let views = views(&shop).await;
        let outcomes =
            at_once(8, |n| {
                let ledger = views[n % 2].clone();
                async move {
                    outcome(ledger, None, sale(vec![goods("c1", "1")], vec![by(1, 100)])).await.map(|_| ())
                }
            })
            .await;
        assert_eq!(outcomes.iter().filter(|o| o.is_ok()).count(), 3, "{outcomes:?}");
        assert_eq!(left(&shop, 1).await, 50);
        views[1].close().await;
        audit::clean(&shop).await;
    });
}
