//! What one day leaves for a later one: refunds, payments, holds that end.

use super::basket::Priced;
use super::live::Live;
use super::season;
use super::shelf::Wanted;
use super::trouble::{DemoError, Doing};
use domain::basket::TenderKind;
use domain::codes::Code;
use domain::ids::{HoldGroupId, SaleId, SaleLineId};
use domain::money::Money;
use domain::order::{IncomingOrder, OrderStatus};
use domain::stock::ReturnDisposition;
use jiff::Span;
use jiff::civil::Date;
use ledger::orders::EndHold;
use ledger::sales::{DecideReturn, NewRefund, Pay, RefundLine, RefundOf, RefundTender};
use ledger::shelf::SweepHolds;

/// Handled before the store opens.
const MORNING_MINUTE: i64 = 360;

/// Something that happens on a later day.
#[derive(Debug)]
pub(super) enum Promise {
    /// A piece is returned at the counter.
    Returned { sale: SaleId, line: SaleLineId, piece: Wanted, fate: ReturnDisposition, tender: TenderKind },
    /// A piece is returned by mail: the money goes back first, and a day later somebody looks at the piece.
    SentBack { order: IncomingOrder, piece: Wanted },
    /// Somebody decides whether the piece goes back to stock.
    LookedAt { sale: SaleId, piece: Wanted },
    /// Nobody found a substitute for an out-of-stock line, so it is refunded.
    GiveUpShort { order: IncomingOrder, code: Code },
    /// An unpaid order is paid.
    PaidAtLast { order: IncomingOrder },
    /// The buyer cancels an unpaid order.
    Cancelled { order: IncomingOrder, wanted: Vec<Wanted> },
    /// A reseller pays an open balance.
    Settled { sale: SaleId },
    /// A held piece is picked up.
    Fetched { hold: HoldGroupId, piece: Wanted },
    /// The customer calls: the piece is no longer wanted.
    LetGo { hold: HoldGroupId, piece: Wanted },
    /// A hold expires.
    RanOut { piece: Wanted },
}

impl Live {
    /// Schedules something for the morning, this many days after `day`.
    pub(super) fn promise(&mut self, day: Date, days: i64, what: Promise) -> Result<(), DemoError> {
        let later = day.checked_add(Span::new().days(days)).doing("turn a page of the calendar")?;
        self.promises.entry(later).or_default().push(what);
        Ok(())
    }

    /// Does what was scheduled for this morning, in order.
    pub(super) async fn keep_promises(&mut self) -> Result<(), DemoError> {
        let due = self.promises.remove(&self.day).unwrap_or_default();
        for (minute, promise) in (MORNING_MINUTE..).zip(due) {
            self.clock.set(season::moment(&self.zone, self.day, minute)?);
            self.keep(promise).await?;
        }
        Ok(())
    }

    async fn keep(&mut self, promise: Promise) -> Result<(), DemoError> {
        match promise {
            Promise::Returned { sale, line, piece, fate, tender } => {
                self.returned(sale, line, piece, fate, tender).await
            }
            Promise::SentBack { order, piece } => self.sent_back(order, piece).await,
            Promise::LookedAt { sale, piece } => self.looked_at(sale, piece).await,
            Promise::GiveUpShort { order, code } => self.give_back_online(&order, &code).await,
            Promise::PaidAtLast { order } => {
                let modified = Some(self.clock_now());
                self.take(&IncomingOrder { status: OrderStatus::OrderProcessing, modified, ..order }).await
            }
            Promise::Cancelled { order, wanted } => {
                let modified = Some(self.clock_now());
                self.take(&IncomingOrder { status: OrderStatus::OrderCancelled, modified, ..order }).await?;
                for w in wanted {
                    self.shelf.change(w.good, w.stock_units);
                }
                Ok(())
            }
            Promise::Settled { sale } => self.settled(sale).await,
            Promise::Fetched { hold, piece } => {
                let priced = Priced::of(self.shelf.good(piece.good)?, piece.stock_units, 0)?;
                self.ring_up_held(hold, &priced).await
            }
            Promise::LetGo { hold, piece } => {
                self.ledger.execute(None, &EndHold { id: hold }).await.doing("let a held piece go")?;
                self.shelf.change(piece.good, piece.stock_units);
                Ok(())
            }
            Promise::RanOut { piece } => {
                self.ledger.execute(None, &SweepHolds).await.doing("end the holds that ran out")?;
                self.shelf.change(piece.good, piece.stock_units);
                Ok(())
            }
        }
    }

    async fn returned(
        &mut self,
        sale: SaleId,
        line: SaleLineId,
        piece: Wanted,
        fate: ReturnDisposition,
        tender: TenderKind,
    ) -> Result<(), DemoError> {
        let refund = NewRefund {
            sale,
            lines: vec![RefundLine { line, what: RefundOf::Rest, fate }],
            fate,
            shipping: Money::zero(self.currency),
            tender: RefundTender::All(tender),
            certificate: None,
            reason: if fate == ReturnDisposition::Shelf { "did not fit" } else { "a seam came open" }
                .to_owned(),
            who: self.family(),
        };
        self.ledger.execute(None, &refund).await.doing("give money back")?;
        self.refunds += 1;
        if fate == ReturnDisposition::Shelf {
            self.shelf.change(piece.good, piece.stock_units);
        }
        Ok(())
    }

    async fn sent_back(&mut self, order: IncomingOrder, piece: Wanted) -> Result<(), DemoError> {
        let code = self.shelf.good(piece.good)?.code.clone();
        self.give_back_online(&order, &code).await?;
        self.refunds += 1;
        let known = self.ledger.orders(None, false, ORDERS_BACK).await.doing("look an order up")?;
        let sale = known.iter().find(|o| o.number == order.number.as_str()).and_then(|o| o.sale);
        match sale {
            Some(sale) => self.promise(self.day, 2, Promise::LookedAt { sale, piece }),
            None => Ok(()),
        }
    }

    async fn looked_at(&mut self, sale: SaleId, piece: Wanted) -> Result<(), DemoError> {
        let view = self.ledger.sale(sale).await.doing("look a sale up")?;
        let open =
            view.refunds.iter().flat_map(|r| &r.lines).find(|(_, _, fate)| *fate == ReturnDisposition::Open);
        if let Some((line, _, _)) = open {
            let decided = DecideReturn { line: *line, fate: ReturnDisposition::Shelf, who: self.family() };
            self.ledger.execute(None, &decided).await.doing("put a returned piece on the shelf")?;
            self.shelf.change(piece.good, piece.stock_units);
        }
        Ok(())
    }

    async fn settled(&mut self, sale: SaleId) -> Result<(), DemoError> {
        let view = self.ledger.sale(sale).await.doing("look a sale up")?;
        for tender in view.tenders {
            let Some(amount) = tender.still_owed.filter(|owed| !owed.is_zero()) else { continue };
            let paid = Pay {
                tender: tender.id,
                kind: TenderKind::Check,
                amount,
                certificate: None,
                who: self.family(),
            };
            self.ledger.execute(None, &paid).await.doing("take a payment")?;
        }
        Ok(())
    }
}

/// How many of the latest orders to look through: more than come in while a parcel is in the mail.
const ORDERS_BACK: usize = 100;
