//! The schema as backups describe it, compared with the real one on each engine.

use crate::full_shop;
use crate::place::connection;
use serde::Deserialize;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::BTreeMap;
use testkit::{TestShop, shops};

/// The first line of a backup.
#[derive(Debug, Deserialize)]
struct Header {
    tables: Vec<Table>,
}

#[derive(Debug, PartialEq, Eq, Deserialize)]
struct Table {
    name: String,
    columns: Vec<(String, String)>,
    key: Vec<String>,
}

/// None belongs to the shop: leases belong to running programs, sessions, attempts and known browsers to
/// the present, devices are identified by a secret, keys and recovery codes must not be copied, the last is
/// the migrations' own.
const LEFT_OUT: [&str; 9] = [
    "node_lease",
    "session",
    "sign_in_try",
    "sign_in_step",
    "known_browser",
    "device",
    "second_factor",
    "recovery_code",
    "_sqlx_migrations",
];

async fn told(shop: &TestShop) -> (Header, BTreeMap<String, u64>) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shop.backup");
    shop.ledger.backup(&file, |_, _| ()).await.unwrap();
    let text = std::fs::read_to_string(&file).unwrap();
    let header = serde_json::from_str(text.lines().next().unwrap()).unwrap();
    let last: serde_json::Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    (header, serde_json::from_value(last["rows"].clone()).unwrap())
}

async fn texts(connection: &mut AnyConnection, text: String) -> Vec<String> {
    let rows = sqlx::query(AssertSqlSafe(text)).fetch_all(connection).await.unwrap();
    rows.iter().map(|row| row.try_get(0).unwrap()).collect()
}

/// The tables of the schema, by name, with columns in their order, and the tables that each refers to.
async fn real(shop: &TestShop) -> (Vec<Table>, BTreeMap<String, Vec<String>>) {
    let mut connection = connection(shop).await;
    let names = match shop.engine {
        testkit::Engine::Sqlite => {
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        }
        testkit::Engine::Postgres => {
            "SELECT CAST(table_name AS TEXT) FROM information_schema.tables WHERE table_schema = 'public' \
             AND table_type = 'BASE TABLE'"
        }
    };
    let (mut tables, mut refers) = (Vec::new(), BTreeMap::new());
    for name in texts(&mut connection, names.to_owned()).await {
        if LEFT_OUT.contains(&name.as_str()) {
            continue;
        }
        let [columns, key, referred] = match shop.engine {
            testkit::Engine::Sqlite => [
                format!("SELECT name || ' ' || lower(type) FROM pragma_table_info('{name}') ORDER BY cid"),
                format!("SELECT name FROM pragma_table_info('{name}') WHERE pk > 0 ORDER BY pk"),
                format!("SELECT \"table\" FROM pragma_foreign_key_list('{name}')"),
            ],
            testkit::Engine::Postgres => [
                format!(
                    "SELECT column_name || ' ' || data_type FROM information_schema.columns \
                     WHERE table_name = '{name}' ORDER BY ordinal_position"
                ),
                format!(
                    "SELECT CAST(a.attname AS TEXT) FROM pg_index i \
                     CROSS JOIN LATERAL unnest(i.indkey) WITH ORDINALITY AS k (attnum, place) \
                     JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.attnum \
                     WHERE i.indrelid = CAST('{name}' AS regclass) AND i.indisprimary ORDER BY k.place"
                ),
                format!(
                    "SELECT CAST(CAST(confrelid AS regclass) AS TEXT) FROM pg_constraint \
                     WHERE contype = 'f' AND conrelid = CAST('{name}' AS regclass)"
                ),
            ],
        };
        let columns = texts(&mut connection, columns).await;
        let split = |c: &String| c.split_once(' ').map(|(n, t)| (n.to_owned(), t.to_owned())).unwrap();
        let columns = columns.iter().map(split).collect();
        let key = texts(&mut connection, key).await;
        refers.insert(name.clone(), texts(&mut connection, referred).await);
        tables.push(Table { name, columns, key });
    }
    tables.sort_by(|a, b| a.name.cmp(&b.name));
    (tables, refers)
}

#[tokio::test]
async fn a_backup_knows_every_table_and_column() {
    for shop in shops().await {
        let (Header { mut tables }, _) = told(&shop).await;
        let (real, refers) = real(&shop).await;
        for (at, table) in tables.iter().enumerate() {
            for referred in &refers[&table.name] {
                let before = tables[..at].iter().any(|t| t.name == *referred);
                assert!(before, "{}: {referred} stands before {}", shop.engine, table.name);
            }
        }
        tables.sort_by(|a, b| a.name.cmp(&b.name));
        assert_eq!(tables, real, "{}", shop.engine);
        shop.end().await;
    }
}

/// Otherwise the other tests of backups would not cover every table.
#[tokio::test]
async fn the_full_shop_has_rows_in_every_table() {
    for shop in shops().await {
        full_shop::fill(&shop).await;
        let (_, mut rows) = told(&shop).await;
        // Its photograph is a row whose files never existed.
        assert_eq!(rows.remove("file of a picture"), Some(0));
        let empty: Vec<&String> = rows.iter().filter(|(_, rows)| **rows == 0).map(|(name, _)| name).collect();
        assert!(empty.is_empty() && !rows.is_empty(), "{}: {empty:?}", shop.engine);
        shop.end().await;
    }
}
