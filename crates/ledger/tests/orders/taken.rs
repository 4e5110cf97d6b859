//! New orders.

use crate::build::{books, code, line, order, stock, stock_up, take, told};
use domain::channel::Channel;
use domain::order::{IncomingOrder, LinePrice, OrderStatus};
use ledger::orders::{OrderLineState, TakeOrders};
use testkit::make::usd;
use testkit::shops;

#[tokio::test]
async fn a_paid_order_is_one_sale_of_its_filled_lines() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut asked = order(
            "H-1",
            vec![line("P1", "1", "40.00"), line("KIT", "2", "12.00"), line("ROV", "2.5", "3.00")],
        );
        (asked.discount, asked.shipping, asked.fee) = (usd("7.15"), usd("6.00"), usd("2.10"));
        asked.lines[0].tax = usd("2.50");
        assert_eq!(
            told(&take(&shop, &asked).await),
            "taken, sale true, 3 filled, 0 short, 0 refunds",
            "{}",
            shop.engine
        );
        assert_eq!(stock(&shop, "P1").await, "0 / 0");
        assert_eq!(stock(&shop, "KIT").await, "3 / 0");
        assert_eq!(stock(&shop, "ROV").await, "29.5 oz / 0 oz");
        assert_eq!(
            books(&shop).await,
            "1 sales, 4 units, 71.50 − 7.15 − 0.00 = 64.35, shipping 6.00, tax 2.50, fees 2.10, cost 55.00"
        );
        // The same again changes nothing.
        assert_eq!(told(&take(&shop, &asked).await), "known, 0 refunds");
        assert_eq!(stock(&shop, "KIT").await, "3 / 0");
        // Another body with the same number is rejected.
        asked.shipping = usd("7.00");
        let refused = told(&take(&shop, &asked).await);
        assert!(refused.contains("OrderDiffers"), "{refused}");
        shop.end().await;
    }
}

/// A list of orders may contain one twice if the list grows while its pages are read.
#[tokio::test]
async fn an_order_that_a_list_names_twice_is_taken_once() {
    for shop in shops().await {
        stock_up(&shop).await;
        let asked = order("H-1", vec![line("KIT", "2", "12.00")]);
        let mut later = asked.clone();
        later.modified = Some(later.ordered.plus_millis(60_000));
        later.status = OrderStatus::OrderCancelled;
        let orders = vec![asked.clone(), asked.clone(), later, asked];
        let batch = TakeOrders { orders, past: false, who: "sync".to_owned() };
        let told: Vec<String> = shop.ledger.take_orders(&batch).await.unwrap().iter().map(told).collect();
        assert_eq!(told[..2], ["taken, sale true, 1 filled, 0 short, 0 refunds", "known, 0 refunds"]);
        assert_eq!(stock(&shop, "KIT").await, "5 / 0", "{}: {told:?}", shop.engine);
        shop.end().await;
    }
}

#[tokio::test]
async fn a_line_is_filled_whole_or_short_whole() {
    for shop in shops().await {
        stock_up(&shop).await;
        assert_eq!(
            told(&take(&shop, &order("H-1", vec![line("P1", "1", "40.00")])).await),
            "taken, sale true, 1 filled, 0 short, 0 refunds"
        );
        let mut second =
            order("H-2", vec![line("P1", "1", "40.00"), line("KIT", "6", "12.00"), line("P2", "1", "40.00")]);
        (second.discount, second.shipping) = (usd("15.20"), usd("5.00"));
        assert_eq!(
            told(&take(&shop, &second).await),
            "taken, sale true, 1 filled, 2 short, 0 refunds",
            "{}",
            shop.engine
        );
        // 15.20 over 40 + 72 + 40: the filled third carries 4.00 of it, the short ones keep their share.
        assert_eq!(
            books(&shop).await,
            "2 sales, 2 units, 80.00 − 4.00 − 0.00 = 76.00, shipping 5.00, tax 0.00, fees 0.00, cost 20.00"
        );
        assert_eq!(stock(&shop, "KIT").await, "5 / 0");
        let waiting = shop.ledger.orders(None, true, 10).await.unwrap();
        let states: Vec<_> = waiting[0].lines.iter().map(|l| l.state).collect();
        assert_eq!(states, [OrderLineState::Short, OrderLineState::Short, OrderLineState::Filled]);
        // If no line is filled there is no sale, and shipping and fee wait too.
        let mut third = order("H-3", vec![line("P1", "1", "40.00")]);
        (third.shipping, third.fee) = (usd("5.00"), usd("1.00"));
        assert_eq!(told(&take(&shop, &third).await), "taken, sale false, 0 filled, 1 short, 0 refunds");
        assert!(books(&shop).await.starts_with("2 sales"), "{}", books(&shop).await);
        // The same piece twice in one order: one line is filled, the other short.
        let twice = order("H-4", vec![line("P3", "1", "40.00"), line("P3", "1", "40.00")]);
        assert_eq!(told(&take(&shop, &twice).await), "taken, sale true, 1 filled, 1 short, 0 refunds");
        shop.end().await;
    }
}

#[tokio::test]
async fn an_unpaid_order_holds_and_sells_nothing() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut asked = order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "2", "12.00")]);
        asked.status = OrderStatus::OrderPaymentDue;
        assert_eq!(told(&take(&shop, &asked).await), "taken, 0 filled, 2 held, 0 short, 0 refunds");
        assert_eq!(
            (stock(&shop, "P1").await, stock(&shop, "KIT").await),
            ("1 / 1".to_owned(), "5 / 2".to_owned())
        );
        assert_eq!(books(&shop).await, "nothing");
        let open = shop.ledger.open_holds(None, 10).await.unwrap();
        assert_eq!((open.len(), open[0].for_whom.as_str(), open[0].lines.len()), (1, "order H-1", 2));
        shop.end().await;
    }
}

