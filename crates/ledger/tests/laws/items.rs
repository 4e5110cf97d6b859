//! Adding styles and items, and editing an item.

use crate::audit;
use crate::expected::*;
use crate::harness::on_each;
use crate::make::*;
use domain::codes::Gtin;
use domain::ids::ConnectionId;
use domain::item::{ItemText, TextField};
use domain::stock::{ItemKind, StockReason};
use domain::weight::WeightUnit;
use ledger::shelf::{
    AddStyle, CostChange, Counted, EditItem, ItemPrice, NewItem, NewStyle, PriceChange, RowOutcome,
};

fn said(outcome: &RowOutcome) -> String {
    match outcome {
        RowOutcome::Added(added) => format!("added at {}", added.price.price()),
        RowOutcome::AddedStyle { name } => format!("added {name}"),
        RowOutcome::Updated { sku } => format!("updated {sku}"),
        RowOutcome::Unchanged { sku } => format!("unchanged {sku}"),
        RowOutcome::Refused(rejection) => format!("{rejection:?}"),
    }
}

/// Adds the rows in one batch and compares the start of each result.
async fn check_rows(shop: &crate::harness::Shop, rows: Vec<(NewItem, &str)>) {
    let (items, expected): (Vec<_>, Vec<_>) = rows.into_iter().unzip();
    let outcomes = shop.ok(add(items)).await;
    let said: Vec<String> = outcomes.iter().map(said).collect();
    assert_eq!(said.len(), expected.len());
    for (said, expected) in said.iter().zip(expected) {
        assert!(said.contains(expected), "on {:?}: {said}\nnot as expected: {expected}", shop.engine);
    }
}

/// The numbers in these tests are examples: 0614141 is the company prefix in GS1's own examples (GS1 General
/// Specifications), 952 is GS1's prefix for demonstrations, 73513537 is from python-stdnum's doctests, and
/// 012345678905 is made up, with its check digit worked out here.
fn gtin(text: &str) -> Gtin {
    Gtin::parse(text).unwrap()
}

fn pictured(image: &str, item: NewItem) -> NewItem {
    let images = vec![image.to_owned()];
    NewItem { text: ItemText { images, ..item.text }, ..item }
}

/// Priced by a style's rule.
fn ruled(sku: &str, style: &str, grams_or_ounces: &str) -> NewItem {
    with(item(ItemKind::Piece, sku), |i| {
        i.pricing.price = None;
        i.pricing.style = Some(style.to_owned());
        i.pricing.weight = Some(weight(grams_or_ounces));
    })
}

