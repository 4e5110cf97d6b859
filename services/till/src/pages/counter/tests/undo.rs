//! Undo, and how open sales are named.

use super::{open, slip};
use crate::testing::TestShop;

#[tokio::test]
async fn the_last_change_is_undone_and_named() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE", "COWL"]).await;
    page.shows(&["form=\"undo\">Undo</button>", "$66.00"]);
    let action = format!("{}/undo", page.path);
    let revision = page.field(&format!("action=\"{action}\""), "revision");
    let undone = page.send(&action, &[("revision", &revision)]).await;
    undone.shows(&["Undone: removed Moor cowl", "$18.00"]);
    // The same page again, where somebody else undid it.
    let late = page.refused(&action, &[("revision", &revision)]).await;
    late.shows(&["This sale was changed somewhere else"]);
    assert!(!late.has("Undone: removed"), "only one thing is said at a time");
    let revision = undone.field(&format!("action=\"{action}\""), "revision");
    let empty = undone.send(&action, &[("revision", &revision)]).await;
    empty.shows(&["Undone: removed Drop spindle", "No items yet"]);
    assert!(!empty.has("form=\"undo\""), "nothing is left to undo");
    let again = empty.send(&format!("{}/scan", page.path), &[("code", "COWL")]).await;
    assert!(!again.has("Undone:"), "{}", again.page);
}

#[tokio::test]
async fn open_sales_are_named_by_what_is_in_them() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL", "SPINDLE"]).await;
    let id = page.path.rsplit('/').next().expect("an id");
    let counter = open(&shop, "/counter").await;
    let link = format!("<a href=\"{}\">Moor cowl and 1 more, $66.00, since ", page.path);
    counter.shows(&["Open sales", &link]);
    assert!(!counter.page.replace(&page.path, "").contains(id), "no identifier is shown");
    shop.next_day();
    let today = open(&shop, "/today").await;
    today.shows(&["neither paid nor discarded", "Moor cowl and 1 more, $66.00, since May "]);
}
