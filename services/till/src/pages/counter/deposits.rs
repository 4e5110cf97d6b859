//! Deposits: GET /counter/deposits lists them, GET /counter/deposits/{deposit} shows one; POST …/refund pays it back, and
//! …/forfeit ends it. GET and POST /counter/holds/{hold}/deposit take one for what is on hold.

use crate::app::App;
use crate::pages::counter::certificates::what;
use crate::pages::counter::place::{self, Here};
use crate::pages::counter::refund::{paid_with, way, ways};
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::plain;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::account::{AccountReason, DepositFor};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::ids::{AccountId, HoldGroupId};
use domain::money::Money;
use domain::people::Permission;
use domain::stock::ReturnDisposition;
use ledger::Shop;
use ledger::sales::{
    BasketChange, CertificateEntry, CertificateView, DepositView, ForfeitDeposit, NewRefund, OpenBasket,
    RefundLine, RefundOf, RefundTender,
};
use serde::Deserialize;

/// Deposits on one page.
const MOST_LISTED: usize = 50;
/// Changes that are shown of one deposit.
const MOST_CHANGES: usize = 200;

/// A deposit in a list.
pub(crate) struct DepositRow {
    pub(crate) id: String,
    pub(crate) customer: String,
    pub(crate) about: String,
    pub(crate) taken: String,
    pub(crate) left: String,
    pub(crate) is_empty: bool,
    /// What it is for has ended, and something is left.
    pub(crate) is_left_over: bool,
}

impl DepositRow {
    pub(crate) fn of(shop: &Shop, deposit: &DepositView) -> Self {
        let name = if deposit.customer.is_empty() { "Erased customer" } else { &deposit.customer };
        Self {
            id: deposit.id.to_string(),
            customer: name.to_owned(),
            about: deposit.about.clone(),
            taken: shop.zone.day_of(deposit.taken).shown(),
            left: deposit.balance.shown(),
            is_empty: deposit.balance.is_zero(),
            is_left_over: deposit.is_over && !deposit.balance.is_zero(),
        }
    }
}

#[derive(Template)]
#[template(path = "counter/deposits.html")]
pub(crate) struct List {
    frame: Frame,
    /// Those to be refunded or forfeited, on the first page.
    left_over: Vec<DepositRow>,
    rows: Vec<DepositRow>,
    /// What all of them come to, and how many have something left.
    owed: (String, i64),
    next: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    before: String,
}

/// GET /counter/deposits
pub(crate) async fn list(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<Query>,
) -> Result<HtmlPage<List>, Problem> {
    let shop = app.ledger.shop();
    let before: Option<AccountId> = query.before.parse().ok();
    let mut deposits = app.ledger.deposits(before, MOST_LISTED + 1).await?;
    let more = deposits.len() > MOST_LISTED;
    deposits.truncate(MOST_LISTED);
    let left_over = match before {
        None => app.ledger.deposits_left_over(MOST_LISTED).await?,
        Some(_) => Vec::new(),
    };
    let (owed, count) = app.ledger.deposits_owed().await?;
    Ok(HtmlPage(List {
        frame: Frame::new(&app, &caller, Room::Counter),
        next: deposits.last().filter(|_| more).map(|last| last.id.to_string()),
        left_over: left_over.iter().map(|deposit| DepositRow::of(&shop, deposit)).collect(),
        rows: deposits.iter().map(|deposit| DepositRow::of(&shop, deposit)).collect(),
        owed: (owed.shown(), count),
    }))
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
        let what = match entry.reason {
            AccountReason::Sold => "Taken",
            reason => what(reason),
        };
        Self {
            when: shop.zone.shown(entry.at),
            what,
            amount: entry.amount.shown(),
            sale: entry
                .sale
                .zip(entry.receipt)
                .map(|(sale, receipt)| (sale.to_string(), receipt.to_string())),
            about: by.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" · "),
        }
    }
}

