//! What each engine plans for a statement.

use sqlx::{AnyConnection, AssertSqlSafe, Connection, Row};
use std::collections::BTreeSet;
use testkit::TestShop;

/// Tables that stay small however long a shop exists: settings, people, styles, what is open at one time.
const SMALL: [&str; 15] = [
    "style",
    "setting",
    "shop_state",
    "node_lease",
    "channel",
    "connection",
    "connection_state",
    "person",
    "device",
    "session",
    "sign_in_try",
    "api_token",
    "layout",
    "listing_text",
    "pull",
];

/// In PostgreSQL's own unit: a page read in sequence is 1, a row that is checked 0.01. What it must not do
/// counts as 10,000,000,000.
const MOST_COST: f64 = 5_000.0;

/// Updates the engine's statistics.
pub(crate) async fn notice(shop: &TestShop) {
    let mut connection = bare(shop).await;
    sqlx::query("ANALYZE").execute(&mut connection).await.expect("it looks");
    connection.close().await.expect("it ends");
}

async fn bare(shop: &TestShop) -> AnyConnection {
    AnyConnection::connect(&shop.ground.url.replace("sqlite:", "sqlite://")).await.expect("a bare connection")
}

async fn texts(connection: &mut AnyConnection, text: String) -> Result<Vec<String>, sqlx::Error> {
    let rows = sqlx::query(AssertSqlSafe(text)).fetch_all(connection).await?;
    rows.iter().map(|row| row.try_get(0)).collect()
}

/// What is wrong with the statements, one line each.
pub(crate) async fn faults(shop: &TestShop, statements: &BTreeSet<String>) -> Vec<String> {
    let mut connection = bare(shop).await;
    let is_sqlite = shop.engine == testkit::Engine::Sqlite;
    let names = if is_sqlite {
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%sqlx%' AND name NOT LIKE 'sqlite%'"
    } else {
        "SELECT CAST(table_name AS TEXT) FROM information_schema.tables WHERE table_schema = 'public' \
             AND table_type = 'BASE TABLE'"
    };
    let tables = texts(&mut connection, names.to_owned()).await.expect("the tables' names");
    let growing: Vec<String> = tables.into_iter().filter(|table| !SMALL.contains(&table.as_str())).collect();
    assert!(growing.len() > 25, "{growing:?}");
    let (mut faults, mut seen) = (Vec::new(), 0);
    // On SQLite, writes that belong together are one text.
    let single = statements.iter().flat_map(|text| text.split(';')).map(str::trim);
    for statement in single.collect::<BTreeSet<&str>>() {
        let verb = statement.split_whitespace().next().unwrap_or_default();
        if !["SELECT", "INSERT", "UPDATE", "DELETE", "WITH"].contains(&verb) {
            continue;
        }
        seen += 1;
        let found = if is_sqlite {
            by_sqlite(&mut connection, statement, &growing).await
        } else {
            by_postgres(&mut connection, statement, &growing, seen).await
        };
        faults.extend(found.into_iter().map(|fault| format!("{fault}: {statement}")));
    }
    assert!(seen > 50, "{seen} statements were looked at");
    faults
}

/// sqlite.org/eqp.html: SCAN is all of a table or index, SEARCH a part of it. A partial index, of what is
/// open, is as small as what is open.
async fn by_sqlite(connection: &mut AnyConnection, statement: &str, growing: &[String]) -> Vec<String> {
    let partial = "SELECT name FROM sqlite_master WHERE type = 'index' AND sql LIKE '%WHERE%'";
    let partial = texts(connection, partial.to_owned()).await.expect("the indexes' names");
    let rows = sqlx::query(AssertSqlSafe(format!("EXPLAIN QUERY PLAN {statement}")))
        .fetch_all(&mut *connection)
        .await
        .unwrap_or_else(|error| panic!("{statement}: {error}"));
    let mut faults = Vec::new();
    for row in &rows {
        let detail: String = row.try_get(3).expect("a step");
        let Some(scanned) = detail.strip_prefix("SCAN ") else { continue };
        let name = scanned.split_whitespace().next().unwrap_or_default();
        let Some(table) = table_of(statement, name, growing) else { continue };
        let by = scanned.split_whitespace().last().unwrap_or_default();
        if !partial.iter().any(|index| index == by) {
            faults.push(format!("all of {table} ({detail})"));
        }
    }
    faults
}

/// The growing table of that name or alias in the statement.
fn table_of<'t>(statement: &str, name: &str, growing: &'t [String]) -> Option<&'t String> {
    let words: Vec<&str> = statement
        .split(|c: char| !c.is_alphanumeric() && c != '_')
        .filter(|word| !word.is_empty() && !word.eq_ignore_ascii_case("AS"))
        .collect();
    let named = |table: &str| words.windows(2).any(|pair| pair[0] == table && pair[1] == name);
    growing.iter().find(|table| *table == name || named(table))
}

/// As a connection that writes plans: without a scan of a whole table where an index exists, and for any
/// values (postgresql.org/docs/15/sql-prepare.html).
async fn by_postgres(
    connection: &mut AnyConnection,
    statement: &str,
    growing: &[String],
    number: usize,
) -> Vec<String> {
    let settings = "SET enable_seqscan = off; SET jit = off; SET plan_cache_mode = force_generic_plan";
    let prepare = format!("{settings}; PREPARE looked_{number} AS {statement}");
    if let Err(error) = sqlx::raw_sql(AssertSqlSafe(prepare)).execute(&mut *connection).await {
        return vec![format!("not looked at ({error})")];
    }
    let parameters = (1..100_000).take_while(|n| has_parameter(statement, *n)).count();
    let values = vec!["NULL"; parameters].join(", ");
    let values = if parameters == 0 { String::new() } else { format!("({values})") };
    let explain = format!("EXPLAIN EXECUTE looked_{number}{values}");
    let rows = sqlx::raw_sql(AssertSqlSafe(explain))
        .fetch_all(&mut *connection)
        .await
        .unwrap_or_else(|error| panic!("{statement}: {error}"));
    let plan: Vec<String> = rows.iter().map(|row| row.try_get(0).expect("a line")).collect();
    let mut faults = Vec::new();
    for line in &plan {
        let Some((_, scanned)) = line.split_once("Seq Scan on ") else { continue };
        let table = scanned.split_whitespace().next().unwrap_or_default();
        if growing.iter().any(|growing| growing == table) {
            faults.push(format!("all of {table}"));
        }
    }
    let cost = plan.first().and_then(|line| line.split_once("..")?.1.split(' ').next()?.parse::<f64>().ok());
    // A small table has no useful index, and PostgreSQL adds the same cost for what it must not do to all.
    let scans_small = plan.iter().any(|line| line.contains("Seq Scan on "));
    match cost {
        Some(cost) if cost > MOST_COST && !(scans_small && faults.is_empty()) => {
            faults.push(format!("cost {cost}"));
        }
        Some(_) => {}
        None => faults.push("no cost is told".to_owned()),
    }
    faults
}

fn has_parameter(statement: &str, number: usize) -> bool {
    let mark = format!("${number}");
    statement
        .match_indices(&mark)
        .any(|(at, _)| !statement[at + mark.len()..].starts_with(|after: char| after.is_ascii_digit()))
}
