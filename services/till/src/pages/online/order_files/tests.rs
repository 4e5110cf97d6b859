use crate::pages::online::tests::send;
use crate::pages::online::upload::tests as upload;
use crate::testing::TestShop;

/// The value of a page's field after a text.
fn field(page: &str, after: &str, name: &str) -> String {
    let rest = page.split(after).nth(1).unwrap_or_else(|| panic!("no {after} in {page}"));
    let rest =
        rest.split(&format!("name=\"{name}\"")).nth(1).unwrap_or_else(|| panic!("no {name} in {page}"));
    rest.split("value=\"").nth(1).and_then(|v| v.split('"').next()).unwrap_or_default().to_owned()
}

#[tokio::test]
async fn a_file_is_checked_then_taken_in_once() {
    let shop = TestShop::open().await.with_feed_adapter();
    let page = shop.get("/online/order-files").await;
    assert!(page.text().contains("Check file"), "{}", page.text());
    let file = Some(("may.csv", b"orderNumber\nA-1\n".as_slice()));
    let checked = upload::send(&shop, "/online/order-files", &[("layout", "")], file).await;
    assert_eq!(checked.status, 200, "{}", checked.text());
    for part in [
        "may.csv",
        "4 orders: 2 would be new, 0 would be changed, 1 already here, 1 rejected.",
        "line 3",
        "A-1",
        "Take in 2 orders",
    ] {
        assert!(checked.text().contains(part), "{part} in {}", checked.text());
    }
    assert!(!checked.text().contains("/rejects"), "nothing is rejected before it is taken in");
    let form = "action=\"/online/order-files/take\"";
    let (kept, key) = (field(checked.text(), form, "kept"), field(checked.text(), form, "_key"));
    // The same file is checked again without sending it once more.
    let again = upload::send(&shop, "/online/order-files", &[("kept", &kept), ("past", "yes")], None).await;
    assert!(again.text().contains("Add 2 orders to the books"), "{}", again.text());
    let fields = [("_key", key.as_str()), ("kept", kept.as_str()), ("name", "may.csv"), ("layout", "")];
    let first = send(&shop, "/online/order-files/take", &fields).await;
    assert!(first.text().contains("4 orders: 2 new, 0 changed, 1 already here"), "{}", first.text());
    let rejects = shop.get(&format!("/online/order-files/rejects?kept={kept}")).await;
    assert_eq!(rejects.header("content-disposition"), Some("attachment; filename=\"may.rejects.csv\""));
    assert_eq!(rejects.text(), "orderNumber\nA-9\n");
    let calls = shop.adapter_calls();
    let second = send(&shop, "/online/order-files/take", &fields).await;
    assert!(second.text().contains("4 orders: 2 new, 0 changed, 1 already here"), "{}", second.text());
    assert_eq!(shop.adapter_calls(), calls, "the second press took nothing in");
}

#[tokio::test]
async fn what_is_wrong_with_a_file_is_said_beside_it() {
    let shop = TestShop::open().await.with_feed_adapter();
    let check = async |fields: &[(&str, &str)], file: Option<(&str, &[u8])>, status: u16, words: &str| {
        let reply = upload::send(&shop, "/online/order-files", fields, file).await;
        assert_eq!(reply.status, status, "{}", reply.text());
        assert!(reply.text().contains(words), "{words} in {}", reply.text());
    };
    check(&[], None, 422, "Choose a file of orders").await;
    check(&[("kept", "none")], None, 422, "choose it again").await;
    check(&[], Some(("unreadable.csv", b"x")), 422, "id=\"fault-file\"").await;
    check(&[("layout", "nothing")], Some(("a.csv", b"x\n")), 422, "There is no layout nothing").await;
    let gone = send(&shop, "/online/order-files/take", &[("kept", "none")]).await;
    assert_eq!(gone.status, 422, "{}", gone.text());
    assert_eq!(shop.get("/online/order-files/rejects?kept=none").await.status, 404);
    let without = TestShop::open().await;
    assert_eq!(without.get("/online/order-files").await.status, 404);
}
