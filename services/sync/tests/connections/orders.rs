//! Orders that are fetched.

use crate::ground::{Ground, HOUR, OUT, SECOND, START, ok};
use domain::day::Moment;
use ledger::orders::{DecideLine, LineChoice, OrderView};
use serde_json::{Value, json};
use wiremock::matchers::{any, header, path, query_param};
use wiremock::{Mock, ResponseTemplate};

pub(crate) const LAYOUT: &str = "layout = '''\nfeed = \"orders\"\nformat = \"json\"\neach = \"/bought\"\nlines = \"/lines\"\n\
    ignore = [\"/next\"]\n\
    [field.orderNumber]\nfrom = \"/ref\"\n[field.orderDate]\nfrom = \"/placed\"\n[field.dateModified]\nfrom = \"/changed\"\n\
    [field.orderStatus]\nfrom = \"/state\"\n[field.sku]\nfrom = \"/code\"\n[field.orderQuantity]\nfrom = \"/count\"\n\
    [field.price]\nfrom = \"/each\"\n'''\n";

pub(crate) fn tables(orders: &str) -> String {
    format!("{OUT}[orders]\n{orders}every = \"30s\"\n{LAYOUT}")
}

pub(crate) fn by_since() -> String {
    tables("from = \"/bought?since={since}\"\nnext = \"link\"\n")
}

/// An order for one piece, changed this many milliseconds after the start.
pub(crate) fn order(number: &str, sku: &str, state: &str, changed: i64) -> Value {
    let moment = |at: i64| Moment::from_millis(START + at).to_string();
    json!({"ref": number, "placed": moment(-HOUR), "changed": moment(changed), "state": state,
        "lines": [{"code": sku, "count": "1", "each": "40.00"}]})
}

pub(crate) fn page(orders: &[Value]) -> ResponseTemplate {
    ResponseTemplate::new(200).set_body_json(json!({"bought": orders}))
}

/// “number status states of its lines” of each known order.
pub(crate) async fn known(ground: &Ground) -> Vec<String> {
    let mut orders = ground.ledger.orders(None, false, 100).await.unwrap();
    orders.sort_by(|a, b| a.number.cmp(&b.number));
    let lines =
        |o: &OrderView| o.lines.iter().map(|l| format!("{:?}", l.state)).collect::<Vec<_>>().join(" ");
    orders.iter().map(|o| format!("{} {} {}", o.number, o.status, lines(o))).collect()
}

/// The requests for the list, without their path.
pub(crate) async fn pages(ground: &Ground) -> Vec<String> {
    let asked = ground.asked().await;
    asked.iter().filter_map(|a| a.strip_prefix("GET /bought")).map(str::to_owned).collect()
}

#[tokio::test]
async fn an_order_comes_off_the_shelf_once_however_often_it_is_seen() {
    let mut ground = Ground::with(&by_since(), &["B1", "C1"]).await;
    ground.answer(page(&[order("1", "B1", "OrderProcessing", 0)])).await;
    ground.rounds(5 * 60 * SECOND).await;
    assert_eq!(ground.stock("B1").await, "0 0");
    assert_eq!(known(&ground).await, ["1 OrderProcessing Filled"]);
    assert!(ground.status().await.last_contact.is_some());
    // Its effect on stock is sent out in turn.
    assert!(ground.asked().await.contains(&"PUT /intake/B1 SoldOut".to_owned()));
}

#[tokio::test]
async fn later_states_win_in_whatever_order_they_come() {
    let mut ground = Ground::with(&by_since(), &["B1", "C1", "C2"]).await;
    let cancelled = order("1", "B1", "OrderCancelled", 2 * SECOND);
    ground.answer(page(&[cancelled.clone(), order("2", "C1", "OrderPaymentDue", 0)])).await;
    ground.rounds(40 * SECOND).await;
    assert_eq!(known(&ground).await, ["1 OrderCancelled Undone", "2 OrderPaymentDue Held"]);
    let paid = order("2", "C1", "OrderProcessing", 5 * SECOND);
    ground
        .answer(page(&[order("1", "B1", "OrderProcessing", 0), cancelled.clone(), paid.clone(), cancelled]))
        .await;
    ground.rounds(40 * SECOND).await;
    assert_eq!(known(&ground).await, ["1 OrderCancelled Undone", "2 OrderProcessing Filled"]);
    assert_eq!(ground.counts().await.split(' ').next_back(), Some("0"), "nothing is kept aside");
    assert_eq!([ground.stock("B1").await, ground.stock("C1").await], ["1 0", "0 0"]);
    ground.answer(page(&[order("2", "C1", "OrderCancelled", 9 * SECOND), paid])).await;
    ground.rounds(40 * SECOND).await;
    assert!(known(&ground).await[1].starts_with("2 OrderCancelled Undone"), "{:?}", known(&ground).await);
    assert_eq!(ground.stock("C1").await, "1 0");
}

