//! Refunds: GET and POST /counter/sales/{sale}/refund

use crate::app::App;
use crate::pages::counter::place::Here;
use crate::pages::counter::run_form;
use crate::pages::counter::words::Wrong;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::tender_name;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use crate::security::random;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::account::AccountReason;
use domain::basket::{LineKind, TenderKind};
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::ids::SaleId;
use domain::money::{Currency, Money};
use domain::quantity::{Asked, Measure, Quantity, QuantityError};
use domain::stock::ReturnDisposition;
use ledger::sales::{
    CertificateView, NewRefund, RefundLine, RefundOf, RefundTender, SaleView, SoldLine, StartExchange,
};

/// How money can be refunded; the unpaid amount is always lowered first.
const WAYS: [TenderKind; 5] =
    [TenderKind::Cash, TenderKind::Card, TenderKind::GiftCertificate, TenderKind::Check, TenderKind::Other];

/// A line of which something can still be refunded.
struct Line {
    id: String,
    title: String,
    left: String,
    unit: String,
    money: String,
    is_goods: bool,
    typed: String,
    fate: &'static str,
}

#[derive(Template)]
#[template(path = "counter/refund.html")]
pub(crate) struct Page {
    frame: Frame,
    id: String,
    receipt: String,
    lines: Vec<Line>,
    shipping: bool,
    typed_shipping: String,
    ways: Vec<(String, String, bool)>,
    owed: Option<String>,
    /// What deposits paid of it and did not get back yet.
    by_deposit: Option<String>,
    reason: String,
    faults: Faults,
}

fn left(sold: &SoldLine) -> Option<Quantity> {
    let stock_units = sold.line.quantity.stock_units() - sold.given_back.stock_units();
    Quantity::from_stock_units(stock_units, sold.line.quantity.measure()).ok().filter(|q| q.stock_units() > 0)
}

/// The certificates that paid for the sale. What is refunded goes back on them unless somebody chooses otherwise.
pub(crate) async fn paid_with(app: &App, sale: SaleId) -> Result<Vec<CertificateView>, Problem> {
    let all = app.ledger.certificates_of(sale).await?;
    let spent = all.into_iter().filter(|of| of.reason == AccountReason::Spent).map(|of| of.certificate);
    let mut certificates: Vec<CertificateView> = spent.collect();
    certificates.dedup_by_key(|certificate| certificate.id);
    Ok(certificates)
}

/// What the field says for a certificate that exists.
fn way_of(certificate: &CertificateView) -> String {
    format!("{}.{}", TenderKind::GiftCertificate.code(), certificate.id)
}

/// The first way that the sale was paid, apart from certificates, on which what they paid goes back.
fn first_way(sale: &SaleView) -> Option<TenderKind> {
    let kinds = sale.tenders.iter().map(|tender| tender.tender.kind);
    kinds.into_iter().find(|kind| *kind != TenderKind::GiftCertificate && WAYS.contains(kind))
}

/// The first way is offered first: any other may need somebody with more rights.
pub(crate) fn ways(
    first: Option<TenderKind>,
    certificates: &[CertificateView],
    by: &str,
) -> Vec<(String, String, bool)> {
    let mut kinds = WAYS.to_vec();
    kinds.sort_by_key(|kind| Some(*kind) != first);
    let back = |certificate: &CertificateView| {
        (way_of(certificate), format!("Back on gift certificate …{}", certificate.number.last_four()))
    };
    let plain = |kind: TenderKind| match kind {
        TenderKind::GiftCertificate => (kind.code().to_owned(), "New gift certificate".to_owned()),
        _ => (kind.code().to_owned(), tender_name(kind).to_owned()),
    };
    let all = certificates.iter().map(back).chain(kinds.into_iter().map(plain));
    all.map(|(code, name)| {
        let is_here = code == by;
        (code, name, is_here)
    })
    .collect()
}

