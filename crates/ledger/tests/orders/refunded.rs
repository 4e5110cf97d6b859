//! Rows with negative quantity.

use crate::build::{books, line, noted, order, refund, stock, stock_up, take, told};
use domain::order::IncomingOrder;
use ledger::Rejection;
use ledger::orders::OrderOutcome;
use testkit::shops;

fn refunds_alone(of: &IncomingOrder, refunds: Vec<domain::order::IncomingRefund>) -> IncomingOrder {
    IncomingOrder { lines: Vec::new(), refunds, ..of.clone() }
}

#[tokio::test]
async fn each_refund_is_booked_once_and_never_more_than_was_sold() {
    for shop in shops().await {
        stock_up(&shop).await;
        let sold = order("H-1", vec![line("KIT", "3", "12.00")]);
        take(&shop, &sold).await;
        let part = refunds_alone(&sold, vec![refund("R1", "KIT", "1")]);
        for expected in ["known, 1 refunds", "known, 0 refunds"] {
            assert_eq!(told(&take(&shop, &part).await), expected, "{}", shop.engine);
        }
        assert_eq!(stock(&shop, "KIT").await, "2 / 0", "nothing back on the shelf by itself");
        let too_much = refunds_alone(&sold, vec![refund("R2", "KIT", "3")]);
        let refused = told(&take(&shop, &too_much).await);
        assert!(
            refused.contains(
                "Quantity { stock_units: 3, measure: Units }), left: Goods(Quantity { stock_units: 2,"
            ),
            "{refused}"
        );
        // Rejected as a whole: R2 can be sent again, corrected.
        let mended = refunds_alone(&sold, vec![refund("R2", "KIT", "2")]);
        assert_eq!(told(&take(&shop, &mended).await), "known, 1 refunds");
        assert!(books(&shop).await.contains("36.00 − 0.00 − 36.00 = 0.00"), "{}", books(&shop).await);
        let expected = ["$24.00 refunded; refund R2 of order H-1", "$12.00 refunded; refund R1 of order H-1"];
        assert_eq!(noted(&shop).await, expected, "{}: each once, none of the refused one", shop.engine);
        shop.end().await;
    }
}

#[tokio::test]
async fn a_part_of_what_waits_is_not_given_back_by_itself() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &order("H-1", vec![line("KIT", "4", "12.00")])).await;
        let short = order("H-2", vec![line("KIT", "2", "12.00")]);
        take(&shop, &short).await;
        let part = take(&shop, &refunds_alone(&short, vec![refund("R1", "KIT", "1")])).await;
        let waits =
            OrderOutcome::Rejected(Rejection::RefundWaits { number: "H-2".into(), refund: "R1".into() });
        assert_eq!(part, waits, "{}", shop.engine);
        assert_eq!(shop.ledger.orders(None, true, 10).await.unwrap().len(), 1, "both wait still");
        let whole = refunds_alone(&short, vec![refund("R1", "KIT", "2")]);
        assert_eq!(told(&take(&shop, &whole).await), "known, 1 refunds");
        assert!(shop.ledger.orders(None, true, 10).await.unwrap().is_empty());
        shop.end().await;
    }
}

#[tokio::test]
async fn a_refund_may_come_with_its_order_and_of_a_short_line() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut both = order("H-1", vec![line("KIT", "3", "12.00")]);
        both.refunds = vec![refund("R1", "KIT", "1")];
        assert_eq!(told(&take(&shop, &both).await), "taken, sale true, 1 filled, 0 short, 1 refunds");
        // A body with one more refund counts as the same body.
        both.refunds.push(refund("R2", "KIT", "1"));
        assert_eq!(told(&take(&shop, &both).await), "known, 1 refunds", "{}", shop.engine);
        // A short line was never in the books: its refund only settles the line.
        take(&shop, &order("H-2", vec![line("P1", "1", "40.00")])).await;
        let short = order("H-3", vec![line("P1", "1", "40.00")]);
        take(&shop, &short).await;
        let before = books(&shop).await;
        assert_eq!(
            told(&take(&shop, &refunds_alone(&short, vec![refund("R1", "P1", "1")])).await),
            "known, 1 refunds"
        );
        assert_eq!(books(&shop).await, before);
        assert!(shop.ledger.orders(None, true, 10).await.unwrap().is_empty());
        let unknown = refunds_alone(&order("H-7", Vec::new()), vec![refund("R1", "P1", "1")]);
        let told = told(&take(&shop, &unknown).await);
        assert!(told.contains("UnknownOrder { number: OrderNumber(\"H-7\")"), "{told}");
        shop.end().await;
    }
}
