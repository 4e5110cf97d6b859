use crate::pages::sign_in::tests::{PASSWORD, owner, person};
use crate::security::second_factor::code_at;
use crate::testing::browser::Browser;
use crate::testing::{Reply, TestShop};
use domain::people::Role;
use ledger::people::{CONFIRMED_FOR_MS, TurnOffSecondFactor};

const STEP_MS: i64 = 30_000;

async fn inside() -> (TestShop, Browser) {
    let shop = TestShop::open().await;
    owner(&shop).await;
    let mut browser = Browser::new(&shop);
    browser.sign_in("Maud", PASSWORD).await;
    browser.get("/account").await;
    (shop, browser)
}

/// The contents of an element of a page.
fn part<'a>(reply: &'a Reply, from: &str) -> &'a str {
    let rest = reply.text().split_once(from).unwrap_or_else(|| panic!("{from} in {}", reply.text())).1;
    rest.split('<').next().unwrap_or_default()
}

/// Turns the second factor on; returns its key and the recovery codes.
async fn turned_on(shop: &TestShop, browser: &mut Browser) -> (String, Vec<String>) {
    let page = browser.post("/account/second-factor", &[]).await;
    assert_eq!(page.status, 200, "{}", page.text());
    let key = part(&page, "id=\"key\">").replace(' ', "");
    let code = code_at(&key, shop.ledger().now());
    let codes = browser.post("/account/second-factor/on", &[("code", &code)]).await;
    assert_eq!(codes.status, 200, "{}", codes.text());
    let codes =
        codes.text().split("<li>").skip(1).filter_map(|rest| rest.split('<').next()).map(str::to_owned);
    (key, codes.filter(|code| code.len() == 29).collect())
}

/// Signs in by password, up to the code.
async fn to_the_code(browser: &mut Browser) {
    let reply = browser.sign_in("Maud", PASSWORD).await;
    assert_eq!(
        (reply.status, reply.header("location")),
        (303, Some("/sign-in/code?then=%2F")),
        "{}",
        reply.text()
    );
    assert_eq!(browser.get("/today").await.status, 303, "the password alone opens nothing");
    assert_eq!(browser.get("/sign-in/code?then=%2Fshelf").await.status, 200);
}

// OWASP ASVS 5.0.0, 6.5.1: a code works once.
#[tokio::test]
async fn two_step_sign_in_is_turned_on_and_asked_for() {
    let (shop, mut browser) = inside().await;
    let page = browser.post("/account/second-factor", &[]).await;
    assert!(page.text().contains("<svg") && page.text().contains("viewBox"), "{}", page.text());
    let wrong = browser.post("/account/second-factor/on", &[("code", "12345")]).await;
    assert!(wrong.status == 422 && wrong.text().contains("is incorrect"), "{}", wrong.text());
    assert_eq!(part(&wrong, "id=\"key\">"), part(&page, "id=\"key\">"), "the same key again");
    let (key, codes) = turned_on(&shop, &mut browser).await;
    assert_eq!(codes.len(), 10);
    assert!(browser.get("/account").await.text().contains("10 recovery codes are left"));
    let mut other = Browser::new(&shop);
    to_the_code(&mut other).await;
    let used = code_at(&key, shop.ledger().now());
    let replay = other.post("/sign-in/code", &[("code", &used)]).await;
    assert!(replay.status == 401 && replay.text().contains("already used"), "{}", replay.text());
    shop.advance_millis(STEP_MS);
    let code = code_at(&key, shop.ledger().now());
    let entered = other.post("/sign-in/code", &[("code", &code), ("then", "/shelf")]).await;
    assert_eq!((entered.status, entered.header("location")), (303, Some("/shelf")), "{}", entered.text());
    assert_eq!(other.get("/settings").await.status, 200);
    let mut third = Browser::new(&shop);
    to_the_code(&mut third).await;
    assert_eq!(third.post("/sign-in/code", &[("code", &code)]).await.status, 401, "used a moment ago");
    shop.advance_millis(STEP_MS);
    assert_eq!(
        third.post("/sign-in/code", &[("code", &code)]).await.status,
        401,
        "its thirty seconds are over"
    );
    shop.advance_millis(5 * 60 * 1000);
    let late = third.post("/sign-in/code", &[("code", &code)]).await;
    assert_eq!(
        (late.status, late.header("location")),
        (303, Some("/sign-in")),
        "too late: from the beginning"
    );
    let mut nobody = Browser::new(&shop);
    assert_eq!(nobody.get("/sign-in/code").await.header("location"), Some("/sign-in"));
}

#[tokio::test]
async fn a_recovery_code_signs_in_once() {
    let (shop, mut browser) = inside().await;
    let (_, codes) = turned_on(&shop, &mut browser).await;
    let typed = codes[0].to_lowercase().replace('-', " ");
    for (round, status) in [(1, 303), (2, 401)] {
        let mut other = Browser::new(&shop);
        to_the_code(&mut other).await;
        assert_eq!(other.post("/sign-in/code", &[("code", &typed)]).await.status, status, "round {round}");
    }
    browser.get("/account").await;
    let renewed = browser.post("/account/recovery-codes", &[]).await;
    assert!(renewed.status == 200 && !renewed.text().contains(&codes[1]), "{}", renewed.text());
    let mut other = Browser::new(&shop);
    to_the_code(&mut other).await;
    assert_eq!(other.post("/sign-in/code", &[("code", &codes[1])]).await.status, 401, "an old one");
}

