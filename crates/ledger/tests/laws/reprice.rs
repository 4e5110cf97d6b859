//! A style's new rate, and its effect on the prices of its pieces.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use domain::ids::StyleId;
use domain::money::Currency;
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::stock::ItemKind;
use ledger::shelf::{EditItem, EditStyle, NewItem, PriceChange, Purpose, RepriceStyle};

fn rule(rate: &str, ending: &str, minimum: Option<i64>) -> PriceRule {
    PriceRule {
        rate: WeightRate::parse(rate, "ONZ").unwrap(),
        ending: PriceEnding::parse(ending, Currency::USD).unwrap(),
        minimum: minimum.map(usd),
    }
}

fn ruled(sku: &str, ounces: &str) -> NewItem {
    with(item(ItemKind::Piece, sku), |i| {
        i.pricing.price = None;
        i.pricing.style = Some("Ridge beanie".to_owned());
        i.pricing.weight = Some(weight(ounces));
    })
}

/// h1 by rule, h2 by rule with extras and on hold, h3 by hand, h4 sold, h5 at the minimum.
async fn stocked(shop: &Shop) -> StyleId {
    shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", Some(2000))).await;
    shop.ok(style("Moor cowl", "5", "ONZ", "whole", None)).await;
    shop.ok(add(vec![
        ruled("h1", "6 ONZ"),
        with(ruled("h2", "6 ONZ"), |i| i.pricing.extras = usd(250)),
        with(ruled("h3", "6 ONZ"), |i| i.pricing.price = Some(usd(9900))),
        ruled("h4", "6 ONZ"),
        ruled("h5", "1 ONZ"),
    ]))
    .await;
    shop.ok(hold(&[("h2", "1")], Purpose::Customer, None)).await;
    shop.ok(sale_of("h4", 4500)).await;
    let styles = shop.ledger.styles().await.unwrap();
    styles.iter().find(|s| s.name == "Ridge beanie").unwrap().id
}

/// As the page does it: with the mark of a preview made just now.
async fn reprice(shop: &Shop, style: StyleId, revision: i64, rule: PriceRule) -> RepriceStyle {
    let mark = shop.ledger.preview_reprice(style, &rule).await.map(|p| p.mark).unwrap_or_default();
    RepriceStyle { style, revision, rule, mark, who: "maker".to_owned() }
}

async fn prices(shop: &Shop) -> String {
    let mut told = Vec::new();
    for sku in ["h1", "h2", "h3", "h4", "h5"] {
        told.push(format!("{sku} {}", shop.ledger.item(&code(sku)).await.unwrap().price));
    }
    told.join(", ")
}

#[test]
fn the_preview_lists_every_price_that_changes_and_the_command_changes_these() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        assert_eq!(prices(&shop).await, "h1 45.00, h2 48.00, h3 99.00, h4 45.00, h5 20.00");
        let new = rule("8.25", "five", Some(2000));
        let preview = shop.ledger.preview_reprice(style, &new).await.unwrap();
        let told: Vec<String> = preview
            .changes
            .iter()
            .map(|c| format!("{} {} -> {} {}", c.sku, c.old, c.new, c.is_held))
            .collect();
        // 6 × 8.25 = 49.50; with extras of 2.50, 52.00.
        assert_eq!(told, ["h1 45.00 -> 49.50 false", "h2 48.00 -> 52.00 true"]);
        assert_eq!((preview.same, preview.by_hand, preview.impossible.len()), (1, 1, 0));
        let revision = preview.style.revision;
        let done = shop.ok(reprice(&shop, style, revision, new).await).await;
        assert_eq!((done.style.as_str(), done.changed, done.revision), ("Ridge beanie", 2, revision + 1));
        assert_eq!(prices(&shop).await, "h1 49.50, h2 52.00, h3 99.00, h4 45.00, h5 20.00");
        let hat = shop.ledger.item(&code("h1")).await.unwrap();
        assert_eq!((hat.revision, hat.calculation.unwrap().price), (2, usd(4950)));
        // The outbox has the new revision, since the other shop still shows the old price.
        let told =
            "SELECT o.revision FROM outbox o JOIN item i ON i.id = o.item_id WHERE i.sku = 'h1' ORDER BY 1";
        assert_eq!(shop.numbers(told).await, [1, 2]);
        let done = shop.ok(reprice(&shop, style, revision + 1, new).await).await;
        assert_eq!(done.changed, 0);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_rule_that_cannot_be_or_is_of_another_preview_changes_nothing() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        let new = rule("8.25", "five", None);
        shop.refuses(
            reprice(&shop, style, 2, new).await,
            stale(Edited::Style { name: "Ridge beanie".to_owned() }, 2, 1),
        )
        .await;
        shop.refuses(reprice(&shop, StyleId::from_raw(7), 1, new).await, no_such(Thing::Style, 7)).await;
        let foreign = PriceRule { minimum: Some(eur(100)), ..new };
        shop.refuses(
            reprice(&shop, style, 1, foreign).await,
            invalid("minimum", ShopReason::OtherCurrency { given: currency("EUR"), own: currency("USD") }),
        )
        .await;
        // A millionth of a dollar per ounce rounds to zero.
        let nothing = rule("0.000001", "exact", None);
        shop.refuses(
            reprice(&shop, style, 1, nothing).await,
            invalid(
                "rate",
                ShelfReason::NoPriceByRule {
                    sku: "h1".to_owned(),
                    error: NotPriced::Rule(PriceError::Nothing),
                },
            ),
        )
        .await;
        let preview = shop.ledger.preview_reprice(style, &nothing).await.unwrap();
        assert_eq!(preview.impossible.len(), 2);
        // 0.000001 + 2.50 of extras is a price.
        assert_eq!(preview.changes.len(), 1);
    });
}