#[test]
fn rows_are_added_or_refused_each_by_itself() {
    on_each(|shop| async move {
        let added = shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", Some(2000))).await;
        assert_eq!(said(&added[0]), "added Ridge beanie");
        let dear = with(ruled("h2", " ridge BEANIE ", "6.35 ONZ"), |i| i.pricing.extras = usd(250));
        // The GTINs are from memory; only their check digits matter here.
        check_rows(
            &shop,
            vec![
                // 6.35 oz × 7.50 = 47.625, to the cent 47.63, to the whole 48.
                (ruled("h1", "Ridge beanie", "6.35 ONZ"), "added at 48.00"),
                // 47.63 + 2.50 = 50.13, to the whole 50.
                (dear, "added at 50.00"),
                (ruled("h3", "Ridge beanie", "0.05 ONZ"), "added at 20.00"),
                (piece("p1", 4500), "added at 45.00"),
                (counted("c1", "12", 999), "added at 9.99"),
                (counted("c0", "0", 999), "added at 9.99"),
                (with(counted("cn", "1", 999), |i| i.stock.quantity = None), "added at 9.99"),
                (by_ounce("w1", "32.125", 350), "added at 3.50"),
                (NewItem { gtin: Some(gtin("614141007349")), ..piece("g1", 100) }, "added at 1.00"),
                (NewItem { sku: None, ..piece("x", 100) }, "added at 1.00"),
                (piece("free", 0), "PriceNotPositive"),
                (
                    with(piece("np", 0), |i| i.pricing.price = None),
                    "\"offers.price\", reason: Shelf(NoPrice)",
                ),
                (ruled("ns", "Moor cowl", "6 ONZ"), "UnknownStyle { name: \"Moor cowl\" }"),
                (with(ruled("nw", "Ridge beanie", "1 ONZ"), |i| i.pricing.weight = None), "Shelf(NoPrice)"),
                (with(piece("two", 100), |i| i.stock.quantity = Some(asked("2"))), "OnlyOneUseCounted"),
                (counted("half", "1.5", 100), "NotWhole { value: 1.5 }"),
                (by_ounce("fine", "1.0005", 100), "TooFine { value: 1.0005 }"),
                (counted("many", "1000000001", 100), "Quantity(TooLarge)"),
                (
                    with(by_ounce("nu", "1", 100), |i| i.stock.stock_unit = None),
                    "\"quantity.unitCode\", reason: Shelf(StockUnitMissing)",
                ),
                (of(piece("nn", 100), [(TextField::Name, "")]), "\"name\", reason: Text(Empty)"),
                (of(piece("nul", 100), [(TextField::Name, "a\u{0}b")]), "NotPrintable { code: 0 }"),
                (pictured("a|b", piece("bar", 100)), "\"image\", reason: Image(NotAName)"),
                (
                    with(piece("nc", 100), |i| i.pricing.cost = Some(usd(-1))),
                    "\"cost\", reason: Shop(Negative)",
                ),
                (
                    with(piece("eu", 100), |i| i.pricing.price = Some(eur(100))),
                    "OtherCurrency { given: EUR, own: USD }",
                ),
                (piece("p1", 4600), "CodeTaken { code: \"p1\", title: \"another row of this file\" }"),
                (
                    NewItem { gtin: Some(gtin("0614141007349")), ..piece("g2", 1) },
                    "CodeTaken { code: \"0614141007349\"",
                ),
            ],
        )
        .await;
        assert_eq!(shop.ledger.item(&code("614141007349")).await.unwrap().sku, "g1");
        assert_eq!(shop.ledger.item(&code("00614141007349")).await.unwrap().sku, "g1");
        let hat = shop.ledger.item(&code("h1")).await.unwrap();
        let calculation = hat.calculation.unwrap();
        assert_eq!(
            (calculation.by_weight, calculation.ended, calculation.price),
            (usd(4763), usd(4800), usd(4800))
        );
        assert_eq!(shop.ledger.item(&code("w1")).await.unwrap().on_hand.to_string(), "32.125 oz");
        audit::clean(&shop).await;
    });
}

