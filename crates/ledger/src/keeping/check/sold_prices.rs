//! Checks that the rule that a sale line keeps gives the line's price. The program computes prices, so this cannot be
//! one statement.

use super::{CheckReport, Finding, Law};
use crate::shelf::Weighed;
use crate::store::error::{CommandError, Stored};
use domain::money::{Currency, Money};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

pub(super) const WHAT: &str = "a sale line's rule gives another price";

/// Lines that are read at once, to limit memory whatever the shop's size.
const AT_ONCE: i64 = 2000;

pub(super) async fn check(
    snapshot: &mut AnyConnection,
    currency: Currency,
    report: &mut CheckReport,
) -> Result<(), CommandError> {
    let mut after = -1_i64;
    loop {
        let lines = sqlx::query(
            "SELECT id, code, price, weight, weight_unit, rate, rate_unit, ending, extras, minimum FROM sale_line \
             WHERE id > $1 AND rate IS NOT NULL ORDER BY id LIMIT $2",
        )
        .bind(after)
        .bind(AT_ONCE)
        .fetch_all(&mut *snapshot)
        .await?;
        let Some(last) = lines.last() else { return Ok(()) };
        after = last.try_get("id")?;
        for line in &lines {
            if let Some(finding) = finding(line, currency)? {
                report.add(finding);
            }
        }
    }
}

fn finding(row: &AnyRow, currency: Currency) -> Result<Option<Finding>, CommandError> {
    let price = Money::from_minor(row.try_get("price")?, currency).stored("sale_line.price")?;
    // A row that cannot be read is a finding too, not the end of the check.
    let computed = Weighed::of_line(row, currency).ok().flatten().and_then(|weighed| weighed.pricing);
    let computed = computed.map(|pricing| pricing.calculation.price);
    if computed == Some(price) {
        return Ok(None);
    }
    let (id, code): (i64, String) = (row.try_get("id")?, row.try_get("code")?);
    Ok(Some(Finding {
        law: Law::SoldAsItWas,
        what: WHAT.to_owned(),
        place: format!("sale line {id} ({code})"),
        expected: computed.map_or_else(|| "a price".to_owned(), |price| price.to_string()),
        found: price.to_string(),
    }))
}
