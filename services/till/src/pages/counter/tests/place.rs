//! Where a device sells, and where its sale is.

use super::open;
use crate::pages::sign_in::tests::{PASSWORD, owner};
use crate::testing::browser::Browser;
use crate::testing::{Reply, TestShop};
use domain::channel::Channel;
use domain::limits::LimitName;
use domain::people::Role;
use ledger::people::{LimitsOf, SetLimits};
use ledger::sales::SalesQuery;

async fn at_counter() -> (TestShop, Browser) {
    let shop = TestShop::open().await;
    owner(&shop).await;
    let mut browser = Browser::new(&shop);
    browser.sign_in("Maud", PASSWORD).await;
    browser.get("/counter").await;
    (shop, browser)
}

fn path(reply: &Reply) -> String {
    assert_eq!(reply.status, 303, "{}", reply.text());
    reply.header("location").expect("where it goes").to_owned()
}

fn shows(reply: &Reply, texts: &[&str]) {
    for text in texts {
        assert!(reply.text().contains(text), "no {text} in {}", reply.text());
    }
}

#[tokio::test]
async fn a_device_stays_where_it_sells_from_sale_to_sale() {
    let (shop, mut browser) = at_counter().await;
    let page = browser.get("/counter").await;
    shows(&page, &["Selling at <b>Farm store</b>", "<summary>Switch</summary>"]);
    assert_eq!(path(&browser.post("/counter/channel", &[("channel", "market")]).await), "/counter");
    assert_eq!(browser.cookie("fleecefold-channel"), Some("market"));
    let page = browser.get("/counter").await;
    shows(&page, &["<b>Market stall</b>", "name=\"channel\" value=\"market\""]);
    let sale = path(&browser.post("/counter/scan", &[("channel", "market"), ("code", "COWL")]).await);
    shows(&browser.get(&sale).await, &["<b>Market stall</b>", "Move this sale"]);
    browser.post(&format!("{sale}/pay"), &[("revision", "1"), ("by", "cash")]).await;
    let pay = browser.get(&format!("{sale}/pay")).await;
    shows(&pay, &["Take payment", "Selling at <b>Market stall</b>"]);
    let fields = [("by", "cash"), ("due", "48.00"), ("amount", "")];
    let receipt = path(&browser.post(&format!("{sale}/tender"), &fields).await);
    let receipt = browser.get(&receipt).await;
    shows(
        &receipt,
        &[
            "Sold at <b>Market stall</b>",
            "Next customer at Market stall",
            "name=\"channel\" value=\"market\"",
        ],
    );
    shows(&browser.get("/counter").await, &["Selling at <b>Market stall</b>"]);
    let found = shop.ledger().find_sales(&SalesQuery::default(), None, 1).await.expect("sales");
    let sold = &found.sales[0];
    assert_eq!(sold.channel.as_str(), "market");
    // Another device is still in the store.
    let mut other = Browser::new(&shop);
    other.sign_in("Maud", PASSWORD).await;
    shows(&other.get("/counter").await, &["Selling at <b>Farm store</b>"]);
}

#[tokio::test]
async fn switching_moves_the_open_sale_and_is_refused_while_it_is_paid() {
    let (shop, mut browser) = at_counter().await;
    let sale = path(&browser.post("/counter/scan", &[("channel", "store"), ("code", "COWL")]).await);
    let to = format!("{sale}/channel");
    assert_eq!(path(&browser.post(&to, &[("channel", "market")]).await), sale);
    let id = sale.rsplit('/').next().and_then(|id| id.parse().ok()).expect("a sale");
    let moved = shop.ledger().basket(id).await.expect("a sale");
    assert_eq!(moved.channel, Channel::parse("market").expect("a channel"));
    shows(&browser.get(&sale).await, &["Selling at <b>Market stall</b>"]);
    for nowhere in ["online", "fair", ""] {
        let refused = browser.post(&to, &[("channel", nowhere)]).await;
        assert_eq!(refused.status, 422, "{nowhere}");
        shows(&refused, &["Choose one of the places where you sell", "Selling at <b>Market stall</b>"]);
    }
    let revision = moved.revision.to_string();
    browser.post(&format!("{sale}/pay"), &[("revision", &revision), ("by", "cash")]).await;
    let page = browser.get(&sale).await;
    assert!(!page.text().contains("Move this sale"), "no button for what is refused");
    let refused = browser.post(&to, &[("channel", "store")]).await;
    assert_eq!(refused.status, 422);
    shows(&refused, &["This sale is being paid", "Selling at <b>Market stall</b>"]);
    assert_eq!(browser.cookie("fleecefold-channel"), Some("market"));
}

