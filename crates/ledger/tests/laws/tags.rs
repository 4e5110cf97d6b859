//! Printed tags: which items need one.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use domain::day::Moment;
use domain::item::TextField;
use domain::money::Money;
use ledger::keeping::ChangeShop;
use ledger::shelf::{
    AddStyle, EditItem, EditStyle, FindItems, FindState, KeepTags, MAX_TAGS_AT_ONCE, PriceChange, TagCounts,
    TagPrinted,
};

fn tag(sku: &str, price: Money, weighed: Option<&str>) -> TagPrinted {
    let (name, size, material) = (format!("Item {sku}"), String::new(), String::new());
    TagPrinted {
        code: code(sku),
        price,
        weight: weighed.map(weight),
        name,
        size,
        material,
        care: String::new(),
    }
}

/// Prints a tag of an item as it is now.
async fn print(shop: &Shop, sku: &str) {
    let item = shop.ledger.item(&code(sku)).await.unwrap();
    shop.ok(printed(vec![TagPrinted::of(&item).unwrap()])).await;
}

fn printed(tags: Vec<TagPrinted>) -> KeepTags {
    KeepTags { tags, who: "maker".to_owned() }
}

async fn found(shop: &Shop, state: FindState) -> Vec<String> {
    let find = FindItems { state, ..FindItems::default() };
    let page = shop.ledger.find_items(&find, None, 50).await.unwrap();
    page.items.into_iter().map(|item| item.sku).collect()
}

/// SKUs without a tag and with an old one, newest first; the counts must agree.
async fn check(shop: &Shop, missing: &[&str], outdated: &[&str]) {
    let on = shop.engine;
    assert_eq!(found(shop, FindState::TagMissing).await, missing, "missing on {on:?}");
    assert_eq!(found(shop, FindState::TagOutdated).await, outdated, "outdated on {on:?}");
    let counts = shop.ledger.tag_counts(Moment::from_millis(0), i64::MAX).await.unwrap();
    let count = |skus: &[&str]| i64::try_from(skus.len()).unwrap();
    assert_eq!((counts.missing, counts.outdated), (count(missing), count(outdated)), "on {on:?}");
}

#[test]
fn a_tag_is_missing_until_it_is_printed_and_old_when_price_or_weight_change() {
    on_each(|shop| async move {
        let weighed = with(piece("p2", 2000), |i| i.pricing.weight = Some(weight("6 ONZ")));
        shop.ok(add(vec![piece("p1", 1000), weighed, counted("c1", "3", 500), counted("c0", "0", 500)]))
            .await;
        check(&shop, &["c1", "p2", "p1"], &[]).await;
        let added = shop.ledger.tag_counts(Moment::from_millis(0), i64::MAX).await.unwrap().added;
        assert_eq!(added, 3);
        let tags =
            vec![tag("p1", usd(1000), None), tag("p2", usd(2000), Some("6 ONZ")), tag("p1", usd(1000), None)];
        assert_eq!(shop.ok(printed(tags)).await, 2);
        check(&shop, &["c1"], &[]).await;
        let id = shop.ledger.item(&code("p1")).await.unwrap().id;
        let latest = shop.ledger.latest_tag(id).await.unwrap().unwrap();
        assert_eq!((latest.price, latest.is_outdated, latest.who.as_str()), (usd(1000), false, "maker"));
        shop.ok(EditItem { price: Some(PriceChange::Hand(usd(1200))), ..edit("p1") }).await;
        check(&shop, &["c1"], &["p1"]).await;
        assert!(shop.ledger.latest_tag(id).await.unwrap().unwrap().is_outdated);
        // A tag that was on its way while the price changed is old from the first.
        shop.ok(printed(vec![tag("p1", usd(1000), None)])).await;
        check(&shop, &["c1"], &["p1"]).await;
        shop.ok(printed(vec![tag("p1", usd(1200), None)])).await;
        check(&shop, &["c1"], &[]).await;
        shop.ok(EditItem { weight: Some(weight("8 ONZ")), ..edit("p2") }).await;
        check(&shop, &["c1"], &["p2"]).await;
        // The same weight in another unit is no other weight: 8 oz are half a pound.
        shop.ok(printed(vec![tag("p2", usd(2000), Some("0.5 LBR"))])).await;
        check(&shop, &["c1"], &[]).await;
        shop.ok(EditItem { price: Some(PriceChange::Hand(usd(900))), ..edit("p1") }).await;
        shop.ok(sale_of("p1", 900)).await;
        check(&shop, &["c1"], &[]).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn changed_words_on_a_tag_ask_for_a_new_one() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        print(&shop, "p1").await;
        for (field, text) in
            [(TextField::Name, "Fell cowl"), (TextField::Size, "L"), (TextField::Material, "100 % alpaca")]
        {
            shop.ok(EditItem { text: to([(field, text)]), ..edit("p1") }).await;
            check(&shop, &[], &["p1"]).await;
            print(&shop, "p1").await;
            check(&shop, &[], &[]).await;
        }
        // What is not on the tag asks for none.
        let texts = to([(TextField::Description, "Warm."), (TextField::Brand, "Larkfell")]);
        shop.ok(EditItem { text: texts, ..edit("p1") }).await;
        check(&shop, &[], &[]).await;
        let control = TagPrinted { name: "a\u{7}b".to_owned(), ..tag("p1", usd(1000), None) };
        shop.refuses(printed(vec![control]), invalid_at("name")).await;
        audit::clean(&shop).await;
    });
}

