//! Guessing: whose attempts are counted together, and who has to wait because of them.

use super::tests::{PASSWORD, owner, person};
use crate::testing::TestShop;
use crate::testing::browser::Browser;
use domain::people::Role;

const PIN: &str = "407138";

/// A shop with an owner who has a PIN, and the browser of a registered device, signed out.
async fn counter() -> (TestShop, Browser, String) {
    let shop = TestShop::open().await;
    let maud = person(&shop, "Maud", Role::Owner, Some(PIN)).await.to_string();
    let mut browser = Browser::new(&shop);
    browser.sign_in("Maud", PASSWORD).await;
    browser.get("/settings/people").await;
    assert_eq!(browser.post("/settings/devices", &[("name", "Tablet")]).await.status, 303);
    browser.post("/sign-out", &[]).await;
    (shop, browser, maud)
}

async fn by_pin(browser: &mut Browser, person: &str, pin: &str) -> u16 {
    browser.get("/sign-in").await;
    browser.post("/sign-in", &[("person", person), ("pin", pin)]).await.status
}

fn stranger(shop: &TestShop, address: &str) -> Browser {
    let mut browser = Browser::new(shop);
    browser.host = "shop.example";
    browser.peer = format!("{address}:5000").parse().expect("an address");
    browser
}

// OWASP ASVS 5.0.0, 6.3.1: the same person, however the number is written, has one count.
#[tokio::test]
async fn a_pin_is_counted_by_the_person_and_not_by_the_text_typed() {
    let (_, mut browser, maud) = counter().await;
    let mut looked_at = 0;
    // As many zeros as fit: an identifier has nineteen digits at most.
    let room = 19 - maud.len();
    for attempt in 0..12 {
        let typed = format!("{}{maud}", "0".repeat(attempt % (room + 1)));
        if by_pin(&mut browser, &typed, "135790").await == 401 {
            looked_at += 1;
        }
    }
    assert_eq!(looked_at, 5, "the sixth try waits, whatever stands before the number");
}

// OWASP ASVS 5.0.0, 6.3.1; NIST SP 800-63B revision 3, 5.2.2.
#[tokio::test]
async fn after_ten_wrong_pins_only_the_password_opens() {
    let (shop, mut browser, maud) = counter().await;
    let mut wrong = 0;
    while wrong < 10 {
        match by_pin(&mut browser, &maud, "135790").await {
            401 => wrong += 1,
            429 => shop.advance_millis(1000),
            other => panic!("{other}"),
        }
    }
    shop.advance_millis(25 * 60 * 60 * 1000);
    assert_eq!(by_pin(&mut browser, &maud, PIN).await, 401, "the right PIN is dead");
    assert_eq!(browser.sign_in("Maud", PASSWORD).await.status, 303);
    browser.get("/account").await;
    browser.post("/sign-out", &[]).await;
    assert_eq!(by_pin(&mut browser, &maud, PIN).await, 303, "the password has brought it back");
}

// OWASP ASVS 5.0.0, 6.3.1: a success of one's own does not allow further guessing.
#[tokio::test]
async fn a_success_clears_its_own_count_and_not_the_addresss() {
    let shop = TestShop::open().await.at_site("https://shop.example");
    owner(&shop).await;
    person(&shop, "Ash", Role::Counter, None).await;
    let mut looked_at = 0;
    for round in 0..60 {
        let mut browser = stranger(&shop, "192.0.2.1");
        if round % 4 == 3 {
            browser.sign_in("Ash", PASSWORD).await;
        } else if browser.sign_in(&format!("name {round}"), "a wrong one").await.status == 401 {
            looked_at += 1;
        }
    }
    assert_eq!(looked_at, 20, "an address has twenty failures, whatever goes right between them");
}