impl Page {
    async fn of(app: &App, caller: &Caller, sale: &SaleView, form: Option<&Form>) -> Result<Self, Problem> {
        let currency = app.ledger.shop().currency;
        let typed = |name: &str| form.map(|f| f.text(name).to_owned()).unwrap_or_default();
        let certificates = paid_with(app, sale.id).await?;
        let owed = Money::sum(sale.tenders.iter().filter_map(|t| t.still_owed), currency).ok();
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            id: sale.id.to_string(),
            receipt: sale.receipt.map(|r| r.to_string()).unwrap_or_default(),
            lines: lines(sale, form),
            shipping: !sale.totals.shipping.is_zero(),
            typed_shipping: typed("shipping"),
            ways: ways(first_way(sale), &certificates, &typed("by")),
            owed: owed.filter(|owed| !owed.is_zero()).map(Money::shown),
            by_deposit: by_deposit(sale, currency).map(Money::shown),
            reason: typed("reason"),
            faults: Faults::default(),
        })
    }
}

/// What deposits paid of a sale and did not get back yet, if it is something: a refund goes there first.
fn by_deposit(sale: &SaleView, currency: Currency) -> Option<Money> {
    let paid = sale.tenders.iter().map(|tender| (tender.tender.kind, tender.tender.amount));
    let back = sale.refunds.iter().flat_map(|refund| refund.tenders.iter().copied());
    let sum = |of: &mut dyn Iterator<Item = (TenderKind, Money)>| {
        let deposits = of.filter(|(kind, _)| *kind == TenderKind::Deposit).map(|(_, amount)| amount);
        Money::sum(deposits, currency).ok()
    };
    let left = sum(&mut paid.into_iter())?.minus(sum(&mut back.into_iter())?).ok()?;
    Some(left).filter(|left| !left.is_zero())
}

/// What can still be refunded. If it is one thing, that is what was brought.
fn lines(sale: &SaleView, form: Option<&Form>) -> Vec<Line> {
    let mut lines: Vec<Line> = sale.lines.iter().filter_map(|sold| line(sold, form)).collect();
    if let ([only], None) = (lines.as_mut_slice(), form)
        && only.left == "1"
    {
        only.typed = only.left.clone();
    }
    lines
}

fn line(sold: &SoldLine, form: Option<&Form>) -> Option<Line> {
    let quantity = left(sold)?;
    let line = &sold.line;
    let money = line.money.amount.minus(line.money.discount).and_then(|m| m.plus(line.money.tax)).ok()?;
    let fate = form
        .and_then(|f| ReturnDisposition::from_code(f.text(&format!("fate.{}", line.id))))
        .unwrap_or(ReturnDisposition::Shelf);
    Some(Line {
        id: line.id.to_string(),
        title: line.title.clone(),
        left: quantity.value().normalize().to_string(),
        unit: match quantity.measure() {
            Measure::Units => String::new(),
            Measure::Thousandths(unit) => unit.symbol().to_owned(),
        },
        money: money.shown(),
        is_goods: line.kind == LineKind::Goods && !line.code.is_empty(),
        typed: form.map(|f| f.text(&format!("refund.{}", line.id)).to_owned()).unwrap_or_default(),
        fate: fate.code(),
    })
}

/// GET /counter/sales/{sale}/refund
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(sale): PathParam<SaleId>,
) -> Result<Response, Problem> {
    let sale = app.ledger.sale(sale).await?;
    Ok(HtmlPage(Page::of(&app, &caller, &sale, None).await?).into_response())
}

/// POST /counter/sales/{sale}/refund: lines or parts of them, or everything that is left; or they are brought
/// back in exchange for something else.
pub(crate) async fn refund(
    State(app): State<App>,
    here: Here,
    PathParam(sale): PathParam<SaleId>,
    form: Form,
) -> Result<Response, Problem> {
    let view = app.ledger.sale(sale).await?;
    let currency = app.ledger.shop().currency;
    let done = if form.text("do") == "exchange" {
        let command = read_exchange(&view, &form, here.channel, currency);
        run_form(&app, &form, command).await?.map(|basket| format!("/counter/{basket}"))
    } else {
        let certificates = paid_with(&app, sale).await?;
        let refund = read(&view, &form, currency, &certificates);
        run_form(&app, &form, refund).await?.map(|_| format!("/counter/sales/{sale}"))
    };
    match done {
        Ok(path) => Ok(see_other(&path)),
        Err(rejection) => wrong(&app, &form, &app.ledger.sale(sale).await?, rejection).await,
    }
}