/// Care words stand on the tag of every piece of a style; the shop's color is only how the tag looks.
#[test]
fn other_care_words_ask_for_new_tags_and_another_color_for_none() {
    on_each(|shop| async move {
        let style = style("Moor cowl", "7.50", "ONZ", "whole", None).styles.remove(0);
        let style = shop.ok(AddStyle { style }).await;
        let [one, other] = ["p1", "p2"]
            .map(|sku| with(piece(sku, 1000), |item| item.pricing.style = Some("Moor cowl".to_owned())));
        shop.ok(add(vec![one, other, piece("p3", 1000)])).await;
        for sku in ["p1", "p2", "p3"] {
            print(&shop, sku).await;
        }
        check(&shop, &[], &[]).await;
        let care = |revision: i64, words: &str| EditStyle {
            style,
            revision,
            name: None,
            sizes: None,
            category: None,
            care: Some(words.to_owned()),
        };
        shop.ok(care(1, "Hand wash cool. Dry flat.")).await;
        check(&shop, &[], &["p2", "p1"]).await;
        print(&shop, "p1").await;
        check(&shop, &[], &["p2"]).await;
        // As it was when the tag was printed.
        shop.ok(care(2, "")).await;
        check(&shop, &[], &["p1"]).await;
        shop.ok(care(3, "Hand wash cool. Dry flat.")).await;
        print(&shop, "p2").await;
        let color = ("color".to_owned(), "#2f5f9e".to_owned());
        shop.ok(ChangeShop { settings: vec![color], who: "owner".to_owned() }).await;
        check(&shop, &[], &[]).await;
        let control = TagPrinted { care: "a\u{7}b".to_owned(), ..tag("p1", usd(1000), None) };
        shop.refuses(printed(vec![control]), invalid_at("care")).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn tags_that_cannot_have_been_printed_are_refused() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let count = || invalid("tags", ShelfReason::TagCount { limit: MAX_TAGS_AT_ONCE });
        shop.refuses(printed(Vec::new()), count()).await;
        shop.refuses(printed(vec![tag("p1", usd(1), None); MAX_TAGS_AT_ONCE + 1]), count()).await;
        shop.refuses(
            printed(vec![tag("p1", usd(1), None), tag("nobody", usd(1), None)]),
            unknown_code("nobody"),
        )
        .await;
        shop.refuses(printed(vec![tag("p1", eur(1), None)]), invalid_at("price")).await;
        let counts = shop.ledger.tag_counts(shop.ledger.now().plus_millis(1), i64::MAX).await.unwrap();
        assert_eq!(counts, TagCounts { missing: 1, outdated: 0, added: 0 });
    });
}
