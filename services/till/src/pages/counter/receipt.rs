//! A receipt as values, for its page, its print, its file and its e-mail draft.

use crate::app::App;
use crate::images::barcode;
use crate::pages::shown::{channel_name, tender_name, terms_words, void_words};
use crate::problem::Problem;
use domain::basket::{LineKind, TenderKind};
use domain::money::Money;
use domain::quantity::Measure;
use domain::receipt::ReceiptCode;
use ledger::Shop;
use ledger::sales::{Exchange, SaleCustomer, SaleView, SoldLine};

/// Where what was brought back went if its sale was not paid.
const LOWERS: &str = "Lowers the open balance";

pub(crate) struct Line {
    pub(crate) title: String,
    /// How much it is and how its price came about, with its code.
    pub(crate) calculation: String,
    pub(crate) amount: String,
    pub(crate) off: Option<String>,
    pub(crate) back: Option<String>,
}

/// What was brought back in exchange.
pub(crate) struct ReturnedShown {
    /// The sale that it was sold in, and its receipt.
    pub(crate) sale: String,
    pub(crate) receipt: String,
    pub(crate) lines: Vec<(String, String)>,
    /// What of it lowered the open balance of that sale.
    pub(crate) lowers: Vec<(&'static str, String)>,
    /// How the rest was paid back.
    pub(crate) back: Vec<(String, String)>,
}

impl ReturnedShown {
    fn of(exchange: &Exchange) -> Self {
        let back = |(kind, amount): (TenderKind, Money)| {
            (format!("Paid back: {}", tender_name(kind)), amount.shown())
        };
        Self {
            sale: exchange.sale.to_string(),
            receipt: exchange.receipt.map(|r| r.to_string()).unwrap_or_default(),
            lines: exchange
                .lines
                .iter()
                .map(|l| (l.title.clone(), format!("-{}", l.amount.shown())))
                .collect(),
            lowers: exchange.lowered().map(|amount| (LOWERS, amount.shown())).collect(),
            back: exchange.paid_back().map(back).collect(),
        }
    }
}

/// What stands on every paper of the shop: above its lines the head, below them the foot.
pub(crate) struct Letterhead {
    pub(crate) shop: String,
    pub(crate) address: Vec<String>,
    pub(crate) note: Vec<String>,
    pub(crate) return_policy: Vec<String>,
}

impl Letterhead {
    pub(crate) fn of(shop: &Shop) -> Self {
        let lines = |text: &str| text.lines().map(str::to_owned).collect();
        Self {
            shop: shop.name.clone(),
            address: lines(&shop.receipt.address),
            note: lines(&shop.receipt.note),
            return_policy: lines(&shop.receipt.return_policy),
        }
    }
}

pub(crate) struct Receipt {
    pub(crate) head: Letterhead,
    pub(crate) number: String,
    /// The code that finds it again when scanned; none for a past sale.
    pub(crate) code: Option<ReceiptCode>,
    pub(crate) when: String,
    pub(crate) place: String,
    pub(crate) who: String,
    pub(crate) order: Option<String>,
    /// For whom it was rung up, with their terms; empty for nobody in particular.
    pub(crate) customer: String,
    pub(crate) lines: Vec<Line>,
    /// Tax, shipping and rounding, where there are any.
    pub(crate) more: Vec<(&'static str, String)>,
    pub(crate) due: String,
    pub(crate) tenders: Vec<(String, String)>,
    pub(crate) change: Option<String>,
    /// What was brought back in exchange.
    pub(crate) returned: Option<ReturnedShown>,
    pub(crate) note: String,
    /// Who voided it, when and why.
    pub(crate) voided: Option<String>,
}

impl Receipt {
    pub(crate) async fn read(app: &App, sale: &SaleView) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let voided = void_of(app, &shop, sale).await?;
        let returned = app.ledger.exchange_of(sale.id).await?.as_ref().map(ReturnedShown::of);
        Ok(Self { returned, voided, ..Self::of(&shop, sale) })
    }

