//! Paying a slip: POST /counter/{basket}/pay puts it on hold, GET shows how much to take, POST …/tender takes
//! it, POST …/cancel-payment goes back to the sale.

use crate::app::App;
use crate::pages::counter::place::Ribbon;
use crate::pages::counter::sale::Just;
use crate::pages::counter::slip::{Slip, by_deposit, left, left_exactly, paid_back};
use crate::pages::counter::words;
use crate::pages::counter::{SaleAt, redisplay, run_form};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::{self, tender_name};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use crate::security::random;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::basket::TenderKind;
use domain::cash::denominations;
use domain::certificate::CertificateNumber;
use domain::day::Day;
use domain::ids::{BasketId, SaleId};
use domain::money::{Currency, Money};
use ledger::Shop;
use ledger::sales::{BasketPaid, BasketState, BasketView, HoldBasket, PayBasket, StopPaying, TenderIn};
use serde::Deserialize;

/// Amounts that customers often hand over, offered as buttons.
const MOST_NOTES: usize = 4;
const DAY_MS: i64 = 24 * 60 * 60 * 1000;

#[derive(Template)]
#[template(path = "counter/pay.html")]
pub(crate) struct Page {
    frame: Frame,
    slip: Slip,
    /// The tender, as its code and in words.
    by: &'static str,
    name: &'static str,
    ways: Vec<(&'static str, &'static str, bool)>,
    /// What a deposit pays of it, and what is then left to pay, if it is paid so.
    by_deposit: Option<(String, String)>,
    /// In an exchange, what is paid back with this tender.
    back: Option<String>,
    /// Whether no money is taken.
    takes_nothing: bool,
    /// How much to take with this tender, and the total.
    left: String,
    due: String,
    /// The same, as fields take it.
    left_plain: String,
    due_plain: String,
    /// In minor units, before cash rounding, and below 0 if it is paid back.
    left_minor: i64,
    /// As it is sent, and as it is shown.
    notes: Vec<(String, String)>,
    taken: Vec<(&'static str, String)>,
    taken_sum: String,
    /// The end of the hold; none if it has expired.
    held_until: Option<String>,
    needs_hold: bool,
    /// Whether cash would be taken, or paid back, with no drawer open.
    is_uncounted: bool,
    typed: Typed,
    faults: Faults,
}

/// What was typed, to be shown again.
#[derive(Default)]
struct Typed {
    amount: String,
    customer: String,
    day: String,
    certificate: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    by: String,
}

/// The ways to pay this sale, this one marked. Nobody is paid back on account, or by deposit.
fn ways(
    shop: &Shop,
    view: &BasketView,
    is_back: bool,
    own: TenderKind,
) -> Vec<(&'static str, &'static str, bool)> {
    let never_back = [TenderKind::OnAccount, TenderKind::Deposit].map(TenderKind::code);
    let all = words::ways_of(shop, view).into_iter();
    all.filter(|(code, _)| !is_back || !never_back.contains(code))
        .map(|(code, name)| (code, name, code == own.code()))
        .collect()
}

/// One of the shop's own tenders; the first one if another is named.
fn kind_of(shop: &Shop, text: &str) -> TenderKind {
    let named = TenderKind::from_code(text).filter(|kind| shop.tenders.contains(kind));
    named.or(shop.tenders.first().copied()).unwrap_or(TenderKind::Cash)
}

/// The tender for what is left of this sale. If nothing is left, nothing is taken on account, and nobody is paid
/// back on account.
fn kind_for(shop: &Shop, view: &BasketView, text: &str) -> Result<TenderKind, Problem> {
    if text == TenderKind::Deposit.code() && !view.deposits.is_empty() {
        return Ok(TenderKind::Deposit);
    }
    let kind = kind_of(shop, text);
    if kind != TenderKind::OnAccount || !takes_nothing(view, left(shop, view, kind)?) {
        return Ok(kind);
    }
    let other = shop.tenders.iter().copied().find(|other| *other != TenderKind::OnAccount);
    Ok(other.unwrap_or(TenderKind::Cash))
}

/// Whether what is brought back pays for all of it.
fn takes_nothing(view: &BasketView, left: Money) -> bool {
    view.returns.is_some() && left.is_zero()
}

/// Round amounts above what is due.
fn notes(due: Money, kind: TenderKind) -> Vec<(String, String)> {
    if kind != TenderKind::Cash || due.minor() <= 0 {
        return Vec::new();
    }
    let up =
        |note: &Money| due.minor().checked_add(note.minor() - 1).map(|sum| sum / note.minor() * note.minor());
    let major = due.currency().minor_per_major();
    let mut sums: Vec<i64> =
        denominations(due.currency()).iter().filter(|note| note.minor() >= major).filter_map(up).collect();
    sums.retain(|sum| *sum > due.minor());
    sums.sort_unstable();
    sums.dedup();
    sums.truncate(MOST_NOTES);
    sums.iter()
        .filter_map(|sum| Money::from_minor(*sum, due.currency()).ok())
        .map(|m| (shown::plain(m), m.shown()))
        .collect()
}

impl Page {
    async fn of(app: &App, caller: &Caller, view: &BasketView, kind: TenderKind) -> Result<Self, Problem> {
        let is_uncounted = kind == TenderKind::Cash && app.ledger.open_turn(&view.channel).await?.is_none();
        let shop = app.ledger.shop();
        let to_take = left(&shop, view, kind)?;
        let back = paid_back(&shop, view, kind)?;
        let taken = Money::sum(view.tenders.iter().map(|t| t.amount), shop.currency);
        let slip =
            Slip::of(&shop, Ribbon::fixed(&shop, &view.channel), view, String::new(), app.ledger.now())?;
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            by: kind.code(),
            name: tender_name(kind),
            ways: ways(&shop, view, !back.is_zero(), kind),
            by_deposit: if kind == TenderKind::Deposit { by_deposit(&shop, view)? } else { None },
            back: (!back.is_zero()).then(|| back.shown()),
            takes_nothing: takes_nothing(view, to_take),
            left: to_take.shown(),
            due: view.due.shown(),
            left_plain: shown::plain(to_take),
            due_plain: shown::plain(view.due),
            left_minor: left_exactly(view).map_or(0, Money::minor),
            notes: notes(to_take, kind),
            taken: view.tenders.iter().map(|t| (tender_name(t.kind), t.amount.shown())).collect(),
            taken_sum: taken.map(Money::shown).unwrap_or_default(),
            held_until: view.held_until.map(|until| shop.zone.clock(until)),
            needs_hold: slip.has_goods(),
            is_uncounted,
            typed: Typed { customer: slip.customer.clone(), day: in_thirty_days(app), ..Typed::default() },
            faults: Faults::default(),
            slip,
        })
    }
}