#[tokio::test]
async fn what_is_wrong_is_rejected_whole_and_named() {
    for shop in shops().await {
        stock_up(&shop).await;
        let with = |change: fn(&mut IncomingOrder)| {
            let mut asked = order("H-9", vec![line("P1", "1", "40.00"), line("KIT", "1", "12.00")]);
            change(&mut asked);
            asked
        };
        let cases: [(IncomingOrder, &str); 8] = [
            (with(|o| o.lines[1] = line("NONE", "1", "1.00")), "UnknownCode { code: \"NONE\""),
            (
                with(|o| o.lines[1].quantity = crate::build::asked("1.5")),
                "\"orderQuantity\", reason: Quantity(NotWhole { value: 1.5",
            ),
            (
                with(|o| o.lines[1].discount = usd("12.01")),
                "DiscountTooLarge { discount: 12.01 USD, amount: 12.00 USD",
            ),
            (
                with(|o| o.discount = usd("52.01")),
                "DiscountTooLarge { discount: 52.01 USD, amount: 52.00 USD",
            ),
            (with(|o| o.lines[1].price = LinePrice::Each(usd("-1.00"))), "Orders(NegativePrice)"),
            (
                with(|o| o.channel = Channel::parse("fair").unwrap()),
                "UnknownChannel { channel: Channel(\"fair\")",
            ),
            (with(|o| o.ordered = crate::build::moment(25)), "TooFarAhead"),
            (with(|o| o.lines[1].name = "4000 0000 0000 0002".to_owned()), "CardNumber"),
        ];
        for (asked, expected) in cases {
            let told = told(&take(&shop, &asked).await);
            assert!(told.contains(expected), "{}: {told}", shop.engine);
            assert_eq!(stock(&shop, "P1").await, "1 / 0", "nothing half taken: {expected}");
        }
        // An in-store code with one wrong digit is reported as such.
        let in_store = shop.ledger.item(&crate::build::code("P1")).await.unwrap().in_store;
        let last = if in_store.ends_with('0') { '1' } else { '0' };
        let wrong = format!("{}{last}", &in_store[..12]);
        let told = told(&take(&shop, &order("H-8", vec![line(&wrong, "1", "40.00")])).await);
        assert!(told.contains("WrongDigit"), "{told}");
        assert_eq!(books(&shop).await, "nothing");
        shop.end().await;
    }
}

#[tokio::test]
async fn a_dry_run_says_the_same_and_books_nothing() {
    for shop in shops().await {
        stock_up(&shop).await;
        let orders = vec![
            order("H-1", vec![line("P1", "1", "40.00")]),
            order("H-2", vec![line("NONE", "1", "40.00")]),
        ];
        let batch = ledger::orders::TakeOrders { orders, past: false, who: String::new() };
        let dry: Vec<_> = shop.ledger.try_orders(&batch).await.unwrap().iter().map(told).collect();
        assert_eq!(
            (stock(&shop, "P1").await, books(&shop).await),
            ("1 / 0".to_owned(), "nothing".to_owned())
        );
        let real: Vec<_> = shop.ledger.take_orders(&batch).await.unwrap().iter().map(told).collect();
        assert_eq!(dry, real, "{}", shop.engine);
        assert_eq!(stock(&shop, "P1").await, "0 / 0");
        shop.end().await;
    }
}

/// 3.1% of the 40.00 and 6.00 that were paid is 1.426, and 0.25 per sale.
#[tokio::test]
async fn a_channels_fee_stands_in_where_an_order_says_none() {
    for shop in shops().await {
        stock_up(&shop).await;
        let set = ledger::keeping::SetShop {
            key: "fee.online".to_owned(),
            value: "3.1% + 0.25".to_owned(),
            who: "owner".to_owned(),
        };
        shop.ledger.execute(None, &set).await.unwrap();
        let mut silent = order("H-1", vec![line("P1", "1", "40.00")]);
        silent.shipping = usd("6.00");
        take(&shop, &silent).await;
        assert!(books(&shop).await.contains("fees 1.68"), "{}: {}", shop.engine, books(&shop).await);
        let mut said = order("H-2", vec![line("P2", "1", "40.00")]);
        said.fee = usd("2.10");
        take(&shop, &said).await;
        assert!(books(&shop).await.contains("fees 3.78"), "{}: {}", shop.engine, books(&shop).await);
        // History stays as it was.
        let past = crate::build::take_past(&shop, &order("H-0", vec![line("OLD", "1", "40.00")])).await;
        assert!(told(&past).starts_with("taken"), "{}", told(&past));
        assert!(books(&shop).await.contains("3 sales") && books(&shop).await.contains("fees 3.78"));
        shop.end().await;
    }
}

#[tokio::test]
async fn an_order_that_is_over_when_it_is_first_seen_has_its_goods_told_anew() {
    for shop in shops().await {
        stock_up(&shop).await;
        let revision = async |sku: &str| shop.ledger.item(&code(sku)).await.unwrap().revision;
        let before = [revision("KIT").await, revision("P1").await];
        let mut over = order("H-1", vec![line("KIT", "2", "12.00")]);
        over.status = OrderStatus::OrderCancelled;
        assert_eq!(told(&take(&shop, &over).await), "taken, sale false, 0 filled, 0 short, 0 refunds");
        assert_eq!(stock(&shop, "KIT").await, "5 / 0");
        take(&shop, &over).await;
        // The online shop may not have removed what it sold; once, however often the order arrives.
        assert_eq!(
            [revision("KIT").await, revision("P1").await],
            [before[0] + 1, before[1]],
            "{}",
            shop.engine
        );
        shop.end().await;
    }
}
