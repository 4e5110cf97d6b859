//! GET /online/connections/{name}: one connection, and everything in it that needs attention.

use super::super::pieces::{self, Piece};
use super::{ConnectionParam, Figures, figures, path};
use crate::app::App;
use crate::connection_adapter::{ReadConnection, Reconciled, Tried};
use crate::pages::form::Faults;
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::{self, counted};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{QueryParam, no_such};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::day::Zone;
use domain::people::Permission;
use ledger::online::{DeadLetter, DeferredOrder, LiveConnection, NewPieces, StoredDifference};
use serde::Deserialize;

/// How many entries of each list are shown; the figures say how many there are.
const SHOWN: usize = 50;
/// How much of an order's own text is shown: enough to see what is wrong with it.
const RAW_SHOWN: usize = 2000;

#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct DoneQuery {
    did: Option<String>,
    count: Option<String>,
}

impl DoneQuery {
    fn said(&self) -> Option<String> {
        let count: u64 = self.count.as_deref().and_then(|text| text.parse().ok()).unwrap_or(0);
        Some(match self.did.as_deref()? {
            "saved" => "Saved. The connection uses this text from now on.".to_owned(),
            "again" => format!("{} sent again.", counted(count, "message will be", "messages will be")),
            "put" => format!("{} listed.", counted(count, "piece will be", "pieces will be")),
            "id" => "ID saved. Updates for this piece now use it.".to_owned(),
            "now" => "Sync finished.".to_owned(),
            "reread" => {
                "Orders since that date will be imported again. Orders you already have do not change."
                    .to_owned()
            }
            "order" => "The order will be tried again.".to_owned(),
            "left" => "Ignored.".to_owned(),
            "told" => "Your value will be sent.".to_owned(),
            _ => return None,
        })
    }
}

struct ParkedShown {
    sku: String,
    name: String,
    words: String,
    at: String,
}

/// An order that was not imported yet.
struct DeferredShown {
    id: String,
    number: String,
    field: String,
    words: String,
    raw: String,
    tries: u32,
    since: String,
    due: String,
}

/// A difference that a person decides.
struct DifferenceShown {
    id: String,
    sku: String,
    field: String,
    ours: String,
    theirs: String,
    can_tell: bool,
}

/// The result of something that was just asked of the online shop.
#[derive(Default)]
pub(super) struct Outcome {
    pub(super) faults: Faults,
    pub(super) tried: Option<Tried>,
    pub(super) reconciled: Option<Reconciled>,
    /// It takes longer than a page waits.
    pub(super) goes_on: bool,
}

impl Outcome {
    /// From work for which a page waits only for a while.
    pub(super) fn of<T>(
        done: Result<Option<T>, Problem>,
        shown: impl FnOnce(T) -> Self,
    ) -> Result<Self, Problem> {
        Ok(match done {
            Ok(Some(done)) => shown(done),
            Ok(None) => Self { goes_on: true, ..Self::default() },
            Err(problem) => Self { faults: Faults::of(problem)?, ..Self::default() },
        })
    }
}

#[derive(Template)]
#[template(path = "online/connections/one.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    path: String,
    figures: Figures,
    lists_new: bool,
    /// What its text describes; none without an adapter.
    read: Option<ReadConnection>,
    /// What is wrong with its text, if another program wrote it.
    wrong: Option<String>,
    parked: Vec<ParkedShown>,
    deferred: Vec<DeferredShown>,
    differences: Vec<DifferenceShown>,
    pieces: Vec<Piece>,
    more_pieces: bool,
    said: Option<String>,
    outcome: Outcome,
    may_run: bool,
}

fn parked(one: DeadLetter, zone: &Zone) -> ParkedShown {
    ParkedShown { sku: one.sku, name: one.name, words: one.words, at: shown::moment(zone, one.at) }
}

fn deferred(one: DeferredOrder, zone: &Zone) -> DeferredShown {
    DeferredShown {
        id: one.id.to_string(),
        number: one.number,
        field: one.field,
        words: one.words,
        raw: one.raw.chars().take(RAW_SHOWN).collect(),
        tries: one.tries,
        since: shown::moment(zone, one.kept),
        due: shown::moment(zone, one.due),
    }
}

fn difference(one: StoredDifference) -> DifferenceShown {
    let StoredDifference { id, difference, .. } = one;
    DifferenceShown {
        id: id.to_string(),
        can_tell: difference.item.is_some(),
        sku: difference.sku,
        field: difference.field,
        ours: difference.ours,
        theirs: difference.theirs,
    }
}