// OWASP ASVS 5.0.0, 6.3.1: protection from guessing cannot be used to lock an owner out.
#[tokio::test]
async fn a_stranger_locks_nobody_out() {
    let shop = TestShop::open().await.at_site("https://shop.example");
    owner(&shop).await;
    let mut at_home = stranger(&shop, "198.51.100.7");
    assert_eq!(at_home.sign_in("Maud", PASSWORD).await.status, 303);
    at_home.get("/account").await;
    at_home.post("/sign-out", &[]).await;
    let mut elsewhere = stranger(&shop, "192.0.2.1");
    for _ in 0..12 {
        elsewhere.sign_in("Maud", "a wrong one").await;
        shop.advance_millis(1000);
    }
    elsewhere.sign_in("Maud", "a wrong one").await;
    assert_eq!(elsewhere.sign_in("Maud", "a wrong one").await.status, 429);
    assert_eq!(stranger(&shop, "203.0.113.5").sign_in("Maud", PASSWORD).await.status, 303, "another network");
    let mut same_network = stranger(&shop, "198.51.100.7");
    for _ in 0..30 {
        same_network.sign_in("Maud", "a wrong one").await;
    }
    assert_eq!(same_network.sign_in("Maud", PASSWORD).await.status, 429, "unknown, from her own network");
    assert_eq!(at_home.sign_in("Maud", PASSWORD).await.status, 303, "a browser that she was in with before");
}

// OWASP ASVS 5.0.0, 6.3.8: unknown names get the same answers as others.
#[tokio::test]
async fn waits_end_within_a_minute_and_are_the_same_for_names_that_are_none() {
    let shop = TestShop::open().await.at_site("https://shop.example");
    owner(&shop).await;
    let mut waits = [Vec::new(), Vec::new()];
    for (at, (name, address)) in [("Maud", "192.0.2.1"), ("Nobody", "192.0.2.2")].into_iter().enumerate() {
        let mut browser = stranger(&shop, address);
        for _ in 0..40 {
            let reply = browser.sign_in(name, "a wrong one").await;
            waits[at].push((reply.status, reply.header("retry-after").map(str::to_owned)));
            if let Some(seconds) = reply.header("retry-after") {
                let seconds: i64 = seconds.parse().expect("seconds");
                assert!((1..=60).contains(&seconds), "{name}: {seconds}");
                shop.advance_millis(seconds * 1000);
            }
        }
    }
    assert_eq!(waits[0], waits[1]);
}

// OWASP ASVS 5.0.0, 7.5.1 and 8.2.1: what a PIN opens is the counter.
#[tokio::test]
async fn a_pin_session_never_does_what_is_the_owners() {
    let (_, mut browser, maud) = counter().await;
    assert_eq!(by_pin(&mut browser, &maud, PIN).await, 303);
    assert_eq!(browser.get("/counter").await.status, 200);
    for path in [
        "/settings",
        "/settings/people",
        "/settings/activity",
        "/online/new-connection",
        "/books",
        "/api/books",
    ] {
        assert_eq!(browser.get(path).await.status, 403, "{path}");
    }
    browser.get("/counter").await;
    for path in [
        "/settings/people",
        "/settings/people/1/pin",
        "/settings/people/1/password",
        "/settings/devices",
        "/settings/tokens",
        "/settings/shop",
        "/settings/backup",
        "/online/connections",
        "/account",
    ] {
        assert_eq!(browser.post(path, &[("name", "x")]).await.status, 403, "{path}");
    }
}

// OWASP ASVS 5.0.0, 7.5.1: what changes who may sign in asks for the password again.
#[tokio::test]
async fn after_a_while_changes_ask_for_the_password_again() {
    let shop = TestShop::open().await;
    owner(&shop).await;
    let mut browser = Browser::new(&shop);
    browser.sign_in("Maud", PASSWORD).await;
    shop.advance_millis(60 * 60 * 1000);
    for path in [
        "/settings/people",
        "/settings/devices",
        "/settings/tokens",
        "/settings/shop",
        "/settings/backup",
        "/online/connections",
    ] {
        assert_eq!(browser.get("/settings").await.status, 200);
        let asked = browser.post(path, &[("name", "Ash & <Bo>")]).await;
        assert!(asked.status == 403 && asked.text().contains("Confirm it"), "{path}: {}", asked.status);
        assert!(asked.text().contains("value=\"Ash &#38; &#60;Bo&#62;\""), "{path}: {}", asked.text());
    }
    assert_eq!(shop.ledger().devices().await.expect("devices").len(), 0);
}
