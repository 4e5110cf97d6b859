//! Refunding, deciding later about the goods, and voiding.

use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, HOUR_MS, on_each};
use crate::make::*;
use crate::races::{at_once, outcome, views};
use crate::sales::owed;
use domain::basket::TenderKind;
use domain::day::{Day, Moment};
use domain::ids::{RefundLineId, SaleId, SaleLineId};
use domain::money::Money;
use domain::stock::ReturnDisposition::{self, Open, Shelf, WrittenOff};
use ledger::Rejection;
use ledger::books::{BooksBy, BooksQuery};
use ledger::keeping::SetShop;
use ledger::sales::{DecideReturn, NewRefund, NewSale, RefundLine, RefundOf, RefundTender, VoidSale};
use testkit::make::certificate;

fn void(sale: SaleId) -> VoidSale {
    VoidSale { sale, reason: "rung up twice".to_owned(), who: "counter".to_owned() }
}

fn decide(line: RefundLineId, fate: ReturnDisposition) -> DecideReturn {
    DecideReturn { line, fate, who: "maker".to_owned() }
}

fn parts(tenders: &[(TenderKind, i64)]) -> RefundTender {
    RefundTender::Parts(tenders.iter().map(|(kind, amount)| (*kind, usd(*amount))).collect())
}

/// Law 9: parts of any sizes add up to the line's amount, discount and tax.
#[test]
fn parts_of_a_line_add_up_to_it() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "1000", 333), by_ounce("w1", "1000", 1001)])).await;
        let checks: &[(&str, &str, &[&str])] = &[
            ("c1", "7", &["1", "1", "1", "1", "1", "1", "1"]),
            ("c1", "7", &["3", "4"]),
            ("c1", "7", &["6", "1"]),
            ("c1", "11", &["2", "5", "1", "3"]),
            ("w1", "2.5", &["0.001", "1.3", "1.199"]),
            ("w1", "1 LBR", &["100 GRM", "4.5", "7.973"]),
        ];
        for (sku, quantity, sizes) in checks {
            let line = less(sku, quantity, 101, 77);
            let gross = shop.ok(NewSale { discount: usd(13), ..sale(vec![line], cash(900_000)) }).await;
            let line = &gross.lines[0];
            let mut sum = (0, 0, 0);
            for size in *sizes {
                let back = shop.ok(part(gross.id, line.id, Some(size), Shelf)).await;
                let part = back.lines[0].2;
                assert_eq!(back.given, part.given_back().unwrap());
                sum.0 += part.amount.minor();
                sum.1 += part.discount.minor();
                sum.2 += part.tax.minor();
            }
            let sold = (line.money.amount.minor(), line.money.discount.minor(), line.money.tax.minor());
            assert_eq!(sum, sold, "{sku} {quantity} in {sizes:?}");
            shop.refuses(
                part(gross.id, line.id, Some("1"), Shelf),
                more_goods(if *sku == "w1" { 1000 } else { 1 }, 0),
            )
            .await;
            shop.refuses(part(gross.id, line.id, None, Shelf), invalid("lines", SalesReason::AllRefunded))
                .await;
            shop.refuses(whole(gross.id, Shelf), invalid("lines", SalesReason::AllRefunded)).await;
        }
        for sku in ["c1", "w1"] {
            assert_eq!(shop.ledger.item(&code(sku)).await.unwrap().on_hand.value(), 1000.into());
        }
        audit::clean(&shop).await;
    });
}

fn money(sale: SaleId, line: SaleLineId, minor: i64) -> NewRefund {
    let line = RefundLine { line, what: RefundOf::Money(usd(minor)), fate: Open };
    let tender = RefundTender::All(TenderKind::Card);
    NewRefund { lines: vec![line], tender, ..whole(sale, Open) }
}

