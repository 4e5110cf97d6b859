//! Takes in orders.
//!
//! Every order has a key of its own, so the same file again changes nothing, and after an interruption the file
//! is simply fed again.

use super::rejects::{IntakeError, RefusedRow, Rejects};
use crate::config::{Given, GivenLayout};
use crate::pipe::{self, Piece, Pieces};
use crate::watch::Watch;
use domain::order::{IncomingOrder, OrderStatus};
use feeds::{Feed, FeedError, Parsed, Reading, Reject, read_orders};
use ledger::orders::{OrderOutcome, TakeOrders};
use ledger::{Ledger, Pace};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;
use tokio::task::JoinHandle;

/// After this many bytes of rows, orders go to the ledger even if they have few lines.
const AT_ONCE_BYTES: usize = 16 << 20;

/// A file of orders to take in.
#[derive(Debug)]
pub struct OrdersRun<'a> {
    pub given: &'a Given,
    /// How to read it; our own field names if none.
    pub layout: Option<&'a GivenLayout>,
    /// Past orders from another system: they go into the books and leave stock alone.
    pub past: bool,
    /// Only report what would happen.
    pub dry_run: bool,
    pub who: &'a str,
    pub watch: Arc<Watch>,
}

/// What became of a file of orders.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrdersReport {
    /// Whether it was a dry run.
    pub dry_run: bool,
    /// Orders that were new.
    pub taken: u64,
    /// Orders that were known already.
    pub known: u64,
    /// Orders of which a later state was booked.
    pub changed: u64,
    /// Rejected orders, and rows that belong to no order.
    pub rejected: u64,
    /// Lines that were sold.
    pub filled: u64,
    /// Lines on hold, because their order is unpaid or has an unknown status.
    #[serde(default)]
    pub held: u64,
    /// Lines that are out of stock and wait for a decision.
    pub short: u64,
    /// Refunds that were booked.
    pub refunds: u64,
    /// New orders with an unknown status, which somebody must settle.
    #[serde(default)]
    pub unknown_status: u64,
    /// The first of the rejected orders.
    pub refused: Vec<RefusedRow>,
    pub rejects_file: Option<PathBuf>,
}

impl fmt::Display for OrdersReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { taken, known, changed, rejected, filled, held, short, refunds, .. } = self;
        write!(f, "{taken} orders taken, {known} known, {changed} changed, {rejected} refused; ")?;
        write!(f, "{filled} lines filled, ")?;
        if *held > 0 {
            write!(f, "{held} on hold, ")?;
        }
        write!(f, "{short} short; {refunds} refunds")?;
        match self.unknown_status {
            0 => Ok(()),
            1 => f.write_str("; 1 order with an unknown status"),
            orders => write!(f, "; {orders} orders with an unknown status"),
        }
    }
}

/// Takes a file of orders in.
pub async fn feed_in(ledger: &Ledger, run: &OrdersRun<'_>) -> Result<OrdersReport, IntakeError> {
    let layout = run.given.layout(Feed::Orders, run.layout)?;
    let file_hash = run.given.hash()?;
    let rejects = Rejects::new(run.given, !run.dry_run)?;
    let file = run.given.open(&run.watch)?;
    let shop = ledger.refresh_shop().await?;
    let past = run.past;
    let (mut pieces, reader) = pipe::start(move |out| {
        let reading =
            Reading { layout: &layout, currency: shop.currency, zone: &shop.zone, file_hash: &file_hash };
        let orders = read_orders(file, reading, past)?;
        let shape = orders.shape().clone();
        out.fill(&shape, orders);
        Ok(())
    });
    let mut taking = Taking {
        ledger,
        run,
        pace: ledger.pace().await?,
        rejects,
        report: OrdersReport { dry_run: run.dry_run, ..OrdersReport::default() },
        orders: Vec::new(),
        places: Vec::new(),
        lines: 0,
        bytes: 0,
    };
    match taking.all(&mut pieces, reader).await {
        Ok(()) => taking.end(),
        Err(error) => Err(error.after(taking.report.so_far())),
    }
}

