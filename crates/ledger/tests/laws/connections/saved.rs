//! Starting, changing and ending a connection.

use super::*;
use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, on_each};
use ledger::CommandError;
use ledger::keeping::SetShop;
use ledger::online::{EndConnection, MAX_CONNECTIONS, PutOnConnection};
use ledger::orders::EndHold;
use ledger::shelf::Purpose;
use std::time::Duration;
use testkit::Engine;

fn end(name: &str) -> EndConnection {
    EndConnection { name: name.to_owned(), who: "owner".to_owned() }
}

#[test]
fn a_connection_is_saved_changed_and_ended() {
    on_each(|shop| async move {
        let first = village(&shop).await;
        let changed =
            SaveConnection { text: "base = \"x\"\r\n".to_owned(), ..save("village", NewPieces::Wait) };
        assert_eq!(shop.ok(changed).await, first);
        let live = shop.ledger.live_connections().await.unwrap();
        let shown: Vec<_> = live.iter().map(|c| (c.name.as_str(), c.text.as_str(), c.revision)).collect();
        assert_eq!(shown, [("village", "base = \"x\"\n", 2)]);
        assert_eq!((live[0].new_pieces, live[0].channel.as_str()), (NewPieces::Wait, "online"));
        assert_eq!(shop.ok(end("village")).await, first);
        assert_eq!(shop.ledger.live_connections().await.unwrap(), []);
        assert_eq!(shop.ledger.connection_statuses().await.unwrap(), []);
        shop.refuses(end("village"), no_such(Thing::LiveConnection, "village")).await;
        assert_ne!(shop.ok(save("village", NewPieces::List)).await, first, "the name is free again");
        let acts: Vec<_> =
            shop.ledger.activity(None, 9).await.unwrap().iter().map(|a| a.detail.clone()).collect();
        assert_eq!(acts, ["new", "", "changed, revision 2", "new"]);
    });
}

#[test]
fn what_cannot_be_a_connection_is_refused() {
    on_each(|shop| async move {
        let check = async |save: SaveConnection, expected: Expected| shop.refuses(save, expected).await;
        check(
            save("feed", NewPieces::List),
            invalid("name", OnlineReason::ReservedName { name: "feed".to_owned() }),
        )
        .await;
        check(save("My shop", NewPieces::List), invalid("name", OnlineReason::ConnectionName { limit: 40 }))
            .await;
        let long = SaveConnection { text: "x".repeat(65_537), ..save("village", NewPieces::List) };
        check(long, invalid("text", OnlineReason::TextTooLarge { limit: 65536 })).await;
        let nowhere = SaveConnection { channel: channel("moon"), ..save("village", NewPieces::List) };
        check(nowhere, invalid("channel", ShopReason::UnknownChannel { channel: channel("moon") })).await;
        shop.refuses(end("feed"), no_such(Thing::LiveConnection, "feed")).await;
        for number in 0..MAX_CONNECTIONS {
            shop.ok(save(&format!("v{number}"), NewPieces::Wait)).await;
        }
        check(
            save("one-more", NewPieces::Wait),
            invalid("name", OnlineReason::TooManyConnections { limit: 20 }),
        )
        .await;
        shop.ok(save("v0", NewPieces::List)).await;
    });
}

#[test]
fn one_connection_of_a_channel_takes_its_orders() {
    on_each(|shop| async move {
        let takes = |name: &str| SaveConnection { takes_orders: true, ..save(name, NewPieces::Wait) };
        shop.ok(takes("village")).await;
        let of_online =
            OnlineReason::OrdersTaken { connection: "village".to_owned(), channel: channel("online") };
        let taken = || invalid("channel", of_online.clone());
        shop.refuses(takes("harbour"), taken()).await;
        shop.ok(save("harbour", NewPieces::Wait)).await;
        shop.refuses(takes("harbour"), taken()).await;
        let market = SaveConnection { channel: channel("market"), ..takes("harbour") };
        shop.ok(market).await;
        shop.ok(takes("village")).await;
        shop.ok(end("village")).await;
        shop.ok(takes("harbour")).await;
    });
}

#[test]
fn of_two_that_begin_to_take_a_channels_orders_at_once_one_does() {
    on_each(|shop| async move {
        for turn in 0..20 {
            let names = [format!("a{turn}"), format!("b{turn}")];
            let both = names
                .clone()
                .map(|name| SaveConnection { takes_orders: true, ..save(&name, NewPieces::Wait) });
            let (one, two) =
                tokio::join!(shop.ledger.execute(None, &both[0]), shop.ledger.execute(None, &both[1]));
            let (taken, refused) = match (one, two) {
                (Ok(_), Err(CommandError::Rejected(rejection))) => (&names[0], rejection),
                (Err(CommandError::Rejected(rejection)), Ok(_)) => (&names[1], rejection),
                other => panic!("{other:?}"),
            };
            let reason = OnlineReason::OrdersTaken { connection: taken.clone(), channel: channel("online") };
            invalid("channel", reason).check(&refused, shop.engine);
            shop.ok(end(taken)).await;
        }
    });
}

