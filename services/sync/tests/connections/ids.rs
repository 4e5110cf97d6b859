//! Shops that assign ids to listings: nothing is created there twice, and no sale remains unsent
//! without notice.

use crate::ground::{Ground, HOUR, SECOND, ok};
use domain::codes::Code;
use domain::quantity::Asked;
use domain::stock::ItemKind;
use ledger::online::{EndConnection, EnterOtherId};
use serde_json::{Value, json};
use std::time::Duration;
use sync::connections::SyncCycle;
use wiremock::matchers::{method, path};
use wiremock::{Mock, Request, Respond, ResponseTemplate};

const OUT: &str = "[out]\nto = \"/goods/{other_id}\"\nnew = { to = \"/goods\", id = \"/id\", known_id = \"/there/id\" }\n\
    new_pieces = \"list\"\n";
const END: &str = "end = { method = \"DELETE\", to = \"/goods/{other_id}\" }\n";
const LIST: &str = "[listed]\nfrom = \"/goods\"\nevery = \"7d\"\nother_id = \"/id\"\nlayout = '''\nfeed = \"listings\"\n\
    format = \"json\"\n[field.sku]\nfrom = \"/code\"\n[field.inventoryLevel]\nfrom = \"/left\"\n'''\n";
/// How a single listing is looked up by its code.
const ONE: &str = "one = \"/goods/by/{sku}\"\n";
const ORDERS: &str = "[orders]\nfrom = \"/orders\"\nevery = \"1d\"\n";

fn listed(rows: &[(&str, &str, &str)]) -> ResponseTemplate {
    let rows: Vec<Value> =
        rows.iter().map(|(id, code, left)| json!({"id": id, "code": code, "left": left})).collect();
    ResponseTemplate::new(200).set_body_json(rows)
}

async fn answers(ground: &Ground, list: ResponseTemplate, made: impl Respond + 'static) {
    ground.server.reset().await;
    Mock::given(method("POST")).respond_with(made).mount(&ground.server).await;
    Mock::given(method("PUT")).respond_with(ok()).mount(&ground.server).await;
    Mock::given(path("/goods")).respond_with(list).mount(&ground.server).await;
    Mock::given(path("/orders"))
        .respond_with(ResponseTemplate::new(200).set_body_json(json!([])))
        .mount(&ground.server)
        .await;
}

fn made(id: &str) -> ResponseTemplate {
    ResponseTemplate::new(201).set_body_json(json!({"id": id}))
}

/// Each is created under its own number: B2 is 72.
fn numbered(request: &Request) -> ResponseTemplate {
    let body: Value = serde_json::from_slice(&request.body).unwrap();
    made(&body["sku"].as_str().unwrap().replace('B', "7"))
}

/// What was sent, without what was asked for.
async fn said(ground: &Ground) -> Vec<String> {
    ground.asked().await.into_iter().filter(|a| !a.starts_with("GET")).collect()
}

#[tokio::test]
async fn what_a_lost_answer_may_have_made_is_looked_for_before_it_is_made_once_more() {
    let check = async |there: &[(&str, &str, &str)], expected: &[&str]| {
        let mut ground = Ground::with(&format!("{OUT}{LIST}"), &["B1"]).await;
        let lost = made("71").set_delay(Duration::from_secs(5));
        answers(&ground, listed(&[]), lost).await;
        ground.round().await;
        assert_eq!(said(&ground).await, ["POST /goods InStock"]);
        answers(&ground, listed(there), made("72")).await;
        ground.rounds(HOUR).await;
        assert_eq!(said(&ground).await, expected, "{there:?}");
        assert_eq!(ground.counts().await, "1 0 0 0 0");
        answers(&ground, listed(there), made("73")).await;
        ground.sell("B1").await;
        ground.rounds(SECOND).await;
        let id = if there.is_empty() { "72" } else { "71" };
        assert_eq!(said(&ground).await, [format!("PUT /goods/{id} SoldOut")]);
    };
    check(&[("71", "B1", "1")], &["PUT /goods/71 InStock"]).await;
    check(&[], &["POST /goods InStock"]).await;
}

