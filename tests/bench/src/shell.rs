//! The finished rows of an import, loaded by each engine's own shell into the same tables with the same
//! indexes.

use crate::program::run_other;
use crate::rows::Bench;
use crate::shop::{Engine, Shop, text};
use crate::trouble::{BenchError, Trying};
use rusqlite::Connection;
use std::fmt::Write;
use std::fs;
use std::process::Command;
use std::time::Instant;

/// The tables that an import of past orders fills, each after those that it refers to, with the order of its
/// rows.
const TABLES: [(&str, &str); 5] = [
    ("customer_order", "id"),
    ("sale", "id"),
    ("sale_line", "id"),
    ("tender", "id"),
    ("day_total", "day, channel"),
];

impl Bench {
    /// How long the shell takes, in seconds.
    pub(crate) fn shell_import(&self, finished: &Shop) -> Result<f64, BenchError> {
        match finished.engine {
            Engine::Sqlite => self.sqlite_shell_import(finished),
            Engine::Postgres => self.psql_import(finished),
        }
    }

    /// The shell uses the program's settings for the file (WAL, full flushes, the same cache) and keeps its own
    /// default of not checking foreign keys. Its CSV cannot express NULL, but missing last columns become NULL:
    /// columns that are NULL in every row are moved to the end of the shell's tables.
    fn sqlite_shell_import(&self, finished: &Shop) -> Result<f64, BenchError> {
        let empty = self.shops.new_shop(Engine::Sqlite, "shell")?;
        let from = Connection::open(self.shops.path(finished))?;
        let to = Connection::open(self.shops.path(&empty))?;
        let mut script =
            "PRAGMA synchronous = FULL; PRAGMA cache_size = -16384; PRAGMA temp_store = MEMORY;\n".to_owned();
        let mut files = Vec::new();
        for (table, order) in TABLES {
            let (filled, empty_columns) = columns(&from, table)?;
            if !empty_columns.is_empty() {
                move_last(&to, table, &empty_columns)?;
            }
            let file = self.shops.file(&format!("{table}.csv"));
            let select = format!("SELECT {} FROM {table} ORDER BY {order}", filled.join(", "));
            let mut dump = Command::new("sqlite3");
            dump.arg("-csv").arg(self.shops.path(finished)).arg(format!(".once {}", text(&file))).arg(select);
            run_other(&mut dump, "the sqlite3 shell")?;
            // Writing into a String cannot fail.
            let _ = writeln!(script, ".import --csv {} {table}", text(&file));
            files.push(file);
        }
        drop(to);
        let mut shell = Command::new("sqlite3");
        shell.arg("-bail").arg(self.shops.path(&empty));
        let commands = self.shops.file("import.sql");
        fs::write(&commands, script).trying("writing the shell's commands")?;
        // Its message for each row is discarded, so that printing it costs as little as possible.
        shell.stdin(fs::File::open(&commands).trying("reading the shell's commands")?);
        shell.stderr(std::process::Stdio::null());
        let start = Instant::now();
        let status = shell.status().trying("the sqlite3 shell")?;
        let took = start.elapsed().as_secs_f64();
        if !status.success() {
            return Err(BenchError::Unexpected(format!("the sqlite3 shell ended with {status}")));
        }
        self.same_rows(finished, &empty)?;
        self.shops.remove(&empty)?;
        for file in files {
            fs::remove_file(file).trying("removing rows")?;
        }
        Ok(took)
    }

    fn psql_import(&self, finished: &Shop) -> Result<f64, BenchError> {
        let server = self.shops.postgres()?;
        let empty = self.shops.new_shop(Engine::Postgres, "shell")?;
        let mut load = server.tool("psql");
        load.args(["-X", "-q", "-v", "ON_ERROR_STOP=1", "-1", "-d", &empty.url]);
        for (table, order) in TABLES {
            let file = text(&self.shops.file(&format!("{table}.csv")));
            let copy = format!("\\copy (SELECT * FROM {table} ORDER BY {order}) TO '{file}' (FORMAT csv)");
            let mut dump = server.tool("psql");
            dump.args(["-X", "-q", "-v", "ON_ERROR_STOP=1", "-d", &finished.url, "-c", &copy]);
            run_other(&mut dump, "psql")?;
            load.args(["-c", &format!("\\copy {table} FROM '{file}' (FORMAT csv)")]);
        }
        let start = Instant::now();
        run_other(&mut load, "psql")?;
        let took = start.elapsed().as_secs_f64();
        self.same_rows(finished, &empty)?;
        self.shops.remove(&empty)?;
        for (table, _) in TABLES {
            fs::remove_file(self.shops.file(&format!("{table}.csv"))).trying("removing rows")?;
        }
        Ok(took)
    }

