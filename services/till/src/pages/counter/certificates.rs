//! Gift certificates: GET /counter/certificates lists them and finds one by its number; POST brings one in from before;
//! GET /counter/certificates/{id} shows its history, and GET …/print the certificate itself; POST …/number gives it
//! another number, POST …/end ends it.

use crate::app::App;
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use crate::security::random;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::account::AccountReason;
use domain::certificate::CertificateNumber;
use domain::ids::AccountId;
use domain::money::Money;
use domain::people::Permission;
use ledger::Shop;
use ledger::sales::{
    BringInCertificate, CertificateEntry, CertificateOfSale, CertificateView, EndCertificate, NewCertificate,
    RenumberCertificate,
};
use serde::Deserialize;

/// Certificates on one page.
const MOST_LISTED: usize = 50;
/// Changes that are shown of one certificate.
const MOST_CHANGES: usize = 200;

struct Row {
    id: String,
    last_four: String,
    holder: String,
    issued: String,
    left: String,
    is_empty: bool,
}

impl Row {
    fn of(shop: &Shop, certificate: &CertificateView) -> Self {
        Self {
            id: certificate.id.to_string(),
            last_four: certificate.number.last_four(),
            holder: certificate.holder.clone(),
            issued: shop.zone.day_of(certificate.issued).shown(),
            left: certificate.balance.shown(),
            is_empty: certificate.balance.is_zero(),
        }
    }
}

#[derive(Template)]
#[template(path = "counter/certificates.html")]
pub(crate) struct List {
    frame: Frame,
    rows: Vec<Row>,
    /// What all of them are worth, and how many have something left.
    owed: (String, i64),
    next: Option<String>,
    number: String,
    may_run: bool,
    typed: Typed,
    faults: Faults,
}

/// What was typed for one from before.
#[derive(Default)]
struct Typed {
    amount: String,
    holder: String,
    note: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    number: String,
    #[serde(default)]
    before: String,
}

impl List {
    async fn of(app: &App, caller: &Caller, before: Option<AccountId>) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let mut certificates = app.ledger.certificates(before, MOST_LISTED + 1).await?;
        let more = certificates.len() > MOST_LISTED;
        certificates.truncate(MOST_LISTED);
        let (owed, count) = app.ledger.certificates_owed().await?;
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            next: certificates.last().filter(|_| more).map(|last| last.id.to_string()),
            rows: certificates.iter().map(|certificate| Row::of(&shop, certificate)).collect(),
            owed: (owed.shown(), count),
            number: String::new(),
            may_run: caller.may(Permission::Run),
            typed: Typed::default(),
            faults: Faults::default(),
        })
    }
}

/// GET /counter/certificates
pub(crate) async fn list(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    let page = List::of(&app, &caller, query.before.parse().ok()).await?;
    if query.number.is_empty() {
        return Ok(HtmlPage(page).into_response());
    }
    let words = match CertificateNumber::parse(&query.number) {
        Err(error) => error.to_string(),
        Ok(number) => match app.ledger.certificate_by_number(number).await? {
            Some(found) => return Ok(see_other(&format!("/counter/certificates/{}", found.id))),
            None => "no gift certificate has this number; compare it with the certificate".to_owned(),
        },
    };
    let page = List { faults: Faults::one("number", words), number: query.number, ..page };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

/// POST /counter/certificates
pub(crate) async fn bring_in(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    match run_form(&app, &form, read(&app, &form)).await? {
        Ok(id) => Ok(see_other(&format!("/counter/certificates/{id}"))),
        Err(wrong) => {
            let typed = |name: &str| form.text(name).to_owned();
            let typed = Typed { amount: typed("amount"), holder: typed("holder"), note: typed("note") };
            let page = List::of(&app, &form.caller, None).await?;
            let page = List { faults: wrong.faults(&app), typed, ..page };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

fn read(app: &App, form: &Form) -> Result<BringInCertificate, Faults> {
    let amount = Money::parse(form.text("amount"), app.ledger.shop().currency);
    let amount = amount.map_err(|error| Faults::one("amount", error.to_string()))?;
    let (number, holder) = (random::certificate_number(), form.text("holder").to_owned());
    let certificate = NewCertificate { number, holder, on_file: None };
    let (note, who) = (form.text("note").to_owned(), form.caller.who.clone());
    Ok(BringInCertificate { certificate, amount, note, who })
}

struct Change {
    when: String,
    what: &'static str,
    amount: String,
    sale: Option<(String, String)>,
    about: String,
}

impl Change {
    fn of(shop: &Shop, entry: &CertificateEntry) -> Self {
        let by = [entry.note.as_str(), entry.who.as_str()];
        Self {
            when: shop.zone.shown(entry.at),
            what: what(entry.reason),
            amount: entry.amount.shown(),
            sale: entry
                .sale
                .zip(entry.receipt)
                .map(|(sale, receipt)| (sale.to_string(), receipt.to_string())),
            about: by.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" · "),
        }
    }
}

/// What happened to an account.
pub(crate) fn what(reason: AccountReason) -> &'static str {
    match reason {
        AccountReason::Sold => "Sold",
        AccountReason::Refund => "From a refund",
        AccountReason::BroughtIn => "Brought in",
        AccountReason::Spent => "Spent",
        AccountReason::Returned => "Refunded",
        AccountReason::Voided => "Sale voided",
        AccountReason::WrittenOff => "Ended",
        AccountReason::Forfeited => "Forfeited",
    }
}

#[derive(Template)]
#[template(path = "counter/certificate.html")]
pub(crate) struct One {
    frame: Frame,
    row: Row,
    left_plain: String,
    note: String,
    changes: Vec<Change>,
    /// Whether older changes are not shown.
    is_cut: bool,
    prints: bool,
    may_run: bool,
    faults: Faults,
}

/// Whoever sells prints a certificate on the day of its issue, because it is handed out with the receipt. Later only
/// who runs the shop sees the number again.
fn may_print(app: &App, caller: &Caller, certificate: &CertificateView) -> bool {
    let zone = &app.ledger.shop().zone;
    caller.may(Permission::Run) || zone.day_of(certificate.issued) == zone.day_of(app.ledger.now())
}

impl One {
    async fn of(app: &App, caller: &Caller, id: AccountId) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let certificate = app.ledger.certificate(id).await?;
        let mut history = app.ledger.certificate_history(id, MOST_CHANGES + 1).await?;
        let is_cut = history.len() > MOST_CHANGES;
        history.truncate(MOST_CHANGES);
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            left_plain: crate::pages::shown::plain(certificate.balance),
            note: certificate.note.clone(),
            changes: history.iter().map(|entry| Change::of(&shop, entry)).collect(),
            is_cut,
            prints: may_print(app, caller, &certificate),
            may_run: caller.may(Permission::Run),
            row: Row::of(&shop, &certificate),
            faults: Faults::default(),
        })
    }
}

