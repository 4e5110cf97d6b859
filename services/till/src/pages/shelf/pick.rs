//! POST /shelf/pick: pieces are ticked on the Shelf, over several searches and pages, and their tags printed.

use super::find::{self, FindQuery};
use crate::app::App;
use crate::pages::form::Form;
use crate::pages::frame::see_other;
use crate::pages::workbench::tags;
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use ledger::shelf::MAX_TAGS_AT_ONCE;

/// The button that prints; the others search on.
const PRINT: &str = "print";
/// The button that shows everything again, with what is ticked.
const CLEAR: &str = "clear";

/// POST /shelf/pick
pub(crate) async fn pick(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let codes = form.all("pieces").into_iter().filter_map(|code| Code::parse(code).ok());
    let pieces: Vec<String> = codes.map(|code| code.to_string()).collect();
    let query = FindQuery::of_form(&form, &pieces);
    if form.has(PRINT) {
        return match why_not(pieces.len()) {
            None => Ok(see_other(&tags::address(&pieces))),
            Some(words) => find::show(&app, &form.caller, query, Some(words)).await,
        };
    }
    if form.has(CLEAR) {
        return Ok(see_other(&query.cleared()));
    }
    // A scanned code ticks its piece.
    let scanned = find::of_code(&app, &query).await.filter(|item| item.on_hand.stock_units() > 0);
    let query = scanned.map_or(query.clone(), |item| query.ticking(&item.in_store));
    Ok(see_other(&query.address()))
}

/// Why the tags of so many pieces cannot be printed.
fn why_not(pieces: usize) -> Option<String> {
    match pieces {
        0 => Some("Tick at least one piece to print its tag.".to_owned()),
        1..=MAX_TAGS_AT_ONCE => None,
        _ => Some(format!(
            "You can print at most {MAX_TAGS_AT_ONCE} tags at once, and {pieces} pieces are ticked."
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    /// The codes that can be ticked on a page, and those that are.
    fn codes(page: &str) -> (Vec<&str>, Vec<&str>) {
        let boxes = page.split("name=\"pieces\" value=\"").skip(1);
        let parts: Vec<(&str, &str)> = boxes.filter_map(|part| part.split_once('"')).collect();
        let is_ticked = |rest: &str| rest.starts_with(" checked");
        (
            parts.iter().map(|(code, _)| *code).collect(),
            parts.iter().filter(|(_, rest)| is_ticked(rest)).map(|(code, _)| *code).collect(),
        )
    }

    #[tokio::test]
    async fn ticks_stay_over_searches_and_pages_until_their_tags_are_printed() {
        let shop = TestShop::open().await;
        let first = shop.get("/shelf?pick=yes&find=cowl").await;
        let (cowls, ticked) = codes(first.text());
        assert_eq!((cowls.len(), ticked.len()), (2, 0), "{}", first.text());
        // Another search, with one of them ticked.
        let reply = send(&shop, "/shelf/pick", &[("pieces", cowls[0]), ("find", "spindle")]).await;
        let place = format!("/shelf?find=spindle&pick=yes&pieces={}", cowls[0]);
        assert_eq!((reply.status, reply.header("location")), (303, Some(place.as_str())));
        let second = shop.get(&place).await;
        let (shown, ticked) = codes(second.text());
        assert_eq!((shown.len(), ticked), (2, vec![cowls[0]]), "{}", second.text());
        // What is ticked stays while more is shown.
        let more = [("pieces", shown[0]), ("pieces", shown[1]), ("cursor", "1.2")];
        let place = format!("/shelf?cursor=1.2&pick=yes&pieces={}%2C{}", shown[0], shown[1]);
        assert_eq!(send(&shop, "/shelf/pick", &more).await.header("location"), Some(place.as_str()));
        let print = [("pieces", shown[0]), ("pieces", shown[1]), ("print", "yes")];
        let place = format!("/workbench/tags?pieces={},{}", shown[0], shown[1]);
        assert_eq!(send(&shop, "/shelf/pick", &print).await.header("location"), Some(place.as_str()));
        assert_eq!(shop.get(&place).await.text().matches("class=\"bars\"").count(), 2);
    }

    #[tokio::test]
    async fn a_scanned_code_ticks_its_piece() {
        let shop = TestShop::open().await;
        let reply = send(&shop, "/shelf/pick", &[("find", "COWL")]).await;
        let page = shop.get(reply.header("location").expect("a page")).await;
        let cowl = shop.get("/api/items/COWL").await.json();
        assert_eq!(codes(page.text()).1, [cowl["inStoreCode"].as_str().expect("a code")], "{}", page.text());
        // In an address it leads nowhere else, either.
        assert_eq!(shop.get("/shelf?pick=yes&find=COWL").await.status, 200);
    }

    #[tokio::test]
    async fn clearing_the_search_keeps_what_is_ticked_now() {
        let shop = TestShop::open().await;
        let hat = shop.get("/api/items/HAT").await.json();
        let hat = hat["inStoreCode"].as_str().expect("a code");
        let sent = [("pieces", hat), ("find", "cowl"), ("clear", "yes")];
        let place = format!("/shelf?pick=yes&pieces={hat}");
        assert_eq!(send(&shop, "/shelf/pick", &sent).await.header("location"), Some(place.as_str()));
    }

    #[tokio::test]
    async fn what_is_no_code_or_unknown_is_left_out() {
        let shop = TestShop::open().await;
        let sent = [("pieces", "a\nb"), ("pieces", "A&x=1#y"), ("pieces", "NOBODY"), ("print", "yes")];
        let reply = send(&shop, "/shelf/pick", &sent).await;
        let place = reply.header("location").expect("a place").to_owned();
        assert!(reply.status == 303 && !place.contains("&x") && !place.contains('#'), "{place}");
        assert_eq!(shop.get("/shelf?pick=yes&pieces=NOBODY").await.status, 200);
    }

    #[tokio::test]
    async fn only_what_is_in_stock_is_ticked() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k").await;
        let all = shop.get("/shelf?pick=yes&state=all").await;
        assert!(all.text().contains("<span class=\"name\">Moor cowl</span>"), "{}", all.text());
        assert_eq!(codes(all.text()).0.len(), 3, "{}", all.text());
        let cowl = shop.get("/api/items/COWL").await.json();
        let ticked = format!("/shelf?pick=yes&pieces={}", cowl["inStoreCode"].as_str().expect("a code"));
        assert!(codes(shop.get(&ticked).await.text()).1.is_empty());
    }

    #[tokio::test]
    async fn nothing_or_too_much_is_said_on_the_same_page() {
        let shop = TestShop::open().await;
        let none = send(&shop, "/shelf/pick", &[("find", "cowl"), ("print", "yes")]).await;
        assert_eq!(none.status, 422);
        for words in ["Tick at least one piece", "value=\"cowl\"", "<h1>Shelf</h1>"] {
            assert!(none.text().contains(words), "{words} in {}", none.text());
        }
        let (many, print) = (vec![("pieces", "COWL"); 101], [("print", "yes")]);
        let reply = send(&shop, "/shelf/pick", &[&many[..], &print[..]].concat()).await;
        assert!(reply.status == 422 && reply.text().contains("at most 100 tags"), "{}", reply.text());
    }
}
