//! Importing styles and items.

use crate::shop::{ITEMS, TestShop};
use domain::codes::Code;
use domain::item::ItemText;
use domain::money::{Currency, Money};
use domain::stock::ItemKind;
use ledger::shelf::{AddItems, NewItem, Progress};
use sync::GivenLayout;
use testkit::make::{self, with};

const STYLES: &str = "style,rate,rate.unitCode,ending\nridge beanie,7.50,ONZ,whole\nmoor cowl,8,ONZ,five\n";

#[tokio::test]
async fn a_file_of_styles_prices_a_file_of_items() {
    let shop = TestShop::open().await;
    assert_eq!(shop.styles(STYLES).await.unwrap().to_string(), "2 added, 0 updated, 0 unchanged, 0 refused");
    let text = "name,style,weight.value,weight.unitCode,sku\nHat,Ridge Beanie,6.35,ONZ,H1\nCowl,moor cowl,4.13,ONZ,H2\n";
    let report = shop.items("pieces.csv", text).await.unwrap();
    assert_eq!(report.to_string(), "2 added, 0 updated, 0 unchanged, 0 refused");
    let check = async |sku: &str, price: &str| {
        let item = shop.ledger.item(&Code::parse(sku).unwrap()).await.unwrap();
        assert_eq!(item.price.to_string(), price);
    };
    // 6.35 × 7.50 = 47.625, to the cent 47.63, to the whole 48; 4.13 × 8 = 33.04, to five cents 33.05.
    check("H1", "48.00").await;
    check("H2", "33.05").await;
}

#[tokio::test]
async fn the_same_file_answers_as_the_first_time() {
    let shop = TestShop::open().await;
    // They have no codes of their own, so adding them again would create six new items.
    let text = "name,offers.price\nHat,40\nHat,41\nHat,0\n";
    let first = shop.items("hats.csv", text).await.unwrap();
    assert_eq!(first.to_string(), "2 added, 0 updated, 0 unchanged, 1 refused");
    let second = shop.items("other-name.csv", text).await.unwrap();
    assert!(second.replayed && !first.replayed);
    assert_eq!((second.to_string(), &second.refused), (first.to_string(), &first.refused));
    assert_eq!(shop.count_items().await, 2);
    let anew = shop.add("hats.csv", text, true, None).await.unwrap();
    assert_eq!((anew.replayed, anew.added), (false, 2));
    assert_eq!(shop.count_items().await, 4);
    let later = shop.items("hats.csv", text).await.unwrap();
    assert!(later.replayed, "taken in anew, the file is known as before");
    // The same bytes with another layout count as another file.
    let layout = GivenLayout::parse("feed = \"items\"\n[field.name]\n[field.\"offers.price\"]\n").unwrap();
    assert_eq!(shop.add("hats.csv", text, false, Some(&layout)).await.unwrap().added, 2);
}

#[tokio::test]
async fn a_known_sku_has_its_text_and_price_brought_up_to_date() {
    let shop = TestShop::stocked().await;
    let changed = ITEMS.replace("48.00", "45.00");
    let report = shop.items("items.csv", &changed).await.unwrap();
    assert_eq!(report.to_string(), "0 added, 1 updated, 5 unchanged, 0 refused");
    shop.sell("KIT").await;
    let report = shop.items("items.csv", &ITEMS.replace("48.00", "44.00")).await.unwrap();
    assert_eq!(report.to_string(), "0 added, 1 updated, 4 unchanged, 1 refused");
    assert!(report.refused[0].reason.contains("a file never changes stock"), "{}", report.refused[0].reason);
    assert_eq!(shop.stock("KIT").await, "2 0");
}

/// What remains of an interrupted run in the database: some rows done, no answer stored.
#[tokio::test]
async fn a_run_cut_off_goes_on_where_it_stopped() {
    let shop = TestShop::open().await;
    let rows = ["Hat,40,", "Hat,41,", "Hat,,nothing prices it", "Hat,42,", "Hat,nonsense,", "Hat,43,"];
    let text = format!("name,offers.price,description\n{}\n", rows.join("\n"));
    let given = shop.given("hats.csv", &text);
    let hash = feeds::hash::file_hash(text.as_bytes()).unwrap();
    // The first three of five rows that can be read: the ledger rejects the third.
    let priced = |price: Option<&str>| {
        with(hat(), |i| i.pricing.price = price.map(|p| Money::parse(p, Currency::USD).unwrap()))
    };
    let items = vec![priced(Some("40")), priced(Some("41")), priced(None)];
    let feed = "items".to_owned();
    let progress = Progress { hash, feed, file_name: given.name().to_owned(), rows_done: 3, again: false };
    let command = AddItems { items, who: "test".to_owned(), progress: Some(progress) };
    shop.ledger.execute(None, &command).await.unwrap();

    let report = shop.items("hats.csv", &text).await.unwrap();
    assert_eq!(report.resumed_after, 3);
    assert_eq!(report.to_string(), "4 added, 0 updated, 0 unchanged, 2 refused");
    assert_eq!(shop.count_items().await, 4);
    let lines: Vec<u64> = report.refused.iter().map(|r| r.line).collect();
    assert_eq!(lines, [4, 6], "what the first run refused is told too: {:?}", report.refused);
    let rejects = shop.read("hats.rejects.csv");
    assert!(rejects.contains("Hat,,nothing prices it,"), "{rejects}");
    assert!(rejects.contains("Hat,nonsense,"), "{rejects}");
    assert!(shop.items("hats.csv", &text).await.unwrap().replayed);
}

