"""Imports the CDNOW purchase history as it is, and compares the books with DuckDB's sums.

The data: 69,659 purchases of 23,570 customers from January 1997 to June 1998 (Fader and Hardie), as
the file CDNOW_master.txt of the PyPI package lifetimes 0.11.3 ships it. On both engines; each time the
file goes in twice, and the second time must change nothing. Run by tests/run, which names the program
in FLEECEFOLD_BIN, the file in CDNOW_MASTER and a PostgreSQL superuser in FLEECEFOLD_TEST_PG.
"""

import csv
import io
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb

PURCHASES = 69_659
LAYOUT = Path(__file__).with_name("cdnow.toml")
BIN = os.environ["FLEECEFOLD_BIN"]
HISTORY = os.environ["CDNOW_MASTER"]
SUMS = r"""
    WITH line AS (SELECT regexp_split_to_array(trim(column0, E' \r'), ' +') AS cells
                  FROM read_csv(?, header = false, skip = 1, delim = '\x01', quote = '', columns = {'column0': 'VARCHAR'}))
    SELECT substr(cells[2], 1, 4) || '-' || substr(cells[2], 5, 2) AS month, count(*) AS sales,
           sum(cells[3]::BIGINT) AS units, sum(cells[4]::DECIMAL(12, 2)) AS gross
    FROM line GROUP BY month ORDER BY month
"""


def fleecefold(db: str, *args: str) -> str:
    """Runs the program and returns its output."""
    done = subprocess.run([BIN, "--db", db, *args], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        sys.exit(f"fleecefold {' '.join(args)} ended with {done.returncode}:\n{done.stderr}")
    return done.stdout


def months(db: str) -> list[tuple[str, int, int, str]]:
    """The books by month: month, sales, units, gross."""
    text = fleecefold(db, "books", "--by", "month", "--format", "csv")
    rows = csv.DictReader(io.StringIO(text))
    return [(row["month"], int(row["sales"]), int(row["units"]), row["gross"]) for row in rows]


def compare(db: str, expected: list[tuple[str, int, int, str]]) -> None:
    """Imports the history twice; after each import the months must equal DuckDB's."""
    for time in ("first", "second"):
        fleecefold(db, "feed", "in", "--past", "--layout", str(LAYOUT), HISTORY)
        got = months(db)
        if got != expected:
            differing = [pair for pair in zip(got, expected) if pair[0] != pair[1]]
            sys.exit(f"{db}, {time} time: {len(got)} months, {len(expected)} expected; differing: {differing}")
    fleecefold(db, "check")


def on_postgres(expected: list[tuple[str, int, int, str]]) -> None:
    """The same in its own database on the temporary server."""
    server = os.environ["FLEECEFOLD_TEST_PG"]
    name = f"cdnow_{os.getpid()}"
    psql = ["psql", "-q", "-d", server, "-c"]
    subprocess.run([*psql, f"CREATE DATABASE {name}"], check=True)
    try:
        compare(f"{server.rsplit('/', 1)[0]}/{name}", expected)
    finally:
        subprocess.run([*psql, f"DROP DATABASE {name} WITH (FORCE)"], check=True)


def main() -> None:
    """Compares both engines with one oracle."""
    rows = duckdb.connect().execute(SUMS, [HISTORY]).fetchall()
    expected = [(month, int(sales), int(units), str(gross)) for month, sales, units, gross in rows]
    assert sum(row[1] for row in expected) == PURCHASES, expected
    assert len(expected) == 18, expected
    with tempfile.TemporaryDirectory() as folder:
        compare(f"sqlite:{folder}/shop.db", expected)
    on_postgres(expected)
    print(f"{PURCHASES} purchases in 18 months: both engines agree with DuckDB, fed in twice")


if __name__ == "__main__":
    main()
