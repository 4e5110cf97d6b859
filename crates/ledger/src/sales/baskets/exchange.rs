//! Exchanges: what a customer brings back pays for what they take, in one transaction. Only the difference is
//! paid, or paid back.

use super::content::Content;
use super::pay::Exact;
use super::{BasketPaid, Slip, insert, pay};
use crate::sales::accounts;
use crate::sales::limits;
use crate::sales::new_exchange::{PAID_BACK, refuse_other_sum};
use crate::sales::party::with_payer;
use crate::sales::refunds::{self, NewRefund, RefundLine, RefundOf, RefundTender};
use crate::sales::ring_up::{NewSale, TenderIn};
use crate::shelf::stock;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::basket::{self, BasketError, Given, TenderKind};
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::ids::{BasketId, ItemId, SaleId};
use domain::money::Money;
use domain::quantity::Quantity;
use domain::stock::ReturnDisposition;
use domain::text;
use serde::{Deserialize, Serialize};

/// What is brought back, as the current sale stores it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Returns {
    pub(crate) sale: SaleId,
    lines: Vec<RefundLine>,
    reason: String,
    pub(crate) shown: Vec<Returned>,
    /// What it pays, after an open balance of its sale was lowered.
    pub(crate) credit: Money,
    /// The cash that was refunded of its sale before, to the minor unit and as it was rounded.
    pub(crate) cash_before: (Money, Money),
}

/// A line that is brought back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Returned {
    /// Its name.
    pub title: String,
    /// How much of it.
    pub quantity: Quantity,
    /// What was paid for it, tax included.
    pub amount: Money,
}

impl Returns {
    fn as_refund(
        &self,
        (tender, certificate): (RefundTender, Option<CertificateNumber>),
        who: &str,
        no_shipping: Money,
    ) -> NewRefund {
        NewRefund {
            sale: self.sale,
            lines: self.lines.clone(),
            fate: ReturnDisposition::Open,
            shipping: no_shipping,
            tender,
            certificate,
            reason: self.reason.clone(),
            who: who.to_owned(),
        }
    }

    /// Items are locked in their order and before the shop's row, those that come back and those that are taken.
    async fn lock_items(&self, tx: &mut Tx, slip: &Slip) -> Result<(), CommandError> {
        let sold = refunds::read_lines(tx, self.sale, tx.shop().currency).await?;
        let back = |line: &RefundLine| sold.iter().find(|of| of.id == line.line)?.item;
        let mut items: Vec<ItemId> = self.lines.iter().filter_map(back).chain(slip.content.items()).collect();
        items.sort_unstable();
        items.dedup();
        stock::lock(tx, &items).await
    }

    /// Reads again what it is worth. Whatever would reject the refund rejects it now.
    pub(super) async fn look(&mut self, tx: &mut Tx) -> Result<(), CommandError> {
        let none = Money::zero(tx.shop().currency);
        let new = self.as_refund((RefundTender::All(TenderKind::Cash), None), "", none);
        let preview = refunds::preview(tx, &new).await?;
        limits::allow_refund_of(tx, self.sale, preview.total).await?;
        let line = |(title, quantity, amount)| Returned { title, quantity, amount };
        self.shown = preview.lines.into_iter().map(line).collect();
        self.credit = preview.credit;
        self.cash_before = (preview.cash_before.exact, preview.cash_before.handed_out);
        Ok(())
    }
}

/// Begins a sale that what is brought back pays for.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct StartExchange {
    /// The sale that it was sold in.
    pub sale: SaleId,
    /// What is brought back, at least one line.
    pub lines: Vec<RefundLine>,
    /// Why.
    pub reason: String,
    /// Where.
    pub channel: Channel,
    /// Who rings it up.
    pub who: String,
}

#[async_trait]
impl Command for StartExchange {
    type Answer = BasketId;