fn hat() -> NewItem {
    let text = ItemText { name: "Hat".to_owned(), ..ItemText::default() };
    NewItem { text, sku: None, ..make::item(ItemKind::Piece, "HAT") }
}

/// While one run is ahead, another of the same file is refused instead of adding items twice.
#[tokio::test]
async fn two_runs_of_one_file_do_not_both_add() {
    let shop = TestShop::open().await;
    let at = |rows_done, again| Progress {
        hash: "ab".repeat(32),
        feed: "items".to_owned(),
        file_name: "hats.csv".to_owned(),
        rows_done,
        again,
    };
    let one = |progress| AddItems {
        items: vec![with(hat(), |i| i.pricing.price = Some(Money::parse("9", Currency::USD).unwrap()))],
        who: "test".to_owned(),
        progress: Some(progress),
    };
    let check = async |progress: Progress, expected: Option<&str>| {
        let told = shop.ledger.execute(None, &one(progress)).await.err().map(|e| e.to_string());
        match expected {
            None => assert_eq!(told, None),
            Some(words) => assert!(told.as_ref().is_some_and(|t| t.contains(words)), "{told:?}"),
        }
    };
    check(at(1, false), None).await;
    check(at(1, false), Some("shelf/file-in-use")).await;
    check(at(2, false), None).await;
    check(at(2, false), Some("shelf/file-in-use")).await;
    check(at(1, true), None).await;
    assert_eq!(shop.count_items().await, 3);
}

#[tokio::test]
async fn each_bad_row_is_refused_by_itself_and_told() {
    let shop = TestShop::stocked().await;
    // 952 is GS1's prefix for demonstrations (gs1.org, list of company prefixes).
    shop.items("known.csv", "name,sku,gtin13,offers.price\nBook,BOOK,9521234543213,12\n").await.unwrap();
    let check = async |row: &str, expected: &str| {
        let head =
            "name,sku,gtin13,kind,offers.price,weight.value,weight.unitCode,quantity,quantity.unitCode";
        let report = shop.items("bad.csv", &format!("{head}\nGood,,,,5,,,,\n{row}\n")).await.unwrap();
        assert_eq!((report.added, report.rejected), (1, 1), "{row}: {report:?}");
        let told = &report.refused[0];
        assert!(told.reason.contains(expected) && told.line == 3, "{row}: {}", told.reason);
        let rejects = shop.read("bad.rejects.csv");
        std::fs::remove_file(shop.path("bad.rejects.csv")).unwrap();
        assert!(rejects.lines().last().unwrap().starts_with(row), "{rejects}");
    };
    check("Hat,,9521234543214,,5,,,,", "check digit should be 3").await;
    check("Hat,OTHER,9521234543213,,5,,,,", "already belongs to Book").await;
    check("Hat,,,,5,0,ONZ,,", "weight.value").await;
    check("Hat,,,,5,5000,KGM,,", "weight.value").await;
    check("Hat,,,,-5,,,,", "offers.price").await;
    check("Hat,,,,0,,,,", "offers.price").await;
    check("Hat,,,,5 EUR,,,,", "offers.price").await;
    check("Hat,,,,5", "the row has 5 fields and the first row has 9").await;
    check("Hat,,,piece,5,,,2,", "exactly one").await;
    check("Hat,,,weight,5,,,2,", "quantity.unitCode").await;
    check("Hat,,,,,,,,", "there is no price").await;
}

#[tokio::test]
async fn a_file_that_cannot_be_read_changes_nothing() {
    let shop = TestShop::open().await;
    let check = async |text: &str, expected: &str| {
        let told = shop.items("bad.csv", text).await.expect_err(text).to_string();
        assert!(told.starts_with("bad.csv: ") && told.contains(expected), "{told}");
        assert_eq!(shop.count_items().await, 0);
        assert!(!shop.path("bad.rejects.csv").exists());
    };
    check("", "the file is empty").await;
    check("name,offers.price,Wash\nHat,5,cold\n", "columns that items do not have: “Wash”").await;
    check("offers.price\n5\n", "no column “name”").await;
    check("name,name\nHat,Cap\n", "twice").await;
}