struct Taking<'a> {
    ledger: &'a Ledger,
    run: &'a OrdersRun<'a>,
    pace: Pace,
    rejects: Rejects,
    report: OrdersReport,
    orders: Vec<IncomingOrder>,
    places: Vec<Parsed<()>>,
    lines: usize,
    bytes: usize,
}

impl OrdersReport {
    /// What was booked before a run stopped; none if nothing.
    fn so_far(&self) -> Option<String> {
        let is_some = !self.dry_run && self.taken + self.known + self.changed > 0;
        is_some.then(|| self.to_string())
    }
}

impl Taking<'_> {
    /// Takes in whatever is read, to its end.
    async fn all(
        &mut self,
        pieces: &mut Pieces<IncomingOrder>,
        reader: JoinHandle<Result<(), FeedError>>,
    ) -> Result<(), IntakeError> {
        while let Some(piece) = pieces.recv().await {
            match piece {
                Piece::Shape(shape) => self.rejects.shape(shape),
                Piece::Records(records) => {
                    for record in records {
                        match record {
                            Err(reject) => self.rejects.push(&reject)?,
                            Ok(parsed) => self.one(parsed).await?,
                        }
                    }
                }
            }
        }
        let read = reader.await.map_err(IntakeError::Reader)?;
        read.map_err(|source| IntakeError::File { name: self.run.given.name().to_owned(), source })?;
        self.flush().await
    }

    async fn one(&mut self, parsed: Parsed<IncomingOrder>) -> Result<(), IntakeError> {
        let Parsed { value, line, rows } = parsed;
        let lines = (value.lines.len() + value.refunds.len()).max(1);
        // An order is never split, and a transaction has at most as many rows as the pace allows.
        if self.lines + lines > self.pace.rows() {
            self.flush().await?;
        }
        self.lines += lines;
        self.bytes += pipe::size(&rows);
        self.orders.push(value);
        self.places.push(Parsed { value: (), line, rows });
        if self.lines >= self.pace.rows() || self.bytes >= AT_ONCE_BYTES {
            self.flush().await?;
        }
        Ok(())
    }

    async fn flush(&mut self) -> Result<(), IntakeError> {
        if self.orders.is_empty() {
            return Ok(());
        }
        let orders = std::mem::take(&mut self.orders);
        let batch = TakeOrders { orders, past: self.run.past, who: self.run.who.to_owned() };
        let began = Instant::now();
        let outcomes = if self.run.dry_run {
            self.ledger.try_orders(&batch).await?
        } else {
            self.ledger.take_orders(&batch).await?
        };
        let places = std::mem::take(&mut self.places);
        for ((place, order), outcome) in places.into_iter().zip(&batch.orders).zip(outcomes) {
            self.count(place, order, outcome)?;
        }
        (self.lines, self.bytes) = (0, 0);
        if !self.run.dry_run {
            self.pace.took(self.ledger, began.elapsed()).await?;
        }
        Ok(())
    }

    fn count(
        &mut self,
        place: Parsed<()>,
        order: &IncomingOrder,
        outcome: OrderOutcome,
    ) -> Result<(), IntakeError> {
        let report = &mut self.report;
        let booked = match outcome {
            OrderOutcome::Taken { filled, held, short, refunds, .. } => {
                report.taken += 1;
                report.filled += filled as u64;
                report.held += held as u64;
                report.unknown_status += u64::from(order.status == OrderStatus::Unknown);
                report.short += short as u64;
                refunds
            }
            OrderOutcome::Known { refunds, .. } => {
                report.known += 1;
                refunds
            }
            OrderOutcome::Changed { short, refunds, .. } => {
                report.changed += 1;
                report.short += short as u64;
                refunds
            }
            OrderOutcome::Rejected(rejection) => {
                let (whose, why) = (format!("order {}", order.number), words::rejection(&rejection));
                let why = if why.starts_with(&whose) { why } else { format!("{whose}: {why}") };
                return self.rejects.push(&Reject::refused(place, why));
            }
        };
        report.refunds += booked as u64;
        Ok(())
    }

    fn end(mut self) -> Result<OrdersReport, IntakeError> {
        let rejects_file = self.rejects.finish()?;
        Ok(OrdersReport {
            rejected: self.rejects.count,
            refused: std::mem::take(&mut self.rejects.told),
            rejects_file,
            ..self.report
        })
    }
}
