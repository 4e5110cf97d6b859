//! What a receipt says: each line keeps its weight and rule, a refund has its own slip, and past sales are found.

use crate::audit;
use crate::harness::{DAY_MS, START, Shop, on_each};
use crate::make::*;
use crate::sales::owed;
use domain::basket::TenderKind::Card;
use domain::ids::{RefundId, SaleId};
use domain::item::TextField;
use domain::order::{Customer, IncomingLine, IncomingOrder, LinePrice, OrderNumber, OrderStatus};
use domain::pricing::{PriceRule, WeightRate};
use domain::stock::{ItemKind, ReturnDisposition};
use ledger::Rejection;
use ledger::orders::TakeOrders;
use ledger::rejection::{ShelfReason, Thing};
use ledger::sales::{MAX_SALES_READ, NewRefund, NewSale, RefundTender, SalesQuery, TenderIn};
use ledger::shelf::{NewItem, RepriceStyle, RowOutcome};

/// A piece of the style “Ridge beanie”: 6.35 oz × $7.50 = $47.63, rounded to $48.00.
fn weighed(sku: &str, price: Option<i64>) -> NewItem {
    with(item(ItemKind::Piece, sku), |i| {
        i.pricing.style = Some("Ridge beanie".to_owned());
        i.pricing.weight = Some(weight("6.35 ONZ"));
        i.pricing.price = price.map(usd);
    })
}

async fn stocked(shop: &Shop) {
    shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
    shop.ok(add(vec![weighed("p1", None), weighed("p2", Some(4000)), by_ounce("w1", "32", 300)])).await;
}

/// Law 6: a new rate, a new ending and another weight change nothing of what was sold.
#[test]
fn a_sold_line_keeps_its_weight_and_the_way_to_its_price() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let lines = vec![goods("p1", "1"), goods("p2", "1"), goods("w1", "2.5")];
        let sold = shop.ok(sale(lines, cash(10_000))).await;
        let before = shop.ledger.sale(sold.id).await.unwrap();
        let shown: Vec<_> = before
            .lines
            .iter()
            .map(|line| {
                let pricing = line.weighed.and_then(|weighed| weighed.pricing);
                (line.weighed.map(|w| w.weight.to_string()), pricing.map(|p| p.calculation.to_string()))
            })
            .collect();
        let oz = || Some("6.35 oz".to_owned());
        let way = "6.35 oz × 7.50 an ounce = 47.63 → 48.00".to_owned();
        assert_eq!(shown, [(oz(), Some(way)), (oz(), None), (None, None)]);
        let style = shop.ledger.styles().await.unwrap().remove(0);
        let rate = WeightRate::parse("9.00", "GRM").unwrap();
        let rule = PriceRule { rate, minimum: Some(usd(99_000)), ..style.rule };
        let mark = shop.ledger.preview_reprice(style.id, &rule).await.unwrap().mark;
        let (style, revision) = (style.id, style.revision);
        shop.ok(RepriceStyle { style, revision, rule, mark, who: "maker".to_owned() }).await;
        assert_eq!(shop.ledger.sale(sold.id).await.unwrap(), before);
        audit::clean(&shop).await;
    });
}

/// The slip's sums are those of the refund, and what came back of a line is on it.
#[test]
fn a_refund_has_a_slip() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let lines = vec![less("p1", "1", 800, 240), goods("w1", "2")];
        let sold = shop.ok(NewSale { shipping: usd(500), ..sale(lines, card(5340)) }).await;
        let back = part(sold.id, sold.lines[0].id, Some("1"), ReturnDisposition::Shelf);
        let back = NewRefund { shipping: usd(500), tender: RefundTender::All(Card), ..back };
        let done = shop.ok(back).await;
        let slip = shop.ledger.refund(done.id).await.unwrap();
        assert_eq!((slip.sale, slip.receipt, slip.given), (sold.id, Some(1), usd(4740)));
        assert_eq!((slip.tax, slip.shipping, slip.rounding), (usd(240), usd(500), usd(0)));
        assert_eq!(slip.tenders, [(Card, usd(4740))]);
        let line = &slip.lines[0];
        assert_eq!((slip.lines.len(), line.title.as_str(), line.code.as_str()), (1, "Item p1", "p1"));
        assert_eq!((line.quantity.stock_units(), line.amount, line.discount), (1, usd(4800), usd(800)));
        let none = shop.ledger.refund(RefundId::from_raw(7)).await;
        let expected = Rejection::no_such(Thing::Refund, 7);
        assert!(matches!(none, Err(ledger::CommandError::Rejected(r)) if *r == expected));
    });
}