#[tokio::test]
async fn an_order_that_comes_before_its_listing_is_kept_and_taken_later() {
    let mut ground = Ground::with(&by_since(), &["B1"]).await;
    ground
        .answer(page(&[order("1", "NEW", "OrderProcessing", 0), order("2", "B1", "OrderProcessing", 0)]))
        .await;
    ground.rounds(31 * SECOND).await;
    assert_eq!(known(&ground).await, ["2 OrderProcessing Filled"]);
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let kept = ground.ledger.deferred_orders(connection, 10).await.unwrap();
    assert_eq!((kept.len(), kept[0].number.as_str()), (1, "1"));
    assert!(kept[0].words.contains("NEW"), "{}", kept[0].words);
    // It does not appear again, since it changed long ago; the stored copy is tried.
    ground.answer(page(&[])).await;
    ground.rounds(HOUR).await;
    assert_eq!(ground.status().await.orders_deferred, 1);
    ground.piece("NEW").await;
    ground.rounds(HOUR).await;
    assert_eq!(ground.status().await.orders_deferred, 0);
    assert_eq!(known(&ground).await, ["1 OrderProcessing Filled", "2 OrderProcessing Filled"]);
}

#[tokio::test]
async fn an_order_that_cannot_be_read_is_kept_and_shown() {
    let mut ground = Ground::with(&by_since(), &["B1"]).await;
    let mut bad = order("1", "B1", "OrderProcessing", 0);
    bad["lines"][0]["each"] = json!("much");
    let nothing = json!({"hello": 1});
    ground.answer(page(&[bad, nothing, order("2", "B1", "OrderProcessing", 0)])).await;
    ground.rounds(40 * SECOND).await;
    assert_eq!(known(&ground).await, ["2 OrderProcessing Filled"]);
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let kept = ground.ledger.deferred_orders(connection, 10).await.unwrap();
    let numbers: Vec<&str> = kept.iter().map(|k| k.number.as_str()).collect();
    assert_eq!(numbers, ["1", "?"]);
}

#[tokio::test]
async fn pages_are_followed_and_the_place_moves_on_at_their_end() {
    let mut ground = Ground::with(&by_since(), &["B1", "C1", "C2"]).await;
    let link = |to: &str| format!("<{to}>; rel=\"next\"");
    let first = page(&[order("1", "B1", "OrderProcessing", -SECOND)])
        .insert_header("link", link("/bought?p=2").as_str());
    Mock::given(path("/bought"))
        .and(query_param("p", "2"))
        .respond_with(ResponseTemplate::new(500))
        .up_to_n_times(1)
        .mount(&ground.server)
        .await;
    Mock::given(path("/bought"))
        .and(query_param("p", "2"))
        .respond_with(
            page(&[order("2", "C1", "OrderProcessing", -9 * SECOND)])
                .insert_header("link", link("/bought?p=3").as_str()),
        )
        .mount(&ground.server)
        .await;
    Mock::given(path("/bought"))
        .and(query_param("p", "3"))
        .respond_with(page(&[order("3", "C2", "OrderProcessing", -3 * SECOND)]))
        .mount(&ground.server)
        .await;
    Mock::given(path("/bought")).respond_with(first).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    ground.rounds(29 * SECOND).await;
    let begin = "?since=2026-06-14T11%3A50%3A00Z";
    assert_eq!(pages(&ground).await, [begin, "?p=2"], "the second page failed");
    assert_eq!(known(&ground).await, ["1 OrderProcessing Filled"]);
    ground.rounds(30 * SECOND).await;
    // It goes on where it stopped, and is read once more to see whether it stayed the same meanwhile.
    assert_eq!(pages(&ground).await, [begin, "?p=2", "?p=2", "?p=3", begin, "?p=2", "?p=3"]);
    assert_eq!(known(&ground).await.len(), 3);
    ground.rounds(30 * SECOND).await;
    // The newest of all three pages, less the overlap of ten minutes.
    assert_eq!(pages(&ground).await[7], "?since=2026-06-15T11%3A49%3A59Z");
}

