//! Clocks that jump, and pauses that end early.

use crate::ground::{Ground, HOUR, OUT, SECOND, START, ok};
use crate::hooks::{self, KEY, signed, take};
use domain::day::Moment;
use ledger::online::{NoteContact, QuietConnection};
use wiremock::ResponseTemplate;

const DAY: i64 = 24 * HOUR;

fn at(ground: &Ground, millis: i64) {
    ground.clock.set(Moment::from_millis(START + millis));
}

async fn quiet(ground: &Ground, asked: bool) {
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let until = ground.ledger.now().plus_millis(HOUR);
    let quiet = QuietConnection {
        connection,
        until,
        asked,
        words: "away".to_owned(),
        of: ledger::online::TroubleOf::Connection,
    };
    ground.ledger.execute(None, &quiet).await.unwrap();
}

#[tokio::test]
async fn what_waits_by_a_clock_that_was_wrong_does_not_wait_for_it() {
    let orders = "[orders]\nfrom = \"/orders\"\nevery = \"30s\"\n";
    for wrong in [30 * DAY, 10 * HOUR] {
        for answer in [
            ResponseTemplate::new(503).insert_header("retry-after", "600"),
            ResponseTemplate::new(500),
            ResponseTemplate::new(200).set_body_raw("[]", "application/json"),
        ] {
            let mut ground = Ground::with(&format!("{OUT}{orders}"), &["B1"]).await;
            at(&ground, wrong);
            ground.answer(answer).await;
            ground.rounds(60 * SECOND).await;
            // The clock is corrected.
            at(&ground, 61 * SECOND);
            ground.answer(ResponseTemplate::new(200).set_body_raw("[]", "application/json")).await;
            ground.sell("B1").await;
            ground.rounds(16 * 60 * SECOND).await;
            let asked = ground.asked().await;
            assert!(asked.contains(&"PUT /intake/B1 SoldOut".to_owned()), "{wrong}: {asked:?}");
            assert!(asked.contains(&"GET /orders".to_owned()), "{wrong}: {asked:?}");
        }
    }
}

#[tokio::test]
async fn what_a_dead_process_had_in_hand_by_a_wrong_clock_is_free_within_a_lease() {
    let mut ground = Ground::with(OUT, &["B1"]).await;
    at(&ground, 30 * DAY);
    ground.answer(ok()).await;
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    ground.ledger.look_at_clock(connection).await.unwrap();
    let (dead, _) = ground.another().await;
    let holder = dead.new_holder().unwrap();
    let claim = ledger::online::ClaimMessages { connection, holder, limit: 10, after: None };
    while ground.ledger.execute(None, &ledger::online::FillConnection { connection }).await.unwrap().answer {}
    assert_eq!(dead.execute(None, &claim).await.unwrap().answer.len(), 1);
    at(&ground, 0);
    let _ = ground.round().await;
    assert_eq!(ground.asked().await, Vec::<String>::new(), "it may be under way");
    ground.rounds(61 * SECOND).await;
    assert_eq!(ground.asked().await, ["PUT /intake/B1 InStock"]);
}

#[tokio::test]
async fn the_clock_of_another_machine_that_is_a_little_behind_hurries_nobody() {
    let ground = Ground::with(OUT, &["B1"]).await;
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    assert_eq!(ground.ledger.look_at_clock(connection).await.unwrap(), None, "never seen before");
    at(&ground, -2 * 60 * SECOND);
    assert_eq!(ground.ledger.look_at_clock(connection).await.unwrap(), None);
    at(&ground, -2 * 60 * SECOND - 1);
    assert_eq!(ground.ledger.look_at_clock(connection).await.unwrap(), Some(2 * 60 * SECOND + 1));
    assert_eq!(ground.ledger.look_at_clock(connection).await.unwrap(), None, "put right once");
}

#[tokio::test]
async fn a_hook_wakes_its_connection_unless_the_shop_wants_to_be_left_alone() {
    let ground = hooks::ground().await;
    for (asked, number) in [(false, "1"), (true, "2")] {
        quiet(&ground, asked).await;
        let body = hooks::order(number, if asked { "C1" } else { "B1" });
        let headers = signed(KEY, &format!("msg_{number}"), 0, &body);
        assert_eq!(take(&ground, "village", &headers, &body).await, "taken");
        assert_eq!(ground.status().await.quiet_until.is_some(), asked);
    }
    // An unsigned webhook proves nothing about the shop.
    quiet(&ground, false).await;
    assert_eq!(take(&ground, "village", &[], "{}").await, "unsigned");
    assert!(ground.status().await.quiet_until.is_some());
}

#[tokio::test]
async fn a_good_answer_hurries_what_waits_because_the_shop_was_away() {
    let mut ground = Ground::with(OUT, &[]).await;
    for number in 0..12 {
        ground.piece(&format!("B{number}")).await;
    }
    ground.answer(ResponseTemplate::new(500)).await;
    ground.rounds(3 * HOUR).await;
    assert_eq!(ground.status().await.waiting, 12);
    ground.answer(ok()).await;
    while ground.status().await.sent == 0 {
        let wait = ground.round().await.unwrap();
        ground.wait(wait.max(1));
    }
    ground.rounds(5 * SECOND).await;
    assert_eq!(ground.counts().await, "12 0 0 0 0");
}

#[tokio::test]
async fn a_pause_ends_by_a_good_answer_alone() {
    let ground = Ground::with(OUT, &[]).await;
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    quiet(&ground, false).await;
    ground
        .ledger
        .execute(None, &NoteContact { connection, of: ledger::online::TroubleOf::Orders })
        .await
        .unwrap();
    assert_eq!(ground.status().await.quiet_until, None);
    quiet(&ground, true).await;
    ground
        .ledger
        .execute(None, &NoteContact { connection, of: ledger::online::TroubleOf::Orders })
        .await
        .unwrap();
    assert!(ground.status().await.quiet_until.is_some(), "it asked for it");
}
