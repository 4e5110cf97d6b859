//! Tags ready to print: one after a piece, a page of them after a sheet of pieces, or those of any items at any time.

use crate::app::App;
use crate::images::barcode::ean13;
use crate::pages::face::{Stripe, picture, stripes};
use crate::pages::form::Form;
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use domain::text::says;
use ledger::shelf::{
    FindCursor, FindItems, FindState, FindStyle, ItemView, KeepTags, MAX_TAGS_AT_ONCE, TagPrinted,
};
use serde::Deserialize;

/// Which tags: of some pieces, or of a group in stock, a style, or both.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct TagsQuery {
    /// Codes, separated by commas.
    pieces: Option<String>,
    /// `missing`, `outdated` or `today`.
    group: String,
    /// A style's identifier.
    style: String,
    /// Where the next tags of a group begin.
    cursor: String,
    /// `yes` after pieces were finished at the Workbench: the next one can be weighed.
    next: String,
    /// The bowl's weight, kept for the next piece.
    tare: String,
}

struct Tag {
    name: String,
    code: String,
    size: String,
    material: String,
    care: String,
    weight: String,
    price: String,
    picture: Option<String>,
    stripes: Vec<Stripe>,
    bars: String,
    /// What is on it, as the form says that it was printed.
    printed: String,
}

#[derive(Template)]
#[template(path = "workbench/tags.html")]
pub(crate) struct Page {
    frame: Frame,
    /// Of the rule below the shop's name.
    color: String,
    tags: Vec<Tag>,
    /// The Workbench with the next piece, after pieces that were just finished.
    next_piece: Option<String>,
    /// The next tags of the group.
    more: Option<String>,
}

/// The address of the tags of these pieces, by their in-store codes.
pub(crate) fn address(codes: &[String]) -> String {
    let codes = codes.iter().map(|code| form_urlencoded::byte_serialize(code.as_bytes()).collect::<String>());
    format!("/workbench/tags?pieces={}", codes.collect::<Vec<_>>().join(","))
}

/// The same for pieces that were just finished, with the bowl's weight for the next one.
pub(crate) fn address_of_new(codes: &[String], tare: &str) -> String {
    let next = [("next", "yes"), ("tare", tare)].into_iter().filter(|(_, value)| !value.is_empty());
    let next = form_urlencoded::Serializer::new(String::new()).extend_pairs(next).finish();
    format!("{}&{next}", address(codes))
}

impl TagsQuery {
    /// What a group is found by.
    fn find(&self, app: &App) -> Result<FindItems, Problem> {
        let style = match self.style.as_str() {
            "" => FindStyle::Any,
            id => FindStyle::One(id.parse().map_err(|e| Problem::invalid_parameter("style", e))?),
        };
        let find = FindItems { style, ..FindItems::default() };
        let (zone, now) = (app.ledger.shop().zone.clone(), app.ledger.now());
        match (self.group.as_str(), self.style.as_str()) {
            ("missing", _) => Ok(FindItems { state: FindState::TagMissing, ..find }),
            ("outdated", _) => Ok(FindItems { state: FindState::TagOutdated, ..find }),
            ("today", _) => Ok(FindItems { made_from: Some(zone.start_of(zone.day_of(now))), ..find }),
            ("", style) if !style.is_empty() => Ok(find),
            _ => Err(Problem::invalid_parameter("group", "choose which tags to print")),
        }
    }

    /// The address of the group's tags after the cursor.
    fn more(&self, cursor: FindCursor) -> String {
        let query = form_urlencoded::Serializer::new(String::new())
            .extend_pairs([("group", &self.group), ("style", &self.style)])
            .append_pair("cursor", &cursor.to_string())
            .finish();
        format!("/workbench/tags?{query}")
    }

    async fn group(&self, app: &App) -> Result<(Vec<ItemView>, Option<String>), Problem> {
        let cursor = match self.cursor.as_str() {
            "" => None,
            text => Some(text.parse().map_err(|e| Problem::invalid_parameter("cursor", e))?),
        };
        let page = app.ledger.find_items(&self.find(app)?, cursor, MAX_TAGS_AT_ONCE).await?;
        let more = page.next.map(|cursor| self.more(cursor));
        Ok((page.items, more))
    }
}

