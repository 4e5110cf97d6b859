//! Statements with several rows, built once for each size.

use crate::store::tables::Table;
use sqlx::AssertSqlSafe;
use sqlx::any::{AnyArguments, AnyRow};
use sqlx::query::Query;
use sqlx::{Any, AnyConnection, Database};

/// A statement with its arguments.
pub(crate) type Statement<'q> = Query<'q, Any, AnyArguments>;

/// The most rows in one statement. A row has at most 30 columns, so 128 rows stay far below both
/// engines' limits on parameters (32,766 on SQLite).
pub(crate) const MAX_ROWS: usize = 128;

/// How many rows each statement takes, so that `count` rows need only few sizes of statement, each of
/// which the engine prepares once: powers of two, largest first.
pub(crate) fn chunk_sizes(count: usize) -> impl Iterator<Item = usize> {
    let mut left = count;
    std::iter::from_fn(move || {
        let size = (1 << left.checked_ilog2()?).min(MAX_ROWS);
        left -= size;
        Some(size)
    })
}

/// How an engine marks the parameters of a statement with many rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Marks {
    /// `?`, for SQLite. A named parameter, such as `$7`, is searched among all of them when it is
    /// bound; with 1,792 of them that took two thirds of an import's time.
    Plain,
    /// `$7`, which PostgreSQL requires.
    Numbered,
}

impl Marks {
    pub(crate) fn of(connection: &AnyConnection) -> Self {
        if connection.backend_name() == sqlx::Sqlite::NAME { Self::Plain } else { Self::Numbered }
    }
}

/// `head VALUES ($1, $2), ($3, $4) tail`; head and tail have no parameters.
pub(crate) fn values_text(marks: Marks, head: &str, columns: usize, rows: usize, tail: &str) -> String {
    let mut text = String::with_capacity(head.len() + rows * columns * 7 + tail.len() + 16);
    text.push_str(head);
    text.push_str(" VALUES ");
    for row in 0..rows {
        text.push_str(if row == 0 { "(" } else { ", (" });
        for column in 0..columns {
            if column > 0 {
                text.push_str(", ");
            }
            match marks {
                Marks::Plain => text.push('?'),
                Marks::Numbered => {
                    text.push('$');
                    text.push_str(&(row * columns + column + 1).to_string());
                }
            }
        }
        text.push(')');
    }
    text.push(' ');
    text.push_str(tail);
    text
}

/// Writes rows with as few statements as possible. `bind` adds the values of one row, in the order of the table's columns.
pub(crate) async fn insert_rows<T: Sync>(
    connection: &mut AnyConnection,
    table: &'static Table,
    rows: &[T],
    bind: impl for<'q> Fn(Statement<'q>, &'q T) -> Statement<'q> + Send + Sync,
) -> Result<u64, sqlx::Error> {
    insert_rows_or(connection, table, "", rows, bind).await
}

/// Like [`insert_rows`], with a tail such as `ON CONFLICT DO NOTHING`.
pub(crate) async fn insert_rows_or<T: Sync>(
    connection: &mut AnyConnection,
    table: &'static Table,
    tail: &'static str,
    rows: &[T],
    bind: impl for<'q> Fn(Statement<'q>, &'q T) -> Statement<'q> + Send + Sync,
) -> Result<u64, sqlx::Error> {
    let marks = Marks::of(connection);
    let (mut rest, mut written) = (rows, 0);
    for size in chunk_sizes(rows.len()) {
        let (chunk, after) = rest.split_at(size);
        rest = after;
        let text = values_text(marks, table.insert, table.columns.len(), size, tail);
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for row in chunk {
            statement = bind(statement, row);
        }
        written += statement.execute(&mut *connection).await?.rows_affected();
    }
    Ok(written)
}

/// Like [`insert_rows_or`], with a tail that ends in `RETURNING …`: returns the rows that were written.
pub(crate) async fn insert_rows_returning<T: Sync>(
    connection: &mut AnyConnection,
    table: &'static Table,
    tail: &'static str,
    rows: &[T],
    bind: impl for<'q> Fn(Statement<'q>, &'q T) -> Statement<'q> + Send + Sync,
) -> Result<Vec<AnyRow>, sqlx::Error> {
    let marks = Marks::of(connection);
    let (mut rest, mut written) = (rows, Vec::new());
    for size in chunk_sizes(rows.len()) {
        let (chunk, after) = rest.split_at(size);
        rest = after;
        let text = values_text(marks, table.insert, table.columns.len(), size, tail);
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for row in chunk {
            statement = bind(statement, row);
        }
        written.extend(statement.fetch_all(&mut *connection).await?);
    }
    Ok(written)
}

/// `head IN ($n, …) tail` for `count` values, the first of which is parameter `first`. The count is
/// rounded up to a power of two, so that there are few statements to prepare; bind with [`padded`].
pub(crate) fn in_text(head: &str, first: usize, count: usize, tail: &str) -> String {
    let places: Vec<String> = (first..first + count.next_power_of_two()).map(|p| format!("${p}")).collect();
    format!("{head} IN ({}) {tail}", places.join(", "))
}

/// The values, and the last of them repeated up to a power of two.
pub(crate) fn padded<T: Clone>(values: &[T]) -> impl Iterator<Item = T> {
    let missing = values.len().next_power_of_two() - values.len();
    let last = values.last().cloned();
    values.iter().cloned().chain(last.into_iter().cycle().take(missing))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_add_up_and_stay_small() {
        let check = |count: usize, expected: &[usize]| {
            assert_eq!(chunk_sizes(count).collect::<Vec<_>>(), expected, "{count}");
        };
        check(0, &[]);
        check(1, &[1]);
        check(3, &[2, 1]);
        check(128, &[128]);
        check(300, &[128, 128, 32, 8, 4]);
    }

    #[test]
    fn statements_number_their_places() {
        let check = |marks, expected: &str| {
            assert_eq!(values_text(marks, "INSERT INTO t (a, b)", 2, 2, "ON CONFLICT DO NOTHING"), expected);
        };
        check(Marks::Numbered, "INSERT INTO t (a, b) VALUES ($1, $2), ($3, $4) ON CONFLICT DO NOTHING");
        check(Marks::Plain, "INSERT INTO t (a, b) VALUES (?, ?), (?, ?) ON CONFLICT DO NOTHING");
        assert_eq!(
            in_text("SELECT x WHERE id", 2, 3, "ORDER BY id"),
            "SELECT x WHERE id IN ($2, $3, $4, $5) ORDER BY id"
        );
        assert_eq!(padded(&[1, 2, 3]).collect::<Vec<_>>(), [1, 2, 3, 3]);
    }
}
