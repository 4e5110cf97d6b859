use crate::pages::sign_in::tests::{PASSWORD, owner, person};
use crate::testing::TestShop;
use crate::testing::browser::Browser;
use domain::people::Role;

const PATH: &str = super::PATH;

async fn inside() -> (TestShop, Browser) {
    let shop = TestShop::open().await;
    owner(&shop).await;
    let mut browser = Browser::new(&shop);
    browser.sign_in("Maud", PASSWORD).await;
    browser.get(PATH).await;
    (shop, browser)
}

#[tokio::test]
async fn somebody_is_added_changed_and_ended() {
    let (shop, mut browser) = inside().await;
    let fields = [("name", "Ash"), ("role", "maker"), ("password", "another fold"), ("pin", "4071")];
    let added = browser.post(PATH, &fields).await;
    assert_eq!((added.status, added.header("location")), (303, Some(PATH)), "{}", added.text());
    let people = shop.ledger().people().await.expect("people");
    let ash = people.iter().find(|p| p.name == "Ash").expect("Ash");
    assert_eq!((ash.role, ash.has_pin), (Role::Maker, true));
    let one = format!("{PATH}/{}", ash.id);
    let mut theirs = Browser::new(&shop);
    assert_eq!(theirs.sign_in("Ash", "another fold").await.status, 303);
    assert_eq!(theirs.get("/workbench").await.status, 200);
    assert_eq!(browser.get(&one).await.status, 200);
    for (what, fields) in [
        ("role", vec![("role", "counter")]),
        ("pin", vec![("pin", "")]),
        ("password", vec![("password", "a third fold")]),
    ] {
        let reply = browser.post(&format!("{one}/{what}"), &fields).await;
        assert_eq!(
            (reply.status, reply.header("location")),
            (303, Some(one.as_str())),
            "{what}: {}",
            reply.text()
        );
    }
    assert_eq!(theirs.get("/counter").await.status, 303, "a new password ends what was signed in");
    assert_eq!(theirs.sign_in("Ash", "a third fold").await.status, 303);
    assert_eq!((theirs.get("/counter").await.status, theirs.get("/workbench").await.status), (200, 403));
    assert_eq!(browser.post(&format!("{one}/end"), &[]).await.status, 303);
    assert_eq!(theirs.get("/counter").await.status, 303);
    assert_eq!(browser.get(&one).await.status, 404);
}

#[tokio::test]
async fn what_is_wrong_with_a_form_is_said_and_nothing_is_done() {
    let (shop, mut browser) = inside().await;
    let maud = shop.ledger().people().await.expect("people")[0].id;
    let good = [("name", "Ash"), ("role", "maker"), ("password", "another fold"), ("pin", "")];
    for (field, value, words) in [
        ("name", "MAUD", "There is already a person named"),
        ("name", "", "may not be empty"),
        ("role", "queen", "Choose counter clerk"),
        ("password", "short", "at least 8"),
        ("pin", "1234", "easy to guess"),
        ("pin", "1987", "year or date"),
        ("pin", "12", "4 to 12 digits"),
    ] {
        let fields: Vec<_> = good.iter().map(|(n, v)| (*n, if *n == field { value } else { *v })).collect();
        let reply = browser.post(PATH, &fields).await;
        assert!(reply.status == 422 && reply.text().contains(words), "{field}: {}", reply.text());
        assert!(!reply.text().contains("another fold"), "{field}: no password is written into a page");
    }
    for (what, fields, words) in [
        ("role", vec![("role", "maker")], "the only owner"),
        ("end", vec![], "the only owner"),
        ("password", vec![("password", "Maud")], "at least 8"),
    ] {
        let reply = browser.post(&format!("{PATH}/{maud}/{what}"), &fields).await;
        assert!(reply.status == 422 && reply.text().contains(words), "{what}: {}", reply.text());
    }
    assert_eq!(shop.ledger().people().await.expect("people").len(), 1);
}

#[tokio::test]
async fn a_token_is_shown_once_works_and_is_ended() {
    let (shop, mut browser) = inside().await;
    let fields = [("name", "Label printer"), ("role", "counter"), ("days", "30")];
    let made = browser.post("/settings/tokens", &fields).await;
    assert_eq!(made.status, 200, "{}", made.text());
    let token =
        made.text().split("id=\"token\">").nth(1).expect("a token").split('<').next().expect("its end");
    let bearer = format!("Bearer {token}");
    let program = shop.as_nobody();
    assert_eq!(program.get_with("/api/shop", &[("authorization", &bearer)]).await.status, 200);
    assert_eq!(program.get_with("/api/books", &[("authorization", &bearer)]).await.status, 403);
    let list = browser.get(PATH).await;
    assert!(list.text().contains("Label printer") && !list.text().contains(token), "{}", list.text());
    for (field, value, words) in [
        ("days", "0", "from 1 to 3650"),
        ("days", "x", "from 1 to 3650"),
        ("name", "label PRINTER", "already"),
    ] {
        let fields: Vec<_> = fields.iter().map(|(n, v)| (*n, if *n == field { value } else { *v })).collect();
        let reply = browser.post("/settings/tokens", &fields).await;
        assert!(reply.status == 422 && reply.text().contains(words), "{field}: {}", reply.text());
    }
    assert_eq!(browser.post("/settings/tokens/end", &[("name", "Label printer")]).await.status, 303);
    assert_eq!(program.get_with("/api/shop", &[("authorization", &bearer)]).await.status, 401);
}

#[tokio::test]
async fn a_device_is_enrolled_and_ended() {
    let (shop, mut browser) = inside().await;
    browser.post("/settings/devices", &[("name", "Tablet")]).await;
    let page = browser.get(PATH).await;
    assert!(page.text().contains("Tablet (this one)") && !page.text().contains("Register this device"));
    let device = shop.ledger().devices().await.expect("devices")[0].id;
    assert_eq!(browser.post(&format!("/settings/devices/{device}/end"), &[]).await.status, 303);
    let page = browser.get(PATH).await;
    assert!(page.text().contains("No devices are registered"), "{}", page.text());
}

// OWASP ASVS 5.0.0, 6.2.3.
#[tokio::test]
async fn ones_own_password_is_changed_by_whoever_knows_it() {
    let (shop, mut browser) = inside().await;
    person(&shop, "Ash", Role::Counter, None).await;
    let mut ash = Browser::new(&shop);
    ash.sign_in("Ash", PASSWORD).await;
    ash.get("/account").await;
    for (old, new, words) in [
        ("", "another fold", "current password is incorrect"),
        ("wrong one", "another fold", "current password is incorrect"),
        (PASSWORD, "short", "at least 8"),
    ] {
        let reply = ash.post("/account", &[("old", old), ("new", new)]).await;
        assert!(reply.status == 422 && reply.text().contains(words), "{}", reply.text());
    }
    let mut second = Browser::new(&shop);
    second.sign_in("Ash", PASSWORD).await;
    let done = ash.post("/account", &[("old", PASSWORD), ("new", "another fold")]).await;
    assert!(done.status == 200 && done.text().contains("Your password was changed"), "{}", done.text());
    assert_eq!((ash.get("/today").await.status, second.get("/today").await.status), (200, 303));
    assert_eq!(browser.sign_in("Ash", PASSWORD).await.status, 401);
    assert_eq!(shop.get("/account").await.status, 200);
    let program = shop.ask(
        axum::http::Method::POST,
        "/account",
        &[("content-type", "application/x-www-form-urlencoded")],
        "old=a&new=b".into(),
    );
    assert_eq!(program.await.status, 403);
}
