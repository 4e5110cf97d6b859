//! Tags ready to print: one after a piece, a page of them after a sheet of pieces.

use crate::app::App;
use crate::images::barcode::ean13;
use crate::images::pictures::Size;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use domain::codes::Code;
use domain::text::fold;
use ledger::shelf::{ItemView, MAX_PIECES_AT_ONCE};
use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TagsQuery {
    /// Codes, separated by commas.
    pieces: String,
    /// The bowl's weight, kept for the next piece.
    #[serde(default)]
    tare: String,
}

struct Tag {
    name: String,
    code: String,
    size: String,
    material: String,
    weight: String,
    price: String,
    picture: Option<String>,
    bars: String,
}

#[derive(Template)]
#[template(path = "workbench/tags.html")]
pub(crate) struct Page {
    frame: Frame,
    tags: Vec<Tag>,
    next: String,
}

/// The address of the tags of these pieces, by their in-store codes.
pub(crate) fn address(codes: &[String], tare: &str) -> String {
    let mut address = format!("/workbench/tags?pieces={}", codes.join(","));
    if !tare.is_empty() {
        let tare = form_urlencoded::Serializer::new(String::new()).append_pair("tare", tare).finish();
        address = format!("{address}&{tare}");
    }
    address
}

/// GET /workbench/tags
pub(crate) async fn read(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<TagsQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let codes: Vec<&str> = asked.pieces.split(',').collect();
    if codes.len() > MAX_PIECES_AT_ONCE {
        let words = format!("you can print at most {MAX_PIECES_AT_ONCE} tags at once");
        return Err(Problem::invalid_parameter("pieces", words));
    }
    let mut tags = Vec::with_capacity(codes.len());
    for code in &codes {
        let code = Code::parse(code).map_err(|e| Problem::invalid_parameter("pieces", e))?;
        tags.push(Tag::of(app.ledger.item(&code).await?));
    }
    let next = [("after", codes[codes.len() - 1]), ("tare", asked.tare.as_str())];
    let next = form_urlencoded::Serializer::new(String::new()).extend_pairs(next).finish();
    let frame = Frame::new(&app, &caller, Room::Workbench);
    Ok(HtmlPage(Page { frame, tags, next: format!("/workbench?{next}") }))
}

impl Tag {
    fn of(item: ItemView) -> Self {
        // Most pieces have their size in their name.
        let is_said = fold(&item.text.name).split([',', ' ']).any(|word| word == fold(&item.text.size));
        Self {
            bars: ean13(&item.in_store).unwrap_or_default(),
            picture: item.text.images.first().and_then(|image| Size::Small.address(image)),
            weight: item.weight.map(|weight| weight.to_string()).unwrap_or_default(),
            price: shown::money(item.price),
            size: if is_said { String::new() } else { item.text.size },
            name: item.text.name,
            code: item.sku,
            material: item.text.material,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{send, send_files};
    use super::*;
    use crate::testing::TestShop;

    #[test]
    fn an_address_is_written_so_that_it_is_read_back() {
        let check = |codes: &[&str], tare: &str, expected: &str| {
            let codes: Vec<String> = codes.iter().map(|c| (*c).to_owned()).collect();
            assert_eq!(address(&codes, tare), expected);
        };
        check(&["2000000000015"], "", "/workbench/tags?pieces=2000000000015");
        check(&["a", "b"], "2.1 oz", "/workbench/tags?pieces=a,b&tare=2.1+oz");
        check(&["a"], "&x=1", "/workbench/tags?pieces=a&tare=%26x%3D1");
    }

    #[tokio::test]
    async fn a_tag_says_what_the_piece_is_and_weighs_and_costs() {
        let shop = TestShop::open().await;
        let fields = [
            ("weight", "6.35 oz"),
            ("style", "Moor cowl"),
            ("color", "fawn & white"),
            ("size", "L"),
            ("material", "70 % alpaca, 30 % merino"),
        ];
        let reply = send_files(&shop, "/workbench", &fields, &[]).await;
        let page = shop.get(reply.header("location").expect("tags")).await;
        assert_eq!(page.status, 200, "{}", page.text());
        let words = ["Moor cowl, fawn &#38; white, L", "6.35 oz", "$48.00", "70 % alpaca, 30 % merino"];
        for words in words.into_iter().chain(["aria-label=\"Barcode 2000000000"]) {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
    }

    #[tokio::test]
    async fn several_tags_stand_on_one_sheet() {
        let shop = TestShop::open().await;
        let rows: Vec<(&str, &str)> = [[("weight", "6 oz"), ("style", "Moor cowl")]; 3].concat();
        let reply = send(&shop, "/workbench/sheet", &rows).await;
        let page = shop.get(reply.header("location").unwrap_or_else(|| panic!("{}", reply.text()))).await;
        assert_eq!(page.text().matches("class=\"bars\"").count(), 3, "{}", page.text());
    }

    #[tokio::test]
    async fn a_tag_of_nothing_is_refused() {
        let shop = TestShop::open().await;
        let check = |query: String, status: u16| {
            let shop = &shop;
            async move {
                assert_eq!(shop.get(&format!("/workbench/tags{query}")).await.status, status, "{query}");
            }
        };
        check(String::new(), 422).await;
        check("?pieces=".to_owned(), 422).await;
        check("?pieces=2000000999999".to_owned(), 404).await;
        check("?pieces=nothing".to_owned(), 404).await;
        check(format!("?pieces={}", vec!["a"; 101].join(",")), 422).await;
    }
}