async fn items(app: &App, codes: &[&str]) -> Result<Vec<ItemView>, Problem> {
    if codes.len() > MAX_TAGS_AT_ONCE {
        let words = format!("you can print at most {MAX_TAGS_AT_ONCE} tags at once");
        return Err(Problem::invalid_parameter("pieces", words));
    }
    let codes = codes.iter().map(|code| Code::parse(code)).collect::<Result<Vec<_>, _>>();
    let codes = codes.map_err(|error| Problem::invalid_parameter("pieces", error))?;
    Ok(app.ledger.items_of(&codes).await?)
}

/// GET /workbench/tags
pub(crate) async fn read(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<TagsQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let (items, more, next_piece) = match &asked.pieces {
        None => {
            let (items, more) = asked.group(&app).await?;
            (items, more, None)
        }
        Some(pieces) => {
            let codes: Vec<&str> = pieces.split(',').collect();
            let next = [("after", codes[codes.len() - 1]), ("tare", asked.tare.as_str())];
            let next = form_urlencoded::Serializer::new(String::new()).extend_pairs(next).finish();
            let next = (asked.next == "yes").then(|| format!("/workbench?{next}"));
            (items(&app, &codes).await?, None, next)
        }
    };
    let tags = items.into_iter().map(Tag::of).collect::<Result<_, _>>()?;
    let color = app.ledger.shop().color.to_string();
    Ok(HtmlPage(Page { frame: Frame::new(&app, &caller, Room::Workbench), color, tags, next_piece, more }))
}

/// POST /workbench/tags/printed
pub(crate) async fn keep_printed(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let read = |text: &&str| serde_json::from_str(text);
    let tags = form.all("tag").iter().map(read).collect::<Result<Vec<TagPrinted>, _>>();
    let tags =
        tags.map_err(|_| Problem::invalid("#/tag", "open the tags again and print them from there"))?;
    let keep = KeepTags { tags, who: form.caller.who.clone() };
    let kept = app.run(&form.key, &keep).await?.answer;
    Ok(see_other(&format!("/shelf/tags?printed={kept}")))
}