/// GET /counter/certificates/{id}
pub(crate) async fn one(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<AccountId>,
) -> Result<HtmlPage<One>, Problem> {
    Ok(HtmlPage(One::of(&app, &caller, id).await?))
}

/// POST /counter/certificates/{id}/number
pub(crate) async fn renumber(
    State(app): State<App>,
    PathParam(account): PathParam<AccountId>,
    form: Form,
) -> Result<Response, Problem> {
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    let command = RenumberCertificate { account, number: random::certificate_number(), reason, who };
    match run_form(&app, &form, Ok(command)).await? {
        Ok(()) => Ok(see_other(&format!("/counter/certificates/{account}/print"))),
        Err(wrong) => again(&app, &form, account, wrong.faults(&app)).await,
    }
}

/// POST /counter/certificates/{id}/end
pub(crate) async fn end(
    State(app): State<App>,
    PathParam(account): PathParam<AccountId>,
    form: Form,
) -> Result<Response, Problem> {
    let left = Money::parse(form.text("left"), app.ledger.shop().currency);
    let left = left.map_err(|error| Faults::one("left", error.to_string()));
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    let command = left.map(|left| EndCertificate { account, left, reason, who });
    match run_form(&app, &form, command).await? {
        Ok(()) => Ok(see_other(&format!("/counter/certificates/{account}"))),
        Err(wrong) => again(&app, &form, account, wrong.faults(&app)).await,
    }
}

async fn again(app: &App, form: &Form, id: AccountId, faults: Faults) -> Result<Response, Problem> {
    let page = One { faults, ..One::of(app, &form.caller, id).await? };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[derive(Template)]
#[template(path = "counter/certificate_print.html")]
pub(crate) struct Print {
    frame: Frame,
    id: String,
    shop: String,
    number: String,
    holder: String,
    worth: String,
    issued: String,
}

/// GET /counter/certificates/{id}/print
pub(crate) async fn print(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<AccountId>,
) -> Result<HtmlPage<Print>, Problem> {
    let shop = app.ledger.shop();
    let certificate = app.ledger.certificate(id).await?;
    if !may_print(&app, &caller, &certificate) {
        return Err(Problem::new(
            Kind::NotAllowed,
            "this gift certificate was printed on another day; ask the owner to print it again",
        ));
    }
    Ok(HtmlPage(Print {
        frame: Frame::new(&app, &caller, Room::Counter),
        id: id.to_string(),
        shop: shop.name.clone(),
        number: certificate.number.to_string(),
        holder: certificate.holder,
        worth: certificate.balance.shown(),
        issued: shop.zone.day_of(certificate.issued).shown(),
    }))
}

/// A gift certificate on a receipt's page.
pub(crate) struct OfSale {
    pub(super) id: String,
    pub(super) last_four: String,
    pub(super) holder: String,
    pub(super) what: &'static str,
    pub(super) amount: String,
    pub(super) left: String,
    pub(super) prints: bool,
}

impl OfSale {
    pub(crate) fn of(app: &App, caller: &Caller, of: &CertificateOfSale) -> Self {
        let certificate = &of.certificate;
        let is_issued = matches!(of.reason, AccountReason::Sold | AccountReason::Refund);
        Self {
            id: certificate.id.to_string(),
            last_four: certificate.number.last_four(),
            holder: certificate.holder.clone(),
            what: what(of.reason),
            amount: of.amount.shown(),
            left: certificate.balance.shown(),
            prints: is_issued && may_print(app, caller, certificate),
        }
    }
}
