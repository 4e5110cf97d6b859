//! Which pieces are most similar, and what the Online room remembers.

use crate::build::{asked, code, why};
use domain::item::{ItemPricing, ItemStock, ItemText};
use domain::money::Currency;
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::quantity::{Measure, Quantity};
use domain::stock::{ItemKind, ListingState};
use domain::weight::{Weight, WeightUnit};
use ledger::online::{
    Delivered, DropLayout, KeepLayout, KeepListingText, NoteFeedTrouble, RecordRun, SeeFeedTroubles,
};
use ledger::shelf::{AddItems, AddStyles, NewItem, NewStyle, NewText, RowOutcome, WriteTexts, text_mark};
use testkit::make::{usd, with};
use testkit::{TestShop, shops};

fn piece(sku: &str, style: &str, size: &str, color: &str, ounces: &str) -> NewItem {
    NewItem {
        text: ItemText {
            name: format!("Thing {sku}"),
            color: color.to_owned(),
            size: size.to_owned(),
            ..ItemText::default()
        },
        sku: Some(code(sku)),
        gtin: None,
        pricing: ItemPricing {
            style: (!style.is_empty()).then(|| style.to_owned()),
            weight: Some(Weight::parse(ounces, WeightUnit::Ounce).unwrap()),
            price: Some(usd("40.00")),
            ..ItemPricing::none(Currency::USD)
        },
        stock: ItemStock::of(ItemKind::Piece),
    }
}

async fn add(shop: &TestShop, items: Vec<NewItem>) {
    for name in ["Beanie", "Cowl"] {
        let rule = PriceRule {
            rate: WeightRate::parse("7.50", "ONZ").unwrap(),
            ending: PriceEnding::Whole,
            minimum: None,
        };
        let style = NewStyle {
            name: name.to_owned(),
            rule,
            sizes: Vec::new(),
            category: String::new(),
            care: String::new(),
        };
        shop.ledger.execute(None, &AddStyles { styles: vec![style], who: String::new() }).await.unwrap();
    }
    let added = AddItems { items, who: "test".to_owned(), progress: None };
    let outcomes = shop.ledger.execute(None, &added).await.unwrap().answer;
    assert!(outcomes.iter().all(|o| matches!(o, RowOutcome::Added(_))), "{outcomes:?}");
}

fn one() -> Quantity {
    Quantity::from_stock_units(1, Measure::Units).unwrap()
}

#[tokio::test]
async fn style_comes_before_size_before_color_before_weight() {
    for shop in shops().await {
        let kit = with(piece("KIT", "", "", "madder", "1"), |i| {
            i.stock.kind = ItemKind::Counted;
            i.stock.quantity = Some(asked("5"));
        });
        let items = vec![
            piece("GONE", "Beanie", "L", "madder", "4.00"),
            piece("COWL", "Cowl", "L", "madder", "4.00"),
            piece("SMALL", "Beanie", "S", "madder", "4.00"),
            piece("WOAD", "Beanie", "L", "woad", "4.00"),
            piece("HEAVY", "Beanie", "L", "madder", "6.00"),
            piece("LIGHT", "Beanie", "L", "madder", "3.50"),
            piece("RUST", "Beanie", "L", "rust", "4.00"),
            piece("ODD", "Beanie", "L", "zzyzx", "4.00"),
            piece("PLAIN", "", "", "", "4.00"),
            kit,
        ];
        add(&shop, items).await;
        let found = shop.ledger.closest(&code("GONE"), one(), 20).await.unwrap();
        let skus: Vec<&str> = found.iter().map(|c| c.item.sku.as_str()).collect();
        let expected = ["LIGHT", "HEAVY", "RUST", "WOAD", "ODD", "SMALL", "COWL", "PLAIN"];
        assert_eq!(skus, expected, "{}", shop.engine);
        assert_eq!(found[0].heavier_grams.unwrap().round_dp(2).to_string(), "-14.17");
        let few = shop.ledger.closest(&code("GONE"), one(), 2).await.unwrap();
        assert_eq!(few.len(), 2);
        shop.end().await;
    }
}

#[tokio::test]
async fn what_is_not_listed_is_found_page_by_page() {
    for shop in shops().await {
        let off = with(piece("OFF", "", "", "", "1"), |i| i.stock.do_not_list = true);
        let items = (0..5).map(|n| piece(&format!("P{n}"), "", "", "", "1")).chain([off]).collect();
        add(&shop, items).await;
        let feed = shop.ledger.connection("feed").await.unwrap();
        let skus = async |before, limit| -> Vec<String> {
            let found = shop.ledger.unlisted(feed, before, limit).await.unwrap();
            found.into_iter().map(|item| item.sku).collect()
        };
        assert_eq!(skus(None, 9).await, ["P4", "P3", "P2", "P1", "P0"], "{}", shop.engine);
        let third = shop.ledger.item(&code("P2")).await.unwrap();
        assert_eq!(skus(Some(third.id), 1).await, ["P1"]);
        let told = vec![Delivered {
            item: third.id,
            revision: third.revision,
            content: Some(("hash".to_owned(), ListingState::Listed)),
        }];
        shop.ledger.execute(None, &RecordRun { connection: feed, told, run: None }).await.unwrap();
        assert_eq!(skus(None, 9).await, ["P4", "P3", "P1", "P0"]);
        let listed = shop.ledger.listed(ListingState::Listed, None, 9).await.unwrap();
        assert_eq!(listed.iter().map(|i| i.sku.as_str()).collect::<Vec<_>>(), ["P2"]);
        let counts = shop.ledger.offer_counts(9).await.unwrap();
        assert_eq!((counts.listed, counts.ended), (1, 0));
        assert_eq!(shop.ledger.waiting_count(feed, 9).await.unwrap(), 4);
        assert_eq!(shop.ledger.waiting_count(feed, 3).await.unwrap(), 3);
        shop.end().await;
    }
}

