//! The room Today: what somebody should see to now, and the day's takings so far.

mod newest;
mod steps;
mod takings;
mod tasks;

use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::problem::Problem;
use crate::request::caller::{Access, Caller};
use crate::request::route::Route;
use askama::Template;
use axum::extract::State;
use domain::people::Permission;
use newest::Newest;
use steps::Step;
use takings::Takings;
use tasks::Task;

pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/today", Access::Authenticated, room)]
}

#[derive(Template)]
#[template(path = "today/room.html")]
pub(crate) struct Page {
    frame: Frame,
    day: String,
    time: String,
    tasks: Vec<Task>,
    /// What a new shop does first, until it is done.
    steps: Option<Vec<Step>>,
    newest: Vec<Newest>,
    /// Only for callers who may see the takings.
    takings: Option<Takings>,
}

/// GET /today
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let now = app.ledger.now();
    let today = shop.zone.day_of(now);
    let takings =
        if caller.may(Permission::ReadBooks) { Some(takings::read(&app, today).await?) } else { None };
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Today),
        day: today.shown_with_weekday(),
        time: shop.zone.clock(now),
        tasks: tasks::read(&app, &caller).await?,
        steps: steps::read(&app, &caller).await?,
        newest: newest::read(&app).await?,
        takings,
    }))
}

/// GET /
pub(crate) async fn first() -> axum::response::Response {
    crate::pages::frame::see_other(Room::Today.path())
}

#[cfg(test)]
mod tests {
    use crate::pages::online::tests::{add_pieces, send};
    use crate::testing::TestShop;
    use domain::channel::Channel;
    use serde_json::json;

    const WELL: &str = "Nothing needs your attention";

    /// Every item in stock has its tag, as it is now.
    async fn print_tags(shop: &TestShop) {
        let items = shop.ledger().free_items("", 99).await.expect("items");
        let tag = |item| ledger::shelf::TagPrinted::of(item).expect("a code");
        let keep = ledger::shelf::KeepTags { tags: items.iter().map(tag).collect(), who: String::new() };
        shop.ledger().execute(None, &keep).await.expect("tags");
    }

