//! Finds items by the codes that people and other shops use.

use crate::shelf::holds::{self, Purpose};
use crate::shelf::weighed::Weighed;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{HeldFor, Rejection, SoldAs, Thing};
use crate::store::sql::{in_text, padded};
use crate::store::storage_error::StorageError;
use domain::codes::{Code, CodeError};
use domain::day::{Moment, ShopTime, Zone};
use domain::ids::ItemId;
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::stock::{ItemKind, StockReason};
use domain::weight::WeightUnit;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;

/// What a sale, a hold or an order needs to know about an item.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    pub(crate) id: ItemId,
    pub(crate) kind: ItemKind,
    pub(crate) measure: Measure,
    pub(crate) sku: String,
    pub(crate) title: String,
    pub(crate) price: Money,
    pub(crate) cost: Option<Money>,
    /// Whether a past sale from another system sold this very piece.
    pub(crate) sold_in_past: bool,
    /// In stock and not on hold, when it was read.
    pub(crate) free: i64,
    /// Whether it was removed as a mistake, and was not found again since.
    pub(crate) is_removed: bool,
    /// Its weight and how that made its price; none for goods by weight.
    pub(crate) weighed: Option<Weighed>,
}

const FIND: &str = "SELECT c.code, i.id, i.kind, i.stock_unit, i.sku, i.name, i.price, i.cost, i.on_hand - i.held AS free, i.removed, \
    i.weight, i.weight_unit, i.extras, i.priced_by, s.rate, s.rate_unit, s.ending, s.minimum, \
    CASE WHEN i.kind = 'piece' AND EXISTS (SELECT 1 FROM code k JOIN sale_line l ON l.code = k.code \
        WHERE k.item_id = i.id AND l.item_id IS NULL AND l.code <> '') THEN 1 ELSE 0 END AS sold_in_past \
    FROM code c JOIN item i ON i.id = c.item_id LEFT JOIN style s ON s.id = i.style_id WHERE c.code";

/// Finds the item for each code; codes that find nothing are missing in the map.
pub(crate) async fn find_known(
    connection: &mut AnyConnection,
    codes: &[Code],
    currency: Currency,
) -> Result<HashMap<Code, Found>, CommandError> {
    let mut by_key = HashMap::with_capacity(codes.len());
    for chunk in codes.chunks(crate::store::sql::MAX_ROWS) {
        let keys: Vec<String> = chunk.iter().map(Code::key).collect();
        let mut statement = sqlx::query(AssertSqlSafe(in_text(FIND, 1, keys.len(), "")));
        for key in padded(&keys) {
            statement = statement.bind(key);
        }
        for row in statement.fetch_all(&mut *connection).await? {
            by_key.insert(row.try_get::<String, _>("code")?, found(&row, currency)?);
        }
    }
    Ok(codes.iter().filter_map(|c| Some((c.clone(), by_key.get(&c.key())?.clone()))).collect())
}

/// Finds the item for each code, or rejects the first that finds nothing.
pub(crate) async fn find_all(tx: &mut Tx, codes: &[Code]) -> Result<Vec<Found>, CommandError> {
    let currency = tx.shop().currency;
    let known = find_known(tx.db(), codes, currency).await?;
    codes.iter().map(|code| known.get(code).cloned().ok_or_else(|| unknown(code).into())).collect()
}

/// A code that finds nothing, perhaps because of a wrong digit.
pub(crate) fn unknown(code: &Code) -> Rejection {
    match code.check_digit_slip() {
        Err(CodeError::WrongCheckDigit { text, expected }) => Rejection::WrongDigit { code: text, expected },
        _ => Rejection::UnknownCode { code: code.to_string() },
    }
}

fn found(row: &AnyRow, currency: Currency) -> Result<Found, CommandError> {
    let kind =
        ItemKind::from_code(&row.try_get::<String, _>("kind")?).ok_or("unknown kind").stored("item.kind")?;
    let unit: Option<String> = row.try_get("stock_unit")?;
    let unit = unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let cost: Option<i64> = row.try_get("cost")?;
    let price = Money::from_minor(row.try_get("price")?, currency).stored("item.price")?;
    let weighed = if unit.is_none() { Weighed::of_item(row, price)? } else { None };
    Ok(Found {
        id: ItemId::from_raw(row.try_get("id")?),
        kind,
        measure: kind.measure(unit).ok_or("no stock unit").stored("item.stock_unit")?,
        sku: row.try_get("sku")?,
        title: row.try_get("name")?,
        price,
        cost: cost.map(|c| Money::from_minor(c, currency)).transpose().stored("item.cost")?,
        sold_in_past: row.try_get::<i64, _>("sold_in_past")? == 1,
        free: row.try_get("free")?,
        is_removed: row.try_get::<i64, _>("removed")? == 1,
        weighed,
    })
}

/// Why `stock_units` of an item are not available: sold (to whom and when), gone, on hold, or too few.
pub(crate) async fn explain(tx: &mut Tx, item: ItemId, stock_units: i64) -> Result<Rejection, CommandError> {
    let zone = tx.shop().zone.clone();
    explain_to(tx.db(), item, stock_units, &zone).await
}

