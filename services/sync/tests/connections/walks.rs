//! Reading lists of orders that change meanwhile: none is missed because of it.

use crate::ground::{Ground, HOUR, OUT, SECOND, START, ok};
use crate::orders::{LAYOUT, known, order, page, pages, tables};
use domain::day::Moment;
use serde_json::{Value, json};
use std::sync::{Arc, Mutex};
use sync::connections::reread;
use wiremock::matchers::{any, method, path, query_param};
use wiremock::{Mock, Request, Respond, ResponseTemplate};

const SKUS: [&str; 7] = ["A1", "A2", "A3", "A4", "A5", "A6", "A7"];
/// Orders on a page.
const PAGE: usize = 2;

/// How the list continues after a page.
#[derive(Clone, Copy)]
enum By {
    Number,
    Cursor,
    Link,
}

/// A shop whose list is ordered by change, and paged by position: what changes while it is read moves
/// to the end, and everything after it moves one place to the front.
struct Shifting {
    by: By,
    orders: Mutex<Vec<(i64, Value)>>,
    /// After this many requests the first order changes, at that moment.
    change: Mutex<Option<(usize, i64)>>,
}

impl Respond for Shifting {
    fn respond(&self, request: &Request) -> ResponseTemplate {
        let of = |name: &str| {
            let found = request.url.query_pairs().find(|(key, _)| key == name);
            found.map(|(_, value)| value.into_owned()).unwrap_or_default()
        };
        let since = Moment::parse_rfc3339(&of("since")).map_or(0, Moment::millis) - START;
        let first: usize = of("at").parse().unwrap_or(match self.by {
            By::Number => 1,
            By::Cursor | By::Link => 0,
        });
        let first = if matches!(self.by, By::Number) { (first - 1) * PAGE } else { first };
        let mut orders = self.orders.lock().unwrap();
        orders.sort_by_key(|(changed, _)| *changed);
        let found: Vec<Value> =
            orders.iter().filter(|(changed, _)| *changed >= since).map(|(_, order)| order.clone()).collect();
        let shown: Vec<Value> = found.iter().skip(first).take(PAGE).cloned().collect();
        let next = (first + PAGE).to_string();
        let answer = ResponseTemplate::new(200).set_body_json(json!({"bought": shown, "next": next}));
        let mut change = self.change.lock().unwrap();
        if let Some((left, at)) = change.take() {
            if left <= 1 {
                orders[0].0 = at;
                orders[0].1["changed"] = json!(Moment::from_millis(START + at).to_string());
            } else {
                *change = Some((left - 1, at));
            }
        }
        if matches!(self.by, By::Link) && first + PAGE < found.len() {
            let link = format!("</bought?since={}&at={next}>; rel=\"next\"", of("since"));
            return answer.insert_header("link", link.as_str());
        }
        answer
    }
}

struct Shared(Arc<Shifting>);

impl Respond for Shared {
    fn respond(&self, request: &Request) -> ResponseTemplate {
        self.0.respond(request)
    }
}

async fn numbers(ground: &Ground) -> String {
    let numbers: Vec<String> =
        known(ground).await.iter().map(|o| o.split(' ').next().unwrap_or_default().to_owned()).collect();
    numbers.join(" ")
}

fn old(count: usize) -> Vec<(i64, Value)> {
    (0..count)
        .map(|at| {
            let changed = i64::try_from(at).unwrap() * 60 * SECOND - 5 * HOUR;
            (changed, order(&(at + 1).to_string(), SKUS[at], "OrderProcessing", changed))
        })
        .collect()
}

async fn shifting(by: By, count: usize, change: Option<(usize, i64)>) -> (Ground, Arc<Shifting>) {
    let next = match by {
        By::Number => "next = \"page\"\n",
        By::Cursor => "next = \"cursor\"\ncursor_at = \"/next\"\n",
        By::Link => "next = \"link\"\n",
    };
    let place = match by {
        By::Number => "&at={page}",
        By::Cursor => "&at={cursor}",
        By::Link => "",
    };
    let tables = tables(&format!("from = \"/bought?since={{since}}{place}\"\n{next}"));
    let ground = Ground::with(&tables.replace("new_pieces = \"list\"\n", ""), &SKUS).await;
    let shop = Arc::new(Shifting { by, orders: Mutex::new(old(count)), change: Mutex::new(change) });
    Mock::given(path("/bought")).respond_with(Shared(Arc::clone(&shop))).mount(&ground.server).await;
    (ground, shop)
}

