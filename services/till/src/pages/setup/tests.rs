use crate::testing::TestShop;
use crate::testing::browser::Browser;

const FIELDS: [(&str, &str); 6] = [
    ("shop", "Fold End"),
    ("currency", "GBP"),
    ("zone", "Europe/London"),
    ("owner", "Maud"),
    ("password", "a fold of wool"),
    ("again", "a fold of wool"),
];

/// The form with one field changed.
fn but(field: &str, value: &'static str) -> Vec<(&'static str, &'static str)> {
    FIELDS.iter().map(|(name, old)| (*name, if *name == field { value } else { *old })).collect()
}

/// A shop in which nothing has a price yet, so that its currency can be chosen.
async fn fresh() -> (TestShop, Browser) {
    let shop = TestShop::empty().await;
    let browser = Browser::new(&shop);
    (shop, browser)
}

#[tokio::test]
async fn a_new_shop_is_set_up_once_and_its_owner_is_in() {
    let (shop, mut browser) = fresh().await;
    let turned = browser.get("/today").await;
    assert_eq!((turned.status, turned.header("location")), (303, Some("/setup")));
    assert_eq!(browser.get("/sign-in").await.header("location"), Some("/setup"));
    let page = browser.get("/setup").await;
    assert!(page.status == 200 && page.text().contains("Set up your shop"), "{}", page.text());
    let mut late = browser.clone();
    late.get("/setup").await;
    let done = browser.post("/setup", &FIELDS).await;
    assert_eq!((done.status, done.header("location")), (303, Some("/")), "{}", done.text());
    let today = browser.get("/today").await;
    assert!(today.text().contains("Fold End") && today.text().contains("Maud"), "{}", today.text());
    let settings = shop.ledger().shop();
    assert_eq!((settings.currency.to_string(), settings.zone.name()), ("GBP".to_owned(), "Europe/London"));
    let second = late.post("/setup", &but("owner", "Rowan")).await;
    assert_eq!((second.status, second.header("location")), (303, Some("/sign-in")));
    assert_eq!(browser.get("/setup").await.header("location"), Some("/sign-in"));
    assert_eq!(shop.ledger().people().await.expect("people").len(), 1);
}

#[tokio::test]
async fn what_is_wrong_is_said_beside_its_field_and_what_was_typed_stays() {
    let (shop, mut browser) = fresh().await;
    for (field, value, words) in [
        ("password", "short", "at least 8 characters"),
        ("password", "password123456", "easy to guess"),
        ("again", "another one", "The passwords do not match."),
        ("currency", "pounds", "Currency"),
        ("zone", "Europe/Atlantis", "time zone"),
        ("shop", "", "may not be empty"),
        ("owner", "", "may not be empty"),
    ] {
        browser.get("/setup").await;
        let reply = browser.post("/setup", &but(field, value)).await;
        let page = reply.text();
        assert!(reply.status == 422 && page.contains(words), "{field}: {} {page}", reply.status);
        assert!(page.contains("class=\"fault\"") && !page.contains("a fold of wool"), "{field}: {page}");
        assert!(field == "shop" || page.contains("value=\"Fold End\""), "{field}: {page}");
    }
    assert!(!shop.ledger().has_people().await.expect("an answer"));
}

#[tokio::test]
async fn all_that_is_wrong_is_said_at_once() {
    let (_shop, mut browser) = fresh().await;
    browser.get("/setup").await;
    let fields = [
        ("shop", ""),
        ("currency", "pounds"),
        ("zone", "Europe/Atlantis"),
        ("owner", ""),
        ("password", "short"),
        ("again", "other"),
    ];
    let page = browser.post("/setup", &fields).await;
    for field in ["name", "currency", "zone", "owner", "password", "again"] {
        let beside = format!("id=\"fault-{field}\"");
        assert!(page.text().contains(&beside), "{field}: {}", page.text());
    }
    assert!(
        page.text().contains("<option value=\"America/Santiago\">Santiago</option>"),
        "any zone can be found"
    );
}

#[tokio::test]
async fn programs_work_before_there_is_anybody() {
    let shop = TestShop::open().await;
    assert!(!shop.ledger().has_people().await.expect("an answer"));
    assert_eq!(shop.get("/api/shop").await.status, 200);
}

#[tokio::test]
async fn a_city_stands_for_its_zone_and_is_found_as_people_write_it() {
    let (shop, mut browser) = fresh().await;
    let page = browser.get("/setup").await;
    let option = "<option value=\"America/New_York\">New York</option>";
    assert!(page.text().contains(option), "{}", page.text());
    assert!(page.text().contains(" data-suggest"), "nobody chose a zone");
    let done = browser.post("/setup", &but("zone", "new york")).await;
    assert_eq!(done.status, 303, "{}", done.text());
    assert_eq!(shop.ledger().shop().zone.name(), "America/New_York");
    let zone = shop.ledger().shop().rows().into_iter().find(|(key, _)| key == "zone");
    assert_eq!(zone.map(|(_, value)| value).as_deref(), Some("America/New_York"));
}

#[tokio::test]
async fn a_zone_that_was_set_before_is_not_replaced_by_the_browser_s() {
    let (shop, mut browser) = fresh().await;
    let zone =
        ledger::keeping::SetShop { key: "zone".to_owned(), value: "Denver".to_owned(), who: String::new() };
    shop.ledger().execute(None, &zone).await.expect("set");
    let page = browser.get("/setup").await;
    assert!(page.text().contains("value=\"America/Denver\" list"), "{}", page.text());
    assert!(!page.text().contains("data-suggest"), "{}", page.text());
}