impl Tag {
    fn of(item: ItemView) -> Result<Self, Problem> {
        let each = item.stock_unit.map(|unit| format!(" {}", unit.each())).unwrap_or_default();
        let printed = TagPrinted::of(&item)
            .map_err(|error| Problem::new(Kind::StorageError, "a tag has no code").because(&error))?;
        Ok(Self {
            printed: serde_json::to_string(&printed).map_err(|error| {
                Problem::new(Kind::StorageError, "a tag cannot be written").because(&error)
            })?,
            bars: ean13(&item.in_store).unwrap_or_default(),
            picture: picture(&item),
            stripes: stripes(&item.text.color),
            weight: item.weight.map(|weight| weight.to_string()).unwrap_or_default(),
            price: format!("{}{each}", shown::money(item.price)),
            // Most pieces have their size in their name.
            size: if says(&item.text.name, &item.text.size) { String::new() } else { item.text.size },
            name: item.text.name,
            code: item.sku,
            material: item.text.material,
            care: item.care,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{send, send_files};
    use super::*;
    use crate::testing::TestShop;
    use serde_json::json;

    #[test]
    fn an_address_is_written_so_that_it_is_read_back() {
        let codes = ["a".to_owned(), "b".to_owned()];
        assert_eq!(address(&codes), "/workbench/tags?pieces=a,b");
        let check = |tare: &str, expected: &str| {
            assert_eq!(
                address_of_new(&codes, tare),
                format!("/workbench/tags?pieces=a,b&next=yes{expected}")
            );
        };
        check("", "");
        check("2.1 oz", "&tare=2.1+oz");
        check("&x=1", "&tare=%26x%3D1");
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

    fn count(page: &str) -> usize {
        page.matches("class=\"bars\"").count()
    }

    #[tokio::test]
    async fn several_tags_stand_on_one_sheet() {
        let shop = TestShop::open().await;
        let rows: Vec<(&str, &str)> = [[("weight", "6 oz"), ("style", "Moor cowl")]; 3].concat();
        let reply = send(&shop, "/workbench/sheet", &rows).await;
        let page = shop.get(reply.header("location").unwrap_or_else(|| panic!("{}", reply.text()))).await;
        assert_eq!(count(page.text()), 3, "{}", page.text());
    }

    /// Says that the tags of a page were printed, as its form does.
    async fn print(shop: &TestShop, address: &str) {
        let page = shop.get(address).await;
        let tags =
            page.text().split("name=\"tag\" value=\"").skip(1).filter_map(|part| part.split('"').next());
        let tags: Vec<String> = tags.map(|tag| tag.replace("&#34;", "\"")).collect();
        let fields: Vec<(&str, &str)> = tags.iter().map(|tag| ("tag", tag.as_str())).collect();
        let place = format!("/shelf/tags?printed={}", fields.len());
        let reply = send(shop, "/workbench/tags/printed", &fields).await;
        assert_eq!((reply.status, reply.header("location")), (303, Some(place.as_str())), "{}", reply.text());
    }

    #[tokio::test]
    async fn tags_are_printed_by_group_until_none_is_missing_and_again_after_a_change() {
        let shop = TestShop::open().await;
        let style = shop.ledger().styles().await.expect("styles").remove(0).id;
        let of_style = format!("/workbench/tags?style={style}");
        let tags = async |address: &str| {
            let page = shop.get(address).await;
            assert_eq!(page.status, 200, "{}", page.text());
            count(page.text())
        };
        assert_eq!(tags("/workbench/tags?group=missing").await, 4);
        assert_eq!(tags("/workbench/tags?group=today").await, 4);
        assert_eq!(tags(&of_style).await, 2);
        print(&shop, &of_style).await;
        assert_eq!(tags("/workbench/tags?group=missing").await, 2);
        assert_eq!(tags("/workbench/tags?group=outdated").await, 0);
        let edit = json!({"price": "50.00"});
        assert_eq!(shop.patch("/api/items/COWL", "k", &[("if-match", "*")], edit).await.status, 200);
        assert_eq!(tags("/workbench/tags?group=outdated").await, 1);
        let page = shop.get("/shelf/tags").await;
        for words in ["2 without a tag", "1 with an outdated tag", "4 made today"] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        let item = shop.get("/shelf/items/COWL").await;
        assert!(item.text().contains("Print a new tag: the item changed after"), "{}", item.text());
        print(&shop, "/workbench/tags?group=outdated").await;
        assert_eq!(tags("/workbench/tags?group=outdated").await, 0);
        shop.next_day();
        assert_eq!(tags("/workbench/tags?group=today").await, 0);
    }

    #[tokio::test]
    async fn the_next_piece_is_weighed_only_after_one_from_the_workbench() {
        let shop = TestShop::open().await;
        let reply = send_files(&shop, "/workbench", &[("weight", "6 oz"), ("style", "Moor cowl")], &[]).await;
        let of_new = reply.header("location").expect("tags").to_owned();
        let later = of_new.split('&').next().expect("an address").to_owned();
        let next = "Weigh the next piece";
        assert!(shop.get(&of_new).await.text().contains(next));
        assert!(!shop.get(&later).await.text().contains(next));
        let none = shop.get("/workbench/tags?group=outdated").await;
        assert!(none.text().contains("There are no tags to print here."), "{}", none.text());
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
        check("?group=lost".to_owned(), 422).await;
        check("?style=moor".to_owned(), 422).await;
        check("?group=today&cursor=x".to_owned(), 422).await;
        for tag in ["", "COWL", "{}", "{\"code\":\"COWL\"}"] {
            let reply = send(&shop, "/workbench/tags/printed", &[("tag", tag)]).await;
            assert_eq!(reply.status, 422, "{tag}");
        }
        assert_eq!(send(&shop, "/workbench/tags/printed", &[]).await.status, 422);
    }
}