/// A scan of such a SKU would mean an item and a receipt.
#[test]
fn a_sku_never_reads_as_a_receipt() {
    on_each(|shop| async move {
        let outcomes = shop.ok(add(vec![piece("rcpt000001", 100), piece("RCPT-1", 100)])).await;
        let refused = Rejection::invalid("sku", ShelfReason::ReceiptCode);
        assert_eq!(outcomes[0], RowOutcome::Refused(refused));
        assert!(matches!(outcomes[1], RowOutcome::Added(_)));
    });
}

async fn found(shop: &Shop, query: SalesQuery) -> Vec<SaleId> {
    shop.ledger.find_sales(&query, None, 10).await.unwrap().sales.iter().map(|sale| sale.id).collect()
}

#[test]
fn past_sales_are_found_by_sum_title_and_customer() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let named = of(piece("hat", 4100), [(TextField::Name, "Moor cowl, Grün")]);
        shop.ok(add(vec![named])).await;
        let first = shop.ok(sale(vec![goods("p1", "1")], cash(5000))).await;
        shop.clock.advance_millis(DAY_MS);
        let second = shop
            .ok(sale(
                vec![goods("hat", "1")],
                vec![TenderIn { customer: "Rowan Hill".to_owned(), ..owed(4100) }],
            ))
            .await;
        let due = |minor| SalesQuery { due: Some(usd(minor)), ..SalesQuery::default() };
        assert_eq!(found(&shop, due(4800)).await, [first.id], "the sum without the change");
        assert_eq!(found(&shop, due(5000)).await, []);
        let words = |words: &str| SalesQuery { words: words.to_owned(), ..SalesQuery::default() };
        for (asked, expected) in [
            ("grun COWL", vec![second.id]),
            ("rowan", vec![second.id]),
            ("hill moor", vec![second.id]),
            ("p1", vec![first.id]),
            ("item hill", vec![]),
        ] {
            assert_eq!(found(&shop, words(asked)).await, expected, "{asked}");
        }
        assert_eq!(found(&shop, SalesQuery { words: "cowl".to_owned(), ..due(4100) }).await, [second.id]);
    });
}

/// So many sales of another system's past.
async fn fill(shop: &Shop, count: usize) {
    const AT_ONCE: usize = 500;
    let zero = usd(0);
    let order = |n: usize| IncomingOrder {
        channel: channel("online"),
        number: OrderNumber::parse(&format!("H-{n}")).unwrap(),
        ordered: START,
        modified: None,
        status: OrderStatus::OrderProcessing,
        lines: vec![IncomingLine {
            code: Some(code("old")),
            name: String::new(),
            quantity: asked("1"),
            price: LinePrice::Each(usd(100)),
            discount: zero,
            tax: zero,
        }],
        refunds: Vec::new(),
        discount: zero,
        shipping: zero,
        fee: zero,
        customer: Customer::default(),
    };
    let numbers: Vec<usize> = (0..count).collect();
    for chunk in numbers.chunks(AT_ONCE) {
        let orders = chunk.iter().map(|n| order(*n)).collect();
        shop.ledger.take_orders(&TakeOrders { orders, past: true, who: "Ada".to_owned() }).await.unwrap();
    }
}

/// A search reads so many sales and no more, says so, and goes on from there.
#[test]
fn a_search_for_words_goes_back_step_by_step() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("rare", 4100), counted("c1", "1000000", 1)])).await;
        let rare = shop.ok(sale_of("rare", 4100)).await;
        fill(&shop, MAX_SALES_READ).await;
        let query = SalesQuery { words: "rare".to_owned(), ..SalesQuery::default() };
        let near = shop.ledger.find_sales(&query, None, 10).await.unwrap();
        assert_eq!(near.sales, []);
        assert!(near.next.is_some() && near.read_back_to.is_some(), "{near:?}");
        let far = shop.ledger.find_sales(&query, near.next, 10).await.unwrap();
        assert_eq!(far.sales.iter().map(|sale| sale.id).collect::<Vec<_>>(), [rare.id]);
        assert_eq!((far.next, far.read_back_to), (None, None));
    });
}