#[tokio::test]
async fn an_order_that_a_list_hides_by_shifting_is_met_on_another_walk() {
    for by in [By::Number, By::Cursor, By::Link] {
        for after in 1..=3 {
            let (mut ground, _) = shifting(by, 5, Some((after, 0))).await;
            ground.rounds(60 * SECOND).await;
            assert_eq!(numbers(&ground).await, "1 2 3 4 5", "changed after page {after}");
            // Once it stays the same, each poll reads it only once.
            ground.server.reset().await;
            Mock::given(any()).respond_with(page(&[])).mount(&ground.server).await;
        }
    }
}

#[tokio::test]
async fn a_cursor_of_one_walk_hides_nothing_on_the_next() {
    let (mut ground, shop) = shifting(By::Cursor, 5, None).await;
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4 5");
    let now = ground.ledger.now().millis() - START;
    for (at, sku) in [("6", "A6"), ("7", "A7")] {
        shop.orders.lock().unwrap().push((now, order(at, sku, "OrderProcessing", now)));
    }
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4 5 6 7");
}

#[tokio::test]
async fn what_a_list_kept_back_is_found_by_the_look_of_the_day_or_by_a_person() {
    let (mut ground, shop) = shifting(By::Number, 5, None).await;
    ground.rounds(31 * SECOND).await;
    // Far older than the newest that was seen, less the overlap.
    let hide = |number: &str, sku: &str, changed: i64| {
        shop.orders.lock().unwrap().push((changed, order(number, sku, "OrderProcessing", changed)));
    };
    hide("6", "A6", -6 * HOUR);
    ground.rounds(23 * HOUR).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4 5");
    let since = Moment::from_millis(START - 7 * HOUR);
    let done = reread(&ground.ledger, &ground.live, ("village", since), "owner", 5).await.unwrap();
    assert!(done.is_all_done(), "{done:?}");
    assert_eq!(numbers(&ground).await, "1 2 3 4 5 6");
    // By the daily look it is less than a day old.
    hide("7", "A7", -5 * HOUR - SECOND + 6 * HOUR);
    let newest = 10 * HOUR;
    shop.orders.lock().unwrap()[4].0 = newest;
    ground.rounds(2 * HOUR).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4 5 6 7");
    let none = reread(&ground.ledger, &ground.live, ("nobody", since), "owner", 5).await;
    assert!(none.is_err());
    let later = Moment::from_millis(ground.ledger.now().millis() + HOUR);
    assert!(reread(&ground.ledger, &ground.live, ("village", later), "owner", 5).await.is_err());
}

#[tokio::test]
async fn an_order_of_a_clock_that_was_set_back_is_met() {
    let date = |at: i64| {
        let seconds = (START + at) / 1000;
        // RFC 9110, 5.6.7.
        let at = jiff::Timestamp::from_second(seconds).unwrap();
        at.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string()
    };
    let tables = tables("from = \"/bought?since={since}\"\n");
    let mut ground = Ground::with(&tables.replace("new_pieces = \"list\"\n", ""), &SKUS).await;
    let shop = Arc::new(Mutex::new((0_i64, old(0))));
    let told = Arc::clone(&shop);
    let answer = move |request: &Request| {
        let (clock, orders) = &*told.lock().unwrap();
        let since = request.url.query_pairs().find(|(key, _)| key == "since").unwrap().1.into_owned();
        let since = Moment::parse_rfc3339(&since).unwrap().millis() - START;
        let found: Vec<Value> =
            orders.iter().filter(|(changed, _)| *changed >= since).map(|(_, order)| order.clone()).collect();
        page(&found).insert_header("date", date(*clock).as_str())
    };
    Mock::given(path("/bought")).respond_with(answer).mount(&ground.server).await;
    shop.lock().unwrap().1.push((-SECOND, order("1", "A1", "OrderProcessing", -SECOND)));
    ground.rounds(SECOND).await;
    assert_eq!(numbers(&ground).await, "1");
    // Five hours back, and somebody buys.
    let bought = 31 * SECOND - 5 * HOUR;
    {
        let mut shop = shop.lock().unwrap();
        shop.0 = bought + SECOND;
        shop.1.push((bought, order("2", "A2", "OrderProcessing", bought)));
    }
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2");
    // Nobody can ask for an hour. Meanwhile it is six hours back, somebody buys, and it is set forward
    // by four.
    let bought = bought + 31 * SECOND - 6 * HOUR;
    ground.wait(HOUR);
    {
        let mut shop = shop.lock().unwrap();
        shop.0 = bought + 4 * HOUR + HOUR;
        shop.1.push((bought, order("3", "A3", "OrderProcessing", bought)));
    }
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3");
    // Back and forward again by the same amount leaves no trace: the daily look finds what was bought
    // then.
    let bought = bought + HOUR;
    ground.wait(HOUR);
    {
        let mut shop = shop.lock().unwrap();
        shop.0 += HOUR;
        shop.1.push((bought, order("4", "A4", "OrderProcessing", bought)));
    }
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3");
    shop.lock().unwrap().0 += 24 * HOUR;
    ground.wait(24 * HOUR);
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4");
}

