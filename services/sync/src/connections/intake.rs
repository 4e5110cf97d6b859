//! Takes orders in, however they came, or keeps them for another try.

use super::cycle::ConnectionContext;
use domain::day::Moment;
use domain::delivery::{Reply, back_off};
use domain::masked::masked;
use domain::order::IncomingOrder;
use feeds::{Parsed, Reject, kept_text};
use ledger::online::{DeferOrder, LiveConnection};
use ledger::orders::{OrderOutcome, TakeFetched, TakeOrders};
use ledger::{CommandError, Ledger, Rejection};

/// How many orders are taken in in one transaction: a sale at the counter waits no longer than for these.
const TAKEN_AT_ONCE: usize = 20;
/// Stands for an order number that cannot be read.
const NO_NUMBER: &str = "?";

/// An order as it was read, or why it could not be.
pub(super) type Read = Result<Parsed<IncomingOrder>, Reject>;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct TakenIn {
    /// Booked, or known already.
    pub(super) taken: usize,
    /// Kept for another try.
    pub(super) kept: usize,
}

#[derive(Clone, Copy, Debug)]
enum Came {
    /// From a list or a webhook.
    Listed,
    /// Fetched one by one.
    Fetched,
}

/// Who takes orders in, and when rejected ones are tried again.
#[derive(Clone, Copy, Debug)]
pub(super) struct From<'a> {
    pub(super) ledger: &'a Ledger,
    pub(super) connection: &'a LiveConnection,
    pub(super) dice: u64,
    /// When the reading of their list began; none if they came one by one.
    pub(super) walk_began: Option<Moment>,
}

/// The field that a rejection is about, if it is about one.
fn field_of(rejection: &Rejection) -> String {
    match rejection {
        Rejection::Invalid { field, .. } => field.clone(),
        _ => String::new(),
    }
}

impl<'a> ConnectionContext<'a> {
    pub(super) fn from(&self) -> From<'a> {
        From { ledger: self.ledger, connection: self.connection, dice: self.dice(), walk_began: None }
    }
}