#[derive(Template)]
#[template(path = "counter/deposit.html")]
pub(crate) struct One {
    frame: Frame,
    row: DepositRow,
    customer_id: Option<String>,
    /// The custom order that it is for.
    order: Option<String>,
    left_plain: String,
    changes: Vec<Change>,
    is_cut: bool,
    ways: Vec<(String, String, bool)>,
    may_give_back: bool,
    may_run: bool,
    amount: String,
    reason: String,
    faults: Faults,
}

impl One {
    async fn of(app: &App, caller: &Caller, id: AccountId, by: Option<&str>) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let deposit = app.ledger.deposit(id).await?;
        let mut history = app.ledger.deposit_history(id, MOST_CHANGES + 1).await?;
        let is_cut = history.len() > MOST_CHANGES;
        history.truncate(MOST_CHANGES);
        let certificates = paid_with(app, deposit.sale).await?;
        let by = match by {
            Some(by) => by.to_owned(),
            None => first_way(app, &deposit, &certificates).await?,
        };
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            customer_id: deposit.on_file.map(|id| id.to_string()),
            order: deposit.of.order().map(|order| order.to_string()),
            left_plain: plain(deposit.balance),
            changes: history.iter().map(|entry| Change::of(&shop, entry)).collect(),
            is_cut,
            ways: ways(TenderKind::from_code(&by), &certificates, &by),
            may_give_back: caller.may(Permission::GiveBack),
            may_run: caller.may(Permission::Run),
            amount: plain(deposit.balance),
            reason: String::new(),
            row: DepositRow::of(&shop, &deposit),
            faults: Faults::default(),
        })
    }
}

/// The way in which the deposit was paid: it is paid back so, unless somebody chooses otherwise.
async fn first_way(
    app: &App,
    deposit: &DepositView,
    certificates: &[CertificateView],
) -> Result<String, Problem> {
    if let Some((code, ..)) =
        ways(None, certificates, "").into_iter().next().filter(|_| !certificates.is_empty())
    {
        return Ok(code);
    }
    let tenders = app.ledger.sale(deposit.sale).await?.tenders;
    let kind = tenders.first().map_or(TenderKind::Cash, |tender| tender.tender.kind);
    Ok(kind.code().to_owned())
}

/// GET /counter/deposits/{deposit}
pub(crate) async fn one(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<AccountId>,
) -> Result<HtmlPage<One>, Problem> {
    Ok(HtmlPage(One::of(&app, &caller, id, None).await?))
}

/// POST /counter/deposits/{deposit}/refund
pub(crate) async fn refund(
    State(app): State<App>,
    PathParam(id): PathParam<AccountId>,
    form: Form,
) -> Result<Response, Problem> {
    let deposit = app.ledger.deposit(id).await?;
    let history = app.ledger.deposit_history(id, MOST_CHANGES).await?;
    let certificates = paid_with(&app, deposit.sale).await?;
    let command = read_refund(&app, &form, &deposit, &history, &certificates);
    match run_form(&app, &form, command).await? {
        Ok(_) => Ok(see_other(&format!("/counter/deposits/{id}"))),
        Err(wrong) => again(&app, &form, id, wrong.faults(&app)).await,
    }
}

fn read_refund(
    app: &App,
    form: &Form,
    deposit: &DepositView,
    history: &[CertificateEntry],
    certificates: &[CertificateView],
) -> Result<NewRefund, Faults> {
    let currency = app.ledger.shop().currency;
    let amount = Money::parse(form.text("amount"), currency);
    let amount = amount.map_err(|error| Faults::one("amount", error.to_string()))?;
    if form.text("reason").is_empty() {
        return Err(Faults::one("reason", "enter the reason for the refund"));
    }
    let (kind, certificate) = way(form.text("by"), certificates)?;
    // The whole of what was never spent ends its line too.
    let is_untouched =
        history.iter().all(|one| matches!(one.reason, AccountReason::Sold | AccountReason::Returned));
    let what =
        if is_untouched && amount == deposit.balance { RefundOf::Rest } else { RefundOf::Money(amount) };
    Ok(NewRefund {
        sale: deposit.sale,
        lines: vec![RefundLine { line: deposit.line, what, fate: ReturnDisposition::Open }],
        fate: ReturnDisposition::Open,
        shipping: Money::zero(currency),
        tender: RefundTender::All(kind),
        certificate,
        reason: form.text("reason").to_owned(),
        who: form.caller.who.clone(),
    })
}

