//! GET and POST /online/compare: the online shop's own list of its listings, compared with the shelf.

use super::adapter;
use super::put_out::{Ways, layout_named};
use super::upload::Upload;
use crate::app::App;
use crate::feed_adapter::{Compared, ListingDifference};
use crate::pages::form::Faults;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::problem::Problem;
use crate::request::caller::Caller;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

/// Differences of one kind that are shown; the rest are counted.
const SHOWN: usize = 200;

/// The kinds of differences, most serious first: each one's name and what to do.
const KINDS: [(&str, &str, &str); 7] = [
    (
        "gone",
        "Sold out here, still listed there",
        "The next export of changes removes them. Until then, someone can order an item you no longer have.",
    ),
    (
        "unlisted",
        "In stock here, not listed there",
        "The next export of changes lists them, unless they were removed in the online shop.",
    ),
    ("price", "Different price", "Export everything again to set your price."),
    ("text", "Different text", "Export everything again to set your text."),
    ("stock", "Different stock", "The next export sets your stock."),
    ("unknown", "Unknown here", "Remove them from the online shop, or add them here under the same code."),
    ("twice", "Listed twice", "Remove one of them from the online shop."),
];

#[derive(Template)]
#[template(path = "online/compare.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    out: Ways,
    faults: Faults,
    found: Option<Found>,
}

pub(crate) struct Found {
    name: String,
    listed: u64,
    rejected: u64,
    refused: Vec<String>,
    adopted: u64,
    kinds: Vec<OfKind>,
}

/// Differences of one kind.
pub(crate) struct OfKind {
    title: &'static str,
    advice: &'static str,
    count: usize,
    differences: Vec<ListingDifference>,
}

impl Found {
    fn of(name: String, compared: Compared) -> Self {
        let of_kind = |(kind, title, advice): &(&'static str, &'static str, &'static str)| {
            let all = compared.differences.iter().filter(|d| d.kind == *kind);
            let differences: Vec<ListingDifference> = all.clone().take(SHOWN).cloned().collect();
            OfKind { title, advice, count: all.count(), differences }
        };
        let kinds = KINDS.iter().map(of_kind).filter(|kind| kind.count > 0).collect();
        let Compared { listed, rejected, refused, adopted, .. } = compared;
        Self { name, listed, rejected, refused, adopted, kinds }
    }
}

async fn page(app: &App, caller: &Caller) -> Result<Page, Problem> {
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "compare",
        out: Ways::read(app).await?,
        faults: Faults::default(),
        found: None,
    })
}

/// GET /online/compare
pub(crate) async fn show(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller).await?))
}

/// POST /online/compare
pub(crate) async fn compare(State(app): State<App>, mut upload: Upload) -> Result<Response, Problem> {
    let mut page = page(&app, &upload.caller).await?;
    match found(&app, &mut upload).await {
        Ok(found) => {
            page.found = Some(found);
            Ok(HtmlPage(page).into_response())
        }
        Err(problem) => {
            page.faults = Faults::of(problem)?;
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

async fn found(app: &App, upload: &mut Upload) -> Result<Found, Problem> {
    let layout = layout_named(app, upload.raw("layout").trim()).await?;
    let adopt = upload.has("adopt");
    let list = upload.take_file(layout);
    let list = list.ok_or_else(|| Problem::invalid("#/file", "choose the file from your online shop"))?;
    let name = list.name.clone();
    Ok(Found::of(name, adapter(app)?.compare(list, adopt).await?))
}

#[cfg(test)]
mod tests {
    use super::super::upload::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_list_is_compared_kind_by_kind() {
        let shop = TestShop::open().await.with_feed_adapter();
        let reply = send(&shop, "/online/compare", &[], Some(("there.csv", b"sku\nCOWL\n"))).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        for part in [
            "there.csv",
            "Sold out here, still listed there",
            "GHOST",
            "Different price",
            "48.00",
            "45.00",
            "line 3",
        ] {
            assert!(reply.text().contains(part), "{part} in {}", reply.text());
        }
        assert!(!reply.text().contains("Listed twice"));
    }

    #[tokio::test]
    async fn without_a_file_nothing_is_compared() {
        let shop = TestShop::open().await.with_feed_adapter();
        let check = async |fields: &[(&str, &str)], file: Option<(&str, &[u8])>, words: &str| {
            let reply = send(&shop, "/online/compare", fields, file).await;
            assert_eq!(reply.status, 422, "{}", reply.text());
            assert!(reply.text().contains(words), "{}", reply.text());
        };
        check(&[], None, "Choose the file").await;
        check(&[], Some(("", b"")), "Choose the file").await;
        check(&[], Some(("unreadable", b"x")), " 3 has no sku").await;
        check(&[("layout", "nothing")], Some(("a.csv", b"sku\n")), "There is no layout nothing").await;
    }
}