#[tokio::test]
async fn a_page_that_leads_elsewhere_is_not_followed() {
    for to in ["https://elsewhere.example/bought", "//elsewhere.example/x", "http://127.0.0.1:1/bought"] {
        let mut ground = Ground::with(&by_since(), &["B1"]).await;
        let link = format!("<{to}>; rel=\"next\"");
        let first = page(&[order("1", "B1", "OrderProcessing", 0)]).insert_header("link", link.as_str());
        ground.answer(first).await;
        ground.rounds(29 * SECOND).await;
        assert_eq!(known(&ground).await.len(), 1);
        let trouble = ground.status().await.last_trouble;
        assert!(trouble.contains("is not below http://127.0.0.1"), "{to}: {trouble}");
        assert_eq!(pages(&ground).await.len(), 1, "{to}");
    }
}

#[tokio::test]
async fn a_list_by_marks_goes_on_from_the_last_one() {
    let by_cursor = tables("from = \"/bought?after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n");
    let mut ground = Ground::with(&by_cursor, &["B1", "C1"]).await;
    let give = async |ground: &Ground, after: &str, orders: &[Value], next: Value| {
        let body = json!({"bought": orders, "next": next});
        let answer = ResponseTemplate::new(200).set_body_json(body);
        Mock::given(path("/bought"))
            .and(query_param("after", after))
            .respond_with(answer)
            .mount(&ground.server)
            .await;
    };
    give(&ground, "", &[order("1", "B1", "OrderProcessing", 0)], json!("a")).await;
    give(&ground, "a", &[order("2", "C1", "OrderProcessing", 0)], json!("b")).await;
    give(&ground, "b", &[], Value::Null).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    ground.rounds(31 * SECOND).await;
    assert_eq!(pages(&ground).await, ["?after=", "?after=a", "?after=b", "?after=b"]);
    assert_eq!(known(&ground).await.len(), 2);
    // A mark that is no longer valid: after three attempts the list is read from the start, which
    // changes nothing.
    ground.server.reset().await;
    Mock::given(query_param("after", "b"))
        .respond_with(ResponseTemplate::new(410))
        .mount(&ground.server)
        .await;
    Mock::given(any()).respond_with(page(&[])).mount(&ground.server).await;
    ground.rounds(10 * 60 * SECOND).await;
    assert_eq!(pages(&ground).await[..4], ["?after=b", "?after=b", "?after=b", "?after="]);
}

#[tokio::test]
async fn pages_by_number_end_at_an_empty_one_or_at_the_same_again() {
    let by_page = tables("from = \"/bought?page={page}\"\nnext = \"page\"\n");
    let mut ground = Ground::with(&by_page, &["B1", "C1"]).await;
    Mock::given(query_param("page", "1"))
        .respond_with(page(&[order("1", "B1", "OrderProcessing", 0)]))
        .mount(&ground.server)
        .await;
    Mock::given(query_param("page", "2"))
        .respond_with(page(&[order("2", "C1", "OrderProcessing", 0)]))
        .mount(&ground.server)
        .await;
    Mock::given(path("/bought")).respond_with(page(&[])).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    ground.rounds(20 * SECOND).await;
    assert_eq!(pages(&ground).await, ["?page=1", "?page=2", "?page=3"]);
    // A shop without pages returns the same one forever.
    ground.answer(page(&[order("1", "B1", "OrderProcessing", 0)])).await;
    ground.rounds(20 * SECOND).await;
    assert_eq!(pages(&ground).await, ["?page=1", "?page=2"]);
}

#[tokio::test]
async fn a_clock_that_is_wrong_by_hours_hides_no_order() {
    let mut ground = Ground::with(&by_since(), &["B1", "C1", "C2"]).await;
    // Five hours ahead, and then corrected.
    ground.answer(page(&[order("1", "B1", "OrderProcessing", 5 * HOUR)])).await;
    ground.rounds(SECOND).await;
    ground.answer(page(&[order("2", "C1", "OrderProcessing", 40 * SECOND)])).await;
    ground.rounds(60 * SECOND).await;
    let asked = pages(&ground).await;
    assert_eq!(asked[0], "?since=2026-06-15T11%3A50%3A00Z", "no later than now, less the overlap");
    assert_eq!(known(&ground).await.len(), 2);
    // Five hours behind: the newest by its own clock counts.
    let mut ground = Ground::with(&by_since(), &["B1"]).await;
    ground.answer(page(&[order("1", "B1", "OrderProcessing", -5 * HOUR)])).await;
    ground.rounds(60 * SECOND).await;
    assert_eq!(pages(&ground).await[1], "?since=2026-06-15T06%3A50%3A00Z");
}

