//! Reading stock counts.

use super::StockCountState;
use super::finish::{LeftReason, MISSING};
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::day::Moment;
use domain::ids::{StockCountId, StyleId};
use domain::quantity::Quantity;
use domain::stock::ItemKind;
use domain::weight::WeightUnit;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// A stock count with its present state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StockCountView {
    /// Its identifier.
    pub id: StockCountId,
    /// The style that is counted, with its name; all stock if none.
    pub style: Option<(StyleId, String)>,
    /// A note, for people.
    pub note: String,
    /// What became of it.
    pub state: StockCountState,
    /// The number of scans.
    pub scans: i64,
    /// When it was begun.
    pub begun: Moment,
    /// By whom.
    pub begun_by: String,
    /// When it ended.
    pub ended: Option<Moment>,
    /// By whom.
    pub ended_by: String,
}

/// The progress of a count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StockCountProgress {
    /// Items that are recorded as in stock, of those to be counted.
    pub expected: i64,
    /// Items that were counted.
    pub counted: i64,
    /// The last scans, latest first.
    pub latest: Vec<CountedLine>,
}

/// An item in a count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CountedLine {
    /// Its sku.
    pub sku: String,
    /// Its name.
    pub title: String,
    /// Size.
    pub size: String,
    /// Colors.
    pub color: String,
    /// Piece, counted goods or goods by weight.
    pub kind: ItemKind,
    /// The quantity that was counted.
    pub counted: Quantity,
    /// The recorded quantity at that moment.
    pub booked: Quantity,
    /// The difference that was booked at the end.
    pub difference: Quantity,
    /// Why the difference was not booked; may be empty.
    pub left: Option<LeftReason>,
    /// Whether some of it is set aside.
    pub is_held: bool,
}

/// The differences between count and recorded stock.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StockCountFindings {
    /// Expected and not counted.
    pub missing: Vec<CountedLine>,
    /// How many are missing in total; the list may be shorter.
    pub missing_count: i64,
    /// Counted with another quantity than recorded, including items that are recorded as gone.
    pub differing: Vec<CountedLine>,
    /// Codes that no item has, and how often each was scanned.
    pub strays: Vec<(String, i64)>,
}

const VIEW: &str = "SELECT t.id, t.style_id, s.name, t.note, t.state, t.scans, t.begun_ms, t.begun_by, t.ended_ms, \
    t.ended_by FROM stock_count t LEFT JOIN style s ON s.id = t.style_id";

const LINE: &str = "SELECT i.id, i.sku, i.name, c.stock_units, i.size, i.color, i.kind, i.stock_unit, i.held, c.booked, \
    c.difference, c.left_message FROM stock_count_line c JOIN item i ON i.id = c.item_id WHERE c.stock_count_id = $1";

fn view(row: &AnyRow) -> Result<StockCountView, CommandError> {
    let style: Option<i64> = row.try_get("style_id")?;
    let name: Option<String> = row.try_get("name")?;
    let ended: Option<i64> = row.try_get("ended_ms")?;
    Ok(StockCountView {
        id: StockCountId::from_raw(row.try_get("id")?),
        style: style.map(StyleId::from_raw).zip(name),
        note: row.try_get("note")?,
        state: StockCountState::from_code(&row.try_get::<String, _>("state")?)?,
        scans: row.try_get("scans")?,
        begun: Moment::from_millis(row.try_get("begun_ms")?),
        begun_by: row.try_get("begun_by")?,
        ended: ended.map(Moment::from_millis),
        ended_by: row.try_get("ended_by")?,
    })
}

/// A line whose `stock_units` are the counted or the missing quantity.
fn line(row: &AnyRow, is_missing: bool) -> Result<CountedLine, CommandError> {
    let kind =
        ItemKind::from_code(&row.try_get::<String, _>("kind")?).ok_or("unknown").stored("item.kind")?;
    let unit: Option<String> = row.try_get("stock_unit")?;
    let unit = unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let measure = kind.measure(unit).ok_or("missing").stored("item.stock_unit")?;
    let stock_units = |stock_units: i64| {
        Quantity::from_stock_units(stock_units, measure).stored("stock_count_line.stock_units")
    };
    let of_line: i64 = row.try_get("stock_units")?;
    let (counted, booked, difference, left) = if is_missing {
        (0, of_line, -of_line, None)
    } else {
        (
            of_line,
            row.try_get("booked")?,
            row.try_get("difference")?,
            LeftReason::read(&row.try_get::<String, _>("left_message")?)?,
        )
    };
    Ok(CountedLine {
        sku: row.try_get("sku")?,
        title: row.try_get("name")?,
        size: row.try_get("size")?,
        color: row.try_get("color")?,
        kind,
        counted: stock_units(counted)?,
        booked: stock_units(booked)?,
        difference: stock_units(difference)?,
        left,
        is_held: row.try_get::<i64, _>("held")? > 0,
    })
}