    /// Both shops must have the same number of rows and the same sums of money.
    fn same_rows(&self, one: &Shop, other: &Shop) -> Result<(), BenchError> {
        let counts = TABLES.map(|(table, _)| format!("SELECT COUNT(*) FROM {table}"));
        let sums =
            ["SELECT SUM(amount) FROM sale_line".to_owned(), "SELECT SUM(gross) FROM day_total".to_owned()];
        for sql in counts.iter().chain(&sums) {
            let (one, other) = (self.shops.text(one, sql)?, self.shops.text(other, sql)?);
            if one != other {
                return Err(BenchError::Unexpected(format!(
                    "{sql}: {one} after the import, {other} after the shell's"
                )));
            }
        }
        Ok(())
    }
}

/// A table's columns: those that are filled in every row, and those that are NULL in every row.
fn columns(connection: &Connection, table: &str) -> Result<(Vec<String>, Vec<String>), BenchError> {
    let names: Vec<String> = connection
        .prepare("SELECT name FROM pragma_table_info($1) ORDER BY cid")?
        .query_map([table], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    let (mut filled, mut empty) = (Vec::new(), Vec::new());
    for name in names {
        let text = format!("SELECT COUNT(*) - COUNT({name}), COUNT({name}) FROM {table}");
        let (nulls, values): (i64, i64) =
            connection.query_row(&text, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
        match (nulls, values) {
            (0, _) => filled.push(name),
            (_, 0) => empty.push(name),
            _ => {
                return Err(BenchError::Unexpected(format!(
                    "{table}.{name} is NULL in some rows, which the shell cannot take in"
                )));
            }
        }
    }
    Ok((filled, empty))
}

/// Recreates an empty table, with its indexes, with some columns moved to the end.
fn move_last(connection: &Connection, table: &str, last: &[String]) -> Result<(), BenchError> {
    let texts: Vec<String> = connection
        .prepare(
            "SELECT sql FROM sqlite_master WHERE tbl_name = $1 AND sql IS NOT NULL ORDER BY type = 'index'",
        )?
        .query_map([table], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    let (create, indexes) = texts
        .split_first()
        .ok_or_else(|| BenchError::Unexpected(format!("the shop has no table {table}")))?;
    let mut batch = format!("PRAGMA foreign_keys = OFF; DROP TABLE {table};\n{};\n", reordered(create, last));
    for index in indexes {
        // Writing into a String cannot fail.
        let _ = writeln!(batch, "{index};");
    }
    Ok(connection.execute_batch(&batch)?)
}

/// A CREATE TABLE with one line per column or constraint, with some columns moved to the end.
fn reordered(create: &str, last: &[String]) -> String {
    let lines: Vec<&str> = create.lines().collect();
    let inner = lines.get(1..lines.len() - 1).unwrap_or_default();
    let inner = inner.iter().map(|line| line.trim().trim_end_matches(',')).filter(|line| !line.is_empty());
    let word = |line: &str| line.split([' ', '(']).next().unwrap_or_default().to_owned();
    let rank = |line: &&str| match word(line) {
        first if ["CHECK", "UNIQUE", "PRIMARY", "FOREIGN"].contains(&first.as_str()) => 2,
        first if last.contains(&first) => 1,
        _ => 0,
    };
    let mut inner: Vec<&str> = inner.collect();
    inner.sort_by_key(rank);
    format!("{}\n{}\n)", lines[0], inner.join(",\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_move_behind_the_others_and_before_the_constraints() {
        let create = "CREATE TABLE t (\n    a BIGINT,\n    b TEXT CHECK (b IN ('x', 'y')),\n    c BIGINT,\n    CHECK (a > 0)\n)";
        assert_eq!(
            reordered(create, &["a".to_owned()]),
            "CREATE TABLE t (\nb TEXT CHECK (b IN ('x', 'y')),\nc BIGINT,\na BIGINT,\nCHECK (a > 0)\n)"
        );
    }
}
