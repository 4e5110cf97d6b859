//! Each HTTP status once, for a message and for a list.

use crate::ground::{Ground, HOUR, OUT, SECOND, ok};
use wiremock::ResponseTemplate;

/// What happens to a message: RFC 9110, 15 and RFC 6585 as implemented by `domain::delivery`, seen from
/// outside. “sent refused waiting parked” after the first attempt, and whether the connection is
/// paused.
fn expected(status: u16) -> (&'static str, bool) {
    match status {
        207 => ("0 1 1 1", false),
        200..=299 => ("1 0 0 0", false),
        401 | 403 | 407 | 429 | 503 | 511 => ("0 0 1 0", true),
        408 | 409 | 412 | 423 | 425 | 428 => ("0 0 1 0", false),
        400..=499 => ("0 1 1 1", false),
        _ => ("0 0 1 0", false),
    }
}

#[tokio::test]
async fn each_status_is_answered_as_it_should_be() {
    let mut ground = Ground::with(OUT, &["B1"]).await;
    for status in 200..=599_u16 {
        ground.answer(ResponseTemplate::new(status)).await;
        let (sent, refused) = (ground.status().await.sent, ground.status().await.refused);
        ground.round().await;
        let now = ground.status().await;
        let found = format!("{} {} {} {}", now.sent - sent, now.refused - refused, now.waiting, now.parked);
        let (counts, quiet) = expected(status);
        assert_eq!((found.as_str(), now.quiet_until.is_some()), (counts, quiet), "{status}");
        // Whatever it was: once the shop accepts it, it is sent, and a new change makes it due.
        ground.answer(ok()).await;
        let sale = ground.sell("B1").await;
        ground.take_back(&sale).await;
        ground.rounds(HOUR).await;
        assert_eq!(ground.status().await.waiting, 0, "{status}");
        let sale = ground.sell("B1").await;
        ground.take_back(&sale).await;
    }
}

#[tokio::test]
async fn each_status_of_a_list_leaves_its_place_alone() {
    let orders = "[orders]\nfrom = \"/orders?since={since}\"\nevery = \"30s\"\n";
    let mut ground = Ground::with(&format!("{OUT}{orders}"), &[]).await;
    for status in (200..=599_u16).filter(|s| !matches!(s, 204 | 205 | 304)) {
        ground.answer(ResponseTemplate::new(status).set_body_raw("[]", "application/json")).await;
        let wait = ground.round().await.unwrap();
        assert_eq!(ground.asked().await, ["GET /orders?since=2026-06-14T11%3A50%3A00Z"], "{status}");
        let is_good = (200..300).contains(&status);
        let trouble = ground.status().await.last_trouble;
        if is_good {
            assert_eq!((wait, trouble.as_str()), (30 * SECOND, ""), "{status}");
        } else {
            assert!((30 * SECOND..=900 * SECOND).contains(&wait), "{status}: {wait}");
            assert!(trouble.contains(&format!("it answered {status}")), "{status}: {trouble}");
        }
        ground.wait(900 * SECOND);
    }
}