/// Law 9 for money alone, and goods after it: the last of them give what is left, and count as they always
/// do.
#[test]
fn money_alone_leaves_the_goods_sold() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "10", 333), by_ounce("w1", "10", 1001)])).await;
        for (sku, one) in [("c1", "1"), ("w1", "0.5")] {
            let before = shop.ledger.item(&code(sku)).await.unwrap().on_hand;
            let sold = shop.ok(sale(vec![less(sku, "3", 101, 77)], cash(900_000))).await;
            let (line, paid) = (sold.lines[0].id, sold.totals.due.minor());
            let back = shop.ok(money(sold.id, line, 250)).await;
            assert_eq!((back.given, back.lines[0].2.stock_units), (usd(250), 0), "{sku}");
            shop.refuses(decide(back.lines[0].0, Shelf), invalid("line", SalesReason::MoneyAlone)).await;
            let with_goods = RefundLine { line, what: RefundOf::Money(usd(1)), fate: Shelf };
            let with_goods = NewRefund { lines: vec![with_goods], ..whole(sold.id, Shelf) };
            shop.refuses(
                with_goods,
                invalid("fate", SalesReason::MoneyAloneOf { title: format!("Item {sku}") }),
            )
            .await;
            let over = more_money(usd(paid - 249), usd(paid - 250));
            shop.refuses(money(sold.id, line, paid - 249), over).await;
            shop.refuses(money(sold.id, line, 0), invalid("quantity", RefundError::NotPositive)).await;
            let first = shop.ok(part(sold.id, line, Some(one), Shelf)).await;
            let rest = shop.ok(part(sold.id, line, None, Shelf)).await;
            assert_eq!(back.given.minor() + first.given.minor() + rest.given.minor(), paid, "{sku}");
            shop.refuses(money(sold.id, line, 1), more_money(usd(1), usd(0))).await;
            assert_eq!(shop.ledger.item(&code(sku)).await.unwrap().on_hand, before, "{sku}");
        }
        let by = BooksBy::default();
        let books =
            shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap().remove(0).figures;
        assert_eq!((books.units, books.weight, books.net().unwrap(), books.tax), (0, 0, usd(0), usd(0)));
        assert!(shop.ledger.open_fates(None, 9).await.unwrap().is_empty(), "no goods to decide about");
        audit::clean(&shop).await;
    });
}

/// Law 9 by a conditional update: of many at the same moment, only as many succeed as there is money for.
#[test]
fn money_alone_of_many_at_once_is_never_more_than_was_paid() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 2000)])).await;
        let sold = shop.ok(sale_of("p1", 2000)).await;
        let line = sold.lines[0].id;
        let views = views(&shop).await;
        let ended = at_once(16, |n| outcome(views[n % 2].clone(), None, money(sold.id, line, 300))).await;
        assert_eq!(ended.iter().filter(|e| e.is_ok()).count(), 6);
        let refused = ended.iter().filter_map(|e| e.as_ref().err());
        assert!(
            refused.clone().all(|r| matches!(r, Rejection::MoreThanSold { .. })),
            "{:?}",
            refused.collect::<Vec<_>>()
        );
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// Refunds that the sale of [`a_sale_is_given_back_whole_or_in_lines`] refuses once 2 of 3 of `c1` are back.
fn wrong_refunds(sold: SaleId, (p1, c1): (SaleLineId, SaleLineId)) -> Vec<(NewRefund, Expected)> {
    let line = |line, quantity: &str, fate| RefundLine { line, what: RefundOf::Goods(asked(quantity)), fate };
    let of = |lines: Vec<RefundLine>| NewRefund { lines, ..whole(sold, Shelf) };
    let all = |tender| NewRefund { tender, ..whole(sold, Shelf) };
    let shipping = |minor| NewRefund { shipping: usd(minor), ..of(vec![]) };
    let unbalanced = |given| {
        let (total, given) = (usd(6331), usd(given));
        invalid("tender", SalesReason::RefundUnbalanced { total, given })
    };
    vec![
        (of(vec![line(c1, "2", Shelf)]), more_goods(2, 1)),
        (of(vec![line(c1, "0", Shelf)]), invalid("quantity", QuantityError::NotPositive)),
        (
            of(vec![line(c1, "0.5", Shelf)]),
            invalid("quantity", QuantityError::NotWhole { value: dec("0.5") }),
        ),
        (
            of(vec![line(p1, "1", Shelf), line(p1, "1", Shelf)]),
            invalid("lines", SalesReason::LineTwice { title: "Item p1".to_owned() }),
        ),
        (of(vec![line(SaleLineId::from_raw(4), "1", Shelf)]), no_such(Thing::SaleLine, 4)),
        (whole(SaleId::from_raw(4), Shelf), no_such(Thing::Sale, 4)),
        (shipping(496), more_money(usd(496), usd(495))),
        (shipping(-1), invalid("shipping", SalesReason::NegativeShipping)),
        (all(parts(&[(TenderKind::Card, 6330)])), unbalanced(6330)),
        (all(parts(&[(TenderKind::Card, 6329)])), unbalanced(6329)),
        (all(parts(&[(TenderKind::Card, 6333), (TenderKind::Cash, 0)])), unbalanced(6333)),
        (all(parts(&[(TenderKind::Card, 6400), (TenderKind::Cash, -69)])), unbalanced(6331)),
        (all(parts(&[(TenderKind::OnAccount, 6331)])), invalid("tender", SalesReason::RefundOverBalance)),
        (
            NewRefund { reason: "a\u{1}".to_owned(), ..whole(sold, Shelf) },
            invalid("reason", TextError::NotPrintable { code: 1 }),
        ),
    ]
}