/// POST /counter/deposits/{deposit}/forfeit
pub(crate) async fn forfeit(
    State(app): State<App>,
    PathParam(deposit): PathParam<AccountId>,
    form: Form,
) -> Result<Response, Problem> {
    let left = Money::parse(form.text("left"), app.ledger.shop().currency);
    let left = left.map_err(|error| Faults::one("left", error.to_string()));
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    let command = left.map(|left| ForfeitDeposit { deposit, left, reason, who });
    match run_form(&app, &form, command).await? {
        Ok(()) => Ok(see_other(&format!("/counter/deposits/{deposit}"))),
        Err(wrong) => again(&app, &form, deposit, wrong.faults(&app)).await,
    }
}

async fn again(app: &App, form: &Form, id: AccountId, faults: Faults) -> Result<Response, Problem> {
    let page = One::of(app, &form.caller, id, Some(form.text("by"))).await?;
    let amount = if form.has("amount") { form.text("amount").to_owned() } else { page.amount.clone() };
    let page = One { faults, amount, reason: form.text("reason").to_owned(), ..page };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

/// A sale that takes a deposit, still to be paid.
pub(crate) fn open_sale(
    app: &App,
    form: &Form,
    of: DepositFor,
    here: &Channel,
) -> Result<OpenBasket, Faults> {
    let amount = Money::parse(form.text("amount"), app.ledger.shop().currency);
    let amount = amount.map_err(|error| Faults::one("amount", error.to_string()))?;
    let channel = place::of_form(app, form, here)?;
    let first = Some(BasketChange::AddDeposit { of, amount });
    Ok(OpenBasket { channel, first, who: form.caller.who.clone() })
}

#[derive(Template)]
#[template(path = "counter/hold_deposit.html")]
pub(crate) struct OfHold {
    frame: Frame,
    id: String,
    for_whom: String,
    deposits: Vec<DepositRow>,
    amount: String,
    faults: Faults,
}

impl OfHold {
    async fn of(app: &App, caller: &Caller, hold: HoldGroupId) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let deposits = app.ledger.deposits_for(DepositFor::Hold(hold)).await?;
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            id: hold.to_string(),
            for_whom: app.ledger.hold_is_for(hold).await?,
            deposits: deposits.iter().map(|deposit| DepositRow::of(&shop, deposit)).collect(),
            amount: String::new(),
            faults: Faults::default(),
        })
    }
}

/// GET /counter/holds/{hold}/deposit
pub(crate) async fn of_hold(
    State(app): State<App>,
    caller: Caller,
    PathParam(hold): PathParam<HoldGroupId>,
) -> Result<HtmlPage<OfHold>, Problem> {
    Ok(HtmlPage(OfHold::of(&app, &caller, hold).await?))
}

/// POST /counter/holds/{hold}/deposit
pub(crate) async fn take(
    State(app): State<App>,
    here: Here,
    PathParam(hold): PathParam<HoldGroupId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = open_sale(&app, &form, DepositFor::Hold(hold), &here.channel);
    match run_form(&app, &form, command).await? {
        Ok(basket) => Ok(see_other(&format!("/counter/{basket}"))),
        Err(wrong) => {
            let page = OfHold::of(&app, &form.caller, hold).await?;
            let page = OfHold { faults: wrong.faults(&app), amount: form.text("amount").to_owned(), ..page };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}
