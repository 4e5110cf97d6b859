//! Checks that each item can be found by its own codes. The program computes the form in which a code
//! is stored, so this cannot be one statement.

use super::{CheckReport, Finding, Law};
use crate::store::error::CommandError;
use domain::codes::Code;
use sqlx::{AnyConnection, Row};
use std::collections::HashSet;

pub(super) const WHAT: &str = "a code does not find its item";

/// Items that are read at once, to limit memory whatever the shop's size.
const AT_ONCE: i64 = 2000;

pub(super) async fn check(
    snapshot: &mut AnyConnection,
    report: &mut CheckReport,
) -> Result<(), CommandError> {
    let mut after = -1_i64;
    loop {
        let items =
            sqlx::query("SELECT id, sku, in_store, gtin FROM item WHERE id > $1 ORDER BY id LIMIT $2")
                .bind(after)
                .bind(AT_ONCE)
                .fetch_all(&mut *snapshot)
                .await?;
        let Some(last) = items.last() else { return Ok(()) };
        let last: i64 = last.try_get("id")?;
        let rows = sqlx::query("SELECT item_id, code FROM code WHERE item_id > $1 AND item_id <= $2")
            .bind(after)
            .bind(last)
            .fetch_all(&mut *snapshot)
            .await?;
        let mut kept: HashSet<(i64, String)> = HashSet::with_capacity(rows.len());
        for row in &rows {
            kept.insert((row.try_get("item_id")?, row.try_get("code")?));
        }
        for row in &items {
            let (id, sku, in_store): (i64, String, String) =
                (row.try_get("id")?, row.try_get("sku")?, row.try_get("in_store")?);
            let gtin: Option<String> = row.try_get("gtin")?;
            for code in [Some(sku.clone()), Some(in_store), gtin].into_iter().flatten() {
                let key = Code::parse(&code).map_or_else(|_| code.clone(), |code| code.key());
                if !kept.contains(&(id, key.clone())) {
                    report.add(finding(id, &sku, &key));
                }
            }
        }
        after = last;
    }
}

fn finding(id: i64, sku: &str, key: &str) -> Finding {
    Finding {
        law: Law::Records,
        what: WHAT.to_owned(),
        place: format!("item {id} ({sku})"),
        expected: format!("{key} finds it"),
        found: "it does not".to_owned(),
    }
}
