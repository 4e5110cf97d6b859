//! A sale in a request.

use crate::problem::Problem;
use crate::request::body::Body;
use crate::request::values;
use domain::account::DepositFor;
use domain::basket::{LineKind, MAX_LINES, MAX_TENDERS};
use domain::money::{Currency, Money};
use ledger::Shop;
use ledger::sales::{NewCertificate, NewSale, SaleLineIn, TenderIn};
use serde::Deserialize;
use utoipa::ToSchema;

/// A sale to ring up.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct SaleText {
    /// One of the shop's channels.
    #[schema(example = "store")]
    channel: String,
    /// 1 to 200.
    lines: Vec<SaleLineText>,
    /// The discount on the whole sale, spread over its lines.
    discount: Option<String>,
    /// Shipping that the customer pays.
    shipping: Option<String>,
    /// At most 20. Cash may be more than is due: the rest is change.
    tenders: Vec<TenderText>,
    /// The customer's identifier. What is on account without a name is theirs.
    customer_id: Option<String>,
    /// The hold of the current sale; exactly its lines are sold.
    hold: Option<String>,
    /// RFC 3339, or a day, which means noon; now if left out.
    at: Option<String>,
    #[serde(default)]
    note: String,
}

/// A line: goods by `sku` and `quantity`, a gift certificate by `kind`, `title` and `amount`, or a deposit by `kind`,
/// `amount` and what it is for.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct SaleLineText {
    /// goods, gift-certificate or deposit; goods without it.
    kind: Option<String>,
    /// Goods: a SKU, in-store code or GTIN.
    sku: Option<String>,
    /// Goods: how much.
    quantity: Option<String>,
    /// Goods: the unit of the quantity, for goods by weight; the item's own if left out.
    unit_code: Option<String>,
    /// Goods: the discount on this line.
    discount: Option<String>,
    /// Goods: the sales tax of this line.
    tax: Option<String>,
    /// Gift certificate or deposit: the text on the receipt.
    title: Option<String>,
    /// Gift certificate or deposit: how much.
    amount: Option<String>,
    /// Gift certificate: whom it is for.
    holder: Option<String>,
    /// Deposit: the hold that it is for. The sale is to its customer.
    hold: Option<String>,
    /// Deposit: the custom order that it is for, in place of a hold.
    custom_order: Option<String>,
}

/// One payment.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct TenderText {
    /// cash, card (taken on a separate terminal), check, online, gift-certificate, deposit, on-account or other.
    kind: String,
    amount: String,
    /// Of `on-account`: by whom.
    #[serde(default)]
    customer: String,
    /// Of `on-account`: the day it is due.
    due: Option<String>,
    /// Of `gift-certificate`: its number.
    certificate: Option<String>,
    /// Of `deposit`: its identifier.
    deposit: Option<String>,
}

impl Body for SaleText {}

impl SaleText {
    pub(crate) fn read(&self, shop: &Shop, who: String) -> Result<NewSale, Problem> {
        let currency = shop.currency;
        bounded("#/lines", self.lines.len(), MAX_LINES)?;
        bounded("#/tenders", self.tenders.len(), MAX_TENDERS)?;
        let line = |(index, line): (usize, &SaleLineText)| line.read(&format!("#/lines/{index}"), currency);
        let tender =
            |(index, tender): (usize, &TenderText)| tender.read(&format!("#/tenders/{index}"), currency);
        let at = self.at.as_deref().map(|t| values::moment(t, &shop.zone, "#/at")).transpose()?;
        Ok(NewSale {
            channel: values::channel(&self.channel, "#/channel")?,
            lines: self.lines.iter().enumerate().map(line).collect::<Result<_, _>>()?,
            discount: amount(self.discount.as_deref(), currency, "#/discount")?,
            shipping: amount(self.shipping.as_deref(), currency, "#/shipping")?,
            tenders: self.tenders.iter().enumerate().map(tender).collect::<Result<_, _>>()?,
            customer: self.customer_id.as_deref().map(|t| values::id(t, "#/customerId")).transpose()?,
            is_granted: false,
            hold: self.hold.as_deref().map(|t| values::id(t, "#/hold")).transpose()?,
            at,
            note: self.note.clone(),
            who,
        })
    }
}

fn bounded(pointer: &str, count: usize, most: usize) -> Result<(), Problem> {
    if count > most {
        return Err(Problem::invalid(pointer, format!("a sale has at most {most} of these")));
    }
    Ok(())
}

/// An amount of 0 or more; 0 if it is left out.
fn amount(text: Option<&str>, currency: Currency, pointer: &str) -> Result<Money, Problem> {
    let money = values::money_or_none(text, currency, pointer)?;
    if money.is_negative() {
        return Err(Problem::invalid(pointer, "this may not be below 0; use a refund to give money back"));
    }
    Ok(money)
}

