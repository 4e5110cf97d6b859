//! One sale: GET /counter/sales/{sale} shows it as its receipt, POST /counter/sales/{sale}/void voids one of today.

use crate::app::App;
use crate::pages::counter::certificates::OfSale;
use crate::pages::counter::deposits::DepositRow;
use crate::pages::counter::place::{Here, Ribbon};
use crate::pages::counter::receipt::Receipt;
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::Day;
use domain::ids::SaleId;
use domain::stock::ReturnDisposition;
use ledger::Shop;
use ledger::sales::{ExchangedFor, RefundView, SaleView, VoidSale};
use serde::Deserialize;

struct Back {
    id: String,
    when: String,
    given: String,
    how: String,
    reason: String,
    open: bool,
    /// What was taken in exchange: its sale and receipt.
    exchange: Option<(String, String)>,
}

/// An unpaid amount of the sale.
struct Debt {
    tender: String,
    customer: String,
    due: String,
    left: String,
    left_plain: String,
}

#[derive(Template)]
#[template(path = "counter/sale.html")]
pub(crate) struct One {
    frame: Frame,
    id: String,
    receipt: Receipt,
    /// Where it was sold.
    ribbon: Ribbon,
    /// Where this device sells next.
    here: Ribbon,
    backs: Vec<Back>,
    debts: Vec<Debt>,
    certificates: Vec<OfSale>,
    /// Deposits that it took or was paid with.
    deposits: Vec<DepositRow>,
    just: Just,
    /// Whether its cash went into no drawer, today.
    is_uncounted: bool,
    can_give_back: bool,
    can_void: bool,
    faults: Faults,
}

/// What was done just before.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Just {
    #[serde(default)]
    just: String,
}

impl Just {
    /// The sale was completed.
    pub(crate) const RUNG_UP: &str = "rung-up";
    /// Somebody paid a sale that another device had completed.
    pub(crate) const PAID_BEFORE: &str = "paid-before";

    fn is_rung_up(&self) -> bool {
        self.just == Self::RUNG_UP
    }

    fn is_paid_before(&self) -> bool {
        self.just == Self::PAID_BEFORE
    }
}

impl One {
    async fn of(app: &App, caller: &Caller, here: &Channel, sale: &SaleView) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let left = sale.lines.iter().any(|l| l.given_back.stock_units() < l.line.quantity.stock_units());
        let today = shop.zone.day_of(sale.at) == shop.zone.day_of(app.ledger.now());
        let exchanged = app.ledger.exchanged_for(sale.id).await?;
        let live = !sale.voided && sale.receipt.is_some();
        let debts = sale.tenders.iter().filter_map(|tender| {
            let left = tender.still_owed.filter(|left| !left.is_zero() && !sale.voided)?;
            let due = tender.tender.due.map(Day::shown).unwrap_or_default();
            let (tender, customer) = (tender.id.to_string(), tender.tender.customer.clone());
            Some(Debt { tender, customer, due, left: left.shown(), left_plain: shown::plain(left) })
        });
        // What was paid on account since keeps a sale from being voided.
        let paid_since =
            sale.tenders.iter().any(|t| t.still_owed.is_some_and(|left| left != t.tender.amount));
        let receipt = Receipt::read(app, sale).await?;
        let is_uncounted = live && today && has_cash(sale) && !app.ledger.is_in_a_drawer(sale.id).await?;
        let certificates = app.ledger.certificates_of(sale.id).await?;
        let deposits = app.ledger.deposits_in(sale.id).await?;
        Ok(Self {
            is_uncounted,
            frame: Frame::new(app, caller, Room::Counter),
            id: sale.id.to_string(),
            ribbon: Ribbon::fixed(&shop, &sale.channel),
            here: Ribbon::fixed(&shop, here),
            backs: sale.refunds.iter().map(|refund| back(refund, &shop, &exchanged)).collect(),
            debts: debts.collect(),
            certificates: certificates.iter().map(|of| OfSale::of(app, caller, of)).collect(),
            deposits: deposits.iter().map(|deposit| DepositRow::of(&shop, deposit)).collect(),
            just: Just::default(),
            can_give_back: live && left,
            can_void: live
                && today
                && !paid_since
                && sale.refunds.is_empty()
                && sale.order.is_none()
                && receipt.returned.is_none(),
            receipt,
            faults: Faults::default(),
        })
    }
}

/// Whether cash of it stayed in the shop.
fn has_cash(sale: &SaleView) -> bool {
    let cash = sale.tenders.iter().filter(|t| t.tender.kind == TenderKind::Cash);
    cash.map(|t| t.tender.amount.minor()).sum::<i64>() > sale.totals.change.minor()
}

fn back(refund: &RefundView, shop: &Shop, exchanged: &[ExchangedFor]) -> Back {
    let how = refund.tenders.iter().map(|(kind, amount)| match kind {
        TenderKind::OnAccount => format!("{} off the open balance", amount.shown()),
        TenderKind::Exchange => format!("{} in exchange", amount.shown()),
        TenderKind::Deposit => format!("{} back to the deposit", amount.shown()),
        kind => format!("{} by {}", amount.shown(), shown::tender_name(*kind).to_lowercase()),
    });
    Back {
        id: refund.id.to_string(),
        when: shop.zone.shown(refund.at),
        given: refund.given.shown(),
        how: how.collect::<Vec<_>>().join(", "),
        reason: refund.reason.clone(),
        open: refund.lines.iter().any(|line| line.2 == ReturnDisposition::Open),
        exchange: exchanged
            .iter()
            .find(|one| one.refund == refund.id)
            .map(|one| (one.sale.to_string(), one.receipt.map(|r| r.to_string()).unwrap_or_default())),
    }
}

/// GET /counter/sales/{sale}
pub(crate) async fn one(
    State(app): State<App>,
    caller: Caller,
    here: Here,
    PathParam(sale): PathParam<SaleId>,
    QueryParam(just): QueryParam<Just>,
) -> Result<Response, Problem> {
    let sale = app.ledger.sale(sale).await?;
    let page = One { just, ..One::of(&app, &caller, &here.channel, &sale).await? };
    Ok(HtmlPage(page).into_response())
}

/// POST /counter/sales/{sale}/void
pub(crate) async fn void(
    State(app): State<App>,
    here: Here,
    PathParam(sale): PathParam<SaleId>,
    form: Form,
) -> Result<Response, Problem> {
    let who = form.caller.who.clone();
    let reason = form.text("reason").to_owned();
    let command = if reason.is_empty() {
        Err(Faults::one("reason", "enter the reason; it is kept in the books"))
    } else {
        Ok(VoidSale { sale, reason, who })
    };
    match run_form(&app, &form, command).await? {
        Ok(()) => Ok(see_other(&format!("/counter/sales/{sale}"))),
        Err(wrong) => {
            let faults = wrong.faults(&app);
            let page = One {
                faults,
                ..One::of(&app, &form.caller, &here.channel, &app.ledger.sale(sale).await?).await?
            };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}
