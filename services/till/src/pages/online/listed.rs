//! GET /online/listed

use super::MOST_COUNTED;
use super::pieces::{self, Piece};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::Count;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{DEFAULT_ROWS, QueryParam};
use askama::Template;
use axum::extract::State;
use domain::stock::ListingState;
use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ListedQuery {
    state: Option<String>,
    cursor: Option<String>,
}

/// What is listed, or what was removed.
#[derive(Template)]
#[template(path = "online/listed.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    pieces: Vec<Piece>,
    next: Option<String>,
    count: Count,
}

/// GET /online/listed
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<ListedQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(read(&app, &caller, &asked).await?))
}

async fn read(app: &App, caller: &Caller, asked: &ListedQuery) -> Result<Page, Problem> {
    let (state, lane) = match asked.state.as_deref() {
        None | Some("listed") => (ListingState::Listed, "listed"),
        Some("ended") => (ListingState::Ended, "ended"),
        Some(_) => return Err(Problem::invalid_parameter("state", "use listed or ended")),
    };
    let before = super::before(asked.cursor.as_deref())?;
    let mut items = app.ledger.listed(state, before, DEFAULT_ROWS + 1).await?;
    let next = (items.len() > DEFAULT_ROWS).then(|| {
        items.truncate(DEFAULT_ROWS);
        items.last().map(|item| item.id.to_string()).unwrap_or_default()
    });
    let counts = app.ledger.offer_counts(MOST_COUNTED + 1).await?;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane,
        pieces: pieces::of(app, &items).await?,
        next,
        count: Count::of(
            if state == ListingState::Listed { counts.listed } else { counts.ended },
            MOST_COUNTED,
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::send;
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_piece_that_a_connection_sent_is_listed_there() {
        let shop = TestShop::open().await.with_feed_adapter();
        shop.connect("village").await;
        shop.put_on("village", &["COWL"]).await;
        let item = async || shop.get("/shelf/items/COWL").await.text().to_owned();
        assert!(item().await.contains("Not listed online."));
        shop.tell("village").await;
        let live = shop.get("/online/listed").await;
        assert!(live.text().contains(">the online shop village</td>"), "{}", live.text());
        assert!(live.text().contains("href=\"/online/texts?sku=COWL\""), "{}", live.text());
        assert!(item().await.contains("Listed in the online shop village."));
        let online = shop.get("/online").await;
        assert!(!online.text().contains("COWL") && online.text().contains("1 is listed already"));
        assert!(shop.get("/today").await.text().contains("3 pieces are not listed online"));
        let shelf = shop.get("/shelf?state=unlisted").await;
        assert!(shelf.text().contains("42.00") && !shelf.text().contains("48.00"), "{}", shelf.text());
        assert_eq!(shop.get("/api/items/COWL").await.json()["listing"], "listed");
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        assert!(item().await.contains("Listed in your feed and the online shop village."));
        shop.sell("COWL", "k1").await;
        let words = "Still listed in your feed and the online shop village. The next update removes it.";
        assert!(item().await.contains(words));
        assert_eq!(shop.get("/api/items/HAT").await.json()["listing"], "listed");
    }

    #[tokio::test]
    async fn what_is_on_hold_is_not_called_sold() {
        let shop = TestShop::open().await.with_feed_adapter();
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        let hold = json!({"for": "customer", "forWhom": "Ben", "lines": [{"sku": "COWL", "quantity": "1"}]});
        assert_eq!(shop.post("/api/holds", "k1", hold).await.status, 201);
        let listed = shop.get("/online/listed").await;
        assert!(
            listed.text().contains(">on hold<") && !listed.text().contains("sold since"),
            "{}",
            listed.text()
        );
    }

    #[tokio::test]
    async fn what_is_sold_stays_live_until_it_is_told() {
        let shop = TestShop::open().await.with_feed_adapter();
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        shop.sell("COWL", "k1").await;
        let live = shop.get("/online/listed").await;
        assert!(
            live.text().contains("4 pieces are listed")
                && live.text().contains(">your feed</td>")
                && live.text().contains(">no longer in stock<"),
            "{}",
            live.text()
        );
        send(&shop, "/online/put-out", &[("what", "changes"), ("to", "folder")]).await;
        let ended = shop.get("/online/listed?state=ended").await;
        assert!(
            ended.text().contains("1 piece was listed before") && ended.text().contains("COWL"),
            "{}",
            ended.text()
        );
        assert!(!shop.get("/online/listed").await.text().contains("COWL"));
        assert_eq!(shop.get("/online/listed?state=gone").await.status, 422);
    }
}