#[test]
fn a_sale_is_given_back_whole_or_in_lines() {
    on_each(|shop| async move {
        shop.ok(SetShop {
            key: "cash_rounding".to_owned(),
            value: "5 up".to_owned(),
            who: "owner".to_owned(),
        })
        .await;
        shop.ok(add(vec![piece("p1", 4500), piece("p2", 1003), counted("c1", "50", 333)])).await;
        let sold = shop
            .ok(NewSale {
                shipping: usd(495),
                ..sale(vec![goods("p1", "1"), goods("p2", "1"), goods("c1", "3")], cash(7000))
            })
            .await;
        assert_eq!((sold.totals.due, sold.totals.rounding), (usd(6995), usd(-2)));
        let c1 = sold.lines[2].id;
        // 3.33 in cash: 3.35.
        let back = shop.ok(part(sold.id, c1, Some("1"), Shelf)).await;
        assert_eq!((back.given, back.rounding), (usd(335), usd(2)));
        let by_card = NewRefund {
            tender: RefundTender::All(TenderKind::Card),
            ..part(sold.id, c1, Some("1"), WrittenOff)
        };
        assert_eq!(shop.ok(by_card).await.given, usd(333));
        let lines = (sold.lines[0].id, c1);
        for (command, expected) in wrong_refunds(sold.id, lines) {
            shop.refuses(command, expected).await;
        }
        let all = |tender| NewRefund { tender, ..whole(sold.id, Shelf) };
        let shipping = NewRefund { shipping: usd(200), lines: vec![], ..whole(sold.id, Shelf) };
        let freight = shop.ok(shipping).await;
        assert_eq!((freight.lines.len(), freight.shipping, freight.given), (0, usd(200), usd(200)));
        // Everything that is left: 45.00 + 10.03 + 3.33 + 2.95 = 61.31, of which 1.31 in cash is 1.30.
        let rest = shop.ok(all(parts(&[(TenderKind::Card, 6000), (TenderKind::Cash, 130)]))).await;
        assert_eq!(
            (rest.lines.len(), rest.shipping, rest.rounding, rest.given),
            (3, usd(295), usd(-1), usd(6130))
        );
        shop.refuses(whole(sold.id, Shelf), invalid("lines", SalesReason::AllRefunded)).await;
        let view = shop.ledger.sale(sold.id).await.unwrap();
        assert_eq!(view.refunds.len(), 4);
        assert!(view.lines.iter().all(|l| l.given_back == l.line.quantity));
        // The returned piece is sold again; of the counted goods one was written off.
        shop.ok(sale_of("p1", 4500)).await;
        assert_eq!(shop.ledger.item(&code("c1")).await.unwrap().on_hand.stock_units(), 49);
        audit::clean(&shop).await;
    });
}