#[test]
fn new_pieces_wait_where_a_person_puts_them_on() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), piece("p3", 100), counted("p4", "0", 100)]))
            .await;
        let village = shop.ok(save("village", NewPieces::Wait)).await;
        fill(&shop, village).await;
        assert_eq!(tell_all(&shop, village).await, "");
        let put = async |codes: Option<&[&str]>| {
            let codes: Option<Vec<_>> = codes.map(|c| c.iter().map(|sku| code(sku)).collect());
            shop.ledger.put_on_connection(village, codes.as_deref(), "maker").await.unwrap()
        };
        assert_eq!(put(Some(&["p1", "p4", "p1"])).await, 2);
        assert_eq!(put(Some(&["p1"])).await, 0);
        assert_eq!(tell_all(&shop, village).await, "p1 1");
        assert_eq!(put(Some(&["p1"])).await, 0, "was told");
        shop.ok(add(vec![piece("p5", 100)])).await;
        shop.ok(adjust("p4", ledger::shelf::Counted::More(asked("2")))).await;
        assert_eq!(tell_all(&shop, village).await, "p4 1", "put on before it could be had");
        assert_eq!(put(None).await, 3);
        assert_eq!(tell_all(&shop, village).await, "p2 1, p3 1, p5 1");
        shop.ok(add(vec![piece("p6", 100), with(piece("p7", 100), |i| i.stock.do_not_list = true)])).await;
        let held = shop.ok(hold(&[("p6", "1")], Purpose::Customer, None)).await;
        assert_eq!(put(None).await, 1, "a hold ends, what is kept off stays so");
        assert_eq!(tell_all(&shop, village).await, "");
        shop.ok(EndHold { id: held.id }).await;
        assert_eq!(tell_all(&shop, village).await, "p6 1");
        let unknown = PutOnConnection {
            connection: village,
            codes: Some(vec![code("p9")]),
            after: None,
            who: String::new(),
        };
        shop.refuses(unknown, unknown_code("p9")).await;
        let nowhere = PutOnConnection {
            connection: ConnectionId::from_raw(1),
            codes: None,
            after: None,
            who: String::new(),
        };
        shop.refuses(nowhere, no_such(Thing::LiveConnection, 1)).await;
        audit::clean(&shop).await;
    });
}

/// More than one step handles.
#[test]
fn a_big_shelf_is_put_on_in_steps() {
    on_each(|shop| async move {
        for chunk in 0..3 {
            let items = (0..400).map(|n| piece(&format!("p{}", chunk * 400 + n), 100)).collect();
            shop.ok(add(items)).await;
        }
        let [wait, list] = [NewPieces::Wait, NewPieces::List];
        let village = shop.ok(save("village", wait)).await;
        assert_eq!(shop.ledger.put_on_connection(village, None, "maker").await.unwrap(), 1200);
        let other = shop.ok(save("other", list)).await;
        let mut stock_units = 0;
        while shop.ok(FillConnection { connection: other }).await {
            stock_units += 1;
        }
        assert_eq!(stock_units, 3);
        for connection in [village, other] {
            let waits = format!("SELECT COUNT(*) FROM outbox WHERE connection_id = {connection}");
            assert_eq!(shop.number(&waits).await, 1200);
        }
        let all =
            ClaimMessages { connection: other, holder: holder(&shop.ledger), limit: usize::MAX, after: None };
        assert_eq!(shop.ok(all).await.len(), ledger::online::LIVE_AT_ONCE);
    });
}

/// A commit by a process that did not know the connection yet is found in the next pass.
#[test]
fn what_went_past_the_outbox_is_found_again() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), counted("p2", "5", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        let mut raw = shop.raw().await;
        for text in [
            "UPDATE item SET revision = 9 WHERE sku = 'p2'",
            "DELETE FROM listing WHERE item_id = (SELECT id FROM item WHERE sku = 'p1') AND connection_id > 1",
            "DELETE FROM outbox WHERE connection_id > 1",
        ] {
            sqlx::query(text).execute(&mut *raw).await.unwrap();
        }
        drop(raw);
        assert!(!shop.ok(FillConnection { connection: village }).await, "not yet");
        shop.clock.advance_millis(2 * MINUTE_MS);
        fill(&shop, village).await;
        assert_eq!(waiting(&shop, village).await, "p1 1, p2 9");
        tell_all(&shop, village).await;
        let due = shop.ledger.messages_due(village).await.unwrap().fill.unwrap();
        assert_eq!(due.millis() - shop.ledger.now().millis(), DAY_MS);
    });
}

