//! Sales.

pub(crate) mod by_id;
pub(crate) mod get;
pub(crate) mod post;
pub(crate) mod text;

use crate::api::shown;
use domain::basket::Totals;
use ledger::sales::{RefundView, SaleCustomer, SaleLine, SaleView, SoldLine, Tender};
use serde::Serialize;
use utoipa::ToSchema;

/// A sale, as booked.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct SaleShown {
    id: String,
    /// Null for a past sale from another system.
    receipt: Option<String>,
    channel: String,
    at: String,
    /// The order that it came in as.
    order: Option<String>,
    voided: bool,
    /// For whom it was rung up; null for nobody in particular.
    customer: Option<SaleCustomerShown>,
    totals: TotalsShown,
    /// The change that was handed back.
    change: String,
    note: String,
    who: String,
    lines: Vec<SoldLineShown>,
    tenders: Vec<TenderShown>,
    refunds: Vec<RefundShown>,
}

/// Whom a sale was rung up for, with the terms at that time.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct SaleCustomerShown {
    /// Null for a name that was only typed.
    id: Option<String>,
    /// Empty once they are erased.
    name: String,
    wholesale: bool,
    tax_exempt: bool,
}

impl From<SaleCustomer> for SaleCustomerShown {
    fn from(customer: SaleCustomer) -> Self {
        Self {
            id: customer.on_file.map(|id| id.to_string()),
            name: customer.name,
            wholesale: customer.is_wholesale,
            tax_exempt: customer.is_tax_exempt,
        }
    }
}

/// lines − discounts + tax + shipping + rounding = due = tendered − change.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TotalsShown {
    lines: String,
    discounts: String,
    tax: String,
    shipping: String,
    /// What cash rounding added, or took if below 0.
    rounding: String,
    due: String,
    tendered: String,
}

/// A line of a sale, as it was at the time.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct LineShown {
    /// The identifier for refunds.
    id: String,
    /// goods, gift-certificate or deposit.
    kind: &'static str,
    sku: String,
    title: String,
    quantity: String,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
    price: String,
    amount: String,
    /// Its own discount and its share of the sale's.
    discount: String,
    tax: String,
}

/// A line of a sale, and what was refunded of it.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct SoldLineShown {
    #[serde(flatten)]
    line: LineShown,
    /// A piece's weight as the scale showed it; null for past sales, and for what is no piece.
    weight: Option<String>,
    /// The UN/CEFACT code of the weight's unit.
    weight_unit_code: Option<&'static str>,
    /// How the price followed from the weight; null if a person or an order set the price.
    calculation: Option<String>,
    given_back: String,
}

/// One payment of a sale.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct TenderShown {
    /// The identifier for paying an open balance.
    id: String,
    kind: &'static str,
    amount: String,
    /// On account: the customer.
    #[serde(skip_serializing_if = "String::is_empty")]
    customer: String,
    /// On account: the due date.
    #[serde(skip_serializing_if = "Option::is_none")]
    due: Option<String>,
    /// On account: what is still due.
    #[serde(skip_serializing_if = "Option::is_none")]
    still_owed: Option<String>,
}

/// A refund.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RefundShown {
    id: String,
    at: String,
    /// What the customer got back.
    given: String,
    reason: String,
    lines: Vec<RefundLineShown>,
}

/// A line of a refund.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RefundLineShown {
    /// The identifier for deciding about the goods.
    id: String,
    /// The line of the sale.
    line: String,
    /// shelf (returned to stock), written-off, or open until somebody decides.
    fate: &'static str,
}

impl From<&Totals> for TotalsShown {
    fn from(totals: &Totals) -> Self {
        Self {
            lines: totals.lines.to_string(),
            discounts: totals.discounts.to_string(),
            tax: totals.tax.to_string(),
            shipping: totals.shipping.to_string(),
            rounding: totals.rounding.to_string(),
            due: totals.due.to_string(),
            tendered: totals.tendered.to_string(),
        }
    }
}

impl From<SaleLine> for LineShown {
    fn from(line: SaleLine) -> Self {
        Self {
            id: line.id.to_string(),
            kind: line.kind.code(),
            sku: line.code,
            title: line.title,
            quantity: shown::quantity(line.quantity),
            unit_code: shown::unit_code(line.quantity.measure()),
            price: line.price.to_string(),
            amount: line.money.amount.to_string(),
            discount: line.money.discount.to_string(),
            tax: line.money.tax.to_string(),
        }
    }
}

impl From<SoldLine> for SoldLineShown {
    fn from(sold: SoldLine) -> Self {
        let pricing = sold.weighed.and_then(|weighed| weighed.pricing);
        Self {
            weight: sold.weighed.map(|weighed| weighed.weight.value().to_string()),
            weight_unit_code: sold.weighed.map(|weighed| weighed.weight.unit().code()),
            calculation: pricing.map(|pricing| pricing.calculation.to_string()),
            given_back: shown::quantity(sold.given_back),
            line: sold.line.into(),
        }
    }
}

impl From<Tender> for TenderShown {
    fn from(tender: Tender) -> Self {
        Self {
            id: tender.id.to_string(),
            kind: tender.tender.kind.code(),
            amount: tender.tender.amount.to_string(),
            customer: tender.tender.customer,
            due: tender.tender.due.map(|d| d.to_string()),
            still_owed: tender.still_owed.map(|o| o.to_string()),
        }
    }
}

impl From<RefundView> for RefundShown {
    fn from(refund: RefundView) -> Self {
        let line = |(id, line, fate): (
            domain::ids::RefundLineId,
            domain::ids::SaleLineId,
            domain::stock::ReturnDisposition,
        )| {
            RefundLineShown { id: id.to_string(), line: line.to_string(), fate: fate.code() }
        };
        Self {
            id: refund.id.to_string(),
            at: refund.at.to_string(),
            given: refund.given.to_string(),
            reason: refund.reason,
            lines: refund.lines.into_iter().map(line).collect(),
        }
    }
}

impl From<SaleView> for SaleShown {
    fn from(sale: SaleView) -> Self {
        Self {
            id: sale.id.to_string(),
            receipt: sale.receipt.map(|r| r.to_string()),
            channel: sale.channel.to_string(),
            at: sale.at.to_string(),
            order: sale.order,
            voided: sale.voided,
            customer: sale.customer.map(SaleCustomerShown::from),
            totals: (&sale.totals).into(),
            change: sale.totals.change.to_string(),
            note: sale.note,
            who: sale.who,
            lines: sale.lines.into_iter().map(SoldLineShown::from).collect(),
            tenders: sale.tenders.into_iter().map(TenderShown::from).collect(),
            refunds: sale.refunds.into_iter().map(RefundShown::from).collect(),
        }
    }
}
