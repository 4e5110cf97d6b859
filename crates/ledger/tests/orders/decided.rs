//! What a person decides about a short line, and what the online shop sends about it later.

use crate::build::{asked, books, code, later, line, order, refund, stock, stock_up, take, told, why};
use domain::day::Moment;
use domain::order::{Customer, IncomingOrder, OrderStatus};
use ledger::orders::{DecideLine, EndHold, LineChoice, LineDecided, OrderDetail, OrderLineState};
use ledger::shelf::{HoldLine, NewHold, Purpose};
use ledger::{CommandError, Key};
use testkit::make::usd;
use testkit::{TestShop, shops};

/// The order with this number, with all details.
async fn detail(shop: &TestShop, number: &str) -> OrderDetail {
    let orders = shop.ledger.orders(None, false, 99).await.unwrap();
    let found = orders.iter().find(|o| o.number == number).unwrap_or_else(|| panic!("no order {number}"));
    shop.ledger.order(found.id).await.unwrap()
}

/// Decides about the order's first short line.
async fn decide(shop: &TestShop, number: &str, choice: LineChoice) -> Result<LineDecided, CommandError> {
    let detail = detail(shop, number).await;
    let line = detail.lines.iter().find(|l| l.waits).unwrap_or_else(|| panic!("nothing of {number} waits"));
    let command = DecideLine {
        order: detail.order.id,
        line: line.line.id,
        choice,
        reason: "agreed by mail".to_owned(),
        who: "maker".to_owned(),
    };
    shop.ledger.execute(None, &command).await.map(|done| done.answer)
}

fn instead(sku: &str) -> LineChoice {
    LineChoice::Substitute(code(sku))
}

/// The order's lines: their codes and states.
async fn lines(shop: &TestShop, number: &str) -> String {
    let lines = detail(shop, number).await.lines;
    let shown: Vec<String> = lines
        .iter()
        .map(|l| {
            let chosen = l.chosen.as_ref().map(|c| format!(" {}", c.choice)).unwrap_or_default();
            format!("{} {:?}{chosen}", l.line.code, l.line.state)
        })
        .collect();
    shown.join(", ")
}

async fn clean(shop: &TestShop) {
    let report = shop.ledger.check(|_| ()).await.unwrap();
    assert!(report.is_clean(), "{}: {:?}", shop.engine, report.findings);
}

/// P1 is sold to somebody else, then H-2 asks for it, with shipping and fee.
async fn short_order(shop: &TestShop) -> IncomingOrder {
    stock_up(shop).await;
    take(shop, &order("H-1", vec![line("P1", "1", "40.00")])).await;
    let mut short = later(&order("H-2", vec![line("P1", "1", "38.00")]), 1);
    short.shipping = usd("6.00");
    short.fee = usd("2.00");
    short.lines[0].discount = usd("3.00");
    short.lines[0].tax = usd("2.80");
    short.customer = Customer { name: "Ann Example".to_owned(), email: String::new() };
    assert_eq!(told(&take(shop, &short).await), "taken, sale false, 0 filled, 1 short, 0 refunds");
    short
}

/// P1 is sold to somebody else, then H-2 asks for it and for a kit.
async fn half_order(shop: &TestShop) -> IncomingOrder {
    stock_up(shop).await;
    take(shop, &order("H-1", vec![line("P1", "1", "40.00")])).await;
    let mut half = later(&order("H-2", vec![line("P1", "1", "38.00"), line("KIT", "1", "12.00")]), 1);
    half.shipping = usd("6.00");
    assert_eq!(told(&take(shop, &half).await), "taken, sale true, 1 filled, 1 short, 0 refunds");
    half
}