#[test]
fn a_row_that_changes_one_text_alone_changes_it_and_the_listing() {
    on_each(|shop| async move {
        let before = piece("p1", 4500);
        shop.ok(add(vec![before.clone()])).await;
        for field in TextField::ALL {
            let changed = of(before.clone(), [(*field, "Larkfell")]);
            check_rows(&shop, vec![(changed.clone(), "updated p1"), (before.clone(), "another row")]).await;
            check_rows(&shop, vec![(changed.clone(), "unchanged p1")]).await;
            assert_eq!(shop.ledger.item(&code("p1")).await.unwrap().text, changed.text);
            let page = shop.ledger.listings(ConnectionId::from_raw(1), None).await.unwrap();
            assert_eq!(page.rows().unwrap()[0].text, changed.text, "{field:?}");
            check_rows(&shop, vec![(before.clone(), "updated p1")]).await;
        }
        let other = pictured("b.jpg", before.clone());
        check_rows(&shop, vec![(other, "updated p1")]).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_known_sku_takes_text_and_price_and_never_stock() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        let kit = counted("c1", "12", 999);
        let first = NewItem { gtin: Some(gtin("9521234543213")), ..piece("p1", 4500) };
        shop.ok(add(vec![kit.clone(), first, piece("p2", 100), by_ounce("w1", "8", 350)])).await;
        check_rows(&shop, vec![(kit.clone(), "unchanged c1"), (piece("p1", 4500), "unchanged p1")]).await;
        shop.ok(sale(vec![goods("c1", "2")], cash(1998))).await;
        check_rows(
            &shop,
            vec![
                (kit.clone(), "StockDiffers { sku: \"c1\", on_hand: Quantity { stock_units: 10"),
                (piece("p1", 4600), "updated p1"),
                (with(piece("p2", 100), |i| i.pricing.style = Some("Ridge beanie".to_owned())), "updated p2"),
                (
                    with(by_ounce("w1", "8", 350), |i| i.stock.stock_unit = Some(WeightUnit::Gram)),
                    "OtherKind { sku: \"w1\"",
                ),
            ],
        )
        .await;
        check_rows(
            &shop,
            vec![
                (
                    with(of(kit.clone(), [(TextField::Name, "Kit, mended")]), |i| i.stock.quantity = None),
                    "updated c1",
                ),
                (piece("w1", 350), "OtherKind { sku: \"w1\", kind: Weight }"),
                (
                    NewItem { gtin: Some(gtin("9521234543213")), ..piece("p2", 100) },
                    "CodeTaken { code: \"9521234543213\"",
                ),
            ],
        )
        .await;
        // Numbers from memory; only their check digits matter here.
        check_rows(
            &shop,
            vec![
                (NewItem { gtin: Some(gtin("73513537")), ..piece("p2", 100) }, "updated p2"),
                (
                    NewItem { gtin: Some(gtin("73513537")), ..piece("73513537", 100) },
                    "CodeTaken { code: \"73513537\"",
                ),
                (
                    NewItem { gtin: Some(gtin("73513537")), ..piece("p1", 4600) },
                    "CodeTaken { code: \"73513537\"",
                ),
                (NewItem { gtin: Some(gtin("012345678905")), ..piece("012345678905", 100) }, "added at 1.00"),
                (piece("036000291452", 100), "added at 1.00"),
            ],
        )
        .await;
        // A SKU that is a GTIN is told to be one later.
        let known = NewItem { gtin: Some(gtin("036000291452")), ..piece("036000291452", 100) };
        check_rows(&shop, vec![(known.clone(), "updated 036000291452")]).await;
        check_rows(&shop, vec![(known, "unchanged 036000291452")]).await;
        let hat = with(piece("p2", 100), |i| i.pricing.style = Some("Ridge beanie".to_owned()));
        check_rows(&shop, vec![(NewItem { gtin: Some(gtin("73513537")), ..hat.clone() }, "updated p2")])
            .await;
        check_rows(&shop, vec![(NewItem { gtin: Some(gtin("73513537")), ..hat.clone() }, "unchanged p2")])
            .await;
        let two = NewItem { gtin: Some(gtin("0614141007349")), ..hat };
        check_rows(&shop, vec![(two, "OtherGtin { sku: \"p2\", gtin: \"73513537\" }")]).await;
        assert_eq!(shop.ledger.item(&code("73513537")).await.unwrap().sku, "p2");
        let other = NewItem { gtin: Some(gtin("9521234543213")), ..piece("new", 100) };
        check_rows(&shop, vec![(other, "title: \"Item p1\"")]).await;
        let kit = shop.ledger.item(&code("c1")).await.unwrap();
        assert_eq!((kit.text.name.as_str(), kit.on_hand.stock_units(), kit.revision), ("Kit, mended", 10, 3));
        audit::clean(&shop).await;
    });
}

