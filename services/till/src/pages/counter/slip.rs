//! A slip as the page shows it; GET /counter/{basket}/slip returns it alone, to replace the one on the page.

use crate::app::App;
use crate::pages::counter::place::Ribbon;
use crate::pages::counter::{undo, words};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::{symbol, terms_words};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::basket::{Given, LineKind, TenderKind, still_due};
use domain::day::Moment;
use domain::discount::Off;
use domain::ids::BasketId;
use domain::money::Money;
use domain::refund::next_cash_back;
use domain::stock::ItemKind;
use ledger::Shop;
use ledger::sales::{BasketLineView, BasketState, BasketView};

pub(crate) struct Discounted {
    pub(crate) typed: String,
    pub(crate) words: String,
    pub(crate) amount: String,
    pub(crate) reason: String,
}

impl Discounted {
    fn of(off: Off, amount: Money, reason: &str) -> Self {
        Self { typed: off.to_string(), words: off.shown(), amount: amount.shown(), reason: reason.to_owned() }
    }
}

/// A form of the sale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SlipForm {
    Line(u32),
    /// The discount on the whole sale.
    Whole,
    Hold,
}

/// A form that was refused, with what was typed.
pub(crate) struct Typed {
    form: SlipForm,
    pub(crate) quantity: String,
    pub(crate) off: String,
    pub(crate) reason: String,
    pub(crate) customer: String,
    pub(crate) until: String,
}

impl Typed {
    pub(crate) fn of(form: &Form) -> Option<Self> {
        let which = if form.has("forWhom") {
            SlipForm::Hold
        } else if form.text("do") == "whole" {
            SlipForm::Whole
        } else {
            SlipForm::Line(form.text("line").parse().ok()?)
        };
        let text = |name: &str| form.text(name).to_owned();
        Some(Self {
            form: which,
            quantity: text("quantity"),
            off: text("off"),
            reason: text("reason"),
            customer: text("forWhom"),
            until: text("until"),
        })
    }
}

pub(crate) struct SlipLine {
    pub(crate) number: u32,
    pub(crate) title: String,
    pub(crate) code: String,
    pub(crate) calculation: String,
    pub(crate) amount: String,
    pub(crate) off: Option<Discounted>,
    /// Who has it, if it is no longer available.
    pub(crate) gone: Option<String>,
    /// The contents of the quantity field; none if there can be only one.
    pub(crate) quantity: Option<String>,
    pub(crate) unit: &'static str,
    pub(crate) is_goods: bool,
}

/// Goods by weight that were scanned and need a weight.
pub(crate) struct Weigh {
    pub(crate) code: String,
    pub(crate) title: String,
    pub(crate) unit: &'static str,
    pub(crate) price: String,
}

/// A line that is brought back in exchange.
pub(crate) struct ReturnLine {
    pub(crate) title: String,
    pub(crate) quantity: String,
    pub(crate) amount: String,
}

/// What is left between what is taken and what is brought back.
pub(crate) struct Sum {
    /// `Total`, `Amount due` or `Pay back`.
    pub(crate) name: &'static str,
    pub(crate) amount: String,
}

/// A customer on file, for whom the sale is.
pub(crate) struct OnFile {
    pub(crate) id: String,
    /// Wholesale, tax-exempt; empty for most.
    pub(crate) terms: String,
}

impl OnFile {
    fn of(view: &BasketView) -> Option<Self> {
        let customer = view.customer.as_ref()?;
        let terms = terms_words(customer.terms.wholesale, customer.terms.exemption.is_some());
        Some(Self { id: customer.on_file?.to_string(), terms })
    }
}