#[tokio::test]
async fn what_a_failed_answer_may_have_made_is_looked_for_by_whichever_process_comes_next() {
    let check = async |status: u16, is_other: bool| {
        let mut ground = Ground::with(&format!("{OUT}{LIST}"), &["B0"]).await;
        let (ledger, live) = ground.another().await;
        answers(&ground, listed(&[]), made("70")).await;
        // Each process has seen the list as it was before.
        SyncCycle::run(&ledger, &live, 7).await.unwrap();
        ground.piece("B1").await;
        answers(&ground, listed(&[("70", "B0", "1")]), ResponseTemplate::new(status)).await;
        ground.round().await;
        assert_eq!(said(&ground).await, ["POST /goods InStock"], "{status}");
        // It was created nevertheless.
        answers(&ground, listed(&[("70", "B0", "1"), ("71", "B1", "1")]), made("72")).await;
        ground.wait(20 * SECOND);
        if is_other {
            SyncCycle::run(&ledger, &live, 8).await.unwrap();
        } else {
            ground.round().await;
        }
        assert_eq!(said(&ground).await, ["PUT /goods/71 InStock"], "{status} {is_other}");
    };
    for status in [500, 504, 302, 408] {
        check(status, false).await;
        check(status, true).await;
    }
}

#[tokio::test]
async fn what_they_have_lost_is_looked_for_before_it_is_made_anew() {
    let check = async |made_as: Option<&str>, expected: &[&str]| {
        let mut ground = Ground::with(&format!("{OUT}{LIST}{ORDERS}"), &[]).await;
        ground.add("C1", ItemKind::Counted, Some(Asked::parse("5", None).unwrap())).await;
        answers(&ground, listed(&[]), made("71")).await;
        ground.rounds(SECOND).await;
        // The shop was restored; what is recreated is created, and the answer is an error.
        let lost = async |ground: &Ground, list: ResponseTemplate, made: ResponseTemplate| {
            ground.server.reset().await;
            let gone = ResponseTemplate::new(404).set_body_json(json!({"why": "no such thing"}));
            Mock::given(method("PUT")).and(path("/goods/71")).respond_with(gone).mount(&ground.server).await;
            Mock::given(method("PUT")).respond_with(ok()).mount(&ground.server).await;
            Mock::given(method("POST")).respond_with(made).mount(&ground.server).await;
            Mock::given(path("/goods")).respond_with(list).mount(&ground.server).await;
        };
        lost(&ground, listed(&[]), ResponseTemplate::new(500)).await;
        ground.sell("C1").await;
        ground.round().await;
        assert_eq!(said(&ground).await, ["PUT /goods/71 InStock", "POST /goods InStock"]);
        let there: Vec<_> = made_as.into_iter().map(|id| (id, "C1", "4")).collect();
        lost(&ground, listed(&there), made("81")).await;
        ground.rounds(20 * SECOND).await;
        assert_eq!(said(&ground).await, expected, "{made_as:?}");
    };
    check(Some("80"), &["PUT /goods/80 InStock"]).await;
    check(None, &["POST /goods InStock"]).await;
}

#[tokio::test]
async fn what_a_person_made_there_meanwhile_is_not_made_once_more() {
    let mut ground = Ground::with(&format!("{OUT}{LIST}"), &["B1"]).await;
    answers(&ground, listed(&[]), made("71")).await;
    ground.rounds(SECOND).await;
    ground.wait(HOUR);
    ground.piece("B2").await;
    answers(&ground, listed(&[("71", "B1", "1"), ("80", "B2", "1")]), made("72")).await;
    ground.rounds(SECOND).await;
    assert_eq!(said(&ground).await, ["PUT /goods/80 InStock"]);
}

#[tokio::test]
async fn what_was_sold_meanwhile_is_ended_where_it_was_made_and_nothing_is_made_sold() {
    let check = async |there: &[(&str, &str, &str)], expected: &[&str]| {
        let mut ground = Ground::with(&format!("{OUT}{LIST}"), &["B1"]).await;
        answers(&ground, listed(&[]), made("71").set_delay(Duration::from_secs(5))).await;
        ground.round().await;
        ground.sell("B1").await;
        answers(&ground, listed(there), made("72")).await;
        ground.rounds(HOUR).await;
        assert_eq!(said(&ground).await, expected, "{there:?}");
        assert_eq!((ground.status().await.waiting, ground.status().await.parked), (0, 0));
    };
    check(&[("71", "B1", "1")], &["PUT /goods/71 SoldOut"]).await;
    check(&[], &[]).await;
}

