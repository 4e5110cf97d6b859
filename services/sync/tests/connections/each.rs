//! Answers with a result for each message.

use crate::ground::{Ground, HOUR, OUT, SECOND, ok};
use serde_json::{Value, json};
use wiremock::matchers::{any, path};
use wiremock::{Mock, ResponseTemplate};

const ANSWER: &str =
    "[answer]\neach = \"/results\"\nid = \"/code\"\nok = \"/ok\"\nreason = \"/why\"\nother_id = \"/ref\"\n";

fn batch(tables: &str) -> String {
    format!(
        "[out]\nto = \"/intake/{{sku}}\"\nnew_pieces = \"list\"\n\
         batch = {{ to = \"/intake/batch\", at_once = 9, each = \"/listings\" }}\n{tables}"
    )
}

fn results(status: u16, rows: impl Into<Value>) -> ResponseTemplate {
    let rows: Value = rows.into();
    ResponseTemplate::new(status).set_body_json(json!({"results": rows}))
}

async fn sorted(ground: &Ground) -> Vec<String> {
    let mut asked = ground.asked().await;
    asked.sort();
    asked
}

#[tokio::test]
async fn a_single_207_is_no_word_that_it_was_taken() {
    let check = async |tables: &str, answer: ResponseTemplate, counts: &str, expected: &str| {
        let mut ground = Ground::with(&format!("{OUT}{tables}"), &["B1"]).await;
        ground.answer(answer).await;
        ground.rounds(HOUR).await;
        assert_eq!(ground.counts().await, counts, "{expected}");
        let trouble = ground.status().await.last_trouble;
        assert!(trouble.contains(expected), "{trouble}");
    };
    let none = ResponseTemplate::new(207);
    check(
        "",
        none.clone(),
        "0 1 1 1 0",
        "it answered 207, which tells of each part by itself; say under [answer]",
    )
    .await;
    check(ANSWER, none, "0 1 1 1 0", "it answered 207 without the list that [answer] each names").await;
    let row = |ok: Value| json!([{"code": "B1", "ok": ok, "why": "a picture is wanted"}]);
    check(ANSWER, results(207, row(json!(true))), "1 0 0 0 0", "").await;
    check(ANSWER, results(207, row(json!(200))), "1 0 0 0 0", "").await;
    check(
        ANSWER,
        results(207, row(json!(false))),
        "0 1 1 1 0",
        "B1: it answered 207; it refused this one: a picture is wanted",
    )
    .await;
    // A 200 that contains a refusal.
    check(
        ANSWER,
        results(200, row(json!(false))),
        "0 1 1 1 0",
        "it answered 200; it refused this one: a picture",
    )
    .await;
    check(ANSWER, results(200, row(json!(422))), "0 1 1 1 0", "it said 422 of this one: a picture is wanted")
        .await;
    check(ANSWER, results(200, row(json!(503))), "0 0 1 0 0", "it said 503 of this one").await;
    check(ANSWER, results(200, json!([{"code": "B2", "ok": true}])), "0 1 1 1 0", "says nothing of this one")
        .await;
    check(
        ANSWER,
        results(200, json!([{"code": "B1", "ok": true}, {"code": "B1", "ok": false}])),
        "0 1 1 1 0",
        "gave no reason",
    )
    .await;
    // For a single message a shop may use another form of answer.
    check(ANSWER, ok(), "1 0 0 0 0", "").await;
}

#[tokio::test]
async fn each_of_a_batch_has_its_own_word() {
    for status in [200, 207] {
        let mut ground = Ground::with(&batch(ANSWER), &["B1", "BAD", "B3", "B4", "BUSY"]).await;
        let rows = json!([
            {"code": "B1", "ok": true},
            {"code": "BAD", "ok": false, "why": "no such size"},
            {"code": "B3", "ok": 201},
            {"code": "BUSY", "ok": 429},
        ]);
        Mock::given(path("/intake/batch")).respond_with(results(status, rows)).mount(&ground.server).await;
        Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
        ground.round().await;
        ground.round().await;
        // A message without a result is sent by itself; a refused one is not sent again.
        assert_eq!(sorted(&ground).await, ["POST /intake/batch", "PUT /intake/B4 InStock"], "{status}");
        assert_eq!(ground.counts().await, "3 1 2 1 0", "{status}");
        let connection = ground.ledger.live_connections().await.unwrap()[0].id;
        let parked = ground.ledger.parked(connection, 10).await.unwrap();
        let words = format!("BAD: it answered {status}; it refused this one: no such size");
        assert_eq!(parked[0].words, words);
        assert_eq!(ground.status().await.quiet_until, None, "one that is busy holds up nobody");
        ground.rounds(HOUR).await;
        assert_eq!(ground.counts().await, "4 1 1 1 0", "{status}");
    }
}

#[tokio::test]
async fn a_batch_whose_answer_tells_nothing_is_said_one_by_one() {
    for answer in [ok(), ResponseTemplate::new(207), results(200, json!([])), results(207, json!("none"))] {
        let mut ground = Ground::with(&batch(ANSWER), &["B1", "B2"]).await;
        Mock::given(path("/intake/batch")).respond_with(answer).mount(&ground.server).await;
        Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
        ground.rounds(SECOND).await;
        let expected = ["POST /intake/batch", "PUT /intake/B1 InStock", "PUT /intake/B2 InStock"];
        assert_eq!(sorted(&ground).await, expected);
        assert_eq!(ground.counts().await, "2 0 0 0 0");
    }
}

#[tokio::test]
async fn results_without_names_come_in_the_order_of_the_messages() {
    let by_place = ANSWER.replace("id = \"/code\"\n", "");
    let check = async |rows: Value, counts: &str| {
        let mut ground = Ground::with(&batch(&by_place), &["B1", "B2"]).await;
        Mock::given(path("/intake/batch")).respond_with(results(200, rows)).mount(&ground.server).await;
        Mock::given(any()).respond_with(ResponseTemplate::new(400)).mount(&ground.server).await;
        ground.rounds(SECOND).await;
        assert_eq!(ground.counts().await, counts);
    };
    check(json!([{"ok": true}, {"ok": true}]), "2 0 0 0 0").await;
    check(json!([{"ok": true}, {"ok": false}]), "1 1 1 1 0").await;
    // With another number of results it is unknown which is whose.
    check(json!([{"ok": true}]), "0 2 2 2 0").await;
}

/// New listings can be sent together if the answer has the id of each.
#[tokio::test]
async fn the_ids_of_a_batch_are_kept() {
    let tables = format!(
        "[out]\nto = \"/goods/{{other_id}}\"\nnew = {{ to = \"/goods\" }}\nnew_pieces = \"list\"\n\
         batch = {{ to = \"/batch\", at_once = 9, each = \"/all\" }}\n{ANSWER}"
    );
    let mut ground = Ground::with(&tables, &["B1", "B2"]).await;
    let rows = json!([{"code": "B1", "ok": true, "ref": 71}, {"code": "B2", "ok": true, "ref": "72"}]);
    ground.answer(results(200, rows)).await;
    ground.rounds(SECOND).await;
    assert_eq!(ground.asked().await, ["POST /batch"]);
    ground.answer(ok()).await;
    ground.sell("B2").await;
    ground.rounds(SECOND).await;
    assert_eq!(ground.asked().await, ["PUT /goods/72 SoldOut"]);
}