pub(crate) struct Slip {
    /// Its address; `/counter` before it is started.
    pub(crate) path: String,
    /// Its identifier; empty before it is started.
    pub(crate) id: String,
    pub(crate) ribbon: Ribbon,
    pub(crate) revision: i64,
    pub(crate) pulse: String,
    pub(crate) lines: Vec<SlipLine>,
    pub(crate) gone: Vec<u32>,
    pub(crate) off: Option<Discounted>,
    pub(crate) returns: Vec<ReturnLine>,
    /// What of it lowers the open balance of its sale.
    pub(crate) lowers: Option<String>,
    pub(crate) sum: Sum,
    /// The total in cash, if it differs.
    pub(crate) in_cash: Option<String>,
    /// What deposits can pay of it, and what is then left to pay.
    pub(crate) by_deposit: Option<(String, String)>,
    pub(crate) customer: String,
    /// Of a customer on file, with their terms in words.
    pub(crate) on_file: Option<OnFile>,
    pub(crate) paying: bool,
    pub(crate) can_undo: bool,
    /// What was undone by the last change, in words.
    pub(crate) undone: Option<String>,
    pub(crate) symbol: String,
    pub(crate) ways: Vec<(&'static str, &'static str)>,
    pub(crate) weigh: Option<Weigh>,
    pub(crate) typed: Option<Typed>,
    pub(crate) faults: Faults,
}

impl Slip {
    /// Before the first scan.
    pub(crate) fn empty(shop: &Shop, ribbon: Ribbon) -> Self {
        Self {
            path: "/counter".to_owned(),
            id: String::new(),
            ribbon,
            revision: 0,
            pulse: String::new(),
            lines: Vec::new(),
            gone: Vec::new(),
            off: None,
            returns: Vec::new(),
            lowers: None,
            sum: Sum { name: "Total", amount: Money::zero(shop.currency).shown() },
            in_cash: None,
            by_deposit: None,
            customer: String::new(),
            on_file: None,
            paying: false,
            can_undo: false,
            undone: None,
            symbol: symbol(&shop.currency).to_owned(),
            ways: words::ways(shop),
            weigh: None,
            typed: None,
            faults: Faults::default(),
        }
    }

    pub(crate) fn of(
        shop: &Shop,
        ribbon: Ribbon,
        view: &BasketView,
        pulse: String,
        now: Moment,
    ) -> Result<Self, Problem> {
        let cash = left(shop, view, TenderKind::Cash)?;
        Ok(Self {
            path: format!("/counter/{}", view.id),
            id: view.id.to_string(),
            ribbon,
            revision: view.revision,
            pulse,
            lines: view.lines.iter().map(|line| in_words(shop, line, now)).collect(),
            gone: view.lines.iter().filter(|line| line.gone.is_some()).map(|line| line.number).collect(),
            off: view.off.map(|off| Discounted::of(off, view.discount, &view.off_reason)),
            returns: returns(view),
            lowers: lowers(view)?,
            sum: sum(shop, view)?,
            in_cash: (cash != left(shop, view, TenderKind::Card)?).then(|| cash.shown()),
            by_deposit: by_deposit(shop, view)?,
            customer: view.customer.as_ref().map(|customer| customer.name.clone()).unwrap_or_default(),
            on_file: OnFile::of(view),
            paying: view.paying,
            can_undo: view.can_undo,
            undone: view.undone.as_ref().map(undo::words),
            symbol: symbol(&shop.currency).to_owned(),
            ways: ways(shop, view)?,
            weigh: None,
            typed: None,
            faults: Faults::default(),
        })
    }

    fn typed(&self, form: SlipForm) -> Option<&Typed> {
        self.typed.as_ref().filter(|typed| typed.form == form)
    }

    /// What was typed for this line and refused.
    #[expect(clippy::trivially_copy_pass_by_ref, reason = "a template passes a reference")]
    pub(crate) fn typed_at(&self, line: &u32) -> Option<&Typed> {
        self.typed(SlipForm::Line(*line))
    }

    /// What was typed for the whole sale and refused.
    pub(crate) fn typed_whole(&self) -> Option<&Typed> {
        self.typed(SlipForm::Whole)
    }

    /// What was typed to put the sale on hold and refused.
    pub(crate) fn typed_hold(&self) -> Option<&Typed> {
        self.typed(SlipForm::Hold)
    }

    pub(crate) fn has_goods(&self) -> bool {
        self.lines.iter().any(|line| line.is_goods)
    }
}

fn returns(view: &BasketView) -> Vec<ReturnLine> {
    let line = |line: &ledger::sales::Returned| ReturnLine {
        title: line.title.clone(),
        quantity: line.quantity.to_string(),
        amount: line.amount.shown(),
    };
    view.returns.iter().flat_map(|returns| &returns.lines).map(line).collect()
}