    fn of(shop: &Shop, sale: &SaleView) -> Self {
        let totals = &sale.totals;
        let some = |name: &'static str, amount: Money| (!amount.is_zero()).then(|| (name, amount.shown()));
        let more = [
            some("Sales tax", totals.tax),
            some("Shipping", totals.shipping),
            some("Cash rounding", totals.rounding),
        ];
        Self {
            head: Letterhead::of(shop),
            number: sale.receipt.map(|r| r.to_string()).unwrap_or_default(),
            code: sale.receipt.map(ReceiptCode::of),
            when: shop.zone.shown(sale.at),
            place: channel_name(shop, &sale.channel),
            who: sale.who.clone(),
            order: sale.order.clone(),
            customer: sale.customer.as_ref().map(customer_words).unwrap_or_default(),
            lines: sale.lines.iter().map(line).collect(),
            more: more.into_iter().flatten().collect(),
            due: totals.due.shown(),
            tenders: sale.tenders.iter().map(|t| tender(&t.tender)).collect(),
            change: (!totals.change.is_zero()).then(|| totals.change.shown()),
            returned: None,
            note: sale.note.clone(),
            voided: None,
        }
    }

    /// The bars of its code.
    pub(crate) fn bars(&self) -> Option<String> {
        self.code.and_then(barcode::receipt)
    }
}

/// Who voided a sale, when and why; none if nobody did.
pub(crate) async fn void_of(app: &App, shop: &Shop, sale: &SaleView) -> Result<Option<String>, Problem> {
    if !sale.voided {
        return Ok(None);
    }
    Ok(app.ledger.void_of(sale.id).await?.map(|voided| void_words(shop, &voided)))
}

fn line(sold: &SoldLine) -> Line {
    let SoldLine { line, given_back, .. } = sold;
    Line {
        title: line.title.clone(),
        calculation: match line.kind {
            LineKind::Goods => goods(sold),
            LineKind::GiftCertificate | LineKind::Deposit => String::new(),
        },
        amount: line.money.amount.shown(),
        off: (!line.money.discount.is_zero()).then(|| line.money.discount.shown()),
        back: (given_back.stock_units() > 0).then(|| format!("{given_back} refunded")),
    }
}

/// `6.35 oz × $7.50 an ounce = $47.63, rounded to $48.00 · MOOR-1`, or as much of it as the sale kept.
fn goods(sold: &SoldLine) -> String {
    let line = &sold.line;
    let is_one = line.quantity.stock_units() == 1 && line.quantity.measure() == Measure::Units;
    let how = match (sold.weighed, line.quantity.measure()) {
        (Some(weighed), _) if is_one && line.money.amount == line.price => {
            weighed.pricing.map_or_else(|| weighed.weight.to_string(), |p| p.calculation.shown())
        }
        (_, Measure::Units) if is_one && line.money.amount == line.price => String::new(),
        (_, Measure::Units) => format!("{} at {}", line.quantity, line.price.shown()),
        (_, Measure::Thousandths(unit)) => {
            format!("{} at {} {}", line.quantity, line.price.shown(), unit.each())
        }
    };
    let parts = [how, line.code.clone()];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" · ")
}

/// The customer's name and terms, as far as they are known.
fn customer_words(customer: &SaleCustomer) -> String {
    let terms = terms_words(customer.is_wholesale, customer.is_tax_exempt);
    let parts = [customer.name.as_str(), terms.as_str()];
    let parts: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    if parts.is_empty() { String::new() } else { format!("For {}", parts.join(", ")) }
}

fn tender(tender: &ledger::sales::TenderIn) -> (String, String) {
    let name = tender_name(tender.kind);
    let name = match (tender.kind, tender.due) {
        (TenderKind::OnAccount, Some(due)) if tender.customer.is_empty() => {
            format!("On account, due {}", due.shown())
        }
        (TenderKind::OnAccount, Some(due)) => format!("On account: {}, due {}", tender.customer, due.shown()),
        _ => name.to_owned(),
    };
    (name, tender.amount.shown())
}
