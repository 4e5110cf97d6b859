//! An exchange in one call, for programs. At the counter it is a current sale (`baskets/exchange.rs`): both book a refund
//! and a sale that name each other.

use crate::sales::accounts;
use crate::sales::limits;
use crate::sales::party::{Party, with_payers};
use crate::sales::refunds::{self, NewRefund, RefundDone, RefundOf, RefundTender};
use crate::sales::ring_up::{self, NewSale, SaleDone, TenderIn};
use crate::shelf::stock;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::basket::TenderKind;
use domain::ids::ItemId;
use domain::money::Money;
use serde::{Deserialize, Serialize};

/// How what is left of the credit can be paid back.
pub(crate) const PAID_BACK: [TenderKind; 5] =
    [TenderKind::Cash, TenderKind::Card, TenderKind::Check, TenderKind::GiftCertificate, TenderKind::Other];

/// What is brought back pays for what is taken; only the difference is paid, or paid back.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewExchange {
    /// What is brought back: at least one line, goods only, without shipping. All of its tender is how money is paid
    /// back if what comes back is worth more than what is taken.
    pub back: NewRefund,
    /// What is taken. Its tenders pay the difference; none if nothing is left to pay.
    pub takes: NewSale,
}

/// An exchange that was booked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExchangeDone {
    /// What was brought back.
    pub refund: RefundDone,
    /// What was taken.
    pub sale: SaleDone,
}

#[async_trait]
impl Command for NewExchange {
    type Answer = ExchangeDone;

    async fn run(&self, tx: &mut Tx) -> Result<ExchangeDone, CommandError> {
        self.refuse_what_is_no_exchange()?;
        let customer = accounts::customer_of(tx, &self.takes.lines, self.takes.customer).await?;
        let tenders = with_payers(tx, &self.takes.tenders, customer).await?;
        // The order of locks: people, then items, then the shop's row.
        Party::lock(tx, customer, &tenders).await?;
        self.lock_items(tx).await?;
        let preview = refunds::preview(tx, &self.back).await?;
        limits::allow_refund_of(tx, self.back.sale, preview.total).await?;
        let (due, credit) = (self.due(tx).await?, preview.credit);
        let covered = if due.minor() < credit.minor() { due } else { credit };
        let back = credit.minus(covered).field("back")?;
        let rest = self.rest(back, due.minor() <= credit.minor())?;
        let mut sale = NewSale { tenders, ..self.takes.clone() };
        if !covered.is_zero() {
            sale.tenders.insert(0, TenderIn::plain(TenderKind::Exchange, covered));
        }
        let (sale, bundle) = sale.ring_up(tx).await?;
        tx.write(bundle).await?;
        let at = sale.channel.clone();
        let tender = RefundTender::Exchange { pays: sale.id, at, amount: covered, rest };
        let refund = NewRefund { tender, ..self.back.clone() }.run(tx).await?;
        refuse_other_sum(&refund, back)?;
        Ok(ExchangeDone { refund, sale })
    }
}

impl NewExchange {
    fn refuse_what_is_no_exchange(&self) -> Result<(), CommandError> {
        if self.back.lines.is_empty() {
            return Err(Rejection::invalid("lines", SalesReason::AllRefunded).into());
        }
        if !self.back.shipping.is_zero()
            || self.back.lines.iter().any(|l| matches!(l.what, RefundOf::Money(_)))
        {
            return Err(Rejection::invalid("lines", SalesReason::MoneyAlone).into());
        }
        if self.takes.lines.is_empty() {
            return Err(Rejection::invalid("slip", SalesReason::NothingToPay).into());
        }
        if self.takes.tenders.iter().any(|tender| tender.kind == TenderKind::Exchange) {
            return Err(Rejection::invalid("tenders", SalesReason::NotAPayment).into());
        }
        Ok(())
    }

    /// Those that come back and those that are taken, in one order with everybody else's.
    async fn lock_items(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let sold = refunds::read_lines(tx, self.back.sale, tx.shop().currency).await?;
        let found = ring_up::find(tx, &self.takes.lines).await?;
        let back = self.back.lines.iter().filter_map(|line| sold.iter().find(|of| of.id == line.line)?.item);
        let mut items: Vec<ItemId> = back.chain(found.iter().map(|item| item.id)).collect();
        items.sort_unstable();
        items.dedup();
        stock::lock(tx, &items).await
    }

    /// What is taken costs, before cash rounding.
    async fn due(&self, tx: &mut Tx) -> Result<Money, CommandError> {
        let found = ring_up::find(tx, &self.takes.lines).await?;
        let lines = ring_up::priced(&self.takes.lines, &found, self.takes.discount)?;
        let sum = lines.iter().try_fold(self.takes.shipping, |sum, line| {
            sum.plus(line.money.amount)?.minus(line.money.discount)?.plus(line.money.tax)
        });
        sum.field("lines")
    }

    /// How what is left of the credit is paid back. Nobody pays if nothing is left to pay.
    fn rest(&self, back: Money, is_covered: bool) -> Result<TenderKind, CommandError> {
        if is_covered && !self.takes.tenders.is_empty() {
            return Err(Rejection::invalid("tenders", SalesReason::NothingLeftToPay).into());
        }
        if back.is_zero() {
            return Ok(TenderKind::Other);
        }
        match &self.back.tender {
            RefundTender::All(kind) if PAID_BACK.contains(kind) => Ok(*kind),
            RefundTender::All(_) | RefundTender::Parts(_) | RefundTender::Exchange { .. } => {
                Err(Rejection::invalid("tender", SalesReason::NotAPayment).into())
            }
        }
    }
}

/// On PostgreSQL an open balance may have been paid since it was looked at: then all of it is tried again.
pub(crate) fn refuse_other_sum(refund: &RefundDone, expected: Money) -> Result<(), CommandError> {
    let money =
        refund.tenders.iter().filter(|t| !matches!(t.0, TenderKind::OnAccount | TenderKind::Exchange));
    let sum = Money::sum(money.map(|t| t.1), expected.currency()).and_then(|sum| sum.minus(refund.rounding));
    if sum.field("tender")? == expected {
        return Ok(());
    }
    Err(StorageError::Collided(sqlx::Error::RowNotFound).into())
}
