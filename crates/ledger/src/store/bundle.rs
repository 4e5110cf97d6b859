//! Several writes in one trip to the engine: most of what a short write costs is the way there and back.
//!
//! On SQLite a trip is a text of several statements, on PostgreSQL one statement whose parts are common table
//! expressions. There all parts see the database as it was before the trip, so no part may read what another of
//! its bundle writes; foreign keys are checked at its end.
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

/// The most parameters that share a trip. Larger parts are worth a trip of their own, and their sizes would make
/// every combination another statement to prepare.
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

    /// Rejects the whole unless a part returns this many rows.
    pub(crate) fn expect(&mut self, part: &'static str, rows: usize, otherwise: Rejection) {
        self.expected.push(Expected { part, rows, otherwise });
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

/// One statement of several parts, which returns what each of them returns.
fn with(parts: &[String]) -> String {
    let named = parts.iter().enumerate();
    let expressions: Vec<String> =
        named.clone().map(|(number, part)| format!("p{number} AS ({part})")).collect();
    let mut returning: Vec<String> = named
        .filter(|(_, part)| part.contains("RETURNING"))
        .map(|(number, _)| format!("SELECT part, id, value FROM p{number}"))
        .collect();
    if returning.is_empty() {
        returning.push("SELECT '' AS part WHERE 1 = 0".to_owned());
    }
    format!("WITH {} {}", expressions.join(", "), returning.join(" UNION ALL "))
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
        self.last = bundle;
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
                "WITH p0 AS ({head} VALUES ($1, $2), ($3, $4) ), p1 AS (UPDATE item SET revision = $5 WHERE id = $6 \
                 RETURNING 'news' AS part, id, revision AS value) SELECT part, id, value FROM p1"
            ),
        );
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