/// Many small refunds gain nothing: what is rounded is the sum of all cash refunds.
#[test]
fn cash_in_small_parts_comes_to_the_rounded_whole() {
    on_each(|shop| async move {
        let rounding = |rule: &str| SetShop {
            key: "cash_rounding".to_owned(),
            value: rule.to_owned(),
            who: "owner".to_owned(),
        };
        shop.ok(add(vec![counted("c1", "1000000", 3)])).await;
        let sold = async |units: &str, paid: Vec<ledger::sales::TenderIn>| {
            shop.ok(sale(vec![goods("c1", units)], paid)).await
        };
        let one = |sale: &ledger::sales::SaleDone, quantity: &str, tender: RefundTender| NewRefund {
            tender,
            ..part(sale.id, sale.lines[0].id, Some(quantity), Shelf)
        };
        let all = |kind| RefundTender::All(kind);
        /// The units of each of this many refunds.
        type Refunds = &'static [(&'static str, usize)];
        // Rule, units sold at 0.03, the refunds, and what all of them pay out in cash.
        let checks: &[(&str, &str, Refunds, i64)] = &[
            ("5 up", "100", &[("1", 100)], 300),
            ("5 up", "100", &[("2", 50)], 300),
            ("5 down", "100", &[("1", 100)], 300),
            ("10 up", "51", &[("2", 25), ("1", 1)], 150),
            ("10 up", "55", &[("5", 11)], 170),
            ("10 down", "55", &[("5", 11)], 160),
            ("100 up", "100", &[("17", 5), ("15", 1)], 300),
            ("1 up", "10", &[("1", 10)], 30),
        ];
        for (rule, units, refunds, expected) in checks {
            shop.ok(rounding(rule)).await;
            let due = units.parse::<i64>().unwrap() * 3;
            let sale = sold(units, card(due)).await;
            let mut given = 0;
            for (quantity, times) in *refunds {
                for _ in 0..*times {
                    let back = shop.ok(one(&sale, quantity, all(TenderKind::Cash))).await;
                    assert!(!back.given.is_negative());
                    given += back.given.minor();
                }
            }
            assert_eq!(given, *expected, "{rule}: {units} in {refunds:?}");
        }
        // Other tenders in between are exact, and cash goes on where it was: 0.03 and 0.03 are 0.05.
        shop.ok(rounding("5 up")).await;
        let mixed = sold("10", card(30)).await;
        let mut given = Vec::new();
        for tender in [
            all(TenderKind::Cash),
            all(TenderKind::Card),
            all(TenderKind::Cash),
            parts(&[(TenderKind::Card, 1), (TenderKind::Cash, 5)]),
        ] {
            given.push(shop.ok(one(&mixed, "1", tender.clone())).await.given.minor());
            if given.len() == 3 {
                shop.refuses(
                    one(&mixed, "1", parts(&[(TenderKind::Cash, 0)])),
                    invalid("tender", SalesReason::RefundUnbalanced { total: usd(5), given: usd(0) }),
                )
                .await;
            }
        }
        // Cash: 0.03 is 0.05; 0.06 is 0.05; 0.08 is 0.10.
        assert_eq!(given, [5, 3, 0, 6]);
        // The unpaid amount is lowered first; only the rest is cash: 0.06 unpaid, then 0.03 five times.
        let later = sold("7", vec![owed(6), tender(TenderKind::Card, 15)]).await;
        let mut given = Vec::new();
        for _ in 0..7 {
            given.push(shop.ok(one(&later, "1", all(TenderKind::Cash))).await.given.minor());
        }
        assert_eq!(given, [3, 3, 5, 0, 5, 0, 5]);
        // Another smallest coin in between: what was paid out before stays, and nothing is asked back.
        let changed = sold("20", card(60)).await;
        let cash_back = || one(&changed, "1", all(TenderKind::Cash));
        shop.ok(rounding("100 up")).await;
        assert_eq!(shop.ok(one(&changed, "17", all(TenderKind::Cash))).await.given, usd(100));
        shop.ok(rounding("1 up")).await;
        assert_eq!(shop.ok(cash_back()).await.given, usd(0));
        shop.ok(rounding("5 up")).await;
        assert_eq!(shop.ok(one(&changed, "2", all(TenderKind::Cash))).await.given, usd(0));
        audit::clean(&shop).await;
    });
}

