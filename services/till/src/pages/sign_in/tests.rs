//! Signing in, as a browser does it.

use super::own_path;
use crate::security::secrets;
use crate::testing::TestShop;
use crate::testing::browser::Browser;
use domain::people::Role;
use ledger::people::{AddPerson, By, EndPerson};

pub(crate) const PASSWORD: &str = "a fold of wool";
const SESSION: &str = "fleecefold-session";
const BEFORE: &str = "fleecefold-before";

pub(crate) async fn owner(shop: &TestShop) -> domain::ids::PersonId {
    person(shop, "Maud", Role::Owner, None).await
}

pub(crate) async fn person(
    shop: &TestShop,
    name: &str,
    role: Role,
    pin: Option<&str>,
) -> domain::ids::PersonId {
    let new = AddPerson {
        name: name.to_owned(),
        role,
        password: secrets::hash(PASSWORD).expect("a hash"),
        pin: pin.map(|pin| secrets::hash(pin).expect("a hash")),
        who: "test".to_owned(),
    };
    shop.ledger().execute(None, &new).await.expect("a person").answer
}

async fn open() -> (TestShop, Browser) {
    let shop = TestShop::open().await;
    owner(&shop).await;
    let browser = Browser::new(&shop);
    (shop, browser)
}

#[tokio::test]
async fn somebody_signs_in_goes_on_and_signs_out() {
    let (_, mut browser) = open().await;
    let turned = browser.get("/shelf?word=moor").await;
    assert_eq!(
        (turned.status, turned.header("location")),
        (303, Some("/sign-in?then=%2Fshelf%3Fword%3Dmoor"))
    );
    let page = browser.get("/sign-in?then=%2Fshelf%3Fword%3Dmoor").await;
    assert!(page.text().contains("name=\"then\" value=\"/shelf?word=moor\""), "{}", page.text());
    let fields = [("name", " maud "), ("password", PASSWORD), ("then", "/shelf?word=moor")];
    let inside = browser.post("/sign-in", &fields).await;
    assert_eq!((inside.status, inside.header("location")), (303, Some("/shelf?word=moor")));
    let shelf = browser.get("/shelf").await;
    assert!(shelf.status == 200 && shelf.text().contains("Maud"), "{}", shelf.text());
    let cookie = browser.cookie(SESSION).expect("a session").to_owned();
    let left = browser.post("/sign-out", &[]).await;
    assert_eq!(
        (left.status, left.header("location"), browser.cookie(SESSION)),
        (303, Some("/sign-in"), None)
    );
    // The device's cookie stays: on a registered device a PIN still works.
    assert_eq!(left.header("clear-site-data"), Some("\"cache\", \"storage\""));
    browser.set_cookie(SESSION, &cookie);
    assert_eq!(browser.get("/shelf").await.status, 303, "the old cookie opens nothing");
}

// OWASP ASVS 5.0.0, 7.2.4: session fixation.
#[tokio::test]
async fn a_cookie_from_before_is_never_who_somebody_is() {
    let (_, mut browser) = open().await;
    browser.set_cookie(SESSION, "planted");
    browser.sign_in("Maud", PASSWORD).await;
    let first = browser.cookie(SESSION).expect("a session").to_owned();
    assert_ne!(first, "planted");
    assert_eq!(browser.cookie(BEFORE), None);
    browser.sign_in("Maud", PASSWORD).await;
    let second = browser.cookie(SESSION).expect("a session").to_owned();
    assert_ne!(second, first);
    for (cookie, status) in [("planted", 303), (first.as_str(), 303), (second.as_str(), 200)] {
        let mut other = browser.clone();
        other.set_cookie(SESSION, cookie);
        assert_eq!(other.get("/today").await.status, status, "{cookie}");
    }
}

// OWASP ASVS 5.0.0, 6.3.8: an unknown name and a wrong password get the same answer.
#[tokio::test]
async fn a_wrong_name_and_a_wrong_password_are_answered_alike() {
    let (_, mut browser) = open().await;
    let mut said = Vec::new();
    for (name, password) in
        [("Maud", "another one"), ("Rowan", PASSWORD), ("Maud", ""), ("Maud", "A fold of wool")]
    {
        let reply = browser.sign_in(name, password).await;
        let fault = reply.text().split("role=\"alert\"").nth(1).expect("a fault").split("</div>").next();
        said.push((reply.status, fault.unwrap_or_default().to_owned()));
    }
    assert!(said.windows(2).all(|pair| pair[0] == pair[1]) && said[0].0 == 401, "{said:?}");
}