async fn page(
    app: &App,
    caller: &Caller,
    of: &LiveConnection,
    said: Option<String>,
    outcome: Outcome,
) -> Result<Page, Problem> {
    let (zone, now) = (app.ledger.shop().zone.clone(), app.ledger.now());
    let statuses = app.ledger.connection_statuses().await?;
    let status =
        statuses.into_iter().find(|s| s.id == of.id).ok_or_else(|| no_such("connection", &of.name))?;
    let (read, wrong) = match app.connection_adapter.as_ref().map(|adapter| adapter.read_connection(&of.text))
    {
        None => (None, None),
        Some(Ok(read)) => (Some(read), None),
        Some(Err(fault)) => (None, Some(fault.to_string())),
    };
    let mut items = app.ledger.unsent(of.id, None, SHOWN + 1).await?;
    let more_pieces = items.len() > SHOWN;
    items.truncate(SHOWN);
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "connections",
        path: path(&of.name),
        figures: figures(status, &zone, now),
        lists_new: of.new_pieces == NewPieces::List,
        read,
        wrong,
        parked: app.ledger.parked(of.id, SHOWN).await?.into_iter().map(|one| parked(one, &zone)).collect(),
        deferred: app
            .ledger
            .deferred_orders(of.id, SHOWN)
            .await?
            .into_iter()
            .map(|one| deferred(one, &zone))
            .collect(),
        differences: app
            .ledger
            .listing_differences(of.id, SHOWN)
            .await?
            .into_iter()
            .map(difference)
            .collect(),
        pieces: pieces::of(app, &items).await?,
        more_pieces,
        said,
        outcome,
        may_run: caller.may(Permission::Run),
    })
}

/// The page again, with a result.
pub(super) async fn redisplay(
    app: &App,
    caller: &Caller,
    of: &LiveConnection,
    outcome: Outcome,
) -> Result<Response, Problem> {
    let status = if outcome.faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    Ok((status, HtmlPage(page(app, caller, of, None, outcome).await?)).into_response())
}

/// Redirects to the page with what was done.
pub(super) fn done(of: &LiveConnection, did: &str) -> Response {
    see_other(&format!("{}?did={did}", path(&of.name)))
}

/// Redirects to the page with what was done, or shows it again with the faults.
pub(super) async fn after(
    app: &App,
    caller: &Caller,
    of: &LiveConnection,
    did: Result<String, Problem>,
) -> Result<Response, Problem> {
    match did {
        Ok(did) => Ok(done(of, &did)),
        Err(problem) => {
            let outcome = Outcome { faults: Faults::of(problem)?, ..Outcome::default() };
            redisplay(app, caller, of, outcome).await
        }
    }
}

/// GET /online/connections/{name}
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    ConnectionParam(of): ConnectionParam,
    QueryParam(asked): QueryParam<DoneQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(page(&app, &caller, &of, asked.said(), Outcome::default()).await?))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::people::Role;

    #[tokio::test]
    async fn all_that_waits_for_a_person_stands_on_its_page() {
        let shop = TestShop::open().await.with_connection_adapter();
        assert_eq!(shop.get("/online/connections/village").await.status, 404);
        shop.connect("village").await;
        shop.put_on("village", &["COWL"]).await;
        shop.park("village", "COWL", "422: a picture is wanted").await;
        shop.defer_order("village", "V-7", "there is no GHOST").await;
        shop.difference("village", "HAT", "offers.price", "42.00", "45.00").await;
        let page = shop.get("/online/connections/village").await;
        for part in [
            "a picture is wanted",
            "Send again",
            "V-7",
            "there is no GHOST",
            "Try again",
            "offers.price",
            "45.00",
            "Fix online shop",
            "Ignore",
            "List selected pieces",
            "FLEECEFOLD_SECRET_VILLAGE",
            "Edit connection",
        ] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        let makers = shop.as_role(Role::Maker).get("/online/connections/village").await;
        assert!(makers.status == 200 && !makers.text().contains("Edit connection"), "{}", makers.text());
        let said = shop.get("/online/connections/village?did=again&count=1").await;
        assert!(said.text().contains("1 message will be sent again"), "{}", said.text());
        assert_eq!(shop.get("/online/connections/village?did=x&count=%3Cb%3E").await.status, 200);
        assert_eq!(shop.get("/online/connections/village?odd=1").await.status, 422);
    }

    #[tokio::test]
    async fn it_is_told_without_a_desk_too() {
        let shop = TestShop::open().await;
        shop.connect("village").await;
        let page = shop.get("/online/connections/village").await;
        assert_eq!(page.status, 200, "{}", page.text());
        assert!(!page.text().contains("Compare with what it lists"), "{}", page.text());
    }
}
