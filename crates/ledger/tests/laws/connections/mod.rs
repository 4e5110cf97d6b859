//! Live connections: what is sent to whom, by one process at a time, and what comes in.

mod clocks;
mod fetched;
mod ids;
mod messages;
mod offers;
mod races;
mod saved;
mod troubles;

use crate::harness::{MINUTE_MS, Shop};
use crate::make::*;
use domain::channel::Channel;
use domain::ids::{ConnectionId, ItemId};
use domain::stock::ListingState;
use ledger::Ledger;
use ledger::online::{
    ClaimMessages, Claimed, FillConnection, NewPieces, SaveConnection, SettleMessages, Settled, SettledAs,
};

/// A lease and a little more, so that it has expired.
const LEASE_OVER_MS: i64 = MINUTE_MS + 1;

fn save(name: &str, new_pieces: NewPieces) -> SaveConnection {
    SaveConnection {
        name: name.to_owned(),
        channel: Channel::online(),
        text: "base = \"https://shop.example\"".to_owned(),
        new_pieces,
        takes_orders: false,
        who: "owner".to_owned(),
    }
}

/// A new connection that lists everything in stock.
async fn village(shop: &Shop) -> ConnectionId {
    let connection = shop.ok(save("village", NewPieces::List)).await;
    fill(shop, connection).await;
    connection
}

async fn fill(shop: &Shop, connection: ConnectionId) {
    while shop.ok(FillConnection { connection }).await {}
}

fn holder(ledger: &Ledger) -> i64 {
    ledger.new_holder().unwrap()
}

fn claim(connection: ConnectionId, holder: i64) -> ClaimMessages {
    ClaimMessages { connection, holder, limit: 100, after: None }
}

/// The SKUs of the claimed messages in order, each with its try: `p1 1, p2 3`.
async fn in_hand(shop: &Shop, claimed: &[Claimed]) -> String {
    let mut told = Vec::new();
    for claim in claimed {
        let sku = format!("SELECT CAST(SUBSTR(sku, 2) AS BIGINT) FROM item WHERE id = {}", claim.item);
        told.push(format!("p{} {}", shop.number(&sku).await, claim.tries));
    }
    told.join(", ")
}

fn told(state: ListingState) -> SettledAs {
    told_by(state, "L7")
}

/// The shop answered with its own id for it.
fn told_by(state: ListingState, id: &str) -> SettledAs {
    let other_id = Some(id.to_owned());
    SettledAs::Told { hash: "ab".repeat(32), state, other_id, etag: Some("\"1\"".to_owned()) }
}

fn later(shop: &Shop, millis: i64) -> SettledAs {
    SettledAs::Later { until: shop.ledger.now().plus_millis(millis), words: "500".to_owned() }
}

fn parked() -> SettledAs {
    SettledAs::Parked { words: "422: the weight is not known here".to_owned() }
}

fn settle(connection: ConnectionId, holder: i64, settled: Vec<(ItemId, i64, SettledAs)>) -> SettleMessages {
    let settled = settled.into_iter().map(|(item, revision, became)| Settled { item, revision, became });
    SettleMessages { connection, holder, settled: settled.collect() }
}

async fn item_of(shop: &Shop, sku: &str) -> ItemId {
    shop.ledger.item(&code(sku)).await.unwrap().id
}

async fn revision(shop: &Shop, sku: &str) -> i64 {
    shop.ledger.item(&code(sku)).await.unwrap().revision
}

/// Claims everything that is due and settles it as sent; returns what was sent.
async fn tell_all(shop: &Shop, connection: ConnectionId) -> String {
    let holder = holder(&shop.ledger);
    let claimed = shop.ok(claim(connection, holder)).await;
    let items: Vec<ItemId> = claimed.iter().map(|c| c.item).collect();
    let rows = shop.ledger.listings_of(connection, &items).await.unwrap();
    let settled = rows.iter().map(|(row, _)| {
        let state = match row.availability.code() {
            "InStock" => ListingState::Listed,
            _ => ListingState::Ended,
        };
        (row.item, row.revision, told_by(state, &format!("L-{}", row.sku)))
    });
    assert_eq!(shop.ok(settle(connection, holder, settled.collect())).await, claimed.len());
    in_hand(shop, &claimed).await
}

/// Waiting messages, by SKU and revision: `p1 2, p1 3`.
async fn waiting(shop: &Shop, connection: ConnectionId) -> String {
    let numbers = shop
        .numbers(&format!(
            "SELECT CAST(SUBSTR(i.sku, 2) AS BIGINT) * 1000 + o.revision FROM outbox o \
             JOIN item i ON i.id = o.item_id WHERE o.connection_id = {connection} ORDER BY 1"
        ))
        .await;
    numbers.iter().map(|n| format!("p{} {}", n / 1000, n % 1000)).collect::<Vec<_>>().join(", ")
}
