//! The other shop's listings compared with the shelf.

use crate::shop::TestShop;
use std::fs;
use sync::exchange::What;

#[tokio::test]
async fn what_was_told_compares_clean() {
    let shop = TestShop::stocked().await;
    let report = shop.out(What::All).await.unwrap();
    let told = fs::read_to_string(report.file.unwrap()).unwrap();
    assert_eq!(shop.compare(&told, false).await.0, [""; 0]);
}

#[tokio::test]
async fn difference_is_told() {
    let shop = TestShop::stocked().await;
    let report = shop.out(What::All).await.unwrap();
    let told = fs::read_to_string(report.file.unwrap()).unwrap();
    shop.sell("C1").await;
    let check = async |from: &str, to: &str, expected: &[&str]| {
        let theirs = told.replace(from, to);
        assert_ne!(theirs, told);
        let (differences, _) = shop.compare(&theirs, false).await;
        assert_eq!(differences.len(), expected.len(), "{differences:?}");
        for (difference, words) in differences.iter().zip(expected) {
            assert!(difference.contains(words), "{differences:?}");
        }
    };
    let gone = "gone: C1 Moor cowl: on offer there, SoldOut here";
    let less = "stock: C1: 0 here and 1 there";
    check("48.00", "47.00", &["price: B1: costs 48.00 here and 47.00 there", gone, less]).await;
    check("Grey roving", "Gray roving", &[gone, less, "text: ROV: name is “Grey roving” here"]).await;
    check("KIT", "XYZ", &[gone, less, "unknown: XYZ Loom kit", "unlisted: KIT Loom kit"]).await;
}

#[tokio::test]
async fn what_they_list_is_adopted() {
    let shop = TestShop::stocked().await;
    shop.sell("C1").await;
    // Listed by hand before this program was used: one correct, one at another price, one that is gone.
    let theirs = "sku,name,offers.price,offers.availability\nB1,Ridge beanie,48.00,InStock\nB2,Ridge beanie,50.00,InStock\nC1,Moor cowl,60.00,InStock\nOWN,Theirs,1.00,InStock\n";
    let (differences, adopted) = shop.compare(theirs, true).await;
    assert_eq!(adopted, 3);
    assert!(differences.iter().any(|d| d.starts_with("unknown: OWN")), "{differences:?}");
    let changes = TestShop::lines(&shop.out(What::Changes).await.unwrap());
    let expected = ["B2 InStock 1", "C1 SoldOut 0", "C2 InStock 1", "KIT InStock 3", "ROV InStock 40"];
    assert_eq!(changes, expected, "what is as it is listed there needs no word, what differs is put right");
    assert_eq!(
        shop.compare(theirs, true).await.1,
        1,
        "C1 is still on offer there: it is to be ended once more"
    );
    assert_eq!(TestShop::lines(&shop.out(What::Changes).await.unwrap()), ["C1 SoldOut 0"]);
}

#[tokio::test]
async fn what_is_adopted_and_differs_is_told_though_nothing_waited() {
    let shop = TestShop::stocked().await;
    shop.sell("C1").await;
    // Everything has been sent; C1 was never listed, so there is nothing to send for it.
    shop.out(What::Changes).await.unwrap();
    let theirs = "sku,name,offers.price,offers.availability\nC1,Moor cowl,60.00,InStock\n";
    assert_eq!(shop.compare(theirs, true).await.1, 1);
    for expected in [&["C1 SoldOut 0"][..], &[]] {
        assert_eq!(TestShop::lines(&shop.out(What::Changes).await.unwrap()), expected);
    }
}

#[tokio::test]
async fn their_codes_may_be_any_of_ours() {
    let shop = TestShop::stocked().await;
    let item = shop.ledger.item(&domain::codes::Code::parse("B1").unwrap()).await.unwrap();
    let theirs = format!("sku,name,offers.price\n{},Ridge beanie,47.00\n", item.in_store);
    let (differences, _) = shop.compare(&theirs, false).await;
    assert!(differences[0].starts_with("price: B1:"), "{differences:?}");
}
