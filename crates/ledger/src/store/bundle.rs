//! Several writes in one trip to the engine: most of what a short write costs is the way there and back.
//!
//! On SQLite a trip is a text of several statements, on PostgreSQL one statement whose parts are common table
//! expressions. There all parts see the database as it was before the trip, so no part may read what another of
//! its bundle writes; foreign keys are checked at its end.
//!
//! Parts are made in their order on both engines, which is the order of their locks. PostgreSQL runs an
//! expression when the statement first reads it, and one that nothing reads at some time of its own, so the
//! statement reads all of them.
//!
//! A part may return rows, in one form for all: `RETURNING '…' AS part, … AS id, … AS value`, with BIGINT for the
//! last two.

use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::Rejection;
use crate::store::sql::{Marks, Statement, chunk_sizes, values_text};
use crate::store::tables::Table;
use sqlx::{AssertSqlSafe, Execute, Row};
use std::fmt;

/// The most parameters that share a trip: the stock entries of a sale of a dozen lines. Larger parts are worth a
/// trip of their own, and their sizes would make every combination another statement to prepare.
const MAX_SHARED: usize = 160;

/// What a part returns if its rows are news to whoever waits for [`crate::Ledger::changes`].
pub(crate) const NEWS: &str = "news";

/// Writes that are ready to be made.
#[derive(Default)]
pub(crate) struct Bundle {
    trips: Vec<Trip>,
    expected: Vec<Expected>,
}

/// How many rows a part must return.
struct Expected {
    part: &'static str,
    rows: usize,
    otherwise: Rejection,
}

struct Trip {
    /// Each with `?` for its parameters.
    parts: Vec<String>,
    /// Holds the arguments; its text comes later.
    bound: Statement<'static>,
    parameters: usize,
}

impl fmt::Debug for Bundle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self.trips.iter().map(|trip| &trip.parts)).finish()
    }
}

impl Trip {
    fn new() -> Self {
        Self { parts: Vec::new(), bound: sqlx::query(""), parameters: 0 }
    }
}

/// The rows that parts returned: the part, its id and its value.
#[derive(Debug, Default)]
pub(crate) struct Returned(Vec<(String, i64, i64)>);

impl Returned {
    /// Adds what a later bundle returned.
    pub(crate) fn extend(&mut self, later: Self) {
        self.0.extend(later.0);
    }

    /// The ids and values that a part returned.
    pub(crate) fn of(&self, part: &str) -> impl Iterator<Item = (i64, i64)> {
        self.0.iter().filter(move |(name, ..)| name == part).map(|(_, id, value)| (*id, *value))
    }
}

