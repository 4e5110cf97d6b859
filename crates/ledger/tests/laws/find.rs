//! Searching items, page by page, and the shelf by style.

use crate::expected::*;
use crate::harness::{DAY_MS, START, Shop, on_each};
use crate::make::*;
use domain::ids::StyleId;
use domain::item::{ItemText, TextField};
use domain::stock::{ItemKind, ListingState, StockReason};
use ledger::online::{Delivered, RecordRun};
use ledger::shelf::{
    Counted, EditItem, FindItems, FindSort, FindState, FindStyle, NewItem, Purpose, StyleCount,
};

/// SKUs of all pages of two items each, separated by spaces; `-` between pages.
async fn pages(shop: &Shop, find: &FindItems) -> String {
    let (mut told, mut after) = (Vec::new(), None);
    loop {
        let page = shop.ledger.find_items(find, after, 2).await.unwrap();
        let skus: Vec<String> = page.items.into_iter().map(|i| i.sku).collect();
        told.push(skus.join(" "));
        after = page.next;
        if after.is_none() {
            return told.join(" - ");
        }
    }
}

async fn check(shop: &Shop, find: FindItems, expected: &str) {
    assert_eq!(pages(shop, &find).await, expected, "on {:?}: {find:?}", shop.engine);
}

fn beanie(sku: &str, color: &str, size: &str, ounces: &str) -> NewItem {
    let text = ItemText {
        name: format!("No. {sku}"),
        color: color.to_owned(),
        size: size.to_owned(),
        material: "80% Alpaca / 20% Wool".to_owned(),
        ..ItemText::default()
    };
    let style = Some("Ridge beanie".to_owned());
    with(item(ItemKind::Piece, sku), |i| {
        i.text = text;
        i.pricing.price = None;
        i.pricing.style = style;
        i.pricing.weight = Some(weight(ounces));
    })
}

/// Four beanies, a card, roving and a shawl without weight, two days apart where noted.
async fn stocked(shop: &Shop) -> StyleId {
    shop.ok(style("Ridge beanie", "10", "ONZ", "exact", None)).await;
    shop.ok(add(vec![
        beanie("b1", "fawn|dark moss", "M", "6.35 ONZ"),
        beanie("b2", "Moorit", "L", "5.9 ONZ"),
        // 170 g = 5.9966 oz.
        beanie("b3", "fawn", "M", "170 GRM"),
    ]))
    .await;
    shop.clock.advance_millis(2 * DAY_MS);
    shop.ok(add(vec![
        beanie("b4", "white", "S", "7 ONZ"),
        of(counted("c1", "10", 450), [(TextField::Name, "Card, ferns")]),
        of(
            by_ounce("w1", "16", 300),
            [(TextField::Name, "Gr\u{e9}y roving"), (TextField::Color, "fern grey")],
        ),
        with(of(piece("s1", 12000), [(TextField::Name, "Shawl")]), |i| i.stock.do_not_list = true),
    ]))
    .await;
    shop.ledger.styles().await.unwrap()[0].id
}

fn words(words: &str) -> FindItems {
    FindItems { words: words.to_owned(), ..FindItems::default() }
}

fn state(state: FindState) -> FindItems {
    FindItems { state, ..FindItems::default() }
}

fn sorted(sort: FindSort) -> FindItems {
    FindItems { sort, ..FindItems::default() }
}

#[test]
fn words_are_found_in_names_styles_colors_and_fibers() {
    on_each(|shop| async move {
        stocked(&shop).await;
        check(&shop, words(""), "s1 w1 - c1 b4 - b3 b2 - b1").await;
        check(&shop, words("BEANIE"), "b4 b3 - b2 b1").await;
        check(&shop, words("fawn beanie"), "b3 b1").await;
        check(&shop, words("alpaca fawn dark"), "b1").await;
        check(&shop, words("grey"), "w1").await;
        check(&shop, words("fern"), "w1 c1").await;
        check(&shop, words("no. b2"), "b2").await;
        check(&shop, words("' OR 1=1 --"), "").await;
        check(&shop, words("%"), "b4 b3 - b2 b1").await;
        check(&shop, words("_"), "").await;
        check(&shop, FindItems { color: "Fern".to_owned(), ..FindItems::default() }, "w1").await;
        check(&shop, FindItems { color: "moss".to_owned(), ..FindItems::default() }, "b1").await;
        check(&shop, FindItems { color: "oss".to_owned(), ..FindItems::default() }, "").await;
        check(&shop, FindItems { size: "m".to_owned(), ..FindItems::default() }, "b3 b1").await;
        // What was edited is found only by its new words.
        let edit =
            EditItem { text: to([(TextField::Color, "rust"), (TextField::Name, "Tea cosy")]), ..edit("b4") };
        shop.ok(edit).await;
        check(&shop, words("tea"), "b4").await;
        check(&shop, words("white"), "").await;
    });
}