#[test]
fn an_ended_connection_hears_nothing_and_says_nothing() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        let held = holder(&shop.ledger);
        let claimed =
            shop.ok(ClaimMessages { connection: village, holder: held, limit: 1, after: None }).await;
        assert_eq!(in_hand(&shop, &claimed).await, "p1 1");
        shop.ok(end("village")).await;
        shop.ok(sale_of("p1", 100)).await;
        assert_eq!(waiting(&shop, village).await, "p1 1, p2 1", "nothing new");
        assert_eq!(shop.ok(claim(village, holder(&shop.ledger))).await, []);
        assert!(!shop.ok(FillConnection { connection: village }).await);
        assert_eq!(shop.ledger.messages_due(village).await.unwrap(), ledger::online::MessagesDue::default());
        assert_eq!(shop.ledger.fetched_due(village).await.unwrap(), ledger::online::FetchedDue::default());
        // A message under way may still have arrived: its listing is part of the history.
        let item = item_of(&shop, "p1").await;
        assert_eq!(shop.ok(settle(village, held, vec![(item, 1, told(ListingState::Listed))])).await, 1);
        let mut after = None;
        while let Some(next) = shop.ok(ledger::online::PruneLive { after }).await {
            after = Some(next);
        }
        assert_eq!(waiting(&shop, village).await, "");
        assert!(shop.numbers("SELECT item_id FROM delivery").await.is_empty());
        audit::clean(&shop).await;
    });
}

#[test]
fn a_commit_that_leaves_something_to_tell_is_heard_of() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        let mut changes = shop.ledger.changes();
        changes.mark_unchanged();
        shop.ok(SetShop { key: "name".to_owned(), value: "Fold End".to_owned(), who: "owner".to_owned() })
            .await;
        shop.refused(sale_of("p9", 100)).await;
        assert!(!changes.has_changed().unwrap());
        let waits = tokio::time::timeout(Duration::from_secs(10), changes.changed());
        let (heard, ()) = tokio::join!(waits, async {
            shop.ok(sale_of("p1", 100)).await;
        });
        heard.expect("heard of").unwrap();
        assert_eq!(tell_all(&shop, village).await, "p1 1");
    });
}

/// How soon commits of another process are known here, in the median, on PostgreSQL. By polling alone it
/// would be half of [`ledger::LISTEN_EVERY`].
const HEARD_WITHIN: Duration = Duration::from_millis(100);

#[test]
fn on_postgresql_another_process_is_heard_of_at_once_and_again_after_the_connection_was_lost() {
    on_each(|shop| async move {
        if shop.engine == Engine::Sqlite {
            return;
        }
        let other = crate::harness::open(&shop.url, shop.clock.clone()).await;
        let listener = shop.ledger.clone();
        let hearing = tokio::spawn(async move { listener.listen_for_commits().await });
        let median = async |name: &str| {
            let mut took = Vec::new();
            for at in 0..15_u64 {
                let mut changes = shop.ledger.changes();
                changes.mark_unchanged();
                let began = std::time::Instant::now();
                other.execute(None, &add(vec![piece(&format!("{name}{at}"), 100)])).await.unwrap();
                let waits = tokio::time::timeout(Duration::from_secs(10), changes.changed());
                waits.await.expect("heard of").unwrap();
                took.push(began.elapsed());
                tokio::time::sleep(Duration::from_millis(at * 7)).await;
            }
            took.sort_unstable();
            took[took.len() / 2]
        };
        tokio::time::sleep(ledger::LISTEN_EVERY).await;
        let at_once = median("p").await;
        // The listener is disconnected, as by a server that restarts.
        testkit::end_listeners(&shop.url);
        tokio::time::sleep(3 * ledger::LISTEN_EVERY).await;
        let again = median("q").await;
        other.close().await;
        hearing.abort();
        assert!(at_once < HEARD_WITHIN && again < HEARD_WITHIN, "{at_once:?}, {again:?}");
    });
}

#[test]
fn what_another_process_commits_is_heard_of_by_whoever_listens() {
    on_each(|shop| async move {
        let mut changes = shop.ledger.changes();
        let heard = async |changes: &mut tokio::sync::watch::Receiver<u64>| {
            let waits = tokio::time::timeout(Duration::from_secs(10), changes.changed());
            waits.await.expect("heard of").unwrap();
        };
        let listener = shop.ledger.clone();
        let hearing = tokio::spawn(async move { listener.listen_for_commits().await });
        heard(&mut changes).await;
        if shop.engine == Engine::Sqlite {
            // PostgreSQL also reports commits outside of this shop.
            tokio::time::sleep(3 * ledger::LISTEN_EVERY).await;
            assert!(!changes.has_changed().unwrap(), "nothing was committed");
        }
        let other = crate::harness::open(&shop.url, shop.clock.clone()).await;
        heard(&mut changes).await;
        changes.mark_unchanged();
        other.execute(None, &add(vec![piece("p1", 100)])).await.unwrap();
        heard(&mut changes).await;
        other.close().await;
        hearing.abort();
    });
}