/// The due date that is filled in: 30 days after today, the usual term of an invoice (common practice, no source).
fn in_thirty_days(app: &App) -> String {
    let due = app.ledger.now().plus_millis(30 * DAY_MS);
    app.ledger.shop().zone.day_of(due).to_string()
}

/// GET /counter/{basket}/pay
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(basket): PathParam<BasketId>,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    let view = app.ledger.basket(basket).await?;
    match (view.sale, view.state) {
        (Some(sale), _) => return Ok(see_other(&format!("/counter/sales/{sale}"))),
        (None, BasketState::Open) if view.paying => {}
        (None, BasketState::Open) => return Ok(see_other(&format!("/counter/{basket}"))),
        (None, _) => return Ok(see_other("/counter")),
    }
    let kind = kind_for(&app.ledger.shop(), &view, &query.by)?;
    Ok(HtmlPage(Page::of(&app, &caller, &view, kind).await?).into_response())
}

/// POST /counter/{basket}/pay: the first choice of a tender holds every line, all or none.
pub(crate) async fn hold(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = HoldBasket {
        basket,
        revision: form.text("revision").parse().unwrap_or(0),
        without: form.all("without").iter().filter_map(|number| number.parse().ok()).collect(),
        who: form.caller.who.clone(),
    };
    match run_form(&app, &form, Ok(command)).await? {
        Ok(_) => Ok(see_other(&format!("/counter/{basket}/pay?by={}", chosen(&app, &form)))),
        Err(rejection) => redisplay(&app, &form, &SaleAt::Open(basket), rejection, None).await,
    }
}