/// Like [`explain`], for somebody who is only looking.
pub(crate) async fn explain_to(
    connection: &mut AnyConnection,
    item: ItemId,
    stock_units: i64,
    zone: &Zone,
) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT kind, stock_unit, sku, name, on_hand, held FROM item WHERE id = $1")
        .bind(item.raw())
        .fetch_optional(&mut *connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Item, item))?;
    let (code, title): (String, String) = (row.try_get("sku")?, row.try_get("name")?);
    let (on_hand, held): (i64, i64) = (row.try_get("on_hand")?, row.try_get("held")?);
    let kind = ItemKind::from_code(&row.try_get::<String, _>("kind")?);
    if on_hand >= stock_units {
        let hold = if on_hand - held >= stock_units { None } else { open_hold(connection, item).await? };
        // It is free again since (on PostgreSQL another transaction may end in between), so everything
        // is tried again.
        let (for_whom, until) = hold.ok_or_else(|| StorageError::Collided(sqlx::Error::RowNotFound))?;
        let until = until.map(|at| ShopTime { at, zone: zone.clone() });
        return Ok(Rejection::OnHold { code, title, for_whom, until });
    }
    if on_hand == 0
        && kind == Some(ItemKind::Piece)
        && let Some(rejection) = what_became_of(connection, item, (&code, &title), zone).await?
    {
        return Ok(rejection);
    }
    let unit: Option<String> = row.try_get("stock_unit")?;
    let unit = unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let measure = kind.and_then(|k| k.measure(unit)).unwrap_or(Measure::Units);
    let quantity = |stock_units| Quantity::from_stock_units(stock_units, measure).stored("item.on_hand");
    Ok(Rejection::NotEnough { code, title, asked: quantity(stock_units)?, free: quantity(on_hand - held)? })
}

async fn open_hold(
    connection: &mut AnyConnection,
    item: ItemId,
) -> Result<Option<(HeldFor, Option<Moment>)>, CommandError> {
    let row = sqlx::query(
        "SELECT h.for_whom, p.name AS person, h.purpose, h.until_ms FROM hold h \
         LEFT JOIN person_data p ON p.id = h.customer_id WHERE h.item_id = $1 AND h.state = 'open' \
         ORDER BY h.id DESC LIMIT 1",
    )
    .bind(item.raw())
    .fetch_optional(&mut *connection)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let (name, purpose) = (holds::for_whom(&row)?, row.try_get::<String, _>("purpose")?);
    let until: Option<i64> = row.try_get("until_ms")?;
    let for_whom = match Purpose::from_code(&purpose) {
        _ if !name.is_empty() => HeldFor::Name(name),
        Some(Purpose::Basket) => HeldFor::Sale,
        Some(Purpose::Market) => HeldFor::Market,
        Some(Purpose::Order) => HeldFor::Order,
        Some(Purpose::Customer) | None => HeldFor::Customer,
    };
    Ok(Some((for_whom, until.map(Moment::from_millis))))
}

async fn what_became_of(
    connection: &mut AnyConnection,
    item: ItemId,
    (code, title): (&str, &str),
    zone: &Zone,
) -> Result<Option<Rejection>, CommandError> {
    let row = sqlx::query(
        "SELECT reason, source_id, note FROM stock_entry WHERE item_id = $1 AND change < 0 ORDER BY id DESC LIMIT 1",
    )
    .bind(item.raw())
    .fetch_optional(&mut *connection)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let why = StockReason::from_code(&row.try_get::<String, _>("reason")?);
    let (code, title) = (code.to_owned(), title.to_owned());
    if why != Some(StockReason::Sold) {
        return Ok(Some(Rejection::Gone { code, title, why }));
    }
    let sale: Option<i64> = row.try_get("source_id")?;
    let sale = sale.ok_or_else(|| StorageError::impossible("a sold entry without its sale"))?;
    let sold = sold_as(connection, sale, zone).await?;
    Ok(sold.map(|sold| Rejection::AlreadySold { code, title, sold: Box::new(sold) }))
}

/// The rejection for a piece that a past sale sold.
pub(crate) async fn sold_in_past(tx: &mut Tx, found: &Found) -> Result<Rejection, CommandError> {
    let row = sqlx::query(
        "SELECT l.sale_id FROM code k JOIN sale_line l ON l.code = k.code \
         WHERE k.item_id = $1 AND l.item_id IS NULL AND l.code <> '' ORDER BY l.id DESC LIMIT 1",
    )
    .bind(found.id.raw())
    .fetch_one(tx.db())
    .await?;
    let zone = tx.shop().zone.clone();
    let sold = sold_as(tx.db(), row.try_get("sale_id")?, &zone).await?;
    let sold = sold.ok_or_else(|| StorageError::impossible("a sale line without its sale"))?;
    Ok(Rejection::AlreadySold { code: found.sku.clone(), title: found.title.clone(), sold: Box::new(sold) })
}

/// How a rejection describes a sale.
pub(crate) async fn sold_as(
    connection: &mut AnyConnection,
    sale: i64,
    zone: &Zone,
) -> Result<Option<SoldAs>, CommandError> {
    let row = sqlx::query(
        "SELECT s.channel, s.at_ms, s.receipt, o.number FROM sale s \
         LEFT JOIN customer_order o ON o.id = s.order_id WHERE s.id = $1",
    )
    .bind(sale)
    .fetch_optional(connection)
    .await?;
    let Some(row) = row else { return Ok(None) };
    Ok(Some(SoldAs {
        channel: row.try_get("channel")?,
        at: ShopTime { at: Moment::from_millis(row.try_get("at_ms")?), zone: zone.clone() },
        receipt: row.try_get("receipt")?,
        order: row.try_get("number")?,
    }))
}
