//! What a listing still needs.

use ledger::shelf::ItemView;

/// Everything that a buyer would miss, in words, most serious first. Common practice in listings, no source;
/// many places require the fiber content by law.
pub(crate) fn weaknesses(item: &ItemView, has_dark_picture: bool) -> Vec<&'static str> {
    let mut weak = Vec::new();
    let mut missing = |is_missing: bool, words| {
        if is_missing {
            weak.push(words);
        }
    };
    missing(item.text.images.is_empty(), "no photo");
    missing(has_dark_picture, "photo too dark");
    missing(item.text.description.trim().is_empty(), "no description");
    missing(item.text.material.trim().is_empty(), "no fiber content");
    missing(item.text.color.trim().is_empty(), "no color");
    weak
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;
    use domain::codes::Code;
    use domain::item::ItemText;

    #[tokio::test]
    async fn everything_that_is_missing_is_told() {
        let shop = TestShop::open().await;
        let item = shop.ledger().item(&Code::parse("COWL").expect("a code")).await.expect("an item");
        let check =
            |item: &ItemView, dark: bool, expected: &[&str]| assert_eq!(weaknesses(item, dark), expected);
        check(&item, false, &["no photo", "no description", "no fiber content", "no color"]);
        let text = ItemText {
            images: vec!["a.jpg".to_owned()],
            description: "Warm.".to_owned(),
            material: "100% wool".to_owned(),
            color: "fawn".to_owned(),
            ..item.text.clone()
        };
        let whole = ItemView { text: text.clone(), ..item };
        check(&whole, false, &[]);
        check(&whole, true, &["photo too dark"]);
        let text = ItemText { description: " \n".to_owned(), ..text };
        check(&ItemView { text, ..whole }, false, &["no description"]);
    }
}
