//! Reads items.

use crate::shelf::items::{ItemPast, ItemView, stored_weight};
use crate::shelf::{item_columns, lookup, styles};
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::codes::Code;
use domain::ids::ItemId;
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::stock::ItemKind;
use domain::text;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;
use std::sync::LazyLock;

/// The columns for [`read`].
pub(crate) static COLUMNS: LazyLock<String> = LazyLock::new(|| {
    format!(
        "SELECT i.id, i.kind, i.sku, i.in_store, i.gtin, {}, i.weight, i.weight_unit, i.extras, i.price, i.priced_by, \
         i.cost, i.stock_unit, i.do_not_list, i.on_hand, i.held, i.sold - i.put_back AS out, i.sold AS ever_sold, \
         i.removed, i.revision, \
         s.name AS style_name, s.rate, s.rate_unit, s.ending, s.minimum, s.care FROM item i \
         LEFT JOIN style s ON s.id = i.style_id",
        item_columns::list("i.")
    )
});

pub(crate) fn read(row: &AnyRow, currency: Currency) -> Result<ItemView, CommandError> {
    let kind =
        ItemKind::from_code(&row.try_get::<String, _>("kind")?).ok_or("unknown").stored("item.kind")?;
    let stock_unit: Option<String> = row.try_get("stock_unit")?;
    let stock_unit = stock_unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let measure = kind.measure(stock_unit).ok_or("missing").stored("item.stock_unit")?;
    let stock_units =
        |column: &str| Quantity::from_stock_units(row.try_get(column)?, measure).stored("item.on_hand");
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("item.price");
    let cost: Option<i64> = row.try_get("cost")?;
    let style: Option<String> = row.try_get("style_name")?;
    let rule = if style.is_some() { Some(styles::rule(row, currency)?) } else { None };
    let mut view = ItemView {
        id: ItemId::from_raw(row.try_get("id")?),
        kind,
        sku: row.try_get("sku")?,
        in_store: row.try_get("in_store")?,
        gtin: row.try_get("gtin")?,
        text: item_columns::read(row)?,
        style,
        rule,
        care: row.try_get::<Option<String>, _>("care")?.unwrap_or_default(),
        weight: stored_weight(row.try_get("weight")?, row.try_get("weight_unit")?)?,
        extras: money("extras")?,
        price: money("price")?,
        priced_by_hand: row.try_get::<String, _>("priced_by")? == "hand",
        calculation: None,
        cost: cost.map(|c| Money::from_minor(c, currency)).transpose().stored("item.cost")?,
        stock_unit,
        do_not_list: row.try_get::<i64, _>("do_not_list")? == 1,
        on_hand: stock_units("on_hand")?,
        held: stock_units("held")?,
        sold: amount(row.try_get("out")?, measure),
        past: match (row.try_get::<i64, _>("removed")? == 1, row.try_get::<i64, _>("ever_sold")? > 0) {
            (true, _) => ItemPast::Removed,
            (false, true) => ItemPast::Sold,
            (false, false) => ItemPast::Unsold,
        },
        revision: row.try_get("revision")?,
    };
    view.calculation = calculation(&view);
    Ok(view)
}

/// A sum of steps, which may exceed what one quantity can hold.
pub(crate) fn amount(stock_units: i64, measure: Measure) -> Decimal {
    match measure {
        Measure::Units => Decimal::from(stock_units),
        Measure::Thousandths(_) => Decimal::new(stock_units, 3),
    }
}

/// The calculation of a price, if the style's rule still gives this price.
fn calculation(view: &ItemView) -> Option<domain::pricing::Calculation> {
    if view.priced_by_hand {
        return None;
    }
    let weight = match view.stock_unit {
        Some(unit) => Weight::new(Decimal::ONE, unit).ok()?,
        None => view.weight?,
    };
    view.rule?.price(weight, view.extras).ok().filter(|w| w.price == view.price)
}

pub(crate) async fn read_one(
    connection: &mut AnyConnection,
    id: ItemId,
    currency: Currency,
) -> Result<ItemView, CommandError> {
    let text = format!("{} WHERE i.id = $1", *COLUMNS);
    let row = sqlx::query(AssertSqlSafe(text))
        .bind(id.raw())
        .fetch_optional(connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Item, id))?;
    read(&row, currency)
}

/// Items by their identifiers, in the same order.
pub(crate) async fn read_many(
    connection: &mut AnyConnection,
    ids: &[i64],
    currency: Currency,
) -> Result<Vec<ItemView>, CommandError> {
    let mut by_id = HashMap::with_capacity(ids.len());
    for chunk in ids.chunks(MAX_ROWS) {
        let text = in_text(&format!("{} WHERE i.id", *COLUMNS), 1, chunk.len(), "");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for id in padded(chunk) {
            statement = statement.bind(id);
        }
        for row in statement.fetch_all(&mut *connection).await? {
            by_id.insert(row.try_get::<i64, _>("id")?, read(&row, currency)?);
        }
    }
    Ok(ids.iter().filter_map(|id| by_id.remove(id)).collect())
}

