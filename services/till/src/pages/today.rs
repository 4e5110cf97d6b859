//! The room Today: what somebody should see to now, and the day's takings so far.

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
        takings,
    }))
}

/// GET /
pub(crate) async fn first() -> axum::response::Response {
    crate::pages::frame::see_other(Room::Today.path())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn today_tells_what_waits_and_where_to_go() {
        let shop = TestShop::open().await;
        let page = shop.get("/today").await;
        for part in
            ["Sunday, May 17, 2026", "12:00 PM", "4 pieces are not listed online", "href=\"/online"]
        {
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
        let page = shop.get("/today").await;
        for part in ["$18.00 is due", "Sold out: Moor cowl", "Ben", "3:00 PM", "href=\"/counter/balances\""] {
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
        shop.keep_order("village", "V-7", "there is no GHOST").await;
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
            channel: domain::channel::Channel::store(),
            counts: Vec::new(),
            who: "Ann".to_owned(),
        };
        shop.ledger().execute(None, &open).await.expect("a turn");
        assert!(!shop.get("/today").await.text().contains("has been open"));
        shop.next_day();
        let page = shop.get("/today").await;
        let words =
            "The cash drawer of Farm store has been open since May 17, 2026, 12:00 PM (opened by Ann)";
        assert!(
            page.text().contains(words) && page.text().contains("href=\"/counter/drawer\""),
            "{}",
            page.text()
        );
    }

    #[tokio::test]
    async fn the_days_takings_stand_beside_the_same_weekday() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        for _ in 0..7 {
            shop.next_day();
        }
        shop.sell("HAT", "k2").await;
        let page = shop.get("/today").await;
        let row = "<th scope=\"row\">Farm store</th><td class=\"figure\">$42.00</td><td class=\"figure\">$48.00</td>";
        assert!(page.text().contains(row), "{}", page.text());
        assert!(page.text().contains("May 17, 2026"), "{}", page.text());
    }
}
