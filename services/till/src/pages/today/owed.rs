//! GET /today/owed, POST /today/owed/{tender}: what customers owe, and taking their payments.

use crate::app::App;
use crate::caller::Caller;
use crate::pages::books::sale::tender_name;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, Paper, Room, go};
use crate::problem::Problem;
use crate::query::At;
use crate::values;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::basket::TenderKind;
use domain::day::Day;
use domain::ids::TenderId;
use ledger::{OwedRow, Pay, Shop};

/// Rows that are shown, the longest due first.
const ROWS: usize = 100;
/// After every day that money can be due on.
const EVER: Day = Day::from_number(99_991_231);

/// A tender that is owed, and its form.
#[derive(Debug)]
pub(crate) struct Owed {
    row: OwedRow,
    is_due: bool,
    due: String,
    /// As it was typed, or all of it.
    amount: String,
    faults: Faults,
}

/// The page.
#[derive(Template)]
#[template(path = "today/owed.html")]
pub(crate) struct Page {
    frame: Frame,
    currency: String,
    owed: Vec<Owed>,
    has_more: bool,
    kinds: Vec<(&'static str, &'static str)>,
}

/// How a debt may be paid: as at the counter, but not by owing it again.
fn kinds(shop: &Shop) -> Vec<(&'static str, &'static str)> {
    let offered = shop.tenders.iter().filter(|kind| **kind != TenderKind::Owed);
    let kinds: Vec<_> = offered.map(|kind| (kind.code(), tender_name(*kind))).collect();
    if kinds.is_empty() { vec![(TenderKind::Other.code(), tender_name(TenderKind::Other))] } else { kinds }
}

async fn read(app: &App, caller: &Caller) -> Result<Page, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let today = shop.zone.day_of(app.ledger.now());
    let mut rows = app.ledger.owed(EVER, ROWS + 1).await?;
    let has_more = rows.len() > ROWS;
    rows.truncate(ROWS);
    let owed = |row: OwedRow| Owed {
        is_due: row.due <= today,
        due: row.due.shown(),
        amount: row.left.to_string(),
        faults: Faults::default(),
        row,
    };
    Ok(Page {
        frame: Frame::new(app, caller, Room::Today),
        currency: shop.currency.to_string(),
        owed: rows.into_iter().map(owed).collect(),
        has_more,
        kinds: kinds(&shop),
    })
}

/// GET /today/owed
pub(crate) async fn page(State(app): State<App>, caller: Caller) -> Result<Paper<Page>, Problem> {
    read(&app, &caller).await.map(Paper)
}

async fn take(app: &App, tender: TenderId, form: &Form) -> Result<(), Problem> {
    let pay = Pay {
        tender,
        kind: values::tender_kind(form.text("kind"), "#/kind")?,
        amount: values::money(form.text("amount"), app.ledger.shop().currency, "#/amount")?,
        who: form.caller.who.clone(),
    };
    app.run(&form.key, &pay).await.map(|_| ())
}

/// POST /today/owed/{tender}
pub(crate) async fn pay(
    State(app): State<App>,
    At(tender): At<TenderId>,
    form: Form,
) -> Result<Response, Problem> {
    let Err(problem) = take(&app, tender, &form).await else { return Ok(go("/today/owed")) };
    let faults = Faults::of(problem)?;
    let mut page = read(&app, &form.caller).await?;
    if let Some(owed) = page.owed.iter_mut().find(|owed| owed.row.tender == tender) {
        form.text("amount").clone_into(&mut owed.amount);
        owed.faults = faults;
    }
    Ok((StatusCode::UNPROCESSABLE_ENTITY, Paper(page)).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;
    use serde_json::json;

    #[tokio::test]
    async fn a_payment_is_taken_or_refused_beside_its_field() {
        let shop = TestShop::open().await;
        assert!(shop.get("/today/owed").await.text().contains("Nobody owes anything"));
        let owed = json!({"channel": "store", "lines": [{"sku": "SPINDLE", "quantity": "1"}],
            "tenders": [{"kind": "owed", "amount": "18.00", "customer": "Ada", "due": "2026-05-20"}]});
        let sale = shop.post("/api/sales", "k1", owed).await.json();
        let tender = shop.get(&format!("/api/sales/{}", sale["id"].as_str().expect("an id"))).await.json();
        let tender = tender["tenders"][0]["id"].as_str().expect("a tender").to_owned();
        let page = shop.get("/today/owed").await;
        for part in ["Ada", "18.00", "Wednesday, 20 May 2026", "receipt 1"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        let send = async |body: &str| {
            let headers = [("content-type", "application/x-www-form-urlencoded")];
            let path = format!("/today/owed/{tender}");
            shop.ask(Method::POST, &path, &headers, Body::from(body.to_owned())).await
        };
        let refused = send("kind=cash&amount=20").await;
        assert_eq!(refused.status, 422);
        assert!(refused.text().contains("18.00 is still owed"), "{}", refused.text());
        assert!(refused.text().contains("value=\"20\""), "{}", refused.text());
        assert_eq!(send("kind=barter&amount=1").await.status, 422);
        let done = send("kind=cash&amount=8.00").await;
        assert_eq!((done.status, done.header("location")), (303, Some("/today/owed")));
        assert!(shop.get("/today/owed").await.text().contains("10.00"));
    }
}
