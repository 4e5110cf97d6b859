//! A day in the shop, from an empty database to its books.

use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, MINUTE_MS, on_each};
use crate::make::*;
use domain::basket::TenderKind;
use domain::stock::{ReturnDisposition, StockReason};
use ledger::books::{BooksBy, BooksQuery};
use ledger::orders::EndHold;
use ledger::sales::{DecideReturn, Pay, TenderIn, VoidSale};
use ledger::shelf::{Counted, Purpose, ShelfQuery, SweepHolds};

#[test]
fn a_day_in_the_shop() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        let mut by_rule = piece("hat", 0);
        by_rule.pricing.price = None;
        by_rule.pricing.style = Some("ridge BEANIE".to_owned());
        by_rule.pricing.weight = Some(weight("6.35 ONZ"));
        let added = shop
            .ok(add(vec![
                by_rule,
                piece("cowl", 4500),
                counted("kit", "5", 2000),
                by_ounce("roving", "32", 350),
            ]))
            .await;
        assert_eq!(added.len(), 4);
        assert_eq!(shop.ledger.item(&code("hat")).await.unwrap().price, usd(4800));
        shop.ok(adjust("kit", Counted::Less(asked("1"), StockReason::Damage))).await;
        let held = shop.ok(hold(&[("cowl", "1")], Purpose::Customer, None)).await;
        shop.refuses(sale_of("cowl", 4500), on_hold_for("Ada")).await;
        shop.ok(EndHold { id: held.id }).await;
        let basket_hold = shop.ok(basket(&[("hat", "1"), ("kit", "2")])).await;
        let sold = shop
            .ok(with_hold(sale(vec![goods("hat", "1"), goods("kit", "2")], cash(10_000)), basket_hold.id))
            .await;
        assert_eq!((sold.receipt, sold.totals.change), (1, usd(1200)));
        shop.refuses(sale_of("hat", 4800), already_sold("store", 1)).await;
        let later = TenderIn {
            customer: "Ada".to_owned(),
            due: Some(domain::day::Day::parse("2026-06-17").unwrap()),
            ..tender(TenderKind::OnAccount, 700)
        };
        let owed = shop.ok(sale(vec![goods("roving", "2")], vec![later])).await;
        let view = shop.ledger.sale(owed.id).await.unwrap();
        shop.ok(Pay {
            tender: view.tenders[0].id,
            kind: TenderKind::Cash,
            amount: usd(300),
            certificate: None,
            who: String::new(),
        })
        .await;
        let back = shop.ok(part(sold.id, sold.lines[1].id, Some("1"), ReturnDisposition::Shelf)).await;
        assert_eq!(back.given, usd(2000));
        let open = shop.ok(part(sold.id, sold.lines[0].id, None, ReturnDisposition::Open)).await;
        shop.ok(DecideReturn { line: open.lines[0].0, fate: ReturnDisposition::Shelf, who: String::new() })
            .await;
        let wrong = shop.ok(sale_of("cowl", 4500)).await;
        shop.ok(VoidSale { sale: wrong.id, reason: "wrong".to_owned(), who: String::new() }).await;
        shop.ok(basket(&[("cowl", "1")])).await;
        shop.clock.advance_millis(11 * MINUTE_MS);
        assert!(shop.ledger.has_expired_holds().await.unwrap());
        assert_eq!(shop.ok(SweepHolds).await, 1);
        shop.clock.advance_millis(DAY_MS);
        shop.ok(sale_of("cowl", 4500)).await;
        audit::clean(&shop).await;
        let by = BooksBy { day: false, month: true, channel: true };
        let books = shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
        assert_eq!(books.len(), 1);
        let figures = books[0].figures;
        // Hat, two kits, two ounces of roving, and the cowl the day after; a kit and the hat were returned.
        assert_eq!((figures.sales, figures.units), (3, 3));
        assert_eq!((figures.gross, figures.refunds), (usd(14_000), usd(6800)));
        let sold_out = shop.ledger.shelf(&ShelfQuery { sold_out: true }).await.unwrap();
        assert_eq!(sold_out.iter().map(|r| r.style.as_str()).collect::<Vec<_>>(), ["Item cowl"]);
    });
}
