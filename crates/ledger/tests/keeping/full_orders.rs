//! Online orders, listings and texts of the shop in which something of every kind has happened.

use crate::full_shop::{item, run};
use domain::channel::Channel;
use domain::order::{
    Customer, IncomingLine, IncomingOrder, IncomingRefund, LinePrice, OrderNumber, OrderStatus, Refunded,
};
use domain::stock::{ItemKind, ListingState};
use ledger::Ledger;
use ledger::online::{Delivered, RecordRun, RunKind};
use ledger::orders::TakeOrders;
use ledger::shelf::AddItems;
use testkit::START;
use testkit::make::{asked, code, usd};

fn line(sku: &str, quantity: &str) -> IncomingLine {
    IncomingLine {
        code: Some(code(sku)),
        name: format!("Online {sku}"),
        quantity: asked(quantity),
        price: LinePrice::Each(usd("38.00")),
        discount: usd("0.50"),
        tax: usd("1.00"),
    }
}

fn order(number: &str, status: OrderStatus, lines: Vec<IncomingLine>) -> IncomingOrder {
    IncomingOrder {
        channel: Channel::online(),
        number: OrderNumber::parse(number).unwrap(),
        ordered: START,
        modified: None,
        status,
        lines,
        refunds: Vec::new(),
        discount: usd("1.00"),
        shipping: usd("6.00"),
        fee: usd("2.20"),
        customer: Customer { name: "Linden Marsh".to_owned(), email: "linden@example.org".to_owned() },
    }
}

fn refund(number: &str, sku: &str) -> IncomingRefund {
    IncomingRefund {
        number: OrderNumber::parse(number).unwrap(),
        code: Some(code(sku)),
        name: String::new(),
        what: Refunded::Goods(asked("1")),
    }
}

/// A flaw for which part of the price was refunded.
fn for_a_flaw(number: &str) -> IncomingRefund {
    IncomingRefund { what: Refunded::Money(usd("2.50")), ..refund(number, "OLD") }
}

/// A1: a piece and kits filled, a held piece short, a kit refunded. A2: not paid yet, on hold. A3:
/// canceled. H1: history, with a code that is not ours, refunded: one of two, and money for a flaw of the
/// other.
pub(crate) async fn orders(ledger: &Ledger) {
    use OrderStatus::{OrderCancelled, OrderPaymentDue, OrderProcessing};
    let first = order("A1", OrderProcessing, vec![line("P4", "1"), line("P3", "1"), line("KIT", "2")]);
    let third = order("A3", OrderProcessing, vec![line("KIT", "1")]);
    let live = vec![
        IncomingOrder { refunds: vec![refund("A1-R1", "KIT")], ..first },
        order("A2", OrderPaymentDue, vec![line("KIT", "2")]),
        third.clone(),
    ];
    let past = IncomingOrder {
        refunds: vec![refund("H1-R1", "OLD"), for_a_flaw("H1-R2")],
        ordered: START.plus_millis(-90_000_000),
        ..order("H1", OrderProcessing, vec![line("OLD", "2")])
    };
    let cancelled = IncomingOrder {
        status: OrderCancelled,
        modified: Some(START.plus_millis(60_000)),
        fee: usd("0.30"),
        ..third
    };
    for (orders, past) in [(live, false), (vec![past], true), (vec![cancelled], false)] {
        let batch = TakeOrders { orders, past, who: "feed".to_owned() };
        for outcome in ledger.take_orders(&batch).await.unwrap() {
            assert!(!matches!(outcome, ledger::orders::OrderOutcome::Rejected(_)), "{outcome:?}");
        }
    }
}

/// On the market: a spare is sold instead of a held piece, on an order that follows B1; B2 is refunded.
pub(crate) async fn decide(ledger: &Ledger) {
    let spare = AddItems {
        items: vec![item(ItemKind::Counted, "SPARE", "38.00", "5")],
        who: "maker".to_owned(),
        progress: None,
    };
    run(ledger, spare).await;
    let at_the_market = |number, lines| IncomingOrder {
        channel: Channel::parse("market").unwrap(),
        ..order(number, OrderStatus::OrderProcessing, lines)
    };
    let first = at_the_market("B1", vec![line("SPARE", "1"), line("P3", "1")]);
    let orders = vec![first, at_the_market("B2", vec![line("P3", "1")])];
    let batch = TakeOrders { orders, past: false, who: "feed".to_owned() };
    ledger.take_orders(&batch).await.unwrap();
    for order in ledger.orders(None, true, 9).await.unwrap() {
        let short = order.lines.iter().find(|l| l.state == ledger::orders::OrderLineState::Short).unwrap();
        let choice = match order.number.as_str() {
            "A1" => continue,
            "B1" => ledger::orders::LineChoice::Substitute(code("SPARE")),
            _ => ledger::orders::LineChoice::Refund,
        };
        let (reason, who) = ("agreed by mail".to_owned(), "maker".to_owned());
        run(ledger, ledger::orders::DecideLine { order: order.id, line: short.id, choice, reason, who })
            .await;
    }
}

pub(crate) async fn keep_online(ledger: &Ledger) {
    let (who, text) = ("maker".to_owned(), "feed = \"orders\"".to_owned());
    run(ledger, ledger::online::KeepLayout { name: "fair".to_owned(), text, revision: 0, who: who.clone() })
        .await;
    let text = "{{ name }}".to_owned();
    run(ledger, ledger::online::KeepListingText { name: "listing".to_owned(), text, who }).await;
    let words = "line 3 cannot be read".to_owned();
    run(ledger, ledger::online::NoteFeedTrouble { file: "may.csv".to_owned(), words }).await;
}

pub(crate) async fn list(ledger: &Ledger) {
    let feed = ledger.connection("feed").await.unwrap();
    let rows = ledger.listings(feed, None).await.unwrap().rows().unwrap();
    let told: Vec<Delivered> = rows
        .iter()
        .map(|row| Delivered {
            item: row.item,
            revision: row.revision,
            content: Some(("cd".repeat(32), ListingState::Listed)),
        })
        .collect();
    let items = rows.iter().map(|row| row.item).collect();
    let count = i64::try_from(rows.len()).unwrap();
    let run_of = Some(ledger::online::NewRun {
        id: ledger.new_run().unwrap(),
        kind: RunKind::Changes,
        listings: count,
        file_name: "feed.csv".to_owned(),
        file_hash: "ef".repeat(32),
        items,
    });
    run(ledger, RecordRun { connection: feed, told, run: run_of }).await;
}
