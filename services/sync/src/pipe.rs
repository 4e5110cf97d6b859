//! Parses a file on a thread of its own while the ledger writes. Both halves of taking in a file cost about the
//! same, and together they take as long as the slower one.

use feeds::{FeedError, Parsed, Reject, Rows, Shape};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// How many records go through the pipe at once: few enough to limit memory, enough that handing them over
/// costs nothing compared with parsing.
const AT_ONCE: usize = 256;
/// After this many bytes of rows, fewer go at once, so that a file with very long rows fills no memory.
const AT_ONCE_BYTES: usize = 1 << 20;
/// How many such batches may wait.
const WAITING: usize = 4;

pub(crate) type Read<T> = Result<Parsed<T>, Reject>;

/// What comes out of the pipe.
pub(crate) enum Piece<T> {
    /// The format of the file; comes first.
    Shape(Shape),
    /// The next records, in the file's order.
    Records(Vec<Read<T>>),
}

pub(crate) type Pieces<T> = mpsc::Receiver<Piece<T>>;

pub(crate) struct Filling<T> {
    out: mpsc::Sender<Piece<T>>,
    records: Vec<Read<T>>,
    bytes: usize,
}

impl<T> Filling<T> {
    /// Passes on everything in a file. Ends early if nobody listens any more.
    pub(crate) fn fill(mut self, shape: &Shape, records: impl Iterator<Item = Read<T>>) {
        if self.out.blocking_send(Piece::Shape(shape.clone())).is_err() {
            return;
        }
        for record in records {
            self.bytes += size(match &record {
                Ok(parsed) => &parsed.rows,
                Err(reject) => reject.rows(),
            });
            self.records.push(record);
            let is_full = self.records.len() >= AT_ONCE || self.bytes >= AT_ONCE_BYTES;
            if is_full && !self.hand_on() {
                return;
            }
        }
        if !self.records.is_empty() {
            self.hand_on();
        }
    }

    fn hand_on(&mut self) -> bool {
        self.bytes = 0;
        let records = std::mem::replace(&mut self.records, Vec::with_capacity(AT_ONCE));
        self.out.blocking_send(Piece::Records(records)).is_ok()
    }
}

/// The size of the rows, in bytes.
pub(crate) fn size(rows: &Rows) -> usize {
    rows.iter().map(<[u8]>::len).sum()
}

/// Starts the reading half.
pub(crate) fn start<T: Send + 'static>(
    read: impl FnOnce(Filling<T>) -> Result<(), FeedError> + Send + 'static,
) -> (mpsc::Receiver<Piece<T>>, JoinHandle<Result<(), FeedError>>) {
    let (out, pieces) = mpsc::channel(WAITING);
    let reader = tokio::task::spawn_blocking(move || {
        read(Filling { out, records: Vec::with_capacity(AT_ONCE), bytes: 0 })
    });
    (pieces, reader)
}