/// A shop that appends its orders to a log, each with its place as a mark.
async fn counted_on(more: &str) -> (Ground, Arc<Mutex<Vec<(i64, Value)>>>) {
    let by_mark = tables("from = \"/bought?after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n");
    let ground = Ground::with(&format!("{by_mark}{more}"), &SKUS).await;
    let orders = Arc::new(Mutex::new(old(4)));
    let told = Arc::clone(&orders);
    let answer = move |request: &Request| {
        let after = request.url.query_pairs().find(|(key, _)| key == "after").unwrap().1.into_owned();
        let after: usize = after.parse().unwrap_or(0);
        let orders = told.lock().unwrap();
        let shown: Vec<Value> =
            orders.iter().skip(after).take(PAGE).map(|(_, order)| order.clone()).collect();
        let next = if shown.is_empty() { Value::Null } else { json!((after + shown.len()).to_string()) };
        ResponseTemplate::new(200).set_body_json(json!({"bought": shown, "next": next}))
    };
    Mock::given(path("/bought")).respond_with(answer).mount(&ground.server).await;
    Mock::given(method("PUT")).respond_with(ok()).mount(&ground.server).await;
    (ground, orders)
}

#[tokio::test]
async fn what_a_list_of_marks_says_after_it_was_put_back_is_found_by_the_look_of_the_day() {
    // Orders after the restore, those known from the mark alone, and those known after the daily look.
    let check = async |left: usize, since: &[&str], by_mark: &str, by_look: &str| {
        let (mut ground, orders) = counted_on("").await;
        ground.rounds(31 * SECOND).await;
        assert_eq!(numbers(&ground).await, "1 2 3 4");
        assert_eq!(pages(&ground).await, ["?after=", "?after=2", "?after=4", "?after=4"]);
        {
            let mut orders = orders.lock().unwrap();
            orders.truncate(left);
            orders.extend(since.iter().map(|number| (0, order(number, "A7", "OrderProcessing", 0))));
        }
        ground.rounds(HOUR).await;
        assert_eq!(numbers(&ground).await, by_mark, "put back to {left}");
        ground.wait(24 * HOUR);
        ground.rounds(31 * SECOND).await;
        assert_eq!(numbers(&ground).await, by_look, "put back to {left}");
    };
    check(2, &["6"], "1 2 3 4", "1 2 3 4 6").await;
    // The list has grown past the mark again.
    check(2, &["6", "7", "8"], "1 2 3 4 8", "1 2 3 4 6 7 8").await;
    check(0, &["5", "6", "7", "8", "9"], "1 2 3 4 9", "1 2 3 4 5 6 7 8 9").await;
    assert!(LAYOUT.contains("/next"));
}