impl Ledger {
    /// The item with this code.
    pub async fn item(&self, code: &Code) -> Result<ItemView, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let known = lookup::find_known(&mut connection, std::slice::from_ref(code), currency).await?;
        let found = known.get(code).ok_or_else(|| lookup::unknown(code))?;
        read_one(&mut connection, found.id, currency).await
    }

    /// The items with these codes, in the same order; rejects the first code that finds nothing.
    pub async fn items_of(&self, codes: &[Code]) -> Result<Vec<ItemView>, CommandError> {
        let mut connection = self.reader().await?;
        let known = lookup::find_known(&mut connection, codes, self.shop().currency).await?;
        if let Some(code) = codes.iter().find(|code| !known.contains_key(code)) {
            return Err(lookup::unknown(code).into());
        }
        drop(connection);
        self.known_items(codes).await
    }

    /// The items that have these codes, in the same order, each once; a code that finds nothing is left out.
    pub async fn known_items(&self, codes: &[Code]) -> Result<Vec<ItemView>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let known = lookup::find_known(&mut connection, codes, currency).await?;
        let mut ids = Vec::with_capacity(codes.len());
        for found in codes.iter().filter_map(|code| known.get(code)) {
            if !ids.contains(&found.id.raw()) {
                ids.push(found.id.raw());
            }
        }
        read_many(&mut connection, &ids, currency).await
    }

    /// What can be sold now, latest first, at most `limit`. With words, those with all of them in name,
    /// style, colors, size or SKU. Sold-out items are not even read.
    pub async fn free_items(&self, words: &str, limit: usize) -> Result<Vec<ItemView>, CommandError> {
        /// Rows that are read at once while looking for words.
        const PAGE: i64 = 200;
        let currency = self.shop().currency;
        let words: Vec<String> = text::fold(words).split_whitespace().map(str::to_owned).collect();
        let mut connection = self.reader().await?;
        let statement =
            format!("{} WHERE i.on_hand > i.held AND i.id < $1 ORDER BY i.id DESC LIMIT $2", *COLUMNS);
        let page = if words.is_empty() { i64::try_from(limit).unwrap_or(PAGE) } else { PAGE };
        let (mut found, mut below) = (Vec::new(), i64::MAX);
        while found.len() < limit {
            let rows = sqlx::query(AssertSqlSafe(statement.clone()))
                .bind(below)
                .bind(page)
                .fetch_all(&mut *connection)
                .await?;
            let Some(last) = rows.last() else { break };
            below = last.try_get("id")?;
            for row in &rows {
                let item = read(row, currency)?;
                let style = item.style.as_deref().unwrap_or_default();
                let all =
                    format!("{} {style} {} {} {}", item.text.name, item.text.color, item.text.size, item.sku);
                let folded = text::fold(&all);
                if words.iter().all(|w| folded.contains(w)) && found.len() < limit {
                    found.push(item);
                }
            }
            if i64::try_from(rows.len()).unwrap_or(0) < page {
                break;
            }
        }
        Ok(found)
    }

    /// Items, latest first, before `before` if given, at most `limit`. With words, those whose folded
    /// names have all of them; the program folds, so the program filters too.
    pub async fn items(
        &self,
        before: Option<ItemId>,
        words: &str,
        limit: usize,
    ) -> Result<Vec<ItemView>, CommandError> {
        /// Rows that are read at once while looking for words.
        const PAGE: i64 = 500;
        let currency = self.shop().currency;
        let words: Vec<String> = text::fold(words).split_whitespace().map(str::to_owned).collect();
        let mut connection = self.reader().await?;
        let page = if words.is_empty() { i64::try_from(limit).unwrap_or(PAGE) } else { PAGE };
        let statement = format!("{} WHERE i.id < $1 AND i.removed = 0 ORDER BY i.id DESC LIMIT $2", *COLUMNS);
        let mut found = Vec::new();
        let mut below = before.map_or(i64::MAX, ItemId::raw);
        while found.len() < limit {
            let rows = sqlx::query(AssertSqlSafe(statement.clone()))
                .bind(below)
                .bind(page)
                .fetch_all(&mut *connection)
                .await?;
            let Some(last) = rows.last() else { break };
            below = last.try_get("id")?;
            for row in &rows {
                let folded = text::fold(&row.try_get::<String, _>("name")?);
                if words.iter().all(|w| folded.contains(w)) && found.len() < limit {
                    found.push(read(row, currency)?);
                }
            }
            if i64::try_from(rows.len()).unwrap_or(0) < page {
                break;
            }
        }
        Ok(found)
    }
}
