//! Open holds.

use super::{HeldLine, Hold, Purpose};
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::day::Moment;
use domain::ids::{CustomerId, HoldGroupId, HoldId, ItemId};
use domain::quantity::{Measure, Quantity};
use domain::weight::WeightUnit;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

impl Ledger {
    /// Open holds, latest first, before `before` if given, the rows of at most `limit` groups.
    pub async fn open_holds(
        &self,
        before: Option<HoldGroupId>,
        limit: usize,
    ) -> Result<Vec<Hold>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT h.group_id, h.purpose, h.for_whom, p.name AS person, c.id AS on_file, h.until_ms, h.id, h.stock_units, i.sku, i.name, i.kind, i.stock_unit \
             FROM hold h JOIN item i ON i.id = h.item_id LEFT JOIN person_data p ON p.id = h.customer_id \
             LEFT JOIN customer c ON c.id = h.customer_id WHERE h.state = 'open' AND h.group_id IN \
             (SELECT DISTINCT group_id FROM hold WHERE state = 'open' AND group_id < $1 ORDER BY group_id DESC LIMIT $2) \
             ORDER BY h.group_id DESC, h.id",
        )
        .bind(before.map_or(i64::MAX, HoldGroupId::raw))
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        grouped(&rows)
    }

    /// Open holds that include an item, latest first, each with all its lines.
    pub async fn holds_of(&self, item: ItemId) -> Result<Vec<Hold>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT h.group_id, h.purpose, h.for_whom, p.name AS person, c.id AS on_file, h.until_ms, h.id, h.stock_units, i.sku, i.name, i.kind, i.stock_unit \
             FROM hold h JOIN item i ON i.id = h.item_id LEFT JOIN person_data p ON p.id = h.customer_id \
             LEFT JOIN customer c ON c.id = h.customer_id WHERE h.state = 'open' AND h.group_id IN \
             (SELECT group_id FROM hold WHERE item_id = $1 AND state = 'open') ORDER BY h.group_id DESC, h.id",
        )
        .bind(item.raw())
        .fetch_all(&mut *connection)
        .await?;
        grouped(&rows)
    }
}

impl Ledger {
    /// For whom lines were held, whatever has happened to them since.
    pub async fn hold_is_for(&self, hold: HoldGroupId) -> Result<String, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT h.for_whom, p.name AS person FROM hold h LEFT JOIN person_data p ON p.id = h.customer_id \
             WHERE h.group_id = $1 ORDER BY h.id LIMIT 1",
        )
        .bind(hold.raw())
        .fetch_optional(&mut *connection)
        .await?;
        row.as_ref().map_or(Ok(String::new()), for_whom)
    }
}

/// What is on hold for these rows of personal data, latest first.
pub(crate) async fn holds_for(
    connection: &mut AnyConnection,
    people: &[i64],
) -> Result<Vec<Hold>, CommandError> {
    const HELD: &str = "SELECT h.group_id, h.purpose, h.for_whom, p.name AS person, c.id AS on_file, h.until_ms, h.id, \
        h.stock_units, i.sku, i.name, i.kind, i.stock_unit FROM hold h JOIN item i ON i.id = h.item_id \
        LEFT JOIN person_data p ON p.id = h.customer_id LEFT JOIN customer c ON c.id = h.customer_id \
        WHERE h.state = 'open' AND h.customer_id";
    let mut rows = Vec::new();
    for chunk in people.chunks(MAX_ROWS) {
        let text = in_text(HELD, 1, chunk.len(), "ORDER BY h.group_id DESC, h.id");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for id in padded(chunk) {
            statement = statement.bind(id);
        }
        rows.extend(statement.fetch_all(&mut *connection).await?);
    }
    grouped(&rows)
}

/// Whom a hold is for: the name in `person`, or what stands in the hold itself.
pub(crate) fn for_whom(row: &sqlx::any::AnyRow) -> Result<String, CommandError> {
    let person: Option<String> = row.try_get("person")?;
    Ok(person.map_or_else(|| row.try_get("for_whom"), Ok)?)
}

/// Turns rows of holds, sorted by group, into holds with their lines.
fn grouped(rows: &[sqlx::any::AnyRow]) -> Result<Vec<Hold>, CommandError> {
    let mut holds: Vec<Hold> = Vec::new();
    for row in rows {
        let (group, line) = read_hold(row)?;
        match holds.last_mut() {
            Some(last) if last.id == group.id => last.lines.push(line),
            _ => holds.push(Hold { lines: vec![line], ..group }),
        }
    }
    Ok(holds)
}

fn read_hold(row: &sqlx::any::AnyRow) -> Result<(Hold, HeldLine), CommandError> {
    let until: Option<i64> = row.try_get("until_ms")?;
    let unit: Option<String> = row.try_get("stock_unit")?;
    let measure = match unit {
        Some(code) => Measure::Thousandths(WeightUnit::from_code(&code).stored("item.stock_unit")?),
        None => Measure::Units,
    };
    let purpose =
        Purpose::from_code(&row.try_get::<String, _>("purpose")?).ok_or("unknown").stored("hold.purpose")?;
    let hold = Hold {
        id: HoldGroupId::from_raw(row.try_get("group_id")?),
        purpose,
        for_whom: for_whom(row)?,
        customer: row.try_get::<Option<i64>, _>("on_file")?.map(CustomerId::from_raw),
        until: until.map(Moment::from_millis),
        lines: Vec::new(),
    };
    let line = HeldLine {
        id: HoldId::from_raw(row.try_get("id")?),
        sku: row.try_get("sku")?,
        title: row.try_get("name")?,
        quantity: Quantity::from_stock_units(row.try_get("stock_units")?, measure)
            .stored("hold.stock_units")?,
    };
    Ok((hold, line))
}