impl From<'_> {
    /// Takes each order in, or keeps it. If keeping fails too, the reading must not move on.
    pub(super) async fn take(self, orders: Vec<Read>) -> Result<TakenIn, CommandError> {
        let mut done = TakenIn::default();
        let mut some = Vec::with_capacity(TAKEN_AT_ONCE);
        for read in orders {
            match read {
                Ok(parsed) => {
                    some.push(parsed);
                    if some.len() == TAKEN_AT_ONCE {
                        self.flush(&mut some, &mut done).await?;
                    }
                }
                Err(reject) => {
                    let number = reject.order().unwrap_or(NO_NUMBER).to_owned();
                    let why = (reject.field().unwrap_or_default().to_owned(), reject.cause().to_string());
                    self.keep(number, kept_text(reject.rows()), why).await?;
                    done.kept += 1;
                }
            }
        }
        self.flush(&mut some, &mut done).await?;
        Ok(done)
    }

    async fn flush(
        self,
        some: &mut Vec<Parsed<IncomingOrder>>,
        done: &mut TakenIn,
    ) -> Result<(), CommandError> {
        let parsed = std::mem::take(some);
        if parsed.is_empty() {
            return Ok(());
        }
        let outcomes = self.book(parsed.iter().map(|p| p.value.clone()).collect()).await?;
        for (parsed, rejection) in parsed.into_iter().zip(outcomes) {
            match rejection {
                None => done.taken += 1,
                Some(rejection) => {
                    let (number, raw) = (parsed.value.number.to_string(), kept_text(&parsed.rows));
                    if is_tie(&rejection) && self.is_seen_again(&number, &raw).await? {
                        // What is still rejected has been kept already.
                        self.book_fetched(vec![parsed.value]).await?;
                        done.taken += 1;
                        continue;
                    }
                    let why = (field_of(&rejection), words::rejection(&rejection));
                    self.keep(number, raw, why).await?;
                    done.kept += 1;
                }
            }
        }
        Ok(())
    }

    /// Books orders on the connection's channel, whatever channel they name; returns each one's rejection, if
    /// any.
    pub(super) async fn book(
        self,
        orders: Vec<IncomingOrder>,
    ) -> Result<Vec<Option<Rejection>>, CommandError> {
        self.booked(orders, Came::Listed).await
    }

    /// Books orders that were fetched one by one: of two states with the same time, such an order is the later.
    pub(super) async fn book_fetched(
        self,
        orders: Vec<IncomingOrder>,
    ) -> Result<Vec<Option<Rejection>>, CommandError> {
        self.booked(orders, Came::Fetched).await
    }

    async fn try_to_book(
        self,
        orders: Vec<IncomingOrder>,
        came: Came,
    ) -> Result<Vec<Option<Rejection>>, CommandError> {
        let who = self.connection.name.clone();
        let outcomes = match came {
            Came::Listed => self.ledger.take_orders(&TakeOrders { orders, past: false, who }).await?,
            Came::Fetched => self.ledger.take_fetched(&TakeFetched { orders, who }).await?,
        };
        Ok(refusals(outcomes))
    }

    /// A refund that waits for its goods must not hold up the rest of its order, because nobody could choose
    /// for its lines before the order is in the books. So the order is booked without it, and only the refund
    /// is rejected.
    async fn booked(
        self,
        mut orders: Vec<IncomingOrder>,
        came: Came,
    ) -> Result<Vec<Option<Rejection>>, CommandError> {
        for order in &mut orders {
            order.channel = self.connection.channel.clone();
        }
        let mut refused = self.try_to_book(orders.clone(), came).await?;
        for (mut order, refused) in orders.into_iter().zip(&mut refused) {
            let mut last = refused.clone();
            while let Some(Rejection::RefundWaits { refund, .. }) = &last {
                let before = order.refunds.len();
                order.refunds.retain(|one| one.number.to_string() != *refund);
                if order.refunds.len() == before || order.lines.is_empty() {
                    break;
                }
                last = self.try_to_book(vec![order.clone()], came).await?.into_iter().flatten().next();
            }
            // If something else is wrong too, that is the bigger problem.
            if last.is_some() {
                *refused = last;
            }
        }
        Ok(refused)
    }

    /// Whether a state without a usable date is on a list whose reading began after the state was first seen:
    /// then it is the order's current state.
    async fn is_seen_again(self, number: &str, raw: &str) -> Result<bool, CommandError> {
        let Some(began) = self.walk_began else { return Ok(false) };
        let kept = self.ledger.kept_since(self.connection.id, number, raw).await?;
        Ok(kept.is_some_and(|kept| kept < began && began <= self.ledger.now()))
    }

    /// `why` is the field that causes it, and the reason.
    async fn keep(self, number: String, raw: String, why: (String, String)) -> Result<(), CommandError> {
        let connection = self.connection.id;
        let (field, words) = (why.0, masked(&why.1).into_owned());
        let keep = DeferOrder { connection, number, raw, words, field, until: self.again(1) };
        if self.ledger.execute(None, &keep).await?.answer {
            tracing::warn!(
                connection = self.connection.name,
                order = keep.number,
                "kept aside: {}",
                keep.words
            );
        }
        Ok(())
    }

    /// When a rejected order is tried again.
    pub(super) fn again(self, tries: u32) -> Moment {
        let nothing_asked = Reply::Status { code: 422, retry_after: None };
        let wait = back_off(tries, self.dice, nothing_asked);
        self.ledger.now().plus_millis(i64::try_from(wait.as_millis()).unwrap_or(i64::MAX))
    }
}

/// Whether two states of an order have the same time, so that nobody can tell which is later.
pub(super) fn is_tie(rejection: &Rejection) -> bool {
    matches!(rejection, Rejection::SameDateOtherContents { .. })
}

fn refusals(outcomes: Vec<OrderOutcome>) -> Vec<Option<Rejection>> {
    let rejection = |outcome| match outcome {
        OrderOutcome::Rejected(rejection) => Some(rejection),
        OrderOutcome::Taken { .. } | OrderOutcome::Known { .. } | OrderOutcome::Changed { .. } => None,
    };
    outcomes.into_iter().map(rejection).collect()
}