    #[tokio::test]
    async fn today_tells_what_waits_and_where_to_go() {
        let shop = TestShop::open().await;
        let page = shop.get("/today").await;
        for part in ["Sunday, May 17, 2026", "12:00 PM", "4 pieces are not listed online", "href=\"/online"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        let owed = json!({"channel": "store", "lines": [{"sku": "SPINDLE", "quantity": "1"}],
            "tenders": [{"kind": "on-account", "amount": "18.00", "customer": "Ada", "due": "2026-05-17"}]});
        assert_eq!(shop.post("/api/sales", "k1", owed).await.status, 201);
        for (sku, key) in [("COWL", "k2"), ("HAT", "k3")] {
            shop.sell(sku, key).await;
        }
        let hold = json!({"for": "customer", "forWhom": "Ben", "until": "2026-05-17T15:00:00Z",
            "lines": [{"sku": "ROVING", "quantity": "2"}]});
        let hold = shop.post("/api/holds", "k4", hold).await;
        assert_eq!(hold.status, 201, "{}", hold.text());
        let through = [("for_whom", "Cleo"), ("until", "2026-05-17"), ("hold_quantity", "1")];
        assert_eq!(send(&shop, "/shelf/items/SPINDLE/hold", &through).await.status, 303);
        let page = shop.get("/today").await;
        for part in [
            "2 holds end today",
            "Cleo: 1 item, through today",
            "1 open balance due now: $18.00",
            "Sold out: Moor cowl",
            "Ben",
            "3:00 PM",
            "href=\"/counter/balances\"",
        ] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
    }

    #[tokio::test]
    async fn what_stands_still_between_here_and_an_online_shop_is_told() {
        let shop = TestShop::open().await;
        let village = shop.connect("village").await;
        let check = async |expected: &str| {
            let page = shop.get("/today").await;
            assert!(page.text().contains(expected), "{expected} in {}", page.text());
            assert!(page.text().contains("href=\"/online/connections/village\""), "{}", page.text());
        };
        assert!(!shop.get("/today").await.text().contains("village"));
        shop.difference("village", "HAT", "offers.price", "42.00", "45.00").await;
        check("1 price or text in the online shop village differs from yours").await;
        shop.defer_order("village", "V-7", "there is no GHOST").await;
        check("1 order from the online shop village could not be imported").await;
        shop.put_on("village", &["COWL", "HAT"]).await;
        shop.park("village", "COWL", "422: odd").await;
        check("1 message to the online shop village could not be sent").await;
        shop.advance_millis(16 * 60 * 1000);
        check("Updates to the online shop village are more than 15 minutes late").await;
        let until = shop.ledger().now().plus_millis(60_000);
        let quiet = ledger::online::QuietConnection {
            connection: village,
            until,
            asked: false,
            words: "503".to_owned(),
            of: ledger::online::TroubleOf::Connection,
        };
        shop.ledger().execute(None, &quiet).await.expect("quiet");
        check("The online shop village is not responding").await;
        let hand = shop.as_role(domain::people::Role::Counter).get("/today").await;
        assert!(!hand.text().contains("village"), "{}", hand.text());
    }

    #[tokio::test]
    async fn a_drawer_of_an_earlier_day_is_told() {
        let shop = TestShop::open().await;
        let open = ledger::sales::OpenDrawer {
            channel: Channel::store(),
            counts: Vec::new(),
            who: "Ann".to_owned(),
        };
        shop.ledger().execute(None, &open).await.expect("a turn");
        let market = Channel::parse("market").expect("a channel");
        let at_market = ledger::sales::OpenDrawer { channel: market, ..open };
        shop.ledger().execute(None, &at_market).await.expect("a turn");
        assert!(!shop.get("/today").await.text().contains("has been open"));
        shop.next_day();
        let page = shop.get("/today").await;
        for part in [
            "The cash drawer at Farm store has been open since May 17, 2026, 12:00 PM (opened by Ann)",
            "href=\"/counter/drawer?channel=store\"",
            "The cash drawer at Market stall has been open since",
            "href=\"/counter/drawer?channel=market\"",
        ] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
    }

    #[tokio::test]
    async fn a_sold_piece_is_said_to_end_by_itself_only_if_its_online_shop_works() {
        let shop = TestShop::open().await;
        let village = shop.connect("village").await;
        shop.put_on("village", &["COWL", "HAT"]).await;
        shop.tell("village").await;
        shop.sell("COWL", "k1").await;
        let page = async || shop.get("/today").await.text().to_owned();
        let shows = |page: String, parts: &[&str]| {
            for part in parts {
                assert!(page.contains(part), "{part} in {page}");
            }
        };
        let by_itself = "In the online shop village, which removes it by itself.";
        shows(page().await, &["1 piece should no longer be listed online, and still is", by_itself]);
        let hat = json!({"doNotList": true});
        let patched = shop.patch("/api/items/HAT", "p1", &[("if-match", "*")], hat).await;
        assert_eq!(patched.status, 200, "{}", patched.text());
        shows(
            page().await,
            &["2 pieces should no longer be listed online, and still are", "which removes them by itself"],
        );
        let until = shop.ledger().now().plus_millis(60_000);
        let (words, of) = ("503".to_owned(), ledger::online::TroubleOf::Connection);
        let quiet = ledger::online::QuietConnection { connection: village, until, asked: false, words, of };
        shop.ledger().execute(None, &quiet).await.expect("quiet");
        let paused = page().await;
        assert!(!paused.contains("by itself"), "{paused}");
        shows(paused, &["In the online shop village. The online shop village is not responding."]);
        shop.advance_millis(61_000);
        shop.park("village", "COWL", "422: odd").await;
        let parked = page().await;
        assert!(!parked.contains("by itself"), "{parked}");
        shows(
            parked,
            &["In the online shop village. 1 message to the online shop village could not be sent."],
        );
    }

    #[tokio::test]
    async fn the_last_seven_days_stand_by_channel() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        for _ in 0..7 {
            shop.next_day();
        }
        shop.sell("HAT", "k2").await;
        shop.next_day();
        let at_market = json!({"channel": "market", "lines": [{"sku": "SPINDLE", "quantity": "1"}],
            "tenders": [{"kind": "card", "amount": "18.00"}]});
        assert_eq!(shop.post("/api/sales", "k3", at_market).await.status, 201);
        let page = shop.get("/today").await;
        for part in [
            "Market stall</th><td class=\"figure\">$18.00</td><td class=\"figure\">$18.00</td>",
            "Farm store</th><td class=\"figure\">$0.00</td><td class=\"figure\">$42.00</td>",
            "<td class=\"figure\">$18.00</td><td class=\"figure\">$60.00</td></tr></tfoot>",
            "2 sales since Tuesday, May 19, 2026; $48.00 in the seven days before",
            "<rect class=\"woad\" x=\"200\" y=\"0\" width=\"36\" height=\"100\"/>",
            "<rect class=\"weld\" x=\"240\" y=\"58\" width=\"36\" height=\"42\"/>",
            "<text x=\"258\" y=\"115\">Mon</text>",
            "<li>Sunday, May 24, 2026: $42.00</li>",
        ] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
    }