#[tokio::test]
async fn one_is_asked_for_by_its_code_where_the_shop_can_be() {
    let mut ground =
        Ground::with(&format!("{OUT}{}", LIST.replace("layout", &format!("{ONE}layout"))), &["B1", "B2"])
            .await;
    answers(&ground, listed(&[]), made("72")).await;
    let there = ResponseTemplate::new(200).set_body_json(json!({"id": 71, "code": "B1", "left": "0"}));
    Mock::given(path("/goods/by/B1")).respond_with(there).mount(&ground.server).await;
    let none = ResponseTemplate::new(404);
    Mock::given(path("/goods/by/B2")).respond_with(none).mount(&ground.server).await;
    ground.rounds(SECOND).await;
    let mut found = said(&ground).await;
    found.sort();
    assert_eq!(found, ["POST /goods InStock", "PUT /goods/71 InStock"]);
    // A shop that is unavailable is asked again; nothing is created there blindly.
    ground.piece("B3").await;
    answers(&ground, listed(&[]), made("73")).await;
    Mock::given(path("/goods/by/B3")).respond_with(ResponseTemplate::new(500)).mount(&ground.server).await;
    ground.rounds(HOUR).await;
    assert_eq!(said(&ground).await, Vec::<String>::new());
    let trouble = ground.status().await.last_trouble;
    assert!(trouble.contains("it answered 500; whether it is there already is not known"), "{trouble}");
    assert_eq!(ground.counts().await, "2 0 1 0 0");
}

#[tokio::test]
async fn after_a_reconnect_their_list_is_asked_before_anything_is_made() {
    let mut ground = Ground::with(&format!("{OUT}{LIST}{ORDERS}"), &["B1", "B2"]).await;
    answers(&ground, listed(&[]), numbered).await;
    ground.rounds(SECOND).await;
    let posted = |said: Vec<String>| said.into_iter().filter(|a| a.starts_with("POST")).count();
    assert_eq!(posted(said(&ground).await), 2);
    let end = EndConnection { name: "village".to_owned(), who: "owner".to_owned() };
    ground.ledger.execute(None, &end).await.unwrap();
    ground.connect(&format!("{OUT}{LIST}{ORDERS}")).await;
    answers(&ground, listed(&[("71", "B1", "1"), ("72", "B2", "1")]), made("99")).await;
    ground.piece("B3").await;
    ground.rounds(SECOND).await;
    assert_eq!(posted(said(&ground).await), 1, "only what is new is made: {:?}", said(&ground).await);
    answers(&ground, listed(&[]), made("99")).await;
    ground.sell("B2").await;
    ground.rounds(SECOND).await;
    assert_eq!(said(&ground).await, ["PUT /goods/72 SoldOut"]);
}

#[tokio::test]
async fn an_id_is_read_from_the_refusal_to_make_it_once_more() {
    let mut ground = Ground::with(OUT, &["B1"]).await;
    let known = ResponseTemplate::new(409).set_body_json(json!({"id": "error-5", "there": {"id": "71"}}));
    answers(&ground, listed(&[]), known).await;
    ground.rounds(SECOND).await;
    assert_eq!(said(&ground).await, ["POST /goods InStock", "PUT /goods/71 InStock"]);
}

#[tokio::test]
async fn a_sold_piece_that_cannot_be_told_is_a_persons_at_once_and_goes_on_by_the_id_they_enter() {
    // Nothing there can help: no list, and no id in the answer.
    let mut ground = Ground::with(OUT, &["B1"]).await;
    answers(&ground, listed(&[]), ResponseTemplate::new(201)).await;
    ground.rounds(SECOND).await;
    assert_eq!(ground.counts().await, "1 0 0 0 0");
    ground.sell("B1").await;
    ground.round().await;
    assert_eq!(ground.counts().await, "1 1 1 1 0");
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let words = ground.ledger.parked(connection, 9).await.unwrap().remove(0).words;
    for part in
        ["it is sold or gone here and may still be on offer there", "fleecefold sync id village B1 ID"]
    {
        assert!(words.contains(part), "{words}");
    }
    answers(&ground, listed(&[]), made("99")).await;
    let code = Code::parse("B1").unwrap();
    let enter = EnterOtherId { connection, code, other_id: "71".to_owned(), who: "owner".to_owned() };
    ground.ledger.execute(None, &enter).await.unwrap();
    ground.rounds(SECOND).await;
    assert_eq!(said(&ground).await, ["PUT /goods/71 SoldOut"]);
    assert_eq!(ground.status().await.parked, 0);
}