#[tokio::test]
async fn texts_are_written_all_or_none() {
    for shop in shops().await {
        add(&shop, vec![piece("A", "", "", "", "1"), piece("B", "", "", "", "1")]).await;
        let new = |sku: &str, was: &str, text: &str| NewText {
            code: code(sku),
            was: text_mark(was),
            description: text.to_owned(),
        };
        let write = async |texts| {
            let done = shop.ledger.execute(None, &WriteTexts { texts }).await;
            done.map(|d| d.answer).map_err(|e| why(&e))
        };
        assert_eq!(write(vec![new("A", "", "Warm."), new("B", "", "Soft.")]).await, Ok(2));
        let text = async |sku: &str| shop.ledger.item(&code(sku)).await.unwrap().text.description;
        for (texts, expected) in [
            (
                vec![new("A", "Warm.", "Warmer."), new("B", "", "Softer.")],
                "\"B\", reason: Shelf(TextChanged { title: \"Thing B\"",
            ),
            (vec![new("A", "Warm.", "4000 0000 0000 0002")], "CardNumber"),
            (vec![new("A", "Warm.", "x"), new("C", "", "x")], "UnknownCode { code: \"C\""),
            (Vec::new(), "TextCount { limit: 500 }"),
        ] {
            let refused = write(texts).await.unwrap_err();
            assert!(refused.contains(expected), "{refused}");
        }
        assert_eq!(
            (text("A").await.as_str(), text("B").await.as_str()),
            ("Warm.", "Soft."),
            "{}",
            shop.engine
        );
        let feed = shop.ledger.connection("feed").await.unwrap();
        let rows = shop.ledger.waiting_listings(feed, None).await.unwrap().rows().unwrap();
        assert_eq!(rows.iter().map(|r| r.text.description.as_str()).collect::<Vec<_>>(), ["Warm.", "Soft."]);
        shop.end().await;
    }
}

#[tokio::test]
async fn layouts_texts_and_failures_are_kept() {
    for shop in shops().await {
        let keep = async |name: &str, text: &str, revision: i64| {
            let (name, text, who) = (name.to_owned(), text.to_owned(), "maker".to_owned());
            let done = shop.ledger.execute(None, &KeepLayout { name, text, revision, who }).await;
            done.map(|d| d.answer).map_err(|e| why(&e))
        };
        assert_eq!(keep("Fair", "feed = 1\r\n", 0).await, Ok(1));
        assert_eq!(keep("Fair", "feed = 2", 1).await, Ok(2));
        assert!(
            keep("Fair", "feed = 3", 1)
                .await
                .unwrap_err()
                .contains("Stale { what: Layout { name: \"Fair\" }, expected: 1, current: 2")
        );
        assert!(keep("", "x", 0).await.unwrap_err().contains("Text(Empty)"));
        assert!(keep("Long", &"x".repeat(20_001), 0).await.unwrap_err().contains("TooLong { limit: 20000 }"));
        assert_eq!(keep("apple", "x", 0).await, Ok(1));
        let names: Vec<String> = shop.ledger.layouts().await.unwrap().into_iter().map(|l| l.name).collect();
        assert_eq!(names, ["apple", "Fair"], "sorted without case");
        assert_eq!(shop.ledger.layout("Fair").await.unwrap().text, "feed = 2");
        let drop = DropLayout { name: "Fair".to_owned() };
        shop.ledger.execute(None, &drop).await.unwrap();
        assert!(shop.ledger.execute(None, &drop).await.is_err());
        for text in ["{{ name }}", "{{ name }}!"] {
            let (name, text, who) = ("listing".to_owned(), text.to_owned(), String::new());
            shop.ledger.execute(None, &KeepListingText { name, text, who }).await.unwrap();
        }
        assert_eq!(shop.ledger.listing_text("listing").await.unwrap().as_deref(), Some("{{ name }}!"));
        let words = "line 3\u{0}\nis \u{7}odd".to_owned();
        let note = NoteFeedTrouble { file: "may.csv".to_owned(), words };
        shop.ledger.execute(None, &note).await.unwrap();
        let last = shop.ledger.execute(None, &note).await.unwrap().answer;
        let unseen = shop.ledger.feed_troubles(true, 9).await.unwrap();
        assert_eq!((unseen.len(), unseen[0].words.as_str()), (2, "line 3  is  odd"));
        assert_eq!(shop.ledger.execute(None, &SeeFeedTroubles { up_to: last }).await.unwrap().answer, 2);
        assert!(shop.ledger.feed_troubles(true, 9).await.unwrap().is_empty());
        // What was seen a season ago is no longer stored.
        shop.clock.advance_millis(91 * 24 * 60 * 60 * 1000);
        shop.ledger.execute(None, &note).await.unwrap();
        assert_eq!(shop.ledger.feed_troubles(false, 9).await.unwrap().len(), 1, "{}", shop.engine);
        shop.end().await;
    }
}
