//! The shelf by style, size and colour.

use crate::error::{Failure, Stored};
use crate::item_view::amount;
use crate::store::Ledger;
use domain::money::Money;
use domain::stock::ItemKind;
use domain::text;
use domain::weight::WeightUnit;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// Which part of the shelf.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ShelfQuery {
    /// Only what was sold and of which nothing is left.
    pub sold_out: bool,
}

/// A style, size and colour, or an item without style.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShelfRow {
    /// The style's name, or the item's.
    pub style: String,
    /// Size.
    pub size: String,
    /// Colours.
    pub color: String,
    /// What kind of thing.
    pub kind: ItemKind,
    /// The unit of goods by weight.
    pub unit: Option<WeightUnit>,
    /// On the shelf, in units or the stock unit.
    pub on_hand: Decimal,
    /// Of these, set aside.
    pub held: Decimal,
    /// Sold so far, less what came back.
    pub sold: Decimal,
    /// The lowest price among those on the shelf, or of all if none is left.
    pub lowest: Money,
    /// The highest.
    pub highest: Money,
}

const GROUPS: &str = "SELECT s.name, CASE WHEN i.style_id IS NULL THEN i.name ELSE '' END AS own_name, i.size, i.color, \
    i.kind, i.stock_unit, CAST(SUM(i.on_hand) AS BIGINT), CAST(SUM(i.held) AS BIGINT), \
    CAST(SUM(i.sold - i.put_back) AS BIGINT), MIN(CASE WHEN i.on_hand > 0 THEN i.price END), \
    MAX(CASE WHEN i.on_hand > 0 THEN i.price END), MIN(i.price), MAX(i.price) \
    FROM item i LEFT JOIN style s ON s.id = i.style_id \
    GROUP BY s.name, CASE WHEN i.style_id IS NULL THEN i.name ELSE '' END, i.size, i.color, i.kind, i.stock_unit";

impl Ledger {
    /// The shelf, sorted by name, size and colour without case.
    pub async fn shelf(&self, query: &ShelfQuery) -> Result<Vec<ShelfRow>, Failure> {
        let currency = self.refresh_shop().await?.currency;
        let mut connection = self.reader().await?;
        let rows = sqlx::query(GROUPS).fetch_all(&mut *connection).await?;
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

fn read(row: &AnyRow, currency: domain::money::Currency) -> Result<ShelfRow, Failure> {
    let style: Option<String> = row.try_get(0)?;
    let kind = ItemKind::from_code(&row.try_get::<String, _>(4)?).ok_or("unknown").stored("item.kind")?;
    let unit: Option<String> = row.try_get(5)?;
    let unit = unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let measure = kind.measure(unit).ok_or("missing").stored("item.stock_unit")?;
    let amount = |at: usize| Ok::<_, Failure>(amount(row.try_get(at)?, measure));
    let price = |on_shelf: usize, of_all: usize| {
        let minor = match row.try_get::<Option<i64>, _>(on_shelf)? {
            Some(minor) => minor,
            None => row.try_get(of_all)?,
        };
        Money::from_minor(minor, currency).stored("item.price")
    };
    Ok(ShelfRow {
        style: match style {
            Some(style) => style,
            None => row.try_get(1)?,
        },
        size: row.try_get(2)?,
        color: row.try_get(3)?,
        kind,
        unit,
        on_hand: amount(6)?,
        held: amount(7)?,
        sold: amount(8)?,
        lowest: price(9, 11)?,
        highest: price(10, 12)?,
    })
}