fn lowers(view: &BasketView) -> Result<Option<String>, Problem> {
    let Some(returns) = &view.returns else { return Ok(None) };
    let all = Money::sum(returns.lines.iter().map(|line| line.amount), returns.credit.currency());
    let lowers = all.and_then(|all| all.minus(returns.credit));
    let lowers = lowers.map_err(|error| Problem::invalid("#/amount", error))?;
    Ok((!lowers.is_zero()).then(|| lowers.shown()))
}

fn sum(shop: &Shop, view: &BasketView) -> Result<Sum, Problem> {
    let back = paid_back(shop, view, TenderKind::Card)?;
    Ok(match (&view.returns, back.is_zero()) {
        (None, _) => Sum { name: "Total", amount: view.due.shown() },
        (Some(_), false) => Sum { name: "Pay back", amount: back.shown() },
        (Some(_), true) => Sum { name: "Amount due", amount: left(shop, view, TenderKind::Card)?.shown() },
    })
}

/// The customer's deposits for this come first, then the shop's tenders; on account only if something is left to pay.
fn ways(shop: &Shop, view: &BasketView) -> Result<Vec<(&'static str, &'static str)>, Problem> {
    let is_paid = view.returns.is_some() && left(shop, view, TenderKind::OnAccount)?.is_zero();
    let all = words::ways_of(shop, view).into_iter();
    Ok(all.filter(|(code, _)| !is_paid || *code != TenderKind::OnAccount.code()).collect())
}

/// What deposits can pay of what is left, and what is left after that.
pub(crate) fn by_deposit(shop: &Shop, view: &BasketView) -> Result<Option<(String, String)>, Problem> {
    let wrong = |error| Problem::invalid("#/amount", error);
    let usable =
        Money::sum(view.deposits.iter().map(|deposit| deposit.left), shop.currency).map_err(wrong)?;
    let left = left(shop, view, TenderKind::Deposit)?;
    if usable.is_zero() || left.minor() <= 0 {
        return Ok(None);
    }
    let paid = if usable.minor() < left.minor() { usable } else { left };
    Ok(Some((paid.shown(), left.minus(paid).map_err(wrong)?.shown())))
}

/// What of the total is covered by what is brought back.
fn covered(view: &BasketView) -> Option<Money> {
    let credit = view.returns.as_ref()?.credit;
    Some(if credit.minor() < view.due.minor() { credit } else { view.due })
}

/// What is paid back with this tender in an exchange for something cheaper.
pub(crate) fn paid_back(shop: &Shop, view: &BasketView, kind: TenderKind) -> Result<Money, Problem> {
    let wrong = |error| Problem::invalid("#/amount", error);
    let none = Money::zero(shop.currency);
    let (Some(returns), Some(covered)) = (&view.returns, covered(view)) else { return Ok(none) };
    let back = returns.credit.minus(covered).map_err(wrong)?;
    if kind != TenderKind::Cash {
        return Ok(back);
    }
    next_cash_back(back, &returns.cash_before, shop.cash_rounding).map_err(wrong)
}

/// What is left to pay before cash rounding, and below 0 if it is paid back.
pub(crate) fn left_exactly(view: &BasketView) -> Option<Money> {
    let taken = view.tenders.iter().map(|tender| tender.amount);
    let credit = view.returns.iter().map(|returns| returns.credit);
    view.due.minus(Money::sum(taken.chain(credit), view.due.currency()).ok()?).ok()
}

/// What is left to pay with this tender.
pub(crate) fn left(shop: &Shop, view: &BasketView, kind: TenderKind) -> Result<Money, Problem> {
    let exchanged = covered(view).map(|covered| (TenderKind::Exchange, covered));
    let taken = view.tenders.iter().map(|t| (t.kind, t.amount));
    let given: Vec<Given> = exchanged.into_iter().chain(taken).collect();
    still_due(view.due, &given, kind, shop.cash_rounding).map_err(|error| Problem::invalid("#/amount", error))
}