/// The counter clerks of this shop may sell at these channels only.
async fn only_at(shop: &TestShop, channels: &str) {
    let set = SetLimits {
        of: LimitsOf::Role(Role::Counter),
        values: vec![(LimitName::Channels, channels.to_owned())],
        who: String::new(),
    };
    shop.ledger().execute(None, &set).await.expect("limits");
}

#[tokio::test]
async fn a_channel_above_the_clerk_s_limit_is_neither_offered_nor_taken() {
    let shop = TestShop::open().await;
    only_at(&shop, "store,market").await;
    let counter = shop.as_role(Role::Counter);
    let page = open(&counter, "/counter").await;
    page.shows(&["Selling at <b>Farm store</b>", "name=\"channel\" value=\"market\""]);
    assert!(!page.has("value=\"wholesale\""), "not theirs: {}", page.page);
    assert!(open(&shop, "/counter").await.has("value=\"wholesale\""), "an owner's");
    let words = "You can sell only at Farm store and Market stall, not at Wholesale";
    page.refused("/counter/channel", &[("channel", "wholesale")]).await.shows(&[words]);
    let scan = [("channel", "wholesale"), ("code", "COWL")];
    page.refused("/counter/scan", &scan).await.shows(&[words]);
    let sale = page.send("/counter/scan", &[("channel", "market"), ("code", "COWL")]).await;
    assert!(!sale.has("value=\"wholesale\""), "{}", sale.page);
    let to = format!("{}/channel", sale.path);
    sale.refused(&to, &[("channel", "wholesale")]).await.shows(&[words]);
}

#[tokio::test]
async fn a_device_whose_place_is_not_the_clerk_s_sells_where_they_may() {
    let shop = TestShop::open().await;
    only_at(&shop, "market").await;
    let counter = shop.as_role(Role::Counter);
    let page = open(&counter, "/counter").await;
    page.shows(&["Selling at <b>Market stall</b>"]);
    assert!(!page.has("<summary>Switch"), "{}", page.page);
}

#[tokio::test]
async fn a_form_that_names_no_place_keeps_the_device_s_and_a_wrong_one_is_refused() {
    let (shop, mut browser) = at_counter().await;
    browser.post("/counter/channel", &[("channel", "market")]).await;
    browser.get("/counter").await;
    for path in ["/counter/scan", "/counter/paper"] {
        let fields = [("channel", "fair"), ("code", "COWL"), ("amount", "5.00")];
        let refused = browser.post(path, &fields).await;
        assert_eq!(refused.status, 422, "{path}");
        shows(&refused, &["Choose one of the places where you sell", "Selling at <b>Market stall</b>"]);
    }
    // A page that was opened before the device was switched stays what it is.
    let older = browser.post("/counter/scan", &[("channel", "store"), ("code", "12345")]).await;
    assert_eq!(older.status, 422);
    shows(&older, &["Selling at <b>Farm store</b>"]);
    let sale = path(&browser.post("/counter/scan", &[("code", "COWL")]).await);
    shows(&browser.get(&sale).await, &["Selling at <b>Market stall</b>"]);
    assert_eq!(shop.ledger().open_baskets(9).await.expect("sales").len(), 1);
}

#[tokio::test]
async fn a_device_stays_where_it_sells_as_long_as_it_is_used() {
    let (_shop, mut browser) = at_counter().await;
    assert_eq!(browser.get("/counter").await.header("set-cookie"), None, "none was chosen");
    browser.set_cookie("fleecefold-channel", "market");
    let renewed = browser.get("/counter").await;
    let cookie = renewed.header("set-cookie").expect("the place again");
    assert!(
        cookie.starts_with("fleecefold-channel=market; ") && cookie.contains("Max-Age=34560000"),
        "{cookie}"
    );
}

#[tokio::test]
async fn a_channel_that_is_gone_or_no_counter_is_not_where_a_device_sells() {
    let (_shop, mut browser) = at_counter().await;
    for value in ["fair", "online", "%00"] {
        browser.set_cookie("fleecefold-channel", value);
        shows(&browser.get("/counter").await, &["Selling at <b>Farm store</b>"]);
    }
}