#[tokio::test]
async fn one_sold_while_its_making_was_lost_is_a_persons_where_no_list_can_tell() {
    let mut ground = Ground::with(OUT, &["B1"]).await;
    answers(&ground, listed(&[]), made("71").set_delay(Duration::from_secs(5))).await;
    ground.round().await;
    ground.sell("B1").await;
    answers(&ground, listed(&[]), made("72")).await;
    ground.rounds(HOUR).await;
    assert_eq!(said(&ground).await, Vec::<String>::new(), "nothing is made there that is sold");
    assert_eq!(ground.status().await.parked, 1);
}

/// A shop that removes listings, in which B1 was listed as 71, sold and removed, and returned by its buyer.
async fn removed_and_returned(tables: &str) -> Ground {
    let mut ground = Ground::with(&format!("{OUT}{END}{tables}"), &["B1"]).await;
    answers(&ground, listed(&[]), made("71")).await;
    Mock::given(method("DELETE")).respond_with(ok()).mount(&ground.server).await;
    ground.rounds(SECOND).await;
    let sold = ground.sell("B1").await;
    ground.rounds(SECOND).await;
    assert_eq!(said(&ground).await, ["POST /goods InStock", "DELETE /goods/71"]);
    ground.take_back(&sold).await;
    ground
}

/// Whatever is not 71 can be removed; 71 no longer exists.
async fn without_71(ground: &Ground, list: ResponseTemplate, made: ResponseTemplate) {
    answers(ground, list, made).await;
    let gone = ResponseTemplate::new(404).set_body_json(json!({"why": "no such thing"}));
    Mock::given(method("DELETE")).and(path("/goods/71")).respond_with(gone).mount(&ground.server).await;
    Mock::given(method("DELETE")).respond_with(ok()).mount(&ground.server).await;
}

#[tokio::test]
async fn what_was_made_anew_and_sold_before_its_id_was_known_is_ended_under_that_id() {
    let check = async |there: &[(&str, &str, &str)], expected: &[&str]| {
        let mut ground = removed_and_returned(LIST).await;
        without_71(&ground, listed(&[]), ResponseTemplate::new(500)).await;
        ground.round().await;
        assert_eq!(said(&ground).await, ["POST /goods InStock"]);
        ground.sell("B1").await;
        without_71(&ground, listed(there), made("73")).await;
        ground.rounds(HOUR).await;
        assert_eq!(said(&ground).await, expected, "{there:?}");
        assert_eq!((ground.status().await.waiting, ground.status().await.parked), (0, 0));
    };
    check(&[("72", "B1", "1")], &["DELETE /goods/72"]).await;
    check(&[], &[]).await;
}

#[tokio::test]
async fn an_id_that_was_found_is_kept_although_the_message_has_to_wait() {
    let mut ground = removed_and_returned("").await;
    let known = ResponseTemplate::new(409).set_body_json(json!({"there": {"id": "72"}}));
    ground.server.reset().await;
    Mock::given(method("POST")).respond_with(known).mount(&ground.server).await;
    Mock::given(method("PUT")).respond_with(ResponseTemplate::new(500)).mount(&ground.server).await;
    ground.round().await;
    assert_eq!(said(&ground).await, ["POST /goods InStock", "PUT /goods/72 InStock"]);
    ground.sell("B1").await;
    without_71(&ground, listed(&[]), made("73")).await;
    ground.rounds(HOUR).await;
    assert_eq!(said(&ground).await, ["DELETE /goods/72"]);
}