/// The code of the way to pay that was chosen. Whether there is a deposit is seen by the page that it leads to.
fn chosen(app: &App, form: &Form) -> &'static str {
    let by = form.text("by");
    let is_deposit = by == TenderKind::Deposit.code();
    if is_deposit { TenderKind::Deposit.code() } else { kind_of(&app.ledger.shop(), by).code() }
}

/// POST /counter/{basket}/tender: money was taken; when everything is paid the slip is rung up.
pub(crate) async fn take(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let view = app.ledger.basket(basket).await?;
    let command = match view.sale {
        Some(_) => Ok(once_more(&view, &form)),
        None => match certificate(&app, &view, &form).await? {
            Ok(certificate) => read(&app, &view, &form, certificate),
            Err(faults) => Err(faults),
        },
    };
    let rejection = match run_form(&app, &form, command).await? {
        Ok(BasketPaid { sale: Some(sale), rung_up, .. }) => return Ok(paid(sale, rung_up)),
        Ok(BasketPaid { credit_changed: true, .. }) => {
            let view = app.ledger.basket(basket).await?;
            return again(&app, &form, &view, Faults::one("amount", CREDIT_CHANGED)).await;
        }
        Ok(BasketPaid { sale: None, .. }) => {
            return Ok(see_other(&format!("/counter/{basket}/pay?by={}", form.text("then"))));
        }
        Err(rejection) => rejection,
    };
    // Read again: it may have been paid or discarded, or its hold may have expired.
    let view = app.ledger.basket(basket).await?;
    match view.sale {
        Some(sale) => Ok(paid(sale, false)),
        None => again(&app, &form, &view, rejection.faults(&app)).await,
    }
}

/// A payment of a sale that is complete. The second press of a double tap has the first one's key and gets its
/// answer, with the change that is still to be handed out; anybody else only learns of the sale.
fn once_more(view: &BasketView, form: &Form) -> PayBasket {
    let tender = TenderIn::plain(TenderKind::Cash, Money::zero(view.due.currency()));
    PayBasket { basket: view.id, due: view.due, left: None, tender, who: form.caller.who.clone() }
}

const CREDIT_CHANGED: &str =
    "what was brought back is worth something else now; nothing was booked. Check the sum and try again";

/// The receipt, which says whether this press completed the sale.
fn paid(sale: SaleId, rung_up: bool) -> Response {
    let just = if rung_up { Just::RUNG_UP } else { Just::PAID_BEFORE };
    see_other(&format!("/counter/sales/{sale}?just={just}"))
}

/// A gift certificate that pays, with what is left on it, or the number of a new one that is paid back on.
type Certificate = Option<(CertificateNumber, Option<Money>)>;

async fn certificate(
    app: &App,
    view: &BasketView,
    form: &Form,
) -> Result<Result<Certificate, Faults>, Problem> {
    let shop = app.ledger.shop();
    let kind = kind_for(&shop, view, form.text("by"))?;
    if kind != TenderKind::GiftCertificate {
        return Ok(Ok(None));
    }
    let is_back = !paid_back(&shop, view, kind)?.is_zero();
    if form.text("certificate").is_empty() && (is_back || takes_nothing(view, left(&shop, view, kind)?)) {
        return Ok(Ok(is_back.then(|| (random::certificate_number(), None))));
    }
    let number = match CertificateNumber::parse(form.text("certificate")) {
        Ok(number) => number,
        Err(error) => return Ok(Err(Faults::one("certificate", error.to_string()))),
    };
    let left = app.ledger.certificate_by_number(number).await?.map(|found| found.balance);
    Ok(Ok(Some((number, left))))
}

