//! History of another system.

use crate::build::{books, line, moment, order, refund, stock, stock_up, take, take_past, told, why};
use domain::channel::Channel;
use domain::item::{ItemPricing, ItemStock, ItemText};
use domain::money::Currency;
use domain::order::{IncomingOrder, LinePrice, OrderStatus};
use ledger::orders::{OrderOutcome, TakeOrders};
use ledger::sales::{NewSale, SaleLineIn, TenderIn};
use testkit::make::usd;
use testkit::shops;

fn named(name: &str, quantity: &str, price: LinePrice) -> domain::order::IncomingLine {
    domain::order::IncomingLine { code: None, name: name.to_owned(), price, ..line("X", quantity, "1.00") }
}

#[tokio::test]
async fn history_fills_the_books_and_leaves_the_shelf() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut old = order(
            "A-1",
            vec![
                named("Old shawl", "1", LinePrice::Each(usd("90.00"))),
                named("Cards", "3", LinePrice::Line(usd("10.00"))),
                named("Gift", "1", LinePrice::Each(usd("0.00"))),
            ],
        );
        (old.ordered, old.shipping, old.fee) = (moment(-24 * 400), usd("5.00"), usd("3.00"));
        assert_eq!(told(&take_past(&shop, &old).await), "taken, sale true, 3 filled, 0 short, 0 refunds");
        assert_eq!(told(&take_past(&shop, &old).await), "known, 0 refunds");
        assert_eq!(
            books(&shop).await,
            "1 sales, 5 units, 100.00 − 0.00 − 0.00 = 100.00, shipping 5.00, tax 0.00, fees 3.00, cost 0.00",
            "{}",
            shop.engine
        );
        assert_eq!(stock(&shop, "KIT").await, "5 / 0");
        let mut counted = order("A-2", vec![line("KIT", "2", "12.00")]);
        counted.ordered = moment(-24 * 300);
        take_past(&shop, &counted).await;
        assert_eq!(stock(&shop, "KIT").await, "5 / 0", "stock untouched");
        // A past order that arrives again by the live feed is known; with another body it is rejected.
        assert_eq!(told(&take(&shop, &counted).await), "known, 0 refunds");
        // A past refund is booked once, on its own past day.
        let back =
            IncomingOrder { lines: Vec::new(), refunds: vec![refund("R1", "KIT", "1")], ..counted.clone() };
        assert_eq!(told(&take_past(&shop, &back).await), "known, 1 refunds");
        assert!(books(&shop).await.contains("124.00 − 0.00 − 12.00 = 112.00"), "{}", books(&shop).await);
        let cancelled = IncomingOrder {
            status: OrderStatus::OrderCancelled,
            ..order("A-3", vec![line("KIT", "1", "12.00")])
        };
        assert_eq!(
            told(&take_past(&shop, &cancelled).await),
            "taken, sale false, 0 filled, 0 short, 0 refunds"
        );
        shop.end().await;
    }
}

#[tokio::test]
async fn no_piece_is_sold_in_the_past_and_now() {
    for shop in shops().await {
        stock_up(&shop).await;
        let refused = told(&take_past(&shop, &order("A-1", vec![line("P1", "1", "40.00")])).await);
        assert!(refused.contains("InStock { title: \"Thing P1\", sku: \"P1\""), "{refused}");
        take(&shop, &order("H-1", vec![line("P2", "1", "40.00")])).await;
        let refused = told(&take_past(&shop, &order("A-2", vec![line("P2", "1", "40.00")])).await);
        assert!(
            refused.contains("SoldAs { channel: \"online\"") && refused.contains("order: Some(\"H-1\")"),
            "{}: {refused}",
            shop.engine
        );
        // The reverse: sold in the past, then added to the shelf by mistake.
        take_past(&shop, &order("A-3", vec![line("P9", "1", "40.00")])).await;
        let again = ledger::shelf::AddItems {
            items: vec![ledger::shelf::NewItem { sku: Some(crate::build::code("P9")), ..new_piece() }],
            who: String::new(),
            progress: None,
        };
        shop.ledger.execute(None, &again).await.unwrap();
        let sale = NewSale {
            channel: Channel::store(),
            lines: vec![SaleLineIn::Goods {
                code: crate::build::code("P9"),
                quantity: crate::build::asked("1"),
                discount: crate::build::ZERO,
                tax: crate::build::ZERO,
            }],
            discount: crate::build::ZERO,
            shipping: crate::build::ZERO,
            tenders: vec![TenderIn::plain(domain::basket::TenderKind::Card, usd("40.00"))],
            customer: None,
            is_granted: false,
            hold: None,
            at: None,
            note: String::new(),
            who: String::new(),
        };
        let refused = why(&shop.ledger.execute(None, &sale).await.unwrap_err());
        assert!(refused.contains("AlreadySold") && refused.contains("order: Some(\"A-3\")"), "{refused}");
        shop.end().await;
    }
}

fn new_piece() -> ledger::shelf::NewItem {
    ledger::shelf::NewItem {
        text: ItemText { name: "Once more".to_owned(), ..ItemText::default() },
        sku: None,
        gtin: None,
        pricing: ItemPricing { price: Some(usd("40.00")), ..ItemPricing::none(Currency::USD) },
        stock: ItemStock::of(domain::stock::ItemKind::Piece),
    }
}

#[tokio::test]
async fn a_bad_order_leaves_its_neighbors() {
    for shop in shops().await {
        let mut orders: Vec<IncomingOrder> = (0..300)
            .map(|n| order(&format!("A-{n}"), vec![named("Cowl", "1", LinePrice::Each(usd("10.00")))]))
            .collect();
        orders[7].lines[0].discount = usd("11.00");
        orders[9] = IncomingOrder {
            lines: vec![named("Other", "1", LinePrice::Each(usd("1.00")))],
            ..orders[8].clone()
        };
        let batch = TakeOrders { orders, past: true, who: String::new() };
        let outcomes = shop.ledger.take_orders(&batch).await.unwrap();
        let rejected: Vec<usize> = outcomes
            .iter()
            .enumerate()
            .filter(|(_, o)| matches!(o, OrderOutcome::Rejected(_)))
            .map(|(at, _)| at)
            .collect();
        assert_eq!(rejected, [7, 9], "{}", shop.engine);
        assert!(books(&shop).await.starts_with("298 sales, 298 units, 2980.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}