    async fn run(&self, tx: &mut Tx) -> Result<BasketId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::note(&self.reason).field("reason")?;
        tx.shop().known_channel(&self.channel)?;
        limits::allow_channel(tx, &self.channel).await?;
        if self.lines.is_empty() {
            return Err(Rejection::invalid("lines", SalesReason::AllRefunded).into());
        }
        if self.lines.iter().any(|line| matches!(line.what, RefundOf::Money(_))) {
            return Err(Rejection::invalid("lines", SalesReason::MoneyAlone).into());
        }
        let credit = Money::zero(tx.shop().currency);
        let (sale, lines) = (self.sale, self.lines.clone());
        let mut returns =
            Returns { sale, lines, reason, shown: Vec::new(), credit, cash_before: (credit, credit) };
        returns.look(tx).await?;
        insert(tx, &self.channel, &Content { returns: Some(returns), ..Content::default() }, &who).await
    }
}

/// Reads again what is brought back, and returns whether that changes what is left to pay.
pub(super) async fn is_worth_something_else(tx: &mut Tx, slip: &mut Slip) -> Result<bool, CommandError> {
    let Some(returns) = &mut slip.content.returns else { return Ok(false) };
    let before = (returns.credit, returns.cash_before);
    returns.look(tx).await?;
    Ok((returns.credit, returns.cash_before) != before)
}

/// Takes a payment of the difference, or pays it back. The last one rings up the sale and refunds what was
/// brought back.
pub(super) async fn settle(
    tx: &mut Tx,
    slip: &mut Slip,
    returns: &Returns,
    exact: Exact,
    payment: (&TenderIn, &str),
) -> Result<BasketPaid, CommandError> {
    let ((sale, money, due), (tender, who)) = (exact, payment);
    let covered = Money::from_minor(due.minor().min(returns.credit.minor()), due.currency()).field("due")?;
    let is_paid_back = due.minor() <= returns.credit.minor();
    let back = returns.credit.minus(covered).field("due")?;
    if is_paid_back && !back.is_zero() && !PAID_BACK.contains(&tender.kind) {
        return Err(Rejection::invalid("tender", SalesReason::NotAPayment).into());
    }
    if is_paid_back && !tender.amount.is_zero() {
        return Err(Rejection::invalid("amount", SalesReason::NothingLeftToPay).into());
    }
    if !is_paid_back {
        slip.content.tenders.push(with_payer(tx, tender, slip.content.customer).await?);
        pay::refuse_more_than_is_left(tx, slip).await?;
        accounts::refuse_bought_with_another(&sale.lines, &slip.content.tenders, due)?;
    }
    let mut tenders = slip.content.tenders.clone();
    if !covered.is_zero() {
        tenders.insert(0, TenderIn::plain(TenderKind::Exchange, covered));
    }
    let given: Vec<Given> = tenders.iter().map(|t| (t.kind, t.amount)).collect();
    match basket::settle(&money, sale.shipping, &given, tx.shop().cash_rounding) {
        Ok(_) => {}
        Err(BasketError::Underpaid { .. }) if !is_paid_back && !tender.amount.is_zero() => {
            slip.write(tx).await?;
            return Ok(BasketPaid::NOT_YET);
        }
        Err(wrong) => return Err(Rejection::invalid("amount", wrong).into()),
    }
    let note = if sale.note.is_empty() {
        returns.reason.clone()
    } else {
        format!("{}\n{}", sale.note, returns.reason)
    };
    returns.lock_items(tx, slip).await?;
    let paid = pay::ring_up(tx, slip, NewSale { tenders, note, who: who.to_owned(), ..sale }).await?;
    let pays = paid.sale.ok_or_else(|| StorageError::impossible("a sale that was rung up has no number"))?;
    let rest = if back.is_zero() { TenderKind::Other } else { tender.kind };
    let by = RefundTender::Exchange { pays, at: slip.channel.clone(), amount: covered, rest };
    let refund =
        returns.as_refund((by, tender.certificate), who, Money::zero(due.currency())).run(tx).await?;
    refuse_other_sum(&refund, back)?;
    Ok(paid)
}