impl SaleLineText {
    fn read(&self, place: &str, currency: Currency) -> Result<SaleLineIn, Problem> {
        let kind = match self.kind.as_deref() {
            None => LineKind::Goods,
            Some(code) => {
                let kinds =
                    [LineKind::Goods, LineKind::GiftCertificate, LineKind::Deposit].map(LineKind::code);
                values::choice(LineKind::from_code(code), &kinds, &format!("{place}/kind"))?
            }
        };
        if kind != LineKind::Deposit {
            absent(place, kind.code(), [("hold", &self.hold), ("customOrder", &self.custom_order)])?;
        }
        match kind {
            LineKind::Goods => self.goods(place, currency),
            LineKind::GiftCertificate => self.certificate(place, currency),
            LineKind::Deposit => self.deposit(place, currency),
        }
    }

    fn goods(&self, place: &str, currency: Currency) -> Result<SaleLineIn, Problem> {
        absent(place, "goods", [("title", &self.title), ("amount", &self.amount), ("holder", &self.holder)])?;
        let sku = present(self.sku.as_deref(), &format!("{place}/sku"), "goods need the code of their item")?;
        let quantity = format!("{place}/quantity");
        let quantity = present(self.quantity.as_deref(), &quantity, "enter the quantity")?;
        Ok(SaleLineIn::Goods {
            code: values::code(sku, &format!("{place}/sku"))?,
            quantity: values::asked(quantity, self.unit_code.as_deref(), place)?,
            discount: amount(self.discount.as_deref(), currency, &format!("{place}/discount"))?,
            tax: amount(self.tax.as_deref(), currency, &format!("{place}/tax"))?,
        })
    }

    /// How much is paid now, and spent later.
    fn paid_ahead(&self, kind: LineKind, place: &str, currency: Currency) -> Result<Money, Problem> {
        let goods = [("sku", &self.sku), ("quantity", &self.quantity), ("unitCode", &self.unit_code)];
        absent(place, kind.code(), goods)?;
        absent(place, kind.code(), [("discount", &self.discount), ("tax", &self.tax)])?;
        let sum = format!("{place}/amount");
        present(self.amount.as_deref(), &sum, "enter its amount")?;
        let amount = amount(self.amount.as_deref(), currency, &sum)?;
        if amount.is_zero() {
            return Err(Problem::invalid(sum, "a gift certificate or deposit must be more than 0"));
        }
        Ok(amount)
    }

    fn certificate(&self, place: &str, currency: Currency) -> Result<SaleLineIn, Problem> {
        let kind = LineKind::GiftCertificate;
        let amount = self.paid_ahead(kind, place, currency)?;
        let title = format!("{place}/title");
        let words = present(self.title.as_deref(), &title, "say what the receipt should call it")?;
        let certificate = NewCertificate {
            number: values::new_certificate(),
            holder: self.holder.clone().unwrap_or_default(),
            on_file: None,
        };
        Ok(SaleLineIn::Paper { kind, title: words.to_owned(), amount, certificate: Some(certificate) })
    }

    fn deposit(&self, place: &str, currency: Currency) -> Result<SaleLineIn, Problem> {
        let amount = self.paid_ahead(LineKind::Deposit, place, currency)?;
        absent(place, LineKind::Deposit.code(), [("holder", &self.holder)])?;
        let of = match (self.hold.as_deref(), self.custom_order.as_deref()) {
            (Some(hold), None) => DepositFor::Hold(values::id(hold, &format!("{place}/hold"))?),
            (None, Some(order)) => DepositFor::Order(values::id(order, &format!("{place}/customOrder"))?),
            _ => {
                let words = "say what the deposit is for: hold or customOrder";
                return Err(Problem::invalid(format!("{place}/customOrder"), words));
            }
        };
        let title = self.title.clone().unwrap_or_else(|| "Deposit".to_owned());
        Ok(SaleLineIn::Deposit { of, title, amount })
    }
}

fn present<'a>(text: Option<&'a str>, pointer: &str, words: &str) -> Result<&'a str, Problem> {
    text.ok_or_else(|| Problem::invalid(pointer, words))
}

/// Fields that only the other kind of line has.
fn absent<const N: usize>(
    place: &str,
    kind: &str,
    fields: [(&str, &Option<String>); N],
) -> Result<(), Problem> {
    match fields.into_iter().find(|(_, text)| text.is_some()) {
        None => Ok(()),
        Some((field, _)) => {
            Err(Problem::invalid(format!("{place}/{field}"), format!("a line of {kind} does not have this")))
        }
    }
}

impl TenderText {
    fn read(&self, place: &str, currency: Currency) -> Result<TenderIn, Problem> {
        Ok(TenderIn {
            kind: values::tender_kind(&self.kind, &format!("{place}/kind"))?,
            amount: amount(Some(&self.amount), currency, &format!("{place}/amount"))?,
            customer: self.customer.clone(),
            on_file: None,
            due: self.due.as_deref().map(|d| values::day(d, &format!("{place}/due"))).transpose()?,
            certificate: self
                .certificate
                .as_deref()
                .map(|number| values::certificate(number, &format!("{place}/certificate")))
                .transpose()?,
            deposit: self
                .deposit
                .as_deref()
                .map(|t| values::id(t, &format!("{place}/deposit")))
                .transpose()?,
        })
    }
}