    #[tokio::test]
    async fn all_is_well_only_if_nothing_waits_anywhere() {
        let shop = TestShop::open().await.with_feed_adapter();
        shop.sell("COWL", "k0").await;
        shop.next_day();
        let page = async || shop.get("/today").await.text().to_owned();
        let check = async |expected: &str, path: &str| {
            let page = page().await;
            for part in [expected, &format!("href=\"{path}\"")] {
                assert!(page.contains(part) && !page.contains(WELL), "{part} in {page}");
            }
        };
        check("3 pieces are not listed online", "/online").await;
        check("3 pieces have no tag", "/shelf/tags").await;
        print_tags(&shop).await;
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        add_pieces(&shop, 1).await;
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        check("1 piece has no tag", "/shelf/tags").await;
        print_tags(&shop).await;
        assert!(page().await.contains(WELL), "{}", page().await);
        shop.sell("HAT", "k1").await;
        check("1 piece should no longer be listed online, and still is", "/online/feeds").await;
        check("By your feed: 1 piece. Export changes to remove it.", "/online/feeds").await;
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        assert!(page().await.contains(WELL));
        let price = json!({"price": "17.00"});
        let patched = shop.patch("/api/items/SPINDLE", "p1", &[("if-match", "*")], price).await;
        assert_eq!(patched.status, 200, "{}", patched.text());
        check("1 listed piece changed since your last feed", "/online/feeds").await;
        check("1 tag has an old price or weight", "/shelf/tags").await;
        print_tags(&shop).await;
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        let owed = json!({"channel": "store", "lines": [{"sku": "SPINDLE", "quantity": "1"}],
            "tenders": [{"kind": "on-account", "amount": "17.00", "customer": "Ada", "due": "2026-06-17"}]});
        assert_eq!(shop.post("/api/sales", "k2", owed).await.status, 201);
        check("1 open balance: $17.00. Next due Jun 17, 2026", "/counter/balances").await;
        let hold =
            json!({"for": "customer", "forWhom": "Ben", "lines": [{"sku": "ROVING", "quantity": "2"}]});
        assert_eq!(shop.post("/api/holds", "k3", hold).await.status, 201);
        check("1 item is on hold", "/shelf/holds").await;
        let (channel, who) = (Channel::store(), String::new());
        let open = ledger::sales::OpenBasket { channel, first: None, who };
        shop.ledger().execute(None, &open).await.expect("a sale");
        assert!(!page().await.contains("neither paid nor discarded"));
        let count = ledger::shelf::BeginStockCount { style: None, note: String::new(), who: String::new() };
        let count = shop.ledger().execute(None, &count).await.expect("a count").answer;
        check("The stock count of all stock from", &format!("/shelf/counts/{count}")).await;
        shop.next_day();
        check("1 earlier sale was neither paid nor discarded", "/counter").await;
    }

    #[tokio::test]
    async fn a_new_shop_gets_its_first_steps() {
        let shop = TestShop::empty().await;
        let page = shop.get("/today").await;
        for part in ["First steps", "href=\"/settings\"", "href=\"/shelf/styles\"", "href=\"/counter\""] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        assert!(!page.text().contains("Nothing needs your attention"));
        assert!(!page.text().contains("Add your first style<span class=\"hidden\">: done"));
        let shop = TestShop::open().await;
        let page = shop.get("/today").await;
        for part in [
            "Add your first style<span class=\"hidden\">: done",
            "Weigh your first piece<span class=\"hidden\">: done",
        ] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        assert!(!page.text().contains("Make your first sale<span class=\"hidden\">: done"));
        shop.sell("HAT", "k1").await;
        let page = shop.get("/today").await;
        for part in
            ["Make your first sale<span class=\"hidden\">: done", "Go<span class=\"hidden\">: Sell online"]
        {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        for _ in 0..8 {
            shop.next_day();
        }
        assert!(!shop.get("/today").await.text().contains("First steps"), "no longer new");
        let counter = TestShop::empty().await.as_role(domain::people::Role::Counter);
        assert!(!counter.get("/today").await.text().contains("First steps"), "not theirs to do");
    }

    #[tokio::test]
    async fn the_newest_pieces_are_shown_with_their_yarn() {
        let shop = TestShop::open().await;
        let page = shop.get("/today").await;
        for part in ["Newest pieces", "fill=\"url(#stitches)\"", "Moor cowl"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
    }
}