// OWASP ASVS 5.0.0, 6.3.1.
#[tokio::test]
async fn codes_are_not_guessed() {
    let (shop, mut browser) = inside().await;
    let (key, codes) = turned_on(&shop, &mut browser).await;
    let mut other = Browser::new(&shop);
    to_the_code(&mut other).await;
    for failure in 1..=5 {
        assert_eq!(other.post("/sign-in/code", &[("code", "000000")]).await.status, 401, "failure {failure}");
    }
    let waits = other.post("/sign-in/code", &[("code", "000000")]).await;
    assert_eq!((waits.status, waits.header("retry-after")), (429, Some("1")), "{}", waits.text());
    let mut looked_at = 5;
    while looked_at < 50 {
        match other.post("/sign-in/code", &[("code", "000000")]).await.status {
            401 => looked_at += 1,
            429 => shop.advance_millis(60_000),
            303 => to_the_code(&mut other).await,
            status => panic!("{status}"),
        }
    }
    shop.advance_millis(60_000);
    to_the_code(&mut other).await;
    let code = code_at(&key, shop.ledger().now());
    assert_eq!(other.post("/sign-in/code", &[("code", &code)]).await.status, 401, "even the right one");
    shop.advance_millis(60_000);
    assert_eq!(other.post("/sign-in/code", &[("code", &codes[3])]).await.status, 303, "but a recovery code");
}

#[tokio::test]
async fn confirming_asks_for_the_code_too() {
    let (shop, mut browser) = inside().await;
    let (key, _) = turned_on(&shop, &mut browser).await;
    shop.advance_millis(CONFIRMED_FOR_MS);
    browser.get("/account").await;
    let asked = browser.post("/account/second-factor/off", &[]).await;
    assert!(asked.status == 403 && asked.text().contains("name=\"_code\""), "{}", asked.text());
    let off = async |browser: &mut Browser, code: &str| {
        browser.post("/account/second-factor/off", &[("_confirm", PASSWORD), ("_code", code)]).await.status
    };
    assert_eq!(off(&mut browser, "").await, 403);
    let code = code_at(&key, shop.ledger().now());
    assert_eq!(off(&mut browser, &code).await, 303);
    assert_eq!(Browser::new(&shop).sign_in("Maud", PASSWORD).await.header("location"), Some("/"));
}

#[tokio::test]
async fn nobody_is_locked_out_for_ever() {
    let (shop, mut browser) = inside().await;
    turned_on(&shop, &mut browser).await;
    let ash = person(&shop, "Ash", Role::Owner, None).await;
    let mut other = Browser::new(&shop);
    other.sign_in("Ash", PASSWORD).await;
    let maud = maud(&shop).await;
    let page = other.get(&format!("/settings/people/{maud}")).await;
    assert!(page.text().contains("two-step sign-in: on"), "{}", page.text());
    let reset = other.post(&format!("/settings/people/{maud}/second-factor"), &[]).await;
    assert_eq!(reset.status, 303, "{}", reset.text());
    assert_eq!(Browser::new(&shop).sign_in("Maud", PASSWORD).await.header("location"), Some("/"));
    let again = TurnOffSecondFactor { person: ash, who: "console".to_owned() };
    assert!(shop.ledger().execute(None, &again).await.is_err(), "there is none to turn off");
}

// OWASP ASVS 5.0.0, 7.4.3 and 8.2.2.
#[tokio::test]
async fn somebody_sees_where_they_are_signed_in_and_signs_out_there() {
    let (shop, mut browser) = inside().await;
    person(&shop, "Ash", Role::Counter, None).await;
    let mut ash = Browser::new(&shop);
    ash.sign_in("Ash", PASSWORD).await;
    ash.get("/account").await;
    let mut other = Browser::new(&shop);
    other.headers = vec![("user-agent", "Mozilla/5.0 (Windows NT 10.0) Gecko/20100101 Firefox/140.0")];
    other.sign_in("Maud", PASSWORD).await;
    let page = browser.get("/account").await;
    assert_eq!(
        page.text().matches("/account/sessions/").count(),
        3,
        "two, and the button for all: {}",
        page.text()
    );
    assert!(
        page.text().contains("Firefox on Windows") && page.text().contains("(this one)"),
        "{}",
        page.text()
    );
    let sessions = shop.ledger().sessions(maud(&shop).await).await.expect("sessions");
    let theirs = sessions.iter().find(|s| s.browser.starts_with("Firefox")).expect("the other").id;
    let path = format!("/account/sessions/{theirs}/end");
    assert_eq!(ash.post(&path, &[]).await.status, 404, "nobody ends another's");
    let ended = browser.post(&path, &[]).await;
    assert_eq!((ended.status, ended.header("location")), (303, Some("/account")), "{}", ended.text());
    assert_eq!((other.get("/today").await.status, browser.get("/account").await.status), (303, 200));
    other.sign_in("Maud", PASSWORD).await;
    let everywhere = browser.post("/account/sessions/end", &[]).await;
    assert_eq!((everywhere.status, everywhere.header("location")), (303, Some("/sign-in")));
    assert_eq!((other.get("/today").await.status, browser.get("/today").await.status), (303, 303));
    assert_eq!(ash.get("/today").await.status, 200);
}

async fn maud(shop: &TestShop) -> domain::ids::PersonId {
    let people = shop.ledger().people().await.expect("people");
    people.into_iter().find(|p| p.name == "Maud").expect("Maud").id
}