// The table of NIST SP 800-63B, 5.2.2 and the OWASP Authentication cheat sheet, over HTTP.
#[tokio::test]
async fn after_five_failures_there_is_a_wait_that_even_the_right_password_does_not_end() {
    let (shop, mut browser) = open().await;
    for failure in 1..=5 {
        assert_eq!(browser.sign_in("Maud", "another one").await.status, 401, "failure {failure}");
    }
    for password in ["another one", PASSWORD] {
        let reply = browser.sign_in("Maud", password).await;
        assert_eq!((reply.status, reply.header("retry-after")), (429, Some("1")), "{password}");
        assert!(reply.text().contains("wait 1 s"), "{}", reply.text());
    }
    assert_eq!(browser.sign_in("Nobody", "another one").await.status, 401, "another account goes on");
    for failure in 2..=5 {
        assert_eq!(browser.sign_in("nobody", "another one").await.status, 401, "failure {failure}");
    }
    assert_eq!(browser.sign_in("Nobody", "another one").await.status, 429, "a name that is none waits alike");
    shop.advance_millis(1000);
    assert_eq!(browser.sign_in("Maud", PASSWORD).await.status, 303);
    for failure in 1..=5 {
        assert_eq!(
            browser.sign_in("Maud", "another one").await.status,
            401,
            "failure {failure} after a success"
        );
    }
}

// OWASP Cross-Site Request Forgery cheat sheet; the sign-in form is protected too.
#[tokio::test]
async fn the_form_of_the_door_is_of_this_browsers_page() {
    let (_, mut browser) = open().await;
    browser.get("/sign-in").await;
    let token = browser.token().to_owned();
    let own = browser.cookie(BEFORE).expect("a cookie").to_owned();
    let fields = [("name", "Maud"), ("password", PASSWORD)];
    let check =
        |token: String, cookie: Option<String>, headers: Vec<(&'static str, &'static str)>, status: u16| {
            let mut browser = browser.clone();
            async move {
                match &cookie {
                    Some(cookie) => browser.set_cookie(BEFORE, cookie),
                    None => browser.forget(BEFORE),
                }
                let reply = browser.post_with("/sign-in", &token, &fields, &headers).await;
                assert_eq!(reply.status, status, "{token} {cookie:?} {headers:?}: {}", reply.text());
            }
        };
    check(String::new(), Some(own.clone()), vec![], 403).await;
    check("other".to_owned(), Some(own.clone()), vec![], 403).await;
    check(own.clone(), Some(own.clone()), vec![], 403).await;
    check(token.clone(), None, vec![], 403).await;
    check(String::new(), None, vec![], 403).await;
    check(String::new(), Some(String::new()), vec![], 403).await;
    check(token.clone(), Some("other".to_owned()), vec![], 403).await;
    check(token.clone(), Some(own.clone()), vec![("sec-fetch-site", "cross-site")], 403).await;
    check(token.clone(), Some(own.clone()), vec![("origin", "null")], 403).await;
    check(token.clone(), Some(own.clone()), vec![("origin", "http://evil.example")], 403).await;
    check(token, Some(own), vec![("origin", "http://localhost")], 303).await;
}

#[tokio::test]
async fn a_form_inside_brings_its_own_sessions_token() {
    let (_, mut browser) = open().await;
    browser.sign_in("Maud", PASSWORD).await;
    browser.get("/account").await;
    let own = browser.token().to_owned();
    let mut other = Browser::new(&TestShop::open().await);
    other.get("/setup").await;
    let mut second = browser.clone();
    second.forget(SESSION);
    second.sign_in("Maud", PASSWORD).await;
    second.get("/account").await;
    assert_ne!(second.token(), own);
    for token in ["", other.token(), second.token()] {
        assert_eq!(browser.post_with("/sign-out", token, &[], &[]).await.status, 403, "{token}");
    }
    let cross = [("sec-fetch-site", "cross-site")];
    assert_eq!(browser.post_with("/sign-out", &own, &[], &cross).await.status, 403);
    assert_eq!(browser.post_with("/sign-out", &own, &[], &[]).await.status, 303);
    let again = browser.post_with("/sign-out", &own, &[], &[]).await;
    assert_eq!((again.status, again.header("location")), (303, Some("/sign-in")));
}

