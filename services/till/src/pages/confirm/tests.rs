use crate::pages::sign_in::tests::{PASSWORD, owner};
use crate::testing::TestShop;
use crate::testing::browser::Browser;
use ledger::people::CONFIRMED_FOR_MS;

const PATH: &str = "/settings/people";
const FIELDS: [(&str, &str); 5] = [
    ("name", "Ash & <Bo>"),
    ("role", "maker"),
    ("password", "another fold"),
    ("pin", ""),
    ("note", "one\r\ntwo"),
];

/// An owner whose password was typed a while ago.
async fn stale() -> (TestShop, Browser) {
    let shop = TestShop::open().await;
    owner(&shop).await;
    let mut browser = Browser::new(&shop);
    browser.sign_in("Maud", PASSWORD).await;
    browser.get(PATH).await;
    shop.advance_millis(CONFIRMED_FOR_MS);
    (shop, browser)
}

async fn names(shop: &TestShop) -> Vec<String> {
    shop.ledger().people().await.expect("people").into_iter().map(|p| p.name).collect()
}

// OWASP ASVS 5.0.0, 7.5.1 and 7.2.4.
#[tokio::test]
async fn a_change_waits_for_the_password_and_goes_on_with_what_was_typed() {
    let (shop, mut browser) = stale().await;
    let asked = browser.post(PATH, &FIELDS).await;
    let text = asked.text();
    assert_eq!(asked.status, 403, "{text}");
    assert!(text.contains("action=\"/settings/people\"") && text.contains("name=\"_confirm\""), "{text}");
    assert!(text.contains("name=\"name\" value=\"Ash &#38; &#60;Bo&#62;\""), "{text}");
    assert!(text.contains("name=\"note\" value=\"one\r\ntwo\"") && text.contains("role"), "{text}");
    assert!(!text.contains("another fold"), "no password is written into a page");
    assert!(text.contains("name=\"password\" type=\"password\"") && !text.contains("name=\"pin\""), "{text}");
    let cookie = browser.cookie("fleecefold-session").expect("a session").to_owned();
    for wrong in ["wrong", ""] {
        let fields = [&FIELDS[..], &[("_confirm", wrong)]].concat();
        let reply = browser.post(PATH, &fields).await;
        assert!(reply.status == 403 && reply.text().contains("is incorrect"), "{}", reply.text());
    }
    assert_eq!(names(&shop).await, ["Maud"]);
    let fields = [&FIELDS[..], &[("_confirm", PASSWORD)]].concat();
    let done = browser.post(PATH, &fields).await;
    assert_eq!((done.status, done.header("location")), (303, Some(PATH)), "{}", done.text());
    assert_eq!(names(&shop).await, ["Ash & <Bo>", "Maud"]);
    assert_ne!(browser.cookie("fleecefold-session"), Some(cookie.as_str()), "the session has a new cookie");
    let mut old = browser.clone();
    old.set_cookie("fleecefold-session", &cookie);
    assert_eq!(old.get("/today").await.status, 303);
    shop.advance_millis(CONFIRMED_FOR_MS - 1);
    assert_eq!(browser.post("/settings/devices", &[("name", "Tablet")]).await.status, 303, "for a while");
    shop.advance_millis(1);
    assert_eq!(browser.post("/settings/devices", &[("name", "Phone")]).await.status, 403);
}

#[tokio::test]
async fn guessing_there_waits_too() {
    let (_, mut browser) = stale().await;
    for failure in 1..=5 {
        let reply = browser.post(PATH, &[("_confirm", "wrong")]).await;
        assert!(reply.text().contains("is incorrect"), "failure {failure}: {}", reply.text());
    }
    let reply = browser.post(PATH, &[("_confirm", PASSWORD)]).await;
    assert!(reply.status == 403 && reply.text().contains("wait 1 s"), "{}", reply.text());
}

#[tokio::test]
async fn only_a_form_of_ones_own_page_is_asked_about() {
    let (shop, mut browser) = stale().await;
    for token in ["", "other"] {
        let reply = browser.post_with(PATH, token, &[("_confirm", PASSWORD)], &[]).await;
        assert!(reply.status == 403 && !reply.text().contains("_confirm"), "{}", reply.text());
    }
    let json = [("content-type", "application/json"), ("sec-fetch-site", "same-origin")];
    let reply = browser.ask("POST", PATH, Some("{\"name\":\"Other\"}".to_owned()), &json).await;
    assert!(reply.status == 403 && reply.text().contains("requires your password"), "{}", reply.text());
    assert_eq!(names(&shop).await, ["Maud"]);
}