#[tokio::test]
async fn another_piece_makes_the_orders_one_sale_for_the_same_money() {
    for shop in shops().await {
        short_order(&shop).await;
        let done = decide(&shop, "H-2", instead("P2")).await.unwrap();
        assert_eq!(done.number, "H-2");
        let sale = shop.ledger.sale(done.sale.unwrap()).await.unwrap();
        assert_eq!((sale.lines[0].line.code.as_str(), sale.totals.shipping), ("P2", usd("6.00")));
        assert_eq!(stock(&shop, "P2").await, "0 / 0");
        assert_eq!(
            books(&shop).await,
            "2 sales, 2 units, 78.00 − 3.00 − 0.00 = 75.00, shipping 6.00, tax 2.80, fees 2.00, cost 20.00",
            "{}",
            shop.engine
        );
        assert_eq!(lines(&shop, "H-2").await, "P1 Undone substituted, P2 Filled");
        assert!(shop.ledger.orders(None, true, 9).await.unwrap().is_empty(), "nothing waits");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_sale_that_stands_does_not_grow_a_further_one_is_made() {
    for shop in shops().await {
        half_order(&shop).await;
        let done = decide(&shop, "H-2", instead("P2")).await.unwrap();
        assert_eq!(done.number, "H-2");
        let detail = detail(&shop, "H-2").await;
        assert_eq!(detail.sales, [detail.order.sale.unwrap(), done.sale.unwrap()]);
        let further = shop.ledger.sale(done.sale.unwrap()).await.unwrap();
        assert!(further.totals.shipping.is_zero(), "the first sale has it");
        let sold = detail.lines[0].chosen.clone().unwrap().sold.unwrap();
        assert_eq!(sold.code.as_str(), "P2");
        // H-1 and H-2: each order counts once.
        assert_eq!(
            books(&shop).await,
            "2 sales, 3 units, 90.00 − 0.00 − 0.00 = 90.00, shipping 6.00, tax 0.00, fees 0.00, cost 30.00"
        );
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn money_that_never_was_in_the_books_goes_back_outside_them() {
    for shop in shops().await {
        short_order(&shop).await;
        let done = decide(&shop, "H-2", LineChoice::Refund).await.unwrap();
        assert_eq!((done.goods_back, done.shipping_back), (Some(usd("37.80")), Some(usd("6.00"))));
        assert_eq!(done.sale, None);
        assert!(books(&shop).await.starts_with("1 sales, 1 units, 40.00"), "{}", books(&shop).await);
        clean(&shop).await;
        shop.end().await;
    }
    for shop in shops().await {
        half_order(&shop).await;
        let done = decide(&shop, "H-2", LineChoice::Refund).await.unwrap();
        assert_eq!(
            (done.goods_back, done.shipping_back),
            (Some(usd("38.00")), None),
            "the sale has the shipping"
        );
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn shipping_goes_back_with_the_last_line_alone() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &order("H-1", vec![line("P1", "1", "40.00"), line("P2", "1", "40.00")])).await;
        let mut short = order("H-2", vec![line("P1", "1", "40.00"), line("P2", "1", "40.00")]);
        short.shipping = usd("6.00");
        take(&shop, &short).await;
        let mut back = Vec::new();
        for _ in 0..2 {
            back.push(decide(&shop, "H-2", LineChoice::Refund).await.unwrap().shipping_back);
        }
        assert_eq!(back, [None, Some(usd("6.00"))], "{}", shop.engine);
        clean(&shop).await;
        shop.end().await;
    }
}

async fn hold(shop: &TestShop, sku: &str, quantity: &str, purpose: Purpose) -> domain::ids::HoldGroupId {
    let lines = vec![HoldLine { code: code(sku), quantity: asked(quantity) }];
    let until: Option<Moment> = None;
    let new = NewHold { lines, purpose, for_whom: "Linden".to_owned(), customer: None, until };
    shop.ledger.execute(None, &new).await.unwrap().answer.id
}

#[tokio::test]
async fn a_line_is_released_from_a_hold_that_blocks_it() {
    for shop in shops().await {
        stock_up(&shop).await;
        let group = hold(&shop, "KIT", "5", Purpose::Market).await;
        take(&shop, &order("H-1", vec![line("KIT", "2", "12.00")])).await;
        let waiting = detail(&shop, "H-1").await.lines.remove(0);
        assert_eq!((waiting.is_free, waiting.holds.len(), waiting.holds[0].id), (false, 1, group));
        let done = decide(&shop, "H-1", LineChoice::Release(group)).await.unwrap();
        assert!(done.sale.is_some());
        assert_eq!(stock(&shop, "KIT").await, "3 / 3", "the rest stays set aside");
        let rest = shop.ledger.open_holds(None, 9).await.unwrap();
        assert_eq!((rest.len(), rest[0].id, rest[0].for_whom.as_str()), (1, group, "Linden"));
        shop.ledger.execute(None, &EndHold { id: group }).await.unwrap();
        assert_eq!(stock(&shop, "KIT").await, "3 / 0");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn what_return_decision_or_is_set_aside_for_the_line_fills_it() {
    for shop in shops().await {
        stock_up(&shop).await;
        let group = hold(&shop, "P1", "1", Purpose::Customer).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        take(&shop, &first).await;
        shop.ledger.execute(None, &EndHold { id: group }).await.unwrap();
        assert!(detail(&shop, "H-1").await.lines[0].is_free);
        decide(&shop, "H-1", LineChoice::Fill).await.unwrap();
        assert_eq!(stock(&shop, "P1").await, "0 / 0");
        // The online shop adds a line to the paid order: a further sale.
        let mut more = later(&first, 2);
        more.lines.push(line("P2", "1", "40.00"));
        take(&shop, &more).await;
        assert_eq!((stock(&shop, "P2").await.as_str(), detail(&shop, "H-1").await.sales.len()), ("0 / 0", 2));
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn what_cannot_be_is_refused_and_leaves_everything() {
    for shop in shops().await {
        short_order(&shop).await;
        let basket = hold(&shop, "P3", "1", Purpose::Basket).await;
        take(&shop, &order("H-3", vec![line("P3", "1", "40.00")])).await;
        let before = (lines(&shop, "H-2").await, books(&shop).await);
        let refusals = [
            ("H-2", instead("P1"), "NotASubstitute { title: \"Thing P1\""),
            ("H-2", instead("NOTHING"), "UnknownCode { code: \"NOTHING\""),
            ("H-2", instead("ROV"), "OtherUnit"),
            ("H-2", instead("P3"), "Name(\"Linden\")"),
            ("H-2", LineChoice::Fill, "AlreadySold"),
            ("H-2", LineChoice::Release(basket), "HoldOfOtherItem"),
            ("H-3", LineChoice::Release(basket), "HoldBeingPaid"),
            (
                "H-3",
                LineChoice::Release(domain::ids::HoldGroupId::from_raw(7)),
                "NoSuch { what: Hold, id: \"7\"",
            ),
        ];
        for (number, choice, expected) in refusals {
            let refused = why(&decide(&shop, number, choice.clone()).await.unwrap_err());
            assert!(refused.contains(expected), "{}, {choice:?}: {refused}", shop.engine);
        }
        assert_eq!((lines(&shop, "H-2").await, books(&shop).await), before);
        // Not paid, canceled, and decided before.
        let unpaid = order("H-4", vec![line("P1", "1", "40.00")]);
        take(&shop, &IncomingOrder { status: OrderStatus::OrderPaymentDue, ..unpaid }).await;
        let unpaid = detail(&shop, "H-4").await;
        assert!(!unpaid.lines[0].waits);
        let refund = |of: &OrderDetail| DecideLine {
            order: of.order.id,
            line: of.lines[0].line.id,
            choice: LineChoice::Refund,
            reason: String::new(),
            who: "maker".to_owned(),
        };
        let said = why(&shop.ledger.execute(None, &refund(&unpaid)).await.unwrap_err());
        assert!(said.contains("NotPaid"), "{said}");
        let short = detail(&shop, "H-2").await;
        shop.ledger.execute(None, &refund(&short)).await.unwrap();
        let said = why(&shop.ledger.execute(None, &refund(&short)).await.unwrap_err());
        assert!(said.contains("choice: \"refunded\", who: \"maker\""), "{said}");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn the_same_key_chooses_once() {
    for shop in shops().await {
        half_order(&shop).await;
        let of = detail(&shop, "H-2").await;
        let line = of.lines.iter().find(|l| l.waits).unwrap().line.id;
        let (reason, who) = (String::new(), "maker".to_owned());
        let command = DecideLine { order: of.order.id, line, choice: instead("P2"), reason, who };
        let key = Key::new("maker POST /x", "k1", b"body").unwrap();
        let first = shop.ledger.execute(Some(&key), &command).await.unwrap();
        let again = shop.ledger.execute(Some(&key), &command).await.unwrap();
        assert_eq!((first.answer, false, true), (again.answer, first.replayed, again.replayed));
        assert_eq!(stock(&shop, "P2").await, "0 / 0");
        shop.end().await;
    }
}

/// Both at once, and one of them wins: the line is decided once, the piece sold once.
#[tokio::test]
async fn two_people_choose_at_once() {
    for shop in shops().await {
        half_order(&shop).await;
        let of = detail(&shop, "H-2").await;
        let line = of.lines.iter().find(|l| l.waits).unwrap().line.id;
        let command = |choice| DecideLine {
            order: of.order.id,
            line,
            choice,
            reason: String::new(),
            who: "maker".to_owned(),
        };
        let (one, two) = (command(instead("P2")), command(instead("P3")));
        let (one, two) = tokio::join!(shop.ledger.execute(None, &one), shop.ledger.execute(None, &two));
        assert_eq!([one.is_ok(), two.is_ok()].iter().filter(|ok| **ok).count(), 1, "{one:?} {two:?}");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_later_state_leaves_what_was_chosen() {
    for shop in shops().await {
        // On the order itself, on one that follows, and refunded.
        for (at, choice) in [instead("P2"), instead("P3"), LineChoice::Refund].into_iter().enumerate() {
            let number = format!("N-{at}");
            if at == 0 {
                stock_up(&shop).await;
                take(&shop, &order("H-1", vec![line("P1", "1", "40.00")])).await;
            }
            let mut lines_of = vec![line("P1", "1", "38.00")];
            if at > 0 {
                lines_of.push(line("KIT", "1", "12.00"));
            }
            let first = later(&order(&number, lines_of), 1);
            take(&shop, &first).await;
            decide(&shop, &number, choice).await.unwrap();
            let (stood, booked) = (lines(&shop, &number).await, books(&shop).await);
            let sent = IncomingOrder { status: OrderStatus::OrderInTransit, ..later(&first, 2) };
            assert_eq!(told(&take(&shop, &sent).await), "changed, 0 refunds", "{number} {}", shop.engine);
            assert_eq!((lines(&shop, &number).await, books(&shop).await), (stood, booked), "{number}");
            clean(&shop).await;
        }
        shop.end().await;
    }
}

#[tokio::test]
async fn what_is_cancelled_takes_what_was_sold_instead_with_it() {
    for shop in shops().await {
        let half = half_order(&shop).await;
        decide(&shop, "H-2", instead("P2")).await.unwrap();
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&half, 2) };
        assert_eq!(told(&take(&shop, &over).await), "changed, 0 refunds");
        assert_eq!(
            (stock(&shop, "P2").await, stock(&shop, "KIT").await),
            ("1 / 0".to_owned(), "5 / 0".to_owned()),
            "{}",
            shop.engine
        );
        assert!(books(&shop).await.contains("90.00 − 0.00 − 50.00 = 40.00"), "{}", books(&shop).await);
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_line_that_is_dropped_gives_back_what_was_sold_instead() {
    for shop in shops().await {
        let half = half_order(&shop).await;
        decide(&shop, "H-2", instead("P2")).await.unwrap();
        let mut less = later(&half, 2);
        less.lines.remove(0);
        assert_eq!(told(&take(&shop, &less).await), "changed, 0 refunds");
        assert_eq!(stock(&shop, "P2").await, "1 / 0", "{}", shop.engine);
        // The choice names the very line that it sold, which is then settled.
        let lines = detail(&shop, "H-2").await.lines;
        let chosen = lines[0].chosen.as_ref().and_then(|chosen| chosen.sold.as_ref()).unwrap();
        let sold = lines.iter().find(|line| line.line.id == chosen.line).unwrap();
        assert_eq!((sold.line.code.as_str(), sold.line.state), ("P2", OrderLineState::Undone));
        // The shop that uses the new piece's own code means the same.
        clean(&shop).await;
        shop.end().await;
    }
    for shop in shops().await {
        let half = half_order(&shop).await;
        decide(&shop, "H-2", instead("P2")).await.unwrap();
        let mut renamed = later(&half, 2);
        renamed.lines[0] = line("P2", "1", "38.00");
        assert_eq!(told(&take(&shop, &renamed).await), "changed, 0 refunds");
        assert_eq!(stock(&shop, "P2").await, "0 / 0", "{}", shop.engine);
        clean(&shop).await;
        shop.end().await;
    }
    for shop in shops().await {
        let half = half_order(&shop).await;
        decide(&shop, "H-2", instead("P2")).await.unwrap();
        let mut dearer = later(&half, 3);
        dearer.lines[0] = line("P1", "1", "41.00");
        let refused = told(&take(&shop, &dearer).await);
        assert!(refused.contains("SubstituteChanged"), "{refused}");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_refund_there_means_what_was_chosen_here() {
    for shop in shops().await {
        // Refunded here, and then reported by the shop: once.
        let half = half_order(&shop).await;
        decide(&shop, "H-2", LineChoice::Refund).await.unwrap();
        let booked = books(&shop).await;
        let mut back = half.clone();
        back.refunds = vec![refund("R1", "P1", "1")];
        for expected in ["known, 1 refunds", "known, 0 refunds"] {
            assert_eq!(told(&take(&shop, &back).await), expected, "{}", shop.engine);
        }
        assert_eq!(books(&shop).await, booked, "{}", shop.engine);
        clean(&shop).await;
        shop.end().await;
    }
    for shop in shops().await {
        // Substituted here: what is returned is what was sold.
        let half = half_order(&shop).await;
        decide(&shop, "H-2", instead("P2")).await.unwrap();
        let mut back = half.clone();
        back.refunds = vec![refund("R1", "P1", "1")];
        assert_eq!(told(&take(&shop, &back).await), "known, 1 refunds", "{}", shop.engine);
        assert!(books(&shop).await.contains("90.00 − 0.00 − 38.00 = 52.00"), "{}", books(&shop).await);
        clean(&shop).await;
        shop.end().await;
    }
}