#[tokio::test]
async fn an_idle_list_costs_one_request_without_a_body() {
    let mut ground = Ground::with(&by_since(), &["B1"]).await;
    let tagged = page(&[order("1", "B1", "OrderProcessing", -SECOND)]).insert_header("etag", "W/\"7\"");
    Mock::given(path("/bought"))
        .and(header("if-none-match", "W/\"7\""))
        .respond_with(ResponseTemplate::new(304))
        .mount(&ground.server)
        .await;
    Mock::given(path("/bought")).respond_with(tagged).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    ground.rounds(65 * SECOND).await;
    let bodies = |requests: Vec<wiremock::Request>| {
        let lists = requests.into_iter().filter(|r| r.url.path() == "/bought");
        lists.map(|r| r.headers.contains_key("if-none-match")).collect::<Vec<_>>()
    };
    // The address changes once; from then on nothing is read again.
    assert_eq!(bodies(ground.requests().await), [false, false, true]);
    ground.rounds(10 * 60 * SECOND).await;
    let all = bodies(ground.requests().await);
    assert!(all.len() <= 3 + 20 && all[3..].iter().all(|tagged| *tagged), "{all:?}");
    // Not forever: after a first page that stays the same there may be another by now.
    ground.rounds(10 * 60 * SECOND).await;
    assert!(bodies(ground.requests().await)[4..].iter().any(|tagged| !tagged));
}

#[tokio::test]
async fn what_is_no_list_leaves_the_place_alone() {
    let check = async |answer: ResponseTemplate, expected: &str| {
        let mut ground = Ground::with(&by_since(), &["B1"]).await;
        Mock::given(path("/bought")).respond_with(answer).mount(&ground.server).await;
        Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
        ground.rounds(10 * SECOND).await;
        let trouble = ground.status().await.last_trouble;
        assert!(trouble.contains(expected), "{expected}: {trouble}");
        ground.answer(page(&[order("1", "B1", "OrderProcessing", 0)])).await;
        ground.rounds(HOUR).await;
        assert_eq!(pages(&ground).await[0], "?since=2026-06-14T11%3A50%3A00Z");
        assert_eq!(known(&ground).await.len(), 1);
    };
    let html =
        ResponseTemplate::new(200).set_body_raw("<html>Please sign in</html>", "text/html; charset=utf-8");
    check(html, "came as text/html and not as JSON").await;
    check(ResponseTemplate::new(200).set_body_raw("<html>", "application/json"), "cannot be read").await;
    check(ResponseTemplate::new(200).set_body_raw("", "application/json"), "cannot be read").await;
    check(
        ResponseTemplate::new(200).set_body_raw("{\"bought\": [{\"ref\"", "application/json"),
        "cannot be read",
    )
    .await;
    check(
        ResponseTemplate::new(200).set_body_raw("{\"sold\": []}", "application/json"),
        "no list at “/bought”",
    )
    .await;
    let large = ResponseTemplate::new(200).set_body_raw(vec![b' '; 10 << 20], "application/json");
    check(large, "larger than the limit").await;
    let page = ResponseTemplate::new(500).set_body_raw(vec![b'x'; 10 << 20], "text/html");
    check(page, "it answered 500").await;
    let away = ResponseTemplate::new(302).insert_header("location", "https://elsewhere.example/x");
    check(away, "would lead to https://elsewhere.example/x, which is not followed").await;
}

#[tokio::test]
async fn an_order_is_taken_though_a_refund_of_it_waits_for_a_person() {
    let text = by_since().replace("[field.price]", "[field.refundNumber]\nfrom = \"/back\"\n[field.price]");
    let mut ground = Ground::with(&text, &["B1"]).await;
    ground.sell("B1").await;
    let mut of = order("640", "B1", "OrderProcessing", -HOUR);
    let money = json!({"code": "B1", "each": "-5.00", "back": "R1"});
    of["lines"].as_array_mut().unwrap().push(money);
    ground.answer(page(&[of])).await;
    ground.round().await;
    assert_eq!(known(&ground).await, ["640 OrderProcessing Short"]);
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let kept = ground.ledger.deferred_orders(connection, 9).await.unwrap();
    assert_eq!(kept.len(), 1);
    assert!(
        kept[0].words.contains("refund R1 of order 640 is for items that are not sold yet"),
        "{}",
        kept[0].words
    );
    let short = ground.ledger.orders(None, true, 9).await.unwrap().remove(0);
    let (line, reason) = (short.lines[0].id, "agreed by mail".to_owned());
    let choice =
        DecideLine { order: short.id, line, choice: LineChoice::Refund, reason, who: "owner".to_owned() };
    ground.ledger.execute(None, &choice).await.unwrap();
    ground.rounds(HOUR).await;
    assert_eq!(ground.status().await.orders_deferred, 0);
}
