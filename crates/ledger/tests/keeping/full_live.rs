//! The live part of the full shop: a connection that accepted one message and refused another, and what
//! came in from it.

use crate::full_shop::{code, run};
use domain::channel::Channel;
use domain::ids::ConnectionId;
use domain::stock::ListingState;
use ledger::Ledger;
use ledger::online::{
    ClaimMessages, ClaimPull, DeferOrder, FillConnection, KeepDifferences, ListingDifference, NewPieces,
    NoteUnsigned, PullOf, PullState, RereadOrders, SaveConnection, SeeHook, SettleMessages, SettlePull,
    Settled, SettledAs,
};

pub(crate) async fn connect(ledger: &Ledger) {
    let save = SaveConnection {
        name: "village".to_owned(),
        channel: Channel::online(),
        text: "channel = \"online\"\nbase = \"https://shop.example/api\"".to_owned(),
        new_pieces: NewPieces::Wait,
        takes_orders: true,
        who: "owner".to_owned(),
    };
    let connection = run(ledger, save).await;
    while run(ledger, FillConnection { connection }).await {}
    let codes = [code("SPARE"), code("ROV"), code("KIT")];
    assert_eq!(ledger.put_on_connection(connection, Some(&codes), "maker").await.unwrap(), 3);
    tell(ledger, connection).await;
    fetch(ledger, connection).await;
    run(ledger, SeeHook { connection, message: "msg_1".to_owned() }).await;
    let keep = DeferOrder {
        connection,
        number: "640".to_owned(),
        raw: "{\"ref\":\"640\"}".to_owned(),
        words: "no item has the code HAT".to_owned(),
        field: "sku".to_owned(),
        until: ledger.now().plus_millis(60_000),
    };
    run(ledger, keep).await;
    let item = Some(ledger.item(&code("SPARE")).await.unwrap().id);
    let difference = ListingDifference {
        sku: "SPARE".to_owned(),
        item,
        field: "offers.price".to_owned(),
        ours: "38.00".to_owned(),
        theirs: "36.00".to_owned(),
    };
    run(ledger, KeepDifferences { connection, differences: vec![difference] }).await;
    run(ledger, NoteUnsigned { connection, count: 2, words: "no signature of the hook is right".to_owned() })
        .await;
}

/// Two messages are accepted, one is refused.
async fn tell(ledger: &Ledger, connection: ConnectionId) {
    let holder = ledger.new_holder().unwrap();
    let claimed = run(ledger, ClaimMessages { connection, holder, limit: 9, after: None }).await;
    let items: Vec<_> = claimed.iter().map(|c| c.item).collect();
    let rows = ledger.listings_of(connection, &items).await.unwrap();
    assert_eq!(rows.len(), 3);
    let settled = rows.iter().map(|(row, _)| Settled {
        item: row.item,
        revision: row.revision,
        became: match row.sku.as_str() {
            "ROV" => SettledAs::Parked { words: "422: weight: not known here".to_owned() },
            _ => SettledAs::Told {
                hash: "ab".repeat(32),
                state: ListingState::Listed,
                other_id: Some("L-1".to_owned()),
                etag: Some("\"1\"".to_owned()),
            },
        },
    });
    let settle = SettleMessages { connection, holder, settled: settled.collect() };
    assert_eq!(run(ledger, settle).await, 3);
}

async fn fetch(ledger: &Ledger, connection: ConnectionId) {
    let (what, holder) = (PullOf::Orders, ledger.new_holder().unwrap());
    let claimed = run(ledger, ClaimPull { connection, what, holder, early: false }).await;
    assert_eq!(claimed, Some(PullState::default()));
    let since = Some(ledger.now());
    let state =
        PullState { cursor: "page-2".to_owned(), since, etag: "\"7\"".to_owned(), fails: 0, reread: None };
    let next = ledger.now().plus_millis(30_000);
    run(ledger, SettlePull { connection, what, holder, state, next, words: None, reread_begun: None }).await;
    let reread = RereadOrders { connection, since: ledger.now(), who: "owner".to_owned() };
    run(ledger, reread).await;
}