async fn lines(
    connection: &mut AnyConnection,
    id: StockCountId,
    tail: &str,
    limit: usize,
) -> Result<Vec<CountedLine>, CommandError> {
    let rows = sqlx::query(AssertSqlSafe(format!("{LINE} {tail} LIMIT $2")))
        .bind(id.raw())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(connection)
        .await?;
    rows.iter().map(|row| line(row, false)).collect()
}

impl Ledger {
    /// Stock counts, the latest first.
    pub async fn stock_counts(&self, limit: usize) -> Result<Vec<StockCountView>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(AssertSqlSafe(format!("{VIEW} ORDER BY t.id DESC LIMIT $1")))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        rows.iter().map(view).collect()
    }

    /// One stock count.
    pub async fn stock_count(&self, id: StockCountId) -> Result<StockCountView, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(AssertSqlSafe(format!("{VIEW} WHERE t.id = $1")))
            .bind(id.raw())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::StockCount, id))?;
        view(&row)
    }

    /// The progress of a count, with its last `limit` scans.
    pub async fn stock_count_progress(
        &self,
        view: &StockCountView,
        limit: usize,
    ) -> Result<StockCountProgress, CommandError> {
        let mut connection = self.reader().await?;
        let expected = match &view.style {
            None => sqlx::query("SELECT COUNT(*) AS count FROM item WHERE on_hand > 0"),
            Some((style, _)) => {
                sqlx::query("SELECT COUNT(*) AS count FROM item WHERE on_hand > 0 AND style_id = $1")
                    .bind(style.raw())
            }
        };
        let expected = expected.fetch_one(&mut *connection).await?.try_get("count")?;
        let counted = sqlx::query("SELECT COUNT(*) AS count FROM stock_count_line WHERE stock_count_id = $1")
            .bind(view.id.raw())
            .fetch_one(&mut *connection)
            .await?
            .try_get("count")?;
        let latest = lines(&mut connection, view.id, "ORDER BY c.mark DESC", limit).await?;
        Ok(StockCountProgress { expected, counted, latest })
    }

    /// The differences so far, or as they were booked. At most `limit` of each kind.
    pub async fn stock_count_findings(
        &self,
        view: &StockCountView,
        limit: usize,
    ) -> Result<StockCountFindings, CommandError> {
        let mut connection = self.reader().await?;
        let mut findings = StockCountFindings::default();
        if view.state == StockCountState::Open {
            let style = view.style.as_ref().map(|(id, _)| id.raw());
            let counts = format!("SELECT COUNT(*) AS count FROM ({MISSING}) n");
            findings.missing_count = sqlx::query(AssertSqlSafe(counts))
                .bind(view.id.raw())
                .bind(style)
                .fetch_one(&mut *connection)
                .await?
                .try_get("count")?;
            let rows = sqlx::query(AssertSqlSafe(format!("{MISSING} ORDER BY m.id LIMIT $3")))
                .bind(view.id.raw())
                .bind(style)
                .bind(i64::try_from(limit).unwrap_or(i64::MAX))
                .fetch_all(&mut *connection)
                .await?;
            findings.missing = rows.iter().map(|row| line(row, true)).collect::<Result<_, _>>()?;
        }
        let differing = "AND c.stock_units <> c.booked ORDER BY c.item_id";
        findings.differing = lines(&mut connection, view.id, differing, limit).await?;
        let rows = sqlx::query(
            "SELECT code, scans FROM stock_count_unknown WHERE stock_count_id = $1 ORDER BY mark DESC LIMIT $2",
        )
        .bind(view.id.raw())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let stray = |row: &AnyRow| Ok::<_, CommandError>((row.try_get("code")?, row.try_get("scans")?));
        findings.strays = rows.iter().map(stray).collect::<Result<_, _>>()?;
        Ok(findings)
    }
}