#[test]
fn weights_of_all_units_prices_and_ages_are_between() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        let none = FindItems::default;
        let (five, six) = (Some(weight("5.9 ONZ")), Some(weight("6 ONZ")));
        check(&shop, FindItems { weight_from: five, weight_to: six, ..none() }, "b3 b2").await;
        check(&shop, FindItems { weight_from: six, ..none() }, "b4 b1").await;
        check(&shop, FindItems { weight_to: Some(weight("169 GRM")), ..none() }, "b2").await;
        check(&shop, FindItems { price_from: Some(usd(6350)), ..none() }, "s1 b4 - b1").await;
        check(&shop, FindItems { price_to: Some(usd(450)), ..none() }, "w1 c1").await;
        let day = Some(START.plus_millis(DAY_MS));
        check(&shop, FindItems { made_from: day, ..none() }, "s1 w1 - c1 b4").await;
        check(&shop, FindItems { made_before: day, ..none() }, "b3 b2 - b1").await;
        check(&shop, FindItems { style: FindStyle::One(style), ..none() }, "b4 b3 - b2 b1").await;
        check(&shop, FindItems { style: FindStyle::None, ..none() }, "s1 w1 - c1").await;
        // A new weight moves it.
        shop.ok(EditItem { weight: Some(weight("1 LBR")), ..edit("b2") }).await;
        check(&shop, FindItems { weight_from: Some(weight("15.99 ONZ")), ..none() }, "b2").await;
    });
}

#[test]
fn each_order_goes_on_where_the_page_before_ended() {
    on_each(|shop| async move {
        stocked(&shop).await;
        check(&shop, sorted(FindSort::Newest), "s1 w1 - c1 b4 - b3 b2 - b1").await;
        check(&shop, sorted(FindSort::Oldest), "b1 b2 - b3 b4 - c1 w1 - s1").await;
        check(&shop, sorted(FindSort::Cheapest), "w1 c1 - b2 b3 - b1 b4 - s1").await;
        check(&shop, sorted(FindSort::Dearest), "s1 b4 - b1 b3 - b2 c1 - w1").await;
        check(&shop, sorted(FindSort::Lightest), "c1 w1 - s1 b2 - b3 b1 - b4").await;
        check(&shop, sorted(FindSort::Heaviest), "b4 b1 - b3 b2 - s1 w1 - c1").await;
    });
}

#[test]
fn states_are_told_apart() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(hold(&[("b1", "1"), ("c1", "2")], Purpose::Customer, None)).await;
        shop.ok(sale_of("b2", 5900)).await;
        shop.ok(adjust("b3", Counted::Less(asked("1"), StockReason::Gift))).await;
        check(&shop, state(FindState::OnShelf), "s1 w1 - c1 b4 - b1").await;
        check(&shop, state(FindState::Held), "c1 b1").await;
        check(&shop, state(FindState::SoldOut), "b3 b2").await;
        check(&shop, state(FindState::KeptOff), "s1").await;
        check(&shop, state(FindState::Unlisted), "w1 c1 - b4").await;
        check(&shop, state(FindState::All), "s1 w1 - c1 b4 - b3 b2 - b1").await;
        let item = shop.ledger.item(&code("b4")).await.unwrap();
        let content = Some(("ab".repeat(32), ListingState::Listed));
        let told = vec![Delivered { item: item.id, revision: item.revision, content }];
        let connection = shop.ledger.connection("feed").await.unwrap();
        shop.ok(RecordRun { connection, told, run: None }).await;
        check(&shop, state(FindState::Unlisted), "w1 c1").await;
    });
}