#[tokio::test]
async fn what_may_have_been_made_anew_and_was_sold_is_a_persons_where_no_list_can_tell() {
    let mut ground = removed_and_returned("").await;
    without_71(&ground, listed(&[]), ResponseTemplate::new(500)).await;
    ground.round().await;
    ground.sell("B1").await;
    without_71(&ground, listed(&[]), made("73")).await;
    ground.rounds(HOUR).await;
    assert_eq!(said(&ground).await, Vec::<String>::new());
    assert_eq!(ground.status().await.parked, 1);
    // The same if the shop had lost a listing that was on offer.
    let mut ground = Ground::with(&format!("{OUT}{END}"), &["B1"]).await;
    answers(&ground, listed(&[]), made("71")).await;
    ground.rounds(SECOND).await;
    without_71(&ground, listed(&[]), ResponseTemplate::new(500)).await;
    let gone = ResponseTemplate::new(404).set_body_json(json!({"why": "no such thing"}));
    ground.server.reset().await;
    Mock::given(method("PUT")).respond_with(gone).mount(&ground.server).await;
    Mock::given(method("POST")).respond_with(ResponseTemplate::new(500)).mount(&ground.server).await;
    ground.dearer("B1").await;
    ground.round().await;
    assert_eq!(said(&ground).await, ["PUT /goods/71 InStock", "POST /goods InStock"]);
    ground.sell("B1").await;
    without_71(&ground, listed(&[]), made("73")).await;
    ground.rounds(HOUR).await;
    assert_eq!((said(&ground).await, ground.status().await.parked), (Vec::new(), 1));
    // Told again that a sold piece is gone, the shop is believed, however often it had failed before.
    let mut ground = removed_and_returned("").await;
    ground.sell("B1").await;
    without_71(&ground, listed(&[]), made("73")).await;
    ground.rounds(HOUR).await;
    ground.dearer("B1").await;
    ground.answer(ResponseTemplate::new(500)).await;
    ground.round().await;
    without_71(&ground, listed(&[]), made("73")).await;
    ground.rounds(HOUR).await;
    assert_eq!((said(&ground).await, ground.status().await.parked), (vec!["DELETE /goods/71".to_owned()], 0));
    // An end whose answer was lost is no reason to doubt.
    let mut ground = removed_and_returned("").await;
    without_71(&ground, listed(&[]), made("72")).await;
    ground.rounds(SECOND).await;
    ground.sell("B1").await;
    ground.answer(ResponseTemplate::new(500)).await;
    ground.round().await;
    let gone = ResponseTemplate::new(404).set_body_json(json!({"why": "no such thing"}));
    ground.answer(gone).await;
    ground.rounds(HOUR).await;
    assert_eq!(said(&ground).await, ["DELETE /goods/72"]);
    assert_eq!((ground.status().await.waiting, ground.status().await.parked), (0, 0));
}

#[tokio::test]
async fn ids_are_learnt_from_a_comparison() {
    let mut ground =
        Ground::with(&format!("{}{LIST}{ORDERS}", OUT.replace("\"list\"", "\"wait\"")), &["B1"]).await;
    answers(&ground, listed(&[("71", "B1", "0")]), made("99")).await;
    ground.rounds(SECOND).await;
    answers(&ground, listed(&[]), made("99")).await;
    ground.sell("B1").await;
    ground.rounds(SECOND).await;
    assert_eq!(said(&ground).await, ["PUT /goods/71 SoldOut"]);
}

#[tokio::test]
async fn what_a_comparison_mends_twice_in_vain_is_a_persons() {
    let tables = "[out]\nto = \"/goods/{sku}\"\nnew_pieces = \"list\"\n";
    let list = LIST.replace("7d", "6h").replace("other_id = \"/id\"\n", "");
    let list = list.replace("format = \"json\"\n", "format = \"json\"\nignore = \"*\"\n");
    let mut ground =
        Ground::with(&format!("{tables}{list}{}", ORDERS.replace("1d", "1h")), &["B1", "B2"]).await;
    // It reports success and does nothing.
    let stays = || listed(&[("1", "B1", "1"), ("2", "B2", "1")]);
    answers(&ground, stays(), ok()).await;
    ground.rounds(SECOND).await;
    ground.sell("B1").await;
    ground.rounds(SECOND).await;
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    for (told, asked) in [(1, 0), (1, 0), (0, 1), (0, 1)] {
        answers(&ground, stays(), ok()).await;
        ground.rounds(6 * HOUR).await;
        assert_eq!(said(&ground).await, vec!["PUT /goods/B1 SoldOut"; told], "{asked}");
        let differences = ground.ledger.listing_differences(connection, 9).await.unwrap();
        assert_eq!(differences.len(), asked, "{differences:?}");
    }
    let difference = ground.ledger.listing_differences(connection, 9).await.unwrap().remove(0).difference;
    assert_eq!((difference.ours.as_str(), difference.theirs.as_str()), ("SoldOut, told twice", "InStock"));
    // Once it is correct, the count is forgotten, and it is corrected again if necessary.
    answers(&ground, listed(&[("1", "B1", "0"), ("2", "B2", "1")]), ok()).await;
    ground.rounds(6 * HOUR).await;
    assert_eq!(ground.status().await.differences, 0);
    answers(&ground, stays(), ok()).await;
    ground.rounds(6 * HOUR).await;
    assert_eq!(said(&ground).await, ["PUT /goods/B1 SoldOut"]);
}