#[test]
fn what_becomes_of_the_goods_is_decided_once() {
    on_each(|shop| async move {
        let costed = |sku: &str| with(piece(sku, 1000), |i| i.pricing.cost = Some(usd(400)));
        shop.ok(add(vec![costed("p1"), costed("p2"), costed("p3")])).await;
        let sold = shop.ok(sale((1..=3).map(|n| goods(&format!("p{n}"), "1")).collect(), cash(3000))).await;
        let back = shop.ok(whole(sold.id, Open)).await;
        let [first, second, third] = [0, 1, 2].map(|n| back.lines[n].0);
        let on_hand = async || shop.number("SELECT CAST(SUM(on_hand) AS BIGINT) FROM item").await;
        assert_eq!(on_hand().await, 0);
        shop.refuses(decide(first, Open), invalid("fate", SalesReason::NoDisposition)).await;
        shop.clock.advance_millis(DAY_MS);
        shop.ok(decide(first, Shelf)).await;
        shop.ok(decide(second, WrittenOff)).await;
        for (line, fate) in [(first, Shelf), (first, WrittenOff), (second, Shelf)] {
            shop.refuses(decide(line, fate), invalid("fate", SalesReason::DispositionDecided)).await;
        }
        shop.refuses(decide(RefundLineId::from_raw(2), Shelf), no_such(Thing::RefundLine, 2)).await;
        assert_eq!(on_hand().await, 1);
        let view = shop.ledger.sale(sold.id).await.unwrap();
        let fates: Vec<ReturnDisposition> = view.refunds[0].lines.iter().map(|l| l.2).collect();
        assert_eq!(fates, [Shelf, WrittenOff, Open]);
        // The cost leaves the books on the day on which the goods are back on the shelf.
        let by = BooksBy { day: true, ..BooksBy::default() };
        let rows = shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
        let costs: Vec<Money> = rows.iter().map(|r| r.figures.cost).collect();
        assert_eq!(costs, [usd(1200), usd(-400)]);
        audit::clean(&shop).await;
        shop.ok(decide(third, Shelf)).await;
        audit::clean(&shop).await;
    });
}

