//! Whether each code that a row holds is one that the program knows. The schema does not repeat the lists, so that a
//! new code needs no new table: the program's types write and read them, and this finds what anybody else wrote.

use super::{CheckReport, Finding, Law};
use crate::online::connections::NewPieces;
use crate::orders::OrderLineState;
use crate::sales::EntryKind;
use crate::shelf::{Purpose, StockCountState};
use crate::store::error::CommandError;
use domain::account::{AccountKind, AccountReason};
use domain::basket::{LineKind, TenderKind};
use domain::custom_order::CustomOrderState;
use domain::limits::LimitName;
use domain::order::OrderStatus;
use domain::people::Role;
use domain::stock::{ItemKind, ListingState, ReturnDisposition, StockReason};
use domain::weight::WeightUnit;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

pub(super) const WHAT: &str = "a code that this program does not know";

/// A table, its column that holds codes, and whether a text is one of them.
type Column = (&'static str, &'static str, fn(&str) -> bool);

const COLUMNS: &[Column] = &[
    ("person", "role", |code| Role::from_code(code).is_some()),
    ("api_token", "role", |code| Role::from_code(code).is_some()),
    ("caller_limit", "name", |code| LimitName::from_code(code).is_some()),
    ("approval", "act", |code| LimitName::from_code(code).is_some()),
    ("second_factor", "state", |code| matches!(code, "offered" | "on")),
    ("style", "rate_unit", is_unit),
    ("item", "kind", |code| ItemKind::from_code(code).is_some()),
    ("item", "weight_unit", is_unit),
    ("item", "stock_unit", is_unit),
    ("item", "priced_by", |code| matches!(code, "rule" | "hand")),
    ("stock_entry", "reason", |code| StockReason::from_code(code).is_some()),
    ("hold", "purpose", |code| Purpose::from_code(code).is_some()),
    ("hold", "state", |code| matches!(code, "open" | "taken" | "ended" | "expired")),
    ("stock_count", "scope", |code| matches!(code, "for-sale" | "style")),
    ("stock_count", "state", |code| StockCountState::from_code(code).is_ok()),
    ("connection", "new_pieces", |code| NewPieces::from_code(code).is_some()),
    ("connection_problem", "what", |code| {
        matches!(code, "connection" | "messages" | "orders" | "listings" | "hooks")
    }),
    ("pull", "what", |code| matches!(code, "orders" | "listings")),
    ("difference", "state", |code| matches!(code, "open" | "left")),
    ("listing", "state", |code| ListingState::from_code(code).is_some()),
    ("feed_run", "kind", |code| matches!(code, "all" | "changes")),
    ("customer_order", "status", |code| OrderStatus::from_code(code).is_some()),
    ("sale_line", "kind", |code| LineKind::from_code(code).is_some()),
    ("sale_line", "unit", |code| code.is_empty() || is_unit(code)),
    ("sale_line", "weight_unit", is_unit),
    ("sale_line", "rate_unit", is_unit),
    ("tender", "kind", |code| TenderKind::from_code(code).is_some()),
    ("payment", "kind", |code| TenderKind::from_code(code).is_some()),
    ("return_decision", "disposition", |code| ReturnDisposition::from_code(code).is_some()),
    ("account", "kind", |code| AccountKind::from_code(code).is_some()),
    ("account_entry", "reason", |code| AccountReason::from_code(code).is_some()),
    ("custom_order", "state", |code| CustomOrderState::from_code(code).is_some()),
    ("basket", "state", |code| matches!(code, "open" | "paid" | "left")),
    ("drawer_entry", "kind", |code| EntryKind::from_code(code).is_some()),
    ("order_line", "state", |code| OrderLineState::from_code(code).is_some()),
    ("order_line", "unit", |code| code.is_empty() || is_unit(code)),
    ("line_decision", "choice", |code| matches!(code, "substituted" | "refunded" | "released" | "filled")),
];

fn is_unit(code: &str) -> bool {
    WeightUnit::from_code(code).is_ok()
}

pub(super) async fn check(
    snapshot: &mut AnyConnection,
    report: &mut CheckReport,
) -> Result<(), CommandError> {
    for (table, column, is_known) in COLUMNS {
        let text = format!(
            "SELECT {column} AS code, COUNT(*) AS rows_with_it FROM {table} WHERE {column} IS NOT NULL GROUP BY {column}"
        );
        for row in sqlx::query(AssertSqlSafe(text)).fetch_all(&mut *snapshot).await? {
            let (code, rows): (String, i64) = (row.try_get("code")?, row.try_get("rows_with_it")?);
            if !is_known(&code) {
                report.add(Finding {
                    law: Law::Records,
                    what: WHAT.to_owned(),
                    place: format!("{table}.{column}"),
                    expected: "a code of this program's lists".to_owned(),
                    found: format!("{code} in {rows} {}", if rows == 1 { "row" } else { "rows" }),
                });
            }
        }
    }
    Ok(())
}
