//! Open balances: GET /counter/balances, and POST /counter/balances/{tender}, which takes a payment.

use crate::app::App;
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::basket::TenderKind;
use domain::certificate::CertificateNumber;
use domain::ids::{SaleId, TenderId};
use domain::money::Money;
use ledger::sales::Pay;

/// Unpaid sales that are listed.
const MOST_LISTED: usize = 200;

struct Row {
    tender: String,
    sale: String,
    customer: String,
    due: String,
    left: String,
    left_plain: String,
    is_late: bool,
}

#[derive(Template)]
#[template(path = "counter/balances.html")]
pub(crate) struct Page {
    frame: Frame,
    rows: Vec<Row>,
    sum: String,
    faults: Faults,
}

impl Page {
    async fn of(app: &App, caller: &Caller) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let today = shop.zone.day_of(app.ledger.now());
        let debts = app.ledger.debts(MOST_LISTED).await?;
        let sum = Money::sum(debts.iter().map(|d| d.left), shop.currency);
        let rows = debts.into_iter().map(|debt| Row {
            tender: debt.tender.to_string(),
            sale: debt.sale.to_string(),
            customer: debt.customer,
            due: debt.due.shown(),
            left: debt.left.shown(),
            left_plain: shown::plain(debt.left),
            is_late: debt.due < today,
        });
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            rows: rows.collect(),
            sum: sum.map(Money::shown).unwrap_or_default(),
            faults: Faults::default(),
        })
    }
}

/// GET /counter/balances
pub(crate) async fn list(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::of(&app, &caller).await?))
}

/// POST /counter/balances/{tender}
pub(crate) async fn pay(
    State(app): State<App>,
    PathParam(tender): PathParam<TenderId>,
    form: Form,
) -> Result<Response, Problem> {
    let outcome = run_form(&app, &form, read(&app, tender, &form)).await?;
    match (outcome, form.text("sale").parse::<SaleId>()) {
        (Ok(_), Ok(sale)) => Ok(see_other(&format!("/counter/sales/{sale}"))),
        (Ok(_), Err(_)) => Ok(see_other("/counter/balances")),
        (Err(wrong), _) => {
            let faults = wrong.faults(&app);
            let page = Page { faults, ..Page::of(&app, &form.caller).await? };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

/// The number that was typed, if a gift certificate pays.
fn certificate_of(kind: TenderKind, form: &Form) -> Result<Option<CertificateNumber>, Faults> {
    if kind != TenderKind::GiftCertificate {
        return Ok(None);
    }
    let number = CertificateNumber::parse(form.text("certificate"));
    number.map(Some).map_err(|error| Faults::one("certificate", error.to_string()))
}

fn read(app: &App, tender: TenderId, form: &Form) -> Result<Pay, Faults> {
    let amount = Money::parse(form.text("amount"), app.ledger.shop().currency);
    let amount = amount.map_err(|error| Faults::one("amount", error.to_string()))?;
    let kind = TenderKind::from_code(form.text("by"));
    let kind = kind.ok_or_else(|| Faults::one("by", "choose how it was paid"))?;
    let certificate = certificate_of(kind, form)?;
    Ok(Pay { tender, kind, amount, certificate, who: form.caller.who.clone() })
}
