//! An order with an absurd amount or quantity is rejected by itself, and the rest of its channel's day goes
//! on.

use crate::build::{books, line, order, stock_up, take, take_past, told};
use domain::money::{Currency, MAX_AMOUNT, Money};
use domain::order::{IncomingLine, IncomingOrder, LinePrice};
use ledger::orders::{OrderOutcome, TakeOrders};
use testkit::make::usd;
use testkit::shops;

fn most() -> Money {
    Money::from_minor(MAX_AMOUNT, Currency::USD).unwrap()
}

fn beyond() -> Money {
    Money::from_minor(MAX_AMOUNT + 1, Currency::USD).unwrap()
}

/// Each exceeds one limit; with the text of the rejection.
fn absurd() -> Vec<(IncomingOrder, &'static str)> {
    let whole = |price| IncomingLine { price: LinePrice::Line(price), ..line("KIT", "1", "12.00") };
    let one = || order("X", vec![line("KIT", "1", "12.00")]);
    vec![
        (order("X", vec![line("KIT", "1000001", "0.01")]), "Quantity(OverLimit"),
        (order("X", vec![line("KIT", "1000000", "1000.01")]), "Money(OverLimit"),
        (order("X", vec![whole(beyond())]), "Money(OverLimit"),
        (order("X", vec![whole(most()), line("ROV", "1", "0.01")]), "Money(OverLimit"),
        (IncomingOrder { shipping: beyond(), ..one() }, "Money(OverLimit"),
        (IncomingOrder { shipping: most(), ..one() }, "Money(OverLimit"),
        (IncomingOrder { fee: beyond(), ..one() }, "Money(OverLimit"),
        (order("X", vec![IncomingLine { tax: beyond(), ..line("KIT", "1", "12.00") }]), "Money(OverLimit"),
    ]
}

#[tokio::test]
async fn an_absurd_order_is_refused_alone() {
    for shop in shops().await {
        stock_up(&shop).await;
        for (order, expected) in absurd() {
            for past in [false, true] {
                let outcome = if past { take_past(&shop, &order).await } else { take(&shop, &order).await };
                let told = told(&outcome);
                assert!(told.starts_with("rejected: ") && told.contains(expected), "{}: {told}", shop.engine);
            }
        }
        assert_eq!(books(&shop).await, "nothing");
        // In a batch with others it is left out, and the others are booked.
        for past in [false, true] {
            let (absurd, _) = absurd().swap_remove(2);
            let good = order(if past { "A-2" } else { "A-1" }, vec![line("KIT", "1", "12.00")]);
            let batch = TakeOrders { orders: vec![absurd, good], past, who: "feed".to_owned() };
            let outcomes = shop.ledger.take_orders(&batch).await.unwrap();
            assert!(matches!(
                outcomes.as_slice(),
                [OrderOutcome::Rejected(_), OrderOutcome::Taken { filled: 1, .. }]
            ));
        }
        assert!(books(&shop).await.starts_with("2 sales, 2 units, 24.00 "), "{}", books(&shop).await);
        // At the limit itself twenty orders block nobody; a day used to take ten.
        for number in 0..20 {
            let mut dear = order(&format!("D-{number}"), vec![line("KIT", "1", "12.00")]);
            dear.lines[0].price = LinePrice::Line(most());
            assert!(matches!(take_past(&shop, &dear).await, OrderOutcome::Taken { .. }));
        }
        take(&shop, &order("A-3", vec![line("KIT", "1", "12.00")])).await;
        assert!(
            books(&shop).await.starts_with("23 sales, 23 units, 20000000036.00 "),
            "{}",
            books(&shop).await
        );
        assert_eq!(usd("1000000000.00"), most());
        shop.end().await;
    }
}