/// Once nothing is unpaid, a refund can lower it no further.
#[test]
fn a_refund_may_lower_what_is_owed() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "10", 1000)])).await;
        let sold = shop
            .ok(sale(vec![goods("c1", "4")], vec![owed(1500), owed(1500), tender(TenderKind::Card, 1000)]))
            .await;
        let line = sold.lines[0].id;
        let less_owed = |quantity| NewRefund {
            tender: RefundTender::All(TenderKind::OnAccount),
            ..part(sold.id, line, Some(quantity), Shelf)
        };
        shop.ok(less_owed("2")).await;
        let still: Vec<_> =
            shop.ledger.sale(sold.id).await.unwrap().tenders.iter().map(|t| t.still_owed).collect();
        assert_eq!(still, [Some(usd(0)), Some(usd(1000)), None]);
        shop.refuses(less_owed("2"), invalid("tender", SalesReason::RefundOverBalance)).await;
        shop.ok(less_owed("1")).await;
        shop.refuses(less_owed("1"), invalid("tender", SalesReason::RefundOverBalance)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn paper_is_given_back_but_put_on_no_shelf() {
    on_each(|shop| async move {
        let note = ledger::sales::SaleLineIn::Paper {
            kind: domain::basket::LineKind::GiftCertificate,
            title: "Gift note".to_owned(),
            amount: usd(2000),
            certificate: Some(certificate(1)),
        };
        shop.ok(add(vec![piece("p1", 100)])).await;
        let sold = shop.ok(sale(vec![note, goods("p1", "1")], cash(2100))).await;
        let line = sold.lines[0].id;
        shop.refuses(
            part(sold.id, line, None, Shelf),
            invalid("fate", SalesReason::NotStock { title: "Gift note".to_owned() }),
        )
        .await;
        let back = shop.ok(part(sold.id, line, None, Open)).await;
        shop.refuses(
            decide(back.lines[0].0, Shelf),
            invalid("fate", SalesReason::NotStock { title: "Gift note".to_owned() }),
        )
        .await;
        assert_eq!(shop.ok(whole(sold.id, Shelf)).await.given, usd(100));
        let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
        let figures = shop.ledger.books(&query).await.unwrap()[0].figures;
        assert_eq!((figures.gross, figures.refunds), (usd(100), usd(100)));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_sale_of_today_is_voided_once() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500), counted("c1", "5", 333), by_ounce("w1", "10", 100)])).await;
        let lines = || vec![goods("p1", "1"), goods("c1", "2"), goods("w1", "1.5")];
        let wrong = shop.ok(NewSale { shipping: usd(100), ..sale(lines(), cash(6000)) }).await;
        shop.ok(void(wrong.id)).await;
        shop.refuses(void(wrong.id), not_voidable(NotVoidable::Settled)).await;
        shop.refuses(whole(wrong.id, Shelf), invalid("sale", SalesReason::SaleVoided)).await;
        shop.refuses(void(SaleId::from_raw(1)), no_such(Thing::Sale, 1)).await;
        let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
        let figures = shop.ledger.books(&query).await.unwrap()[0].figures;
        assert_eq!(figures, domain::revenue::Figures::none(domain::money::Currency::USD));
        assert!(shop.ledger.sale(wrong.id).await.unwrap().voided);
        let again = shop.ok(sale(lines(), cash(6000))).await;
        assert_eq!(again.receipt, 2, "a voided receipt is not drawn again");
        shop.ok(part(again.id, again.lines[1].id, Some("1"), Shelf)).await;
        shop.refuses(void(again.id), not_voidable(NotVoidable::Settled)).await;
        audit::clean(&shop).await;
    });
}

/// 2026-05-17T10:00Z is 19:00 in Tokyo: five hours later it is the next day there, but still the same day
/// in UTC.
#[test]
fn a_sale_is_voided_on_its_own_day_in_the_shops_zone() {
    on_each(|shop| async move {
        shop.ok(SetShop { key: "zone".to_owned(), value: "Asia/Tokyo".to_owned(), who: "owner".to_owned() })
            .await;
        shop.ok(add(vec![counted("c1", "9", 100)])).await;
        let sell = || sale(vec![goods("c1", "1")], cash(100));
        let first = shop.ok(sell()).await;
        let second = shop.ok(sell()).await;
        shop.clock.advance_millis(4 * HOUR_MS);
        shop.ok(void(first.id)).await;
        shop.clock.advance_millis(HOUR_MS);
        shop.refuses(void(second.id), not_voidable(NotVoidable::NotToday)).await;
        let yesterday = Moment::parse_rfc3339("2026-05-17T14:59:59Z").unwrap();
        let slip = shop.ok(NewSale { at: Some(yesterday), ..sell() }).await;
        shop.refuses(void(slip.id), not_voidable(NotVoidable::NotToday)).await;
        let by = BooksBy { day: true, ..BooksBy::default() };
        let rows = shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
        let days: Vec<_> = rows.iter().map(|r| (r.day.unwrap(), r.figures.sales)).collect();
        assert_eq!(days, [(Day::parse("2026-05-17").unwrap(), 2)]);
        audit::clean(&shop).await;
    });
}