#[test]
fn a_price_that_was_not_looked_at_is_not_changed() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        let new = rule("8.25", "five", Some(2000));
        let looked = reprice(&shop, style, 1, new).await;
        let meanwhile = || invalid("mark", ShelfReason::PreviewOutdated);
        shop.ok(add(vec![ruled("h6", "5 ONZ")])).await;
        shop.refuses(looked, meanwhile()).await;
        let looked = reprice(&shop, style, 1, new).await;
        shop.ok(sale_of("h1", 4500)).await;
        shop.refuses(looked, meanwhile()).await;
        assert_eq!(prices(&shop).await, "h1 45.00, h2 48.00, h3 99.00, h4 45.00, h5 20.00");
        let looked = reprice(&shop, style, 1, new).await;
        // At the minimum before and after: nothing changes.
        shop.ok(add(vec![ruled("h7", "2 ONZ")])).await;
        assert_eq!(shop.ok(looked).await.changed, 2);
        audit::clean(&shop).await;
    });
}

#[test]
fn pieces_come_back_to_the_rule_one_by_one() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        shop.ok(reprice(&shop, style, 1, rule("10", "exact", None)).await).await;
        shop.ok(EditItem { price: Some(PriceChange::Rule), ..edit("h3") }).await;
        shop.ok(reprice(&shop, style, 2, rule("11", "exact", None)).await).await;
        assert_eq!(prices(&shop).await, "h1 66.00, h2 68.50, h3 66.00, h4 45.00, h5 11.00");
        audit::clean(&shop).await;
    });
}

#[test]
fn a_style_s_texts_are_edited_by_their_revision() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        let none = EditStyle { style, revision: 1, name: None, sizes: None, category: None, care: None };
        let sizes = Some(vec!["S".to_owned(), "XL".to_owned()]);
        let edit = EditStyle { name: Some("Ridge hat".to_owned()), sizes, ..none.clone() };
        assert_eq!(shop.ok(edit).await, 2);
        let view = shop.ledger.style(style).await.unwrap();
        assert_eq!(
            (view.name.as_str(), view.sizes.join(" "), view.category.as_str()),
            ("Ridge hat", "S XL".to_owned(), "hats")
        );
        let care = Some("Hand wash cool.".to_owned());
        assert_eq!(shop.ok(EditStyle { care, revision: 2, ..none.clone() }).await, 3);
        assert_eq!(shop.ledger.style(style).await.unwrap().care, "Hand wash cool.");
        assert_eq!(shop.ledger.item(&code("h1")).await.unwrap().care, "Hand wash cool.");
        assert_eq!(shop.ledger.item(&code("h1")).await.unwrap().style.as_deref(), Some("Ridge hat"));
        shop.refuses(none.clone(), stale(Edited::Style { name: "Ridge hat".to_owned() }, 1, 3)).await;
        let now = EditStyle { revision: 3, ..none };
        let check = [
            (
                EditStyle { name: Some("MOOR cowl".to_owned()), ..now.clone() },
                invalid("name", ShelfReason::StyleExists { name: "Moor cowl".to_owned() }),
            ),
            (EditStyle { name: Some(" ".to_owned()), ..now.clone() }, invalid("name", TextError::Empty)),
            (
                EditStyle { sizes: Some(vec!["S|M".to_owned()]), ..now.clone() },
                invalid("sizes", ShelfReason::SizeHoldsBar),
            ),
            (
                EditStyle { care: Some("Wash.\u{7}".to_owned()), ..now.clone() },
                invalid("care", TextError::NotPrintable { code: 7 }),
            ),
            (EditStyle { style: StyleId::from_raw(7), ..now.clone() }, no_such(Thing::Style, 7)),
        ];
        for (edit, expected) in check {
            shop.refuses(edit, expected).await;
        }
        assert_eq!(shop.ok(EditStyle { name: Some("ridge HAT".to_owned()), ..now }).await, 4);
    });
}
