//! Every route, as people of each role at the counter use it: signed in with a password and with a PIN.

use super::*;
use crate::edge::routes::routes;
use crate::pages::mask;
use crate::pages::sign_in::tests::{PASSWORD, person};
use crate::request::route::Route;
use crate::testing::browser::Browser;
use crate::testing::{Reply, TestShop};
use domain::channel::Channel;
use domain::codes::Code;
use domain::people::Role;
use ledger::people::By;
use ledger::sales::{BasketChange, OpenBasket, OpenDrawer};
use serde_json::json;

/// Routes below these end the session that is used; each gets a session of its own.
const ENDING: [&str; 2] = ["/sign-out", "/account"];

#[derive(Clone)]
struct Hand {
    role: Role,
    by: By,
    name: &'static str,
    id: String,
    pin: &'static str,
    browser: Browser,
    form_token: String,
}

impl Hand {
    async fn sign_in(&mut self) {
        self.browser.get("/sign-in").await;
        let entered = match self.by {
            By::Password => self.browser.sign_in(self.name, PASSWORD).await,
            By::Pin => self.browser.post("/sign-in", &[("person", &self.id), ("pin", self.pin)]).await,
        };
        assert_eq!(entered.status, 303, "{} by {:?}: {}", self.role, self.by, entered.text());
        let page = self.browser.get("/shelf").await;
        assert_eq!(page.status, 200, "{}", page.text());
        self.form_token = self.browser.token().to_owned();
    }

    /// Sends a request like a form or a script on a page.
    async fn ask(&mut self, route: &Route, path: &str) -> Reply {
        if route.method == Method::GET {
            return self.browser.get(path).await;
        }
        if is_page(path) {
            let token = self.form_token.clone();
            return self.browser.post_with(path, &token, &[], &[]).await;
        }
        let own = [("content-type", "application/json"), ("sec-fetch-site", "same-origin")];
        self.browser.ask(route.method.as_str(), path, Some("{}".to_owned()), &own).await
    }

    /// Whether the table of permissions lets them use a route.
    fn may(&self, route: &Route) -> bool {
        match route.access {
            Access::Public | Access::Authenticated => true,
            Access::Password | Access::Confirmed => self.by == By::Password,
            Access::With(permission) => {
                self.role.may(permission) && (self.by == By::Password || permission.by_pin())
            }
        }
    }
}

/// Whether it was refused because of who they are. Other problems with a request are found later.
fn is_refused(reply: &Reply) -> bool {
    let words = String::from_utf8_lossy(&reply.bytes);
    reply.status == 403 && words.contains("Not allowed")
}

/// People with each role, twice: with a password, and with a PIN on a registered device.
async fn hands(shop: &TestShop) -> Vec<Hand> {
    let mut tablet = Browser::new(shop);
    let mut hands = Vec::new();
    let people =
        [(Role::Owner, "Maud", "407138"), (Role::Maker, "Elm", "518294"), (Role::Counter, "Ash", "629417")];
    for (role, name, pin) in people {
        let id = person(shop, name, role, Some(pin)).await.to_string();
        if role == Role::Owner {
            tablet.sign_in(name, PASSWORD).await;
            tablet.get("/settings/people").await;
            tablet.post("/settings/devices", &[("name", "Tablet")]).await;
        }
        for by in [By::Password, By::Pin] {
            let browser = if by == By::Pin { tablet.clone() } else { Browser::new(shop) };
            let mut hand = Hand { role, by, name, id: id.clone(), pin, browser, form_token: String::new() };
            hand.sign_in().await;
            hands.push(hand);
        }
    }
    hands
}

// OWASP ASVS 5.0.0, 8.2.1 and 8.3.1.
#[tokio::test]
async fn every_route_lets_in_the_people_whom_the_table_lets_in() {
    let shop = TestShop::open().await.with_feed_adapter();
    let all = routes(true);
    let mut asked = 0;
    for mut hand in hands(&shop).await {
        // The previous one has ended all their sessions.
        hand.sign_in().await;
        for route in all.iter().filter(|route| route.access != Access::Public) {
            let part = |part: &str| if part.starts_with('{') { "77".to_owned() } else { part.to_owned() };
            let path = route.path.split('/').map(part).collect::<Vec<_>>().join("/");
            let reply = hand.ask(route, &path).await;
            let what = format!("{} {} as {} by {:?}", route.method, path, hand.role, hand.by);
            let location = reply.header("location").unwrap_or_default();
            assert!(reply.status != 401 && !location.starts_with("/sign-in?"), "{what}: {}", reply.status);
            let words = String::from_utf8_lossy(&reply.bytes);
            // Whoever may use it is not refused for another reason either: the form is their own, and the
            // password recent.
            assert_eq!(reply.status != 403, hand.may(route), "{what}: {} {words}", reply.status);
            assert_eq!(is_refused(&reply), reply.status == 403, "{what}: {words}");
            asked += 1;
            if route.method != Method::GET && ENDING.iter().any(|path| route.path.starts_with(path)) {
                hand.sign_in().await;
            }
        }
    }
    assert!(asked > 600, "{asked}");
}

