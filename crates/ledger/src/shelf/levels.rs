//! Stock by style, size and color.

use crate::shelf::item_view::amount;
use crate::shelf::styles::StyleView;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use domain::ids::StyleId;
use domain::money::{Currency, Money};
use domain::stock::ItemKind;
use domain::text;
use domain::weight::WeightUnit;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

/// Which stock to read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ShelfQuery {
    /// Only what has sold out.
    pub sold_out: bool,
}

/// A style, size and color; or an item without a style.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShelfRow {
    /// The style's name, or the item's.
    pub style: String,
    /// Size.
    pub size: String,
    /// Colors.
    pub color: String,
    /// What kind of thing.
    pub kind: ItemKind,
    /// The unit of goods by weight.
    pub unit: Option<WeightUnit>,
    /// In stock, in units or the stock unit.
    pub on_hand: Decimal,
    /// On hold.
    pub held: Decimal,
    /// Sold so far, less refunded.
    pub sold: Decimal,
    /// The lowest price among those in stock, or among all if nothing is left.
    pub lowest: Money,
    /// The highest price, in the same way.
    pub highest: Money,
}

const COLUMNS: &str = "SELECT s.name, CASE WHEN i.style_id IS NULL THEN i.name ELSE '' END AS own_name, i.size, i.color, \
    i.kind, i.stock_unit, CAST(SUM(i.on_hand) AS BIGINT) AS on_hand, CAST(SUM(i.held) AS BIGINT) AS held, \
    CAST(SUM(i.sold - i.put_back) AS BIGINT) AS sold, MIN(CASE WHEN i.on_hand > 0 THEN i.price END) AS lowest_here, \
    MAX(CASE WHEN i.on_hand > 0 THEN i.price END) AS highest_here, MIN(i.price) AS lowest, MAX(i.price) AS highest \
    FROM item i LEFT JOIN style s ON s.id = i.style_id";
const GROUPS: &str = "GROUP BY s.name, CASE WHEN i.style_id IS NULL THEN i.name ELSE '' END, i.size, i.color, i.kind, i.stock_unit";

/// The stock of one style, or of items without a style.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StyleCount {
    /// None for items without a style.
    pub style: Option<StyleView>,
    /// Pieces and units; each item of goods by weight counts as one.
    pub units: i64,
    /// Items with some of it on hold.
    pub held: i64,
    /// The lowest and the highest price, if there is anything and all of it was counted.
    pub prices: Option<(Money, Money)>,
    /// Whether there may be more than was counted.
    pub and_more: bool,
}

/// How many items of one style are counted, so that stock of any size is summed up in the same time. A
/// style with more has its own page.
const MOST_COUNTED_OF_STYLE: i64 = 500;

/// Reads a single index, and no more of it than is counted.
fn count_of(style: &str) -> String {
    format!(
        "SELECT CAST(COUNT(*) AS BIGINT) AS count, CAST(SUM(units) AS BIGINT) AS units, CAST(SUM(held) AS BIGINT) AS held, \
         MIN(price) AS lowest, MAX(price) AS highest \
         FROM (SELECT CASE WHEN stock_unit IS NULL THEN on_hand ELSE 1 END AS units, \
         CASE WHEN held > 0 THEN 1 ELSE 0 END AS held, price FROM item WHERE on_hand > 0 AND {style} LIMIT $1) AS part"
    )
}

impl Ledger {
    /// The stock of each style, by name, and last of items without a style.
    pub async fn style_counts(&self) -> Result<Vec<StyleCount>, CommandError> {
        let currency = self.shop().currency;
        let styles = self.styles().await?;
        let mut connection = self.reader().await?;
        let mut counts = Vec::with_capacity(styles.len() + 1);
        for style in styles {
            let row = sqlx::query(AssertSqlSafe(count_of("style_id = $2")))
                .bind(MOST_COUNTED_OF_STYLE + 1)
                .bind(style.id.raw())
                .fetch_one(&mut *connection)
                .await?;
            counts.push(StyleCount::read(Some(style), &row, currency)?);
        }
        let row = sqlx::query(AssertSqlSafe(count_of("style_id IS NULL")))
            .bind(MOST_COUNTED_OF_STYLE + 1)
            .fetch_one(&mut *connection)
            .await?;
        counts.push(StyleCount::read(None, &row, currency)?);
        Ok(counts)
    }