#[test]
fn more_than_a_batch_is_refused() {
    on_each(|shop| async move {
        let many = (0..=ledger::shelf::MAX_ITEMS_AT_ONCE).map(|n| piece(&format!("p{n}"), 100)).collect();
        shop.refuses(add(many), invalid("items", ShelfReason::TooManyItems { limit: 500 })).await;
        let most = (0..ledger::shelf::MAX_ITEMS_AT_ONCE).map(|n| piece(&format!("p{n}"), 100)).collect();
        let outcomes = shop.ok(add(most)).await;
        assert!(outcomes.iter().all(|o| said(o) == "added at 1.00"));
        audit::clean(&shop).await;
    });
}

/// A style's later rate does not change its items' prices until they are edited back to the rule.
#[test]
fn a_style_is_brought_up_to_date_by_its_name() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        shop.ok(add(vec![ruled("h1", "Ridge beanie", "6 ONZ")])).await;
        let outcome = shop.ok(style("RIDGE beanie", "8", "ONZ", "exact", None)).await;
        assert_eq!(said(&outcome[0]), "updated RIDGE beanie");
        let styles = shop.ledger.styles().await.unwrap();
        assert_eq!((styles.len(), styles[0].name.as_str(), styles[0].revision), (1, "Ridge beanie", 2));
        let hat = shop.ledger.item(&code("h1")).await.unwrap();
        assert_eq!((hat.price, hat.calculation.is_none()), (usd(4500), true));
        shop.ok(EditItem { price: Some(PriceChange::Rule), ..edit("h1") }).await;
        let hat = shop.ledger.item(&code("h1")).await.unwrap();
        assert_eq!((hat.price, hat.calculation.unwrap().price), (usd(4800), usd(4800)));
        let mut wrong = style("A|B", "1", "ONZ", "exact", None);
        wrong.styles[0].sizes = vec!["S|M".to_owned()];
        assert!(said(&shop.ok(wrong).await[0]).contains("Shelf(SizeHoldsBar)"));
    });
}

#[test]
fn an_edit_knows_which_revision_it_changes() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        shop.ok(add(vec![ruled("h1", "Ridge beanie", "6.35 ONZ"), piece("p1", 1000)])).await;
        let name = |text: &str| to([(TextField::Name, text)]);
        let edited = shop.ok(EditItem { revision: Some(1), text: name("Cap"), ..edit("h1") }).await;
        assert_eq!(edited, 2);
        shop.refuses(
            EditItem { revision: Some(1), text: name("Hood"), ..edit("h1") },
            stale(Edited::Item { code: "h1".to_owned() }, 1, 2),
        )
        .await;
        shop.ok(EditItem {
            weight: Some(weight("5 ONZ")),
            cost: Some(CostChange::Is(usd(900))),
            ..edit("h1")
        })
        .await;
        let hat = shop.ledger.item(&code("h1")).await.unwrap();
        assert_eq!((hat.text.name.as_str(), hat.price, hat.cost), ("Cap", usd(3800), Some(usd(900))));
        shop.ok(EditItem { price: Some(PriceChange::Hand(usd(3500))), ..edit("h1") }).await;
        shop.ok(EditItem { weight: Some(weight("9 ONZ")), ..edit("h1") }).await;
        let hat = shop.ledger.item(&code("h1")).await.unwrap();
        assert_eq!((hat.price, hat.priced_by_hand, hat.revision), (usd(3500), true, 5));
        let refused: [(EditItem, Expected); 8] = [
            (edit("nobody"), unknown_code("nobody")),
            (edit("2000000000016"), wrong_digit(5)),
            (EditItem { text: name(" "), ..edit("p1") }, invalid("name", TextError::Empty)),
            (
                EditItem { price: Some(PriceChange::Hand(usd(0))), ..edit("p1") },
                invalid("offers.price", ShelfReason::PriceNotPositive),
            ),
            (
                EditItem { price: Some(PriceChange::Hand(eur(5))), ..edit("p1") },
                invalid(
                    "offers.price",
                    ShopReason::OtherCurrency { given: currency("EUR"), own: currency("USD") },
                ),
            ),
            (
                EditItem { price: Some(PriceChange::Rule), ..edit("p1") },
                invalid("offers.price", ShelfReason::NoPrice),
            ),
            (
                EditItem { cost: Some(CostChange::Is(usd(-5))), ..edit("p1") },
                invalid("cost", ShopReason::Negative),
            ),
            (
                EditItem {
                    text: to([(TextField::Description, "pay with 4000 0000 0000 0002")]),
                    ..edit("p1")
                },
                invalid("description", TextError::CardNumber),
            ),
        ];
        for (command, expected) in refused {
            shop.refuses(command, expected).await;
        }
    });
}