#[tokio::test]
async fn sessions_end_by_idleness_and_with_their_person() {
    let (shop, mut browser) = open().await;
    let ash = person(&shop, "Ash", Role::Maker, None).await;
    browser.sign_in("Ash", PASSWORD).await;
    shop.advance_millis(By::Password.idle_ms() - 1);
    assert_eq!(browser.get("/today").await.status, 200);
    shop.advance_millis(By::Password.idle_ms());
    assert_eq!(browser.get("/today").await.status, 303);
    browser.sign_in("Ash", PASSWORD).await;
    assert_eq!(browser.get("/today").await.status, 200);
    let end = EndPerson { person: ash, who: String::new() };
    shop.ledger().execute(None, &end).await.expect("ended");
    assert_eq!(browser.get("/today").await.status, 303);
    assert_eq!(browser.sign_in("Ash", PASSWORD).await.status, 401);
}

#[tokio::test]
async fn over_https_the_cookies_are_the_sites_alone() {
    let (shop, _) = open().await;
    let shop = shop.at_site("https://shop.example").behind_proxy("127.0.0.1");
    let mut browser = Browser::at_site(&shop, "shop.example");
    browser.headers = vec![("origin", "https://shop.example"), ("x-forwarded-for", "192.0.2.1")];
    let reply = browser.sign_in("Maud", PASSWORD).await;
    assert_eq!(reply.status, 303, "{}", reply.text());
    let set = reply.all("set-cookie").join("\n");
    assert!(set.contains("__Host-fleecefold-session=") && set.contains("; Secure"), "{set}");
    assert_eq!(browser.get("/today").await.status, 200);
}

#[tokio::test]
async fn on_an_enrolled_device_a_pin_changes_hands() {
    let (shop, mut browser) = open().await;
    let ash = person(&shop, "Ash", Role::Counter, Some("4071")).await.to_string();
    browser.sign_in("Maud", PASSWORD).await;
    browser.get("/settings/people").await;
    let enrolled = browser.post("/settings/devices", &[("name", "Counter tablet")]).await;
    assert_eq!((enrolled.status, enrolled.header("location")), (303, Some("/settings/people")));
    browser.post("/sign-out", &[]).await;
    let page = browser.get("/sign-in").await;
    assert!(page.text().contains("Counter tablet") && page.text().contains("Ash"), "{}", page.text());
    assert!(!page.text().contains("Maud"), "who has no PIN is not named");
    let wrong = browser.post("/sign-in", &[("person", &ash), ("pin", "4072")]).await;
    assert!(wrong.status == 401 && wrong.text().contains("PIN is incorrect"), "{}", wrong.text());
    let right = browser.post("/sign-in", &[("person", &ash), ("pin", "4071")]).await;
    assert_eq!(right.status, 303, "{}", right.text());
    assert_eq!((browser.get("/counter").await.status, browser.get("/settings").await.status), (200, 403));
    shop.advance_millis(By::Pin.idle_ms());
    assert_eq!(browser.get("/counter").await.status, 303);
    let mut elsewhere = Browser::new(&shop);
    elsewhere.get("/sign-in").await;
    assert_eq!(elsewhere.post("/sign-in", &[("person", &ash), ("pin", "4071")]).await.status, 401);
    for failure in 1..5 {
        browser.get("/sign-in").await;
        browser.post("/sign-in", &[("person", &ash), ("pin", "1")]).await;
        assert!(failure < 5);
    }
    browser.post("/sign-in", &[("person", &ash), ("pin", "1")]).await;
    let waits = browser.post("/sign-in", &[("person", &ash), ("pin", "4071")]).await;
    assert_eq!(waits.status, 429, "{}", waits.text());
}

#[test]
fn one_goes_on_to_pages_of_this_shop_alone() {
    let check = |then: &str, expected: &str| assert_eq!(own_path(then), expected, "{then}");
    check("/shelf?word=a", "/shelf?word=a");
    check("/", "/");
    check("", "/");
    check("https://evil.example/", "/");
    check("//evil.example/", "/");
    check("/\\evil.example/", "/");
    check("/a\r\nSet-Cookie: x", "/");
    check("/sign-in?then=/sign-in", "/");
    check("/sign-out", "/");
    check(&format!("/{}", "a".repeat(500)), "/");
    check("shelf", "/");
}