    /// One style by size and color, sold-out ones included, sorted by color and size without case.
    pub async fn style_grid(&self, style: StyleId) -> Result<Vec<ShelfRow>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let text = format!("{COLUMNS} WHERE i.style_id = $1 AND i.removed = 0 {GROUPS}");
        let rows = sqlx::query(AssertSqlSafe(text)).bind(style.raw()).fetch_all(&mut *connection).await?;
        let mut grid = rows.iter().map(|row| read(row, currency)).collect::<Result<Vec<_>, _>>()?;
        grid.sort_by_cached_key(|r| [text::fold(&r.color), text::fold(&r.size)]);
        Ok(grid)
    }
}

impl StyleCount {
    fn read(style: Option<StyleView>, row: &AnyRow, currency: Currency) -> Result<Self, CommandError> {
        let and_more = row.try_get::<i64, _>("count")? > MOST_COUNTED_OF_STYLE;
        let price = |column: &str| {
            let minor: Option<i64> = row.try_get(column)?;
            minor.map(|minor| Money::from_minor(minor, currency)).transpose().stored("item.price")
        };
        Ok(Self {
            style,
            units: row.try_get::<Option<i64>, _>("units")?.unwrap_or(0),
            held: row.try_get::<Option<i64>, _>("held")?.unwrap_or(0),
            prices: price("lowest")?.zip(price("highest")?).filter(|_| !and_more),
            and_more,
        })
    }
}

impl Ledger {
    /// All stock, sorted by name, size and color without case.
    pub async fn shelf(&self, query: &ShelfQuery) -> Result<Vec<ShelfRow>, CommandError> {
        let currency = self.refresh_shop().await?.currency;
        let mut connection = self.reader().await?;
        let rows = sqlx::query(AssertSqlSafe(format!("{COLUMNS} WHERE i.removed = 0 {GROUPS}")))
            .fetch_all(&mut *connection)
            .await?;
        let mut shelf = Vec::with_capacity(rows.len());
        for row in &rows {
            let row = read(row, currency)?;
            let is_sold_out = row.on_hand.is_zero() && row.sold > Decimal::ZERO;
            if is_sold_out || !query.sold_out {
                shelf.push(row);
            }
        }
        shelf.sort_by_cached_key(|r| [text::fold(&r.style), text::fold(&r.size), text::fold(&r.color)]);
        Ok(shelf)
    }
}

fn read(row: &AnyRow, currency: Currency) -> Result<ShelfRow, CommandError> {
    let style: Option<String> = row.try_get("name")?;
    let kind =
        ItemKind::from_code(&row.try_get::<String, _>("kind")?).ok_or("unknown").stored("item.kind")?;
    let unit: Option<String> = row.try_get("stock_unit")?;
    let unit = unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let measure = kind.measure(unit).ok_or("missing").stored("item.stock_unit")?;
    let amount = |column: &str| Ok::<_, CommandError>(amount(row.try_get(column)?, measure));
    let price = |on_shelf: &str, of_all: &str| {
        let minor = match row.try_get::<Option<i64>, _>(on_shelf)? {
            Some(minor) => minor,
            None => row.try_get(of_all)?,
        };
        Money::from_minor(minor, currency).stored("item.price")
    };
    Ok(ShelfRow {
        style: match style {
            Some(style) => style,
            None => row.try_get("own_name")?,
        },
        size: row.try_get("size")?,
        color: row.try_get("color")?,
        kind,
        unit,
        on_hand: amount("on_hand")?,
        held: amount("held")?,
        sold: amount("sold")?,
        lowest: price("lowest_here", "lowest")?,
        highest: price("highest_here", "highest")?,
    })
}