fn read(app: &App, view: &BasketView, form: &Form, certificate: Certificate) -> Result<PayBasket, Faults> {
    let shop = app.ledger.shop();
    let kind = kind_for(&shop, view, form.text("by"))
        .map_err(|_| Faults::one("amount", "the amount left cannot be calculated"))?;
    let given = if form.has("given") { form.text("given") } else { form.text("amount") };
    let amount = money(given, shop.currency, "amount");
    let to_take = left(&shop, view, kind).map_err(|_| Faults::one("amount", "enter the amount received"))?;
    let deposit = view.deposits.first().filter(|_| kind == TenderKind::Deposit);
    let held = certificate.and_then(|(_, left)| left).or(deposit.map(|deposit| deposit.left));
    let amount = if given.is_empty() { most(to_take, held) } else { amount? };
    if kind != TenderKind::Cash && amount.minor() > to_take.minor() {
        let words = format!("only {} is left to pay, and only cash gives change", to_take.shown());
        return Err(Faults::one("amount", words));
    }
    let (customer, due) = match kind {
        TenderKind::OnAccount => {
            let day = Day::parse(form.text("day")).map_err(|error| Faults::one("day", error.to_string()))?;
            (form.text("customer").to_owned(), Some(day))
        }
        _ => (String::new(), None),
    };
    let due_now = money(form.text("due"), shop.currency, "due")?;
    let left = form.text("left").parse().ok().and_then(|minor| Money::from_minor(minor, shop.currency).ok());
    let certificate = certificate.map(|(number, _)| number);
    let deposit = deposit.map(|deposit| deposit.id);
    let tender = TenderIn { kind, amount, customer, on_file: None, due, certificate, deposit };
    Ok(PayBasket { basket: view.id, due: due_now, left, tender, who: form.caller.who.clone() })
}

/// All that is left to pay, or as much of it as is left on the gift certificate or of the deposit.
fn most(to_take: Money, held: Option<Money>) -> Money {
    let left = held.filter(|left| !left.is_zero());
    left.filter(|left| left.minor() < to_take.minor()).unwrap_or(to_take)
}

fn money(text: &str, currency: Currency, field: &str) -> Result<Money, Faults> {
    Money::parse(text, currency).map_err(|error| Faults::one(field, error.to_string()))
}

/// The page again, with what was typed and its faults.
async fn again(app: &App, form: &Form, view: &BasketView, faults: Faults) -> Result<Response, Problem> {
    let kind = kind_for(&app.ledger.shop(), view, form.text("by"))?;
    let mut page = Page::of(app, &form.caller, view, kind).await?;
    page.faults = faults;
    page.typed = Typed {
        amount: form.text("amount").to_owned(),
        customer: form.text("customer").to_owned(),
        day: form.text("day").to_owned(),
        certificate: form.text("certificate").to_owned(),
    };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

/// POST /counter/{basket}/cancel-payment: back to the sale; what was taken is returned.
pub(crate) async fn cancel(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    match run_form(&app, &form, Ok(StopPaying { basket })).await? {
        Ok(_) => Ok(see_other(&format!("/counter/{basket}"))),
        Err(rejection) => redisplay(&app, &form, &SaleAt::Open(basket), rejection, None).await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_offered_above_what_is_due() {
        let check = |due: i64, expected: &[&str]| {
            let due = Money::from_minor(due, Currency::USD).expect("an amount");
            let sent: Vec<String> =
                notes(due, TenderKind::Cash).into_iter().map(|(plain, _)| plain).collect();
            assert_eq!(sent, expected, "{due}");
        };
        check(7863, &["79.00", "80.00", "100.00"]);
        check(2000, &["50.00", "100.00"]);
        check(45, &["1.00", "2.00", "5.00", "10.00"]);
        check(0, &[]);
        assert_eq!(notes(Money::zero(Currency::USD), TenderKind::Card), Vec::new());
    }
}