#[tokio::test]
async fn what_was_bought_after_a_shop_was_put_back_is_known_before_a_comparison_offers_it_again() {
    let listed = "[listed]\nfrom = \"/listed\"\nevery = \"6h\"\nlayout = '''\nfeed = \"listings\"\nformat = \"json\"\n\
        [field.sku]\nfrom = \"/code\"\n[field.inventoryLevel]\nfrom = \"/left\"\n'''\n";
    let (mut ground, orders) = counted_on(listed).await;
    let told = Arc::clone(&orders);
    let answer = move |_: &Request| {
        let orders = told.lock().unwrap();
        let is_bought = |sku: &str| orders.iter().any(|(_, order)| order["lines"][0]["code"] == sku);
        let left = |sku: &str| if is_bought(sku) { "0" } else { "1" };
        let rows: Vec<Value> = SKUS.map(|sku| json!({"code": sku, "left": left(sku)})).to_vec();
        ResponseTemplate::new(200).set_body_json(rows)
    };
    Mock::given(path("/listed")).respond_with(answer).mount(&ground.server).await;
    ground.rounds(31 * SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4");
    let before = ground.asked().await.len();
    {
        // The list is as long as before: there is nothing after the mark.
        let mut orders = orders.lock().unwrap();
        orders.truncate(2);
        orders.extend([("6", "A5"), ("7", "A6")].map(|(n, sku)| (0, order(n, sku, "OrderProcessing", 0))));
    }
    ground.wait(6 * HOUR);
    ground.rounds(SECOND).await;
    assert_eq!(numbers(&ground).await, "1 2 3 4 6 7");
    let asked = ground.asked().await.split_off(before);
    assert!(!asked.iter().any(|asked| asked.ends_with(" InStock")), "{asked:?}");
    assert!(asked.contains(&"PUT /intake/A3 SoldOut".to_owned()), "{asked:?}");
}

#[tokio::test]
async fn a_shop_that_was_put_back_from_its_backup_is_told_anew() {
    let listed = "[orders]\nfrom = \"/orders\"\nevery = \"1d\"\n[listed]\nfrom = \"/listed\"\nevery = \"6h\"\nlayout = '''\n\
        feed = \"listings\"\nformat = \"json\"\neach = \"/listings\"\n[field.sku]\nfrom = \"/code\"\n\
        [field.inventoryLevel]\nfrom = \"/left\"\n[field.\"offers.price\"]\nfrom = \"/price\"\n\
        [field.revision]\nfrom = \"/revision\"\n'''\n";
    let mut ground = Ground::with(&format!("{OUT}{listed}"), &["B1", "B2"]).await;
    let theirs = async |ground: &Ground, rows: Value| {
        ground.server.reset().await;
        let list = ResponseTemplate::new(200).set_body_json(json!({"listings": rows}));
        Mock::given(path("/listed")).respond_with(list).mount(&ground.server).await;
        let none = ResponseTemplate::new(200).set_body_raw("[]", "application/json");
        Mock::given(path("/orders")).respond_with(none).mount(&ground.server).await;
        Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    };
    let as_first =
        |sku: &str, left: &str| json!({"code": sku, "left": left, "price": "38.00", "revision": 1});
    theirs(&ground, json!([])).await;
    ground.rounds(SECOND).await;
    ground.sell("B1").await;
    ground.rounds(SECOND).await;
    // B1 is for sale there again, and both have their earlier price.
    theirs(&ground, json!([as_first("B1", "1"), as_first("B2", "1")])).await;
    let sale = ground.sell("B2").await;
    ground.take_back(&sale).await;
    ground.rounds(SECOND).await;
    theirs(&ground, json!([as_first("B1", "1"), as_first("B2", "1")])).await;
    ground.rounds(6 * HOUR + SECOND).await;
    let mut told: Vec<String> = ground.asked().await.into_iter().filter(|a| !a.starts_with("GET")).collect();
    told.sort();
    assert_eq!(told, ["PUT /intake/B1 SoldOut", "PUT /intake/B2 InStock"]);
    assert_eq!(ground.status().await.differences, 0);
}

const PAST_END: &str = "past_end = 404\n";

/// A shop that numbers the pages of its list, one order on each; with the answers for the first and
/// second page.
async fn counted(key: &str, statuses: [u16; 2]) -> Ground {
    let listed = format!(
        "[listed]\nfrom = \"/listed?page={{page}}\"\nnext = \"page\"\n{key}layout = '''\nfeed = \"listings\"\n\
         format = \"json\"\n[field.sku]\nfrom = \"/code\"\n'''\n"
    );
    let orders = tables(&format!("from = \"/bought?page={{page}}\"\nnext = \"page\"\n{key}"));
    let ground = Ground::with(&format!("{orders}{listed}"), &["B1"]).await;
    let bodies = [
        ("/bought", json!({"bought": [order("640", "B1", "OrderProcessing", -HOUR)]})),
        ("/listed", json!([{"code": "B1"}])),
    ];
    for (list, body) in bodies {
        for (number, status) in ["1", "2"].into_iter().zip(statuses) {
            let asked = Mock::given(path(list)).and(query_param("page", number));
            let answer = ResponseTemplate::new(status).set_body_json(&body);
            asked.respond_with(answer).mount(&ground.server).await;
        }
    }
    Mock::given(method("PUT")).respond_with(ok()).mount(&ground.server).await;
    ground
}

#[tokio::test]
async fn a_page_behind_the_last_that_is_refused_ends_the_list() {
    let check = async |key: &str, statuses: [u16; 2], expected: bool| {
        let mut ground = counted(key, statuses).await;
        ground.round().await;
        let troubles: Vec<_> = ground.status().await.troubles.into_iter().map(|t| (t.of, t.words)).collect();
        assert_eq!(troubles.is_empty(), expected, "{key} {statuses:?}: {troubles:?}");
    };
    check(PAST_END, [200, 404], true).await;
    check(PAST_END, [200, 410], false).await;
    check(PAST_END, [200, 500], false).await;
    // A shop without a first page has no list.
    check(PAST_END, [404, 404], false).await;
    check("", [200, 404], false).await;
}