fn in_words(shop: &Shop, line: &BasketLineView, now: Moment) -> SlipLine {
    let unit = line.asked.and_then(|(_, unit)| unit).or(match line.quantity.measure() {
        domain::quantity::Measure::Units => None,
        domain::quantity::Measure::Thousandths(unit) => Some(unit),
    });
    let single = line.kind != LineKind::Goods || line.item_kind == Some(ItemKind::Piece);
    let quantity = line.asked.filter(|_| !single).map(|(value, _)| value.normalize().to_string());
    SlipLine {
        number: line.number,
        title: line.title.clone(),
        code: line.code.clone(),
        calculation: calculation(line),
        amount: line.amount.shown(),
        off: line.off.map(|off| Discounted::of(off, line.discount, &line.reason)),
        gone: line.gone.as_ref().map(|rejection| words::gone(shop, rejection, now)),
        quantity,
        unit: unit.map_or("", domain::weight::WeightUnit::symbol),
        is_goods: line.kind == LineKind::Goods,
    }
}

/// How a line's amount was calculated.
fn calculation(line: &BasketLineView) -> String {
    match (line.kind, line.item_kind) {
        (LineKind::GiftCertificate, _) => "gift certificate: paid now, spent later".to_owned(),
        (LineKind::Deposit, _) => "deposit: paid now, and used when this is collected".to_owned(),
        (LineKind::Goods, Some(ItemKind::Weight)) => {
            let asked =
                line.asked.and_then(|(value, unit)| Some(format!("{} {} = ", value.normalize(), unit?)));
            let each = match line.quantity.measure() {
                domain::quantity::Measure::Thousandths(unit) => unit.each(),
                domain::quantity::Measure::Units => "",
            };
            format!("{}{} at {} {each}", asked.unwrap_or_default(), line.quantity, line.price.shown())
        }
        (LineKind::Goods, Some(ItemKind::Counted)) => format!("{} at {}", line.quantity, line.price.shown()),
        (LineKind::Goods, _) => match (line.weight, line.rate) {
            (Some(weight), Some(rate)) => {
                let way = format!("{weight} at {}", rate.words(line.price.currency()));
                // Ended, raised to a minimum, or with extras: the way must arrive at the price.
                match rate.times(weight, line.price.currency()) {
                    Ok(by_weight) if by_weight != line.price => {
                        format!("{way} = {}, priced at {}", by_weight.shown(), line.price.shown())
                    }
                    _ => way,
                }
            }
            (Some(weight), None) => weight.to_string(),
            (None, _) => line.color.clone(),
        },
    }
}

#[derive(Template)]
#[template(path = "counter/slip_alone.html")]
pub(crate) struct SlipAlone {
    pub(crate) frame: Frame,
    pub(crate) slip: Slip,
}

/// Reads an open slip, in words.
pub(crate) async fn read(
    app: &App,
    caller: &Caller,
    basket: BasketId,
) -> Result<Result<Slip, Response>, Problem> {
    // The version is read first: a change in between is then noticed.
    let pulse = app.ledger.basket_pulse(basket).await?.to_string();
    let view = app.ledger.basket(basket).await?;
    if let Some(sale) = view.sale {
        return Ok(Err(see_other(&format!("/counter/sales/{sale}"))));
    }
    if view.state != BasketState::Open {
        return Ok(Err(see_other("/counter")));
    }
    let ribbon = Ribbon::of(app, caller, &view.channel).await?;
    Slip::of(&app.ledger.shop(), ribbon, &view, pulse, app.ledger.now()).map(Ok)
}

/// GET /counter/{basket}/slip
pub(crate) async fn alone(
    State(app): State<App>,
    caller: Caller,
    PathParam(basket): PathParam<BasketId>,
) -> Result<Response, Problem> {
    let slip = match read(&app, &caller, basket).await? {
        Ok(slip) => slip,
        Err(elsewhere) => return Ok(elsewhere),
    };
    Ok(answer(&app, &caller, slip))
}

/// The slip alone, with the status of its faults.
pub(crate) fn answer(app: &App, caller: &Caller, slip: Slip) -> Response {
    let status = if slip.faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    (status, HtmlPage(SlipAlone { frame: Frame::new(app, caller, Room::Counter), slip })).into_response()
}