/// An owner's tags from an earlier shop have numbers that this one would assign next.
#[test]
fn own_numbers_are_drawn_around_skus_of_the_same_range() {
    on_each(|shop| async move {
        let old = ["2000000000022", "2000000000039", "2000000000060"];
        shop.ok(add(old.iter().map(|sku| piece(sku, 100)).collect())).await;
        let fresh = (0..4).map(|_| NewItem { sku: None, ..piece("x", 100) }).collect();
        let outcomes = shop.ok(add(fresh)).await;
        let skus: Vec<String> = outcomes
            .iter()
            .map(|o| if let RowOutcome::Added(a) = o { a.sku.clone() } else { said(o) })
            .collect();
        assert!(skus.iter().all(|s| s.starts_with('2') && !old.contains(&s.as_str())), "{skus:?}");
        assert_eq!(shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM code").await, 3 * 2 + 4);
    });
}

/// Goods with many past sales can still be read.
#[test]
fn what_was_sold_over_the_years_may_exceed_what_a_shop_holds() {
    on_each(|shop| async move {
        let grams = with(by_ounce("w1", "1", 1), |i| {
            i.stock.stock_unit = Some(WeightUnit::Gram);
            i.stock.quantity = Some(asked("1000000"));
        });
        shop.ok(add(vec![grams])).await;
        for _ in 0..2 {
            shop.ok(adjust("w1", Counted::Less(asked("1"), StockReason::Damage))).await;
            shop.ok(sale(vec![goods("w1", "999999")], card(999_999))).await;
            shop.ok(adjust("w1", Counted::More(asked("1000000")))).await;
        }
        let item = shop.ledger.item(&code("w1")).await.unwrap();
        assert_eq!(item.sold.to_string(), "1999998.000");
        shop.refuses(
            adjust("w1", Counted::More(asked("0.001"))),
            invalid("quantity", QuantityError::TooLarge),
        )
        .await;
        assert!(matches!(
            shop.ok(add(vec![NewItem { sku: None, ..piece("x", 100) }])).await[0],
            RowOutcome::Added(ledger::shelf::AddedItem { price: ItemPrice::ByHand(_), .. })
        ));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_style_that_a_person_adds_never_changes_a_known_one() {
    on_each(|shop| async move {
        let added = |name: &str, rate: &str| {
            let style = style(name, rate, "ONZ", "whole", Some(2000)).styles.remove(0);
            AddStyle { style }
        };
        let id = shop.ok(added(" Ridge beanie ", "7.50")).await;
        let before = shop.ledger.style(id).await.unwrap();
        assert_eq!((before.name.as_str(), before.sizes.len(), before.revision), ("Ridge beanie", 2, 1));
        let exists = ShelfReason::StyleExists { name: "Ridge beanie".to_owned() };
        shop.refuses(added("RIDGE beanie", "9.00"), invalid("style", exists)).await;
        shop.refuses(added("", "9.00"), invalid("style", TextError::Empty)).await;
        let foreign = added("Fell hat", "9.00");
        let rule = domain::pricing::PriceRule { minimum: Some(eur(5)), ..foreign.style.rule };
        let foreign = AddStyle { style: NewStyle { rule, ..foreign.style } };
        shop.refuses(foreign, invalid_at("minimum")).await;
        assert_eq!(shop.ledger.styles().await.unwrap(), [before]);
    });
}