#[test]
fn what_cannot_be_looked_for_is_said() {
    on_each(|shop| async move {
        let find = words("a b c d e f g h i");
        let failure = shop.ledger.find_items(&find, None, 2).await.unwrap_err();
        invalid("words", ShelfReason::TooManyWords { limit: 8 })
            .check(failure.rejection().unwrap(), shop.engine);
        let find = FindItems { price_from: Some(eur(1)), ..FindItems::default() };
        let failure = shop.ledger.find_items(&find, None, 2).await.unwrap_err();
        let reason = ShopReason::OtherCurrency { given: currency("EUR"), own: currency("USD") };
        invalid("priceFrom", reason).check(failure.rejection().unwrap(), shop.engine);
        for wrong in ["a\u{0}b", &"x".repeat(201)] {
            let failure = shop.ledger.find_items(&words(wrong), None, 2).await.unwrap_err();
            assert!(failure.rejection().is_some(), "{failure}");
        }
    });
}

/// Shops of an earlier schema have no folded text: it is added when they are opened.
#[test]
fn items_of_an_earlier_step_are_folded_when_the_shop_opens() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let mut raw = shop.raw().await;
        sqlx::query("UPDATE item SET folded = '', mass = 0").execute(&mut *raw).await.unwrap();
        drop(raw);
        check(&shop, words("fawn"), "").await;
        let again = crate::harness::open(&shop.url, shop.clock.clone()).await;
        again.close().await;
        check(&shop, words("fawn"), "b3 b1").await;
        let heavy = FindItems { weight_from: Some(weight("6.35 ONZ")), ..FindItems::default() };
        check(&shop, heavy, "b4 b1").await;
    });
}

#[test]
fn a_style_is_counted_up_to_a_bound() {
    on_each(|shop| async move {
        shop.ok(style("Card", "1", "ONZ", "exact", None)).await;
        let cards = |numbers: std::ops::Range<u32>| {
            let card =
                |n| with(counted(&format!("n{n}"), "1", 450), |i| i.pricing.style = Some("Card".to_owned()));
            add(numbers.map(card).collect())
        };
        let told = async || {
            let counts = shop.ledger.style_counts().await.unwrap();
            (counts[0].units, counts[0].prices.is_some(), counts[0].and_more)
        };
        shop.ok(cards(0..500)).await;
        assert_eq!(told().await, (500, true, false), "on {:?}", shop.engine);
        shop.ok(cards(500..520)).await;
        assert_eq!(told().await, (501, false, true), "on {:?}", shop.engine);
    });
}

#[test]
fn styles_are_counted_and_one_laid_out_by_size_and_color() {
    on_each(|shop| async move {
        let style = stocked(&shop).await;
        shop.ok(hold(&[("b1", "1"), ("c1", "2")], Purpose::Customer, None)).await;
        shop.ok(sale_of("b2", 5900)).await;
        let told = |count: &StyleCount| {
            let name = count.style.as_ref().map_or("none", |s| s.name.as_str()).to_owned();
            let prices = count.prices.map_or("none".to_owned(), |(low, high)| format!("{low} to {high}"));
            format!("{name}: {} there, {} held, {prices}", count.units, count.held)
        };
        let counts: Vec<String> = shop.ledger.style_counts().await.unwrap().iter().map(told).collect();
        // The roving counts 1 beside ten cards and a shawl.
        let expected =
            ["Ridge beanie: 3 there, 1 held, 59.97 to 70.00", "none: 12 there, 1 held, 3.00 to 120.00"];
        assert_eq!(counts, expected, "on {:?}", shop.engine);
        let grid = shop.ledger.style_grid(style).await.unwrap();
        let cells: Vec<String> = grid
            .iter()
            .map(|c| format!("{} {}: {} {} {}", c.color, c.size, c.on_hand, c.held, c.sold))
            .collect();
        let expected = ["fawn M: 1 0 0", "fawn|dark moss M: 1 1 0", "Moorit L: 0 0 1", "white S: 1 0 0"];
        assert_eq!(cells, expected, "on {:?}", shop.engine);
        let held = shop.ledger.item(&code("b1")).await.unwrap();
        let holds = shop.ledger.holds_of(held.id).await.unwrap();
        let lines: Vec<&str> = holds.iter().flat_map(|h| &h.lines).map(|l| l.sku.as_str()).collect();
        assert_eq!((holds.len(), lines), (1, vec!["b1", "c1"]));
        let free = shop.ledger.item(&code("b4")).await.unwrap();
        assert!(shop.ledger.holds_of(free.id).await.unwrap().is_empty());
    });
}