/// The counter's pages of existing things: whoever may see them is shown the page itself.
#[tokio::test]
async fn the_counter_s_pages_are_shown_to_everybody_at_the_counter() {
    let shop = TestShop::open().await.with_feed_adapter();
    let first = Some(BasketChange::Add { code: Code::parse("SPINDLE").expect("a code"), quantity: None });
    let (channel, who) = (Channel::store(), "counter".to_owned());
    let slip = OpenBasket { channel: channel.clone(), first, who: who.clone() };
    let slip = shop.ledger().execute(None, &slip).await.expect("a slip").answer.to_string();
    let turn = OpenDrawer { channel, counts: Vec::new(), who };
    let turn = shop.ledger().execute(None, &turn).await.expect("a turn").answer.to_string();
    let owed = json!({"channel": "store", "lines": [{"sku": "SPINDLE", "quantity": "1"}],
        "tenders": [{"kind": "on-account", "amount": "18.00", "customer": "Ann", "due": "2026-06-17"}]});
    let sold = shop.post("/api/sales", "k1", owed).await;
    assert_eq!(sold.status, 201, "{}", sold.text());
    let sale = sold.json()["id"].as_str().expect("an id").to_owned();
    let back = shop.sell("HAT", "k2").await["id"].as_str().expect("an id").to_owned();
    let fields = json!({"tender": "cash", "reason": "too big", "fate": "shelf"});
    let back = shop.post(&format!("/api/sales/{back}/refunds"), "k3", fields).await;
    assert_eq!(back.status, 201, "{}", back.text());
    let refund = back.json()["id"].as_str().expect("an id").to_owned();
    let issued = json!({"amount": "5.00", "holder": "", "note": ""});
    let issued = shop.post("/api/certificates", "g1", issued).await.json();
    let certificate = issued["id"].as_str().expect("an id").to_owned();
    let order = json!({"customer": "Ada Moss", "style": "Moor cowl", "due": "2026-06-17"});
    let order = shop.post("/api/custom-orders", "o1", order).await.json()["id"].clone();
    let paid = json!({"channel": "store", "lines": [{"kind": "deposit", "customOrder": order, "amount": "5.00"}],
        "tenders": [{"kind": "card", "amount": "5.00"}]});
    let paid = shop.post("/api/sales", "k4", paid).await.json();
    let deposit = paid["deposits"][0]["id"].as_str().expect("an id").to_owned();
    let order = order.as_str().expect("an id").to_owned();
    let held = json!({"for": "customer", "forWhom": "Ash", "lines": [{"sku": "COWL", "quantity": "1"}]});
    let hold = shop.post("/api/holds", "h1", held).await.json()["id"].as_str().expect("an id").to_owned();
    let pages: Vec<Route> = routes(true)
        .into_iter()
        // A stream of events never ends.
        .filter(|r| r.path.starts_with("/counter") && r.method == Method::GET && !r.path.ends_with("/events"))
        .collect();
    assert!(pages.len() >= 9, "{}", pages.len());
    for mut hand in hands(&shop).await {
        for route in &pages {
            let path = route.path.replace("{basket}", &slip).replace("{sale}", &sale);
            let path = path.replace("{turn}", &turn).replace("{account}", &certificate);
            let path = path.replace("{refund}", &refund).replace("{order}", &order);
            let path = path.replace("{deposit}", &deposit).replace("{hold}", &hold);
            assert!(!path.contains('{'), "{path} needs a thing of its own");
            let reply = hand.ask(route, &path).await;
            // Nothing is being paid, so that page leads back to the sale.
            let expected: &[u16] = if path.ends_with("/pay") { &[200, 303] } else { &[200] };
            let what = format!("{path} as {} by {:?}", hand.role, hand.by);
            assert!(expected.contains(&reply.status), "{what}: {} {}", reply.status, reply.text());
            assert!(!reply.text().contains("12.50"), "{what} shows what goods cost");
        }
        // The token from somebody else's form is worth nothing.
        let foreign = mask::masked("another form's");
        let reply = hand.browser.post_with("/counter/scan", &foreign, &[], &[]).await;
        assert!(reply.status == 403 && reply.text().contains("form has expired"), "{}", reply.text());
    }
}