impl Bundle {
    /// Adds rows of a table. The tail may be a conflict clause and `RETURNING …`.
    pub(crate) fn insert<T>(
        &mut self,
        table: &'static Table,
        tail: &'static str,
        rows: &[T],
        bind: impl Fn(Statement<'static>, &T) -> Statement<'static>,
    ) {
        let (mut rest, columns) = (rows, table.columns.len());
        for size in chunk_sizes(rows.len()) {
            let (chunk, after) = rest.split_at(size);
            rest = after;
            let text = values_text(Marks::Plain, table.insert, columns, size, tail);
            self.add(text, size * columns, |statement| chunk.iter().fold(statement, &bind));
        }
    }

    /// Rejects the whole unless a part returns this many rows. Asked again, the rows of a part add up.
    pub(crate) fn expect(&mut self, part: &'static str, rows: usize, otherwise: Rejection) {
        match self.expected.iter_mut().find(|expected| expected.part == part) {
            Some(expected) => expected.rows += rows,
            None => self.expected.push(Expected { part, rows, otherwise }),
        }
    }

    /// Adds what another bundle holds, after what this one holds.
    pub(crate) fn append(&mut self, other: Self) {
        self.trips.extend(other.trips);
        for Expected { part, rows, otherwise } in other.expected {
            self.expect(part, rows, otherwise);
        }
    }

    /// Adds any other write, with `?` for each of its parameters. It may end in `RETURNING …`.
    pub(crate) fn add(
        &mut self,
        text: String,
        parameters: usize,
        bind: impl FnOnce(Statement<'static>) -> Statement<'static>,
    ) {
        debug_assert_eq!(text.matches('?').count(), parameters, "{text}");
        match self.trips.last() {
            Some(last) if last.parameters + parameters <= MAX_SHARED => {}
            _ => self.trips.push(Trip::new()),
        }
        let Some(trip) = self.trips.last_mut() else { return };
        trip.bound = bind(std::mem::replace(&mut trip.bound, sqlx::query("")));
        trip.parameters += parameters;
        trip.parts.push(text);
    }
}

impl Trip {
    fn text(&self, marks: Marks) -> String {
        match (marks, self.parts.as_slice()) {
            (Marks::Plain, parts) => parts.join("; "),
            (Marks::Numbered, [one]) => numbered(one),
            (Marks::Numbered, parts) => numbered(&with(parts)),
        }
    }
}

/// What a part returns that has nothing to say: rows that the statement reads and drops.
const SILENT: &str = "RETURNING '' AS part, CAST(0 AS BIGINT) AS id, CAST(0 AS BIGINT) AS value";

/// One statement of several parts, which returns what each of them returns.
fn with(parts: &[String]) -> String {
    let (mut expressions, mut reads) = (Vec::with_capacity(parts.len()), Vec::with_capacity(parts.len()));
    for (number, part) in parts.iter().enumerate() {
        if part.contains("RETURNING") {
            expressions.push(format!("p{number} AS ({part})"));
            reads.push(format!("SELECT part, id, value FROM p{number}"));
        } else {
            expressions.push(format!("p{number} AS ({part} {SILENT})"));
            reads.push(format!("SELECT part, id, value FROM p{number} WHERE part <> ''"));
        }
    }
    format!("WITH {} {}", expressions.join(", "), reads.join(" UNION ALL "))
}

/// `$1`, `$2` and so on for each `?`.
fn numbered(text: &str) -> String {
    let mut written = String::with_capacity(text.len() * 2);
    for (number, piece) in text.split('?').enumerate() {
        if number > 0 {
            written.push('$');
            written.push_str(&number.to_string());
        }
        written.push_str(piece);
    }
    written
}

impl Tx {
    /// Makes the writes of a bundle, in their order.
    pub(crate) async fn write(&mut self, bundle: Bundle) -> Result<Returned, CommandError> {
        let marks = Marks::of(self.db());
        let mut returned = Returned::default();
        for mut trip in bundle.trips {
            let arguments = trip.bound.take_arguments().map_err(sqlx::Error::Encode)?.unwrap_or_default();
            let statement = sqlx::query_with(AssertSqlSafe(trip.text(marks)), arguments);
            for row in statement.fetch_all(self.db()).await? {
                returned.0.push((row.try_get("part")?, row.try_get("id")?, row.try_get("value")?));
            }
        }
        if returned.of(NEWS).next().is_some() {
            self.notify_on_commit();
        }
        match bundle.expected.into_iter().find(|e| returned.of(e.part).count() != e.rows) {
            Some(missed) => Err(missed.otherwise.into()),
            None => Ok(returned),
        }
    }

    /// Leaves the writes to the end of the command, where they are made with its answer.
    pub(crate) fn write_last(&mut self, bundle: Bundle) {
        self.last.append(bundle);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::tables::{CODE, OUTBOX};

    #[test]
    fn a_trip_has_the_text_that_its_engine_takes() {
        let mut bundle = Bundle::default();
        bundle
            .insert(&CODE, "", &["a", "b"], |statement, code| statement.bind((*code).to_owned()).bind(1_i64));
        let text =
            "UPDATE item SET revision = ? WHERE id = ? RETURNING 'news' AS part, id, revision AS value";
        bundle.add(text.to_owned(), 2, |statement| statement.bind(1_i64).bind(2_i64));
        let [trip] = bundle.trips.as_slice() else { panic!("{} trips", bundle.trips.len()) };
        let check = |marks, expected: &str| assert_eq!(trip.text(marks), expected);
        let head = CODE.insert;
        check(Marks::Plain, &format!("{head} VALUES (?, ?), (?, ?) ; {text}"));
        check(
            Marks::Numbered,
            &format!(
                "WITH p0 AS ({head} VALUES ($1, $2), ($3, $4)  {SILENT}), \
                 p1 AS (UPDATE item SET revision = $5 WHERE id = $6 \
                 RETURNING 'news' AS part, id, revision AS value) \
                 SELECT part, id, value FROM p0 WHERE part <> '' UNION ALL SELECT part, id, value FROM p1"
            ),
        );
    }

    #[test]
    fn a_bundle_expects_all_rows_of_a_part_whoever_asked_for_them() {
        let expected = |bundle: &Bundle| -> Vec<(&str, usize)> {
            bundle.expected.iter().map(|expected| (expected.part, expected.rows)).collect()
        };
        let otherwise = || Rejection::UnknownCode { code: "X".to_owned() };
        let (mut first, mut second) = (Bundle::default(), Bundle::default());
        first.expect("taken", 2, otherwise());
        second.expect("ended", 1, otherwise());
        second.expect("taken", 3, otherwise());
        for bundle in [&mut first, &mut second] {
            bundle.insert(&CODE, "", &[1_i64], |s, n| s.bind(String::new()).bind(*n));
        }
        first.append(second);
        assert_eq!(expected(&first), [("taken", 5), ("ended", 1)]);
        assert_eq!(first.trips.len(), 2);
    }

    #[test]
    fn large_parts_travel_alone() {
        let rows = |count: usize| vec![1_i64; count];
        let check = |counts: &[usize], expected: &[usize]| {
            let mut bundle = Bundle::default();
            for count in counts {
                bundle.insert(&CODE, "", &rows(*count), |s, n| s.bind(String::new()).bind(*n));
            }
            let parts: Vec<usize> = bundle.trips.iter().map(|trip| trip.parts.len()).collect();
            assert_eq!(parts, expected, "{counts:?}");
        };
        assert_eq!((CODE.columns.len(), OUTBOX.name), (2, "outbox"));
        check(&[], &[]);
        check(&[1, 1, 1], &[3]);
        check(&[1, 128, 1], &[1, 1, 1]);
        check(&[40, 40, 1], &[4, 1]);
    }
}