/// The reason for an exchange if none was typed.
const EXCHANGE: &str = "Exchange";
const NOT_EXCHANGED: &str = "shipping is refunded with a plain refund, not with an exchange; leave this empty, and refund the shipping by \
    itself before or after";

/// Shipping was for the goods that were sent; what is taken instead does not undo it.
fn read_exchange(
    sale: &SaleView,
    form: &Form,
    channel: Channel,
    currency: Currency,
) -> Result<StartExchange, Faults> {
    if !read_shipping(form, currency)?.is_zero() {
        return Err(Faults::one("shipping", NOT_EXCHANGED));
    }
    let lines = read_lines(sale, form, false)?;
    if lines.is_empty() {
        return Err(Faults::one("lines", "enter a quantity for at least one item"));
    }
    let reason = if form.text("reason").is_empty() { EXCHANGE } else { form.text("reason") }.to_owned();
    Ok(StartExchange { sale: sale.id, lines, reason, channel, who: form.caller.who.clone() })
}

fn read_lines(sale: &SaleView, form: &Form, everything: bool) -> Result<Vec<RefundLine>, Faults> {
    let mut lines = Vec::new();
    for sold in sale.lines.iter().filter(|sold| left(sold).is_some()) {
        let id = sold.line.id;
        let typed = form.text(&format!("refund.{id}"));
        if typed.is_empty() && !everything {
            continue;
        }
        let wrong = |error: QuantityError| Faults::one(&sold.line.title, error.to_string());
        let what = if everything {
            RefundOf::Rest
        } else {
            RefundOf::Goods(Asked::parse(typed, None).map_err(wrong)?)
        };
        // Something that is not a stock item cannot be returned to stock.
        let goods = sold.line.kind == LineKind::Goods && !sold.line.code.is_empty();
        let fate =
            ReturnDisposition::from_code(form.text(&format!("fate.{id}"))).unwrap_or(ReturnDisposition::Open);
        lines.push(RefundLine { line: id, what, fate: if goods { fate } else { ReturnDisposition::Open } });
    }
    Ok(lines)
}

fn read_shipping(form: &Form, currency: Currency) -> Result<Money, Faults> {
    match form.text("shipping") {
        "" => Ok(Money::zero(currency)),
        text => Money::parse(text, currency).map_err(|error| Faults::one("shipping", error.to_string())),
    }
}

/// How the money is returned, and the gift certificate that gets it: one that paid for the sale, or a new one.
pub(crate) fn way(
    by: &str,
    certificates: &[CertificateView],
) -> Result<(TenderKind, Option<CertificateNumber>), Faults> {
    if let Some(certificate) = certificates.iter().find(|certificate| way_of(certificate) == by) {
        return Ok((TenderKind::GiftCertificate, Some(certificate.number)));
    }
    let kind = TenderKind::from_code(by).filter(|kind| WAYS.contains(kind));
    let kind = kind.ok_or_else(|| Faults::one("by", "choose how the money is refunded"))?;
    let is_new = kind == TenderKind::GiftCertificate;
    Ok((kind, is_new.then(random::certificate_number)))
}

fn read(
    sale: &SaleView,
    form: &Form,
    currency: Currency,
    certificates: &[CertificateView],
) -> Result<NewRefund, Faults> {
    let lines = read_lines(sale, form, form.text("do") == "all")?;
    let shipping = read_shipping(form, currency)?;
    if lines.is_empty() && shipping.is_zero() {
        return Err(Faults::one("lines", "enter a quantity for at least one item"));
    }
    if form.text("reason").is_empty() {
        return Err(Faults::one("reason", "enter the reason for the refund"));
    }
    let (kind, certificate) = way(form.text("by"), certificates)?;
    Ok(NewRefund {
        sale: sale.id,
        lines,
        fate: ReturnDisposition::Open,
        shipping,
        tender: RefundTender::All(kind),
        certificate,
        reason: form.text("reason").to_owned(),
        who: form.caller.who.clone(),
    })
}

async fn wrong(app: &App, form: &Form, sale: &SaleView, wrong: Wrong) -> Result<Response, Problem> {
    let faults = wrong.faults(app);
    let page = Page { faults, ..Page::of(app, &form.caller, sale, Some(form)).await? };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}
