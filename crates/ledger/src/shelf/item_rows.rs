//! Writes many items with few statements: checked rows in, outcomes in the same order out.

use crate::shelf::items::{AddedItem, ItemPrice, RowOutcome, own_amounts, price_of};
use crate::shelf::stock::{EntryReason, enter};
use crate::shelf::styles::StyleView;
use crate::shelf::{find_text, item_columns, item_updates, lookup};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::{MAX_ROWS, in_text, insert_rows, insert_rows_or, padded};
use crate::store::storage_error::StorageError;
use crate::store::tables;
use domain::codes::{Code, Gtin, InStoreCode};
use domain::ids::ItemId;
use domain::item::{ItemStock, ItemText, NewItem};
use domain::money::{Currency, Money};
use domain::quantity::{Asked, Measure, Quantity};
use domain::receipt::ReceiptCode;
use domain::stock::{ItemKind, StockReason};
use domain::text;
use sqlx::{AssertSqlSafe, Row};
use std::collections::{BTreeSet, HashMap, HashSet};

/// A row with valid values.
pub(crate) struct Prepared<'a> {
    pub(super) item: &'a NewItem,
    pub(super) style: Option<i64>,
    pub(super) text: ItemText,
    pub(super) price: ItemPrice,
    pub(super) quantity: Quantity,
}

impl Prepared<'_> {
    pub(super) fn is_priced_by_hand(&self) -> bool {
        matches!(self.price, ItemPrice::ByHand(_))
    }

    pub(super) fn priced_by(&self) -> &'static str {
        if self.is_priced_by_hand() { "hand" } else { "rule" }
    }
}

/// Checks a row's own values; codes are checked when all rows are known.
pub(crate) fn prepare<'a>(
    item: &'a NewItem,
    styles: &HashMap<String, StyleView>,
    currency: Currency,
) -> Result<Prepared<'a>, Rejection> {
    let style =
        match &item.pricing.style {
            None => None,
            Some(name) => Some(styles.get(&text::fold(name.trim())).ok_or_else(|| {
                Rejection::invalid("style", ShelfReason::UnknownStyle { name: name.clone() })
            })?),
        };
    item_columns::refuse_images(&item.text.images)?;
    let text = item_columns::checked(&item.text)?;
    own_amounts(&item.pricing, currency)?;
    let measure = item
        .stock
        .kind
        .measure(item.stock.stock_unit)
        .ok_or_else(|| Rejection::invalid("quantity.unitCode", ShelfReason::StockUnitMissing))?;
    if item.sku.as_ref().is_some_and(|sku| ReceiptCode::read(sku.as_str()).is_some()) {
        return Err(Rejection::invalid("sku", ShelfReason::ReceiptCode));
    }
    let quantity = quantity(&item.stock, measure)?;
    let price = price_of(&item.pricing, measure, style.map(|s| &s.rule))?;
    Ok(Prepared { item, style: style.map(|s| s.id.raw()), text, price, quantity })
}

fn quantity(stock: &ItemStock, measure: Measure) -> Result<Quantity, Rejection> {
    let default =
        if stock.kind == ItemKind::Piece { Asked::ONE } else { Asked { value: 0.into(), unit: None } };
    let quantity = Quantity::resolve_or_zero(stock.quantity.unwrap_or(default), measure).named("quantity")?;
    if stock.kind == ItemKind::Piece && quantity.stock_units() != 1 {
        return Err(Rejection::invalid("quantity", ShelfReason::OnlyOneUseCounted));
    }
    Ok(quantity)
}

/// What happens to a checked row.
enum Plan<'a> {
    Refused(Rejection),
    New(Prepared<'a>),
    Known(ItemId, Prepared<'a>),
}

/// Writes the rows in bulk.
pub(crate) async fn write(
    tx: &mut Tx,
    rows: Vec<Result<Prepared<'_>, Rejection>>,
    who: &str,
) -> Result<Vec<RowOutcome>, CommandError> {
    let plans = plan(tx, rows).await?;
    let known =
        plans.iter().filter_map(|p| if let Plan::Known(id, row) = p { Some((*id, row)) } else { None });
    let new: Vec<&Prepared<'_>> =
        plans.iter().filter_map(|p| if let Plan::New(n) = p { Some(n) } else { None }).collect();
    // Items first and the shop's row, which draws numbers, after them, as everybody locks them.
    let mut updated = item_updates::write(tx, known.collect(), who).await?.into_iter();
    let mut added = insert(tx, &new, who).await?.into_iter();
    let lost = || StorageError::impossible("a row was lost");
    let mut outcomes = Vec::with_capacity(plans.len());
    for plan in &plans {
        outcomes.push(match plan {
            Plan::Refused(rejection) => RowOutcome::Refused(rejection.clone()),
            Plan::Known(..) => updated.next().ok_or_else(lost)?,
            Plan::New(_) => RowOutcome::Added(added.next().ok_or_else(lost)?),
        });
    }
    Ok(outcomes)
}

async fn plan<'a>(
    tx: &mut Tx,
    rows: Vec<Result<Prepared<'a>, Rejection>>,
) -> Result<Vec<Plan<'a>>, CommandError> {
    let currency = tx.shop().currency;
    let codes: Vec<Code> = rows.iter().flatten().flat_map(|row| own_codes(row.item)).collect();
    let known = lookup::find_known(tx.db(), &codes, currency).await?;
    let mut seen: HashSet<String> = HashSet::new();
    let mut plans = Vec::with_capacity(rows.len());
    for row in rows {
        plans.push(match row {
            Err(rejection) => Plan::Refused(rejection),
            Ok(row) => place(row, &known, &mut seen),
        });
    }
    Ok(plans)
}

fn own_codes(item: &NewItem) -> impl Iterator<Item = Code> {
    item.sku.clone().into_iter().chain(item.gtin.as_ref().map(Gtin::code))
}

/// New, known by its SKU, or in conflict with another item's or row's code.
fn place<'a>(
    row: Prepared<'a>,
    known: &HashMap<Code, lookup::Found>,
    seen: &mut HashSet<String>,
) -> Plan<'a> {
    if let Some(code) = own_codes(row.item).find(|c| seen.contains(&c.key())) {
        let title = "another row of this file".to_owned();
        return Plan::Refused(Rejection::CodeTaken { code: code.to_string(), title });
    }
    seen.extend(own_codes(row.item).map(|c| c.key()));
    let by_sku = row.item.sku.as_ref().and_then(|sku| known.get(sku));
    let by_gtin = row.item.gtin.as_ref().and_then(|gtin| known.get(&gtin.code()));
    match (by_sku, by_gtin) {
        (None, None) => Plan::New(row),
        (None, Some(other)) => taken(row.item.gtin.as_ref().map(Gtin::as_str), other),
        (Some(own), Some(other)) if own.id != other.id => {
            taken(row.item.gtin.as_ref().map(Gtin::as_str), other)
        }
        (Some(own), _) if own.kind != row.item.stock.kind || own.measure != row.quantity.measure() => {
            let reason = ShelfReason::OtherKind { sku: own.sku.clone(), kind: own.kind };
            Plan::Refused(Rejection::invalid("kind", reason))
        }
        (Some(own), _) if own.is_removed => {
            let reason = ShelfReason::RemovedBefore { sku: own.sku.clone() };
            Plan::Refused(Rejection::invalid("sku", reason))
        }
        (Some(own), _) => Plan::Known(own.id, row),
    }
}

fn taken<'a>(code: Option<&str>, other: &lookup::Found) -> Plan<'a> {
    let code = code.unwrap_or_default().to_owned();
    Plan::Refused(Rejection::CodeTaken { code, title: other.title.clone() })
}

/// How often new numbers are drawn because some of them are taken; each time enough for a whole file.
const MAX_DRAWS: u32 = 100;

async fn insert(tx: &mut Tx, rows: &[&Prepared<'_>], who: &str) -> Result<Vec<AddedItem>, CommandError> {
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let added = numbered(tx, rows).await?;
    let now = tx.now().millis();
    let pairs: Vec<(&AddedItem, &Prepared<'_>)> = added.iter().zip(rows.iter().copied()).collect();
    insert_rows(tx.db(), &tables::ITEM, &pairs, |statement, (added, row)| {
        bind_item(statement, added, row, now)
    })
    .await?;
    let mut codes: Vec<(String, i64)> = Vec::with_capacity(rows.len() * 2);
    for (added, row) in &pairs {
        let in_store = Code::parse(&added.in_store).field("code")?.key();
        // A SKU may be the GTIN itself: then the two are one code.
        let own: BTreeSet<String> = own_codes(row.item).map(|c| c.key()).chain([in_store]).collect();
        codes.extend(own.into_iter().map(|key| (key, added.id.raw())));
    }
    add_codes(tx, &codes).await?;
    let because = EntryReason { why: StockReason::Made, source: None, note: "", who };
    let moves: Vec<(ItemId, i64)> = pairs
        .iter()
        .map(|(a, r)| (a.id, r.quantity.stock_units()))
        .filter(|(_, stock_units)| *stock_units > 0)
        .collect();
    enter(tx, &moves, because).await?;
    Ok(added)
}

/// Writes codes that nothing but their own item had when we looked. If somebody added one of them since,
/// everything is tried again and finds it.
pub(super) async fn add_codes(tx: &mut Tx, codes: &[(String, i64)]) -> Result<(), CommandError> {
    let written =
        insert_rows_or(tx.db(), &tables::CODE, "ON CONFLICT DO NOTHING", codes, |statement, (code, item)| {
            statement.bind(code.clone()).bind(*item)
        })
        .await?;
    if usize::try_from(written).ok() == Some(codes.len()) || have_codes(tx, codes).await? {
        return Ok(());
    }
    Err(StorageError::Collided(sqlx::Error::RowNotFound).into())
}

/// Whether all codes are their items': a SKU that is a GTIN is its item's code before the GTIN is given.
async fn have_codes(tx: &mut Tx, codes: &[(String, i64)]) -> Result<bool, CommandError> {
    let wanted: HashMap<&str, i64> = codes.iter().map(|(code, item)| (code.as_str(), *item)).collect();
    for chunk in codes.chunks(MAX_ROWS) {
        let text = in_text("SELECT code, item_id FROM code WHERE code", 1, chunk.len(), "");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for (code, _) in padded(chunk) {
            statement = statement.bind(code);
        }
        for row in statement.fetch_all(tx.db()).await? {
            let (code, item): (String, i64) = (row.try_get("code")?, row.try_get("item_id")?);
            if wanted.get(code.as_str()) != Some(&item) {
                return Ok(false);
            }
        }
    }
    Ok(true)
}

/// Gives each row its identifier and its in-store code.
async fn numbered(tx: &mut Tx, rows: &[&Prepared<'_>]) -> Result<Vec<AddedItem>, CommandError> {
    let codes = draw_codes(tx, rows).await?;
    let number = |(in_store, row): (InStoreCode, &&Prepared<'_>)| {
        let in_store = in_store.as_str().to_owned();
        let sku = row.item.sku.as_ref().map_or_else(|| in_store.clone(), ToString::to_string);
        Ok(AddedItem { id: ItemId::from_raw(tx.next_id()?), sku, in_store, price: row.price.clone() })
    };
    codes.into_iter().zip(rows).map(number).collect()
}

/// Draws in-store codes and skips those that an owner uses as SKUs: tags that another program printed
/// for them may have numbers in the same range.
async fn draw_codes(tx: &mut Tx, rows: &[&Prepared<'_>]) -> Result<Vec<InStoreCode>, CommandError> {
    let currency = tx.shop().currency;
    let own: HashSet<String> = rows.iter().flat_map(|row| own_codes(row.item)).map(|c| c.key()).collect();
    let mut drawn: Vec<InStoreCode> = Vec::with_capacity(rows.len());
    for _ in 0..MAX_DRAWS {
        let missing = i64::try_from(rows.len() - drawn.len()).map_err(StorageError::impossible)?;
        let last = tx.draw_in_store(missing).await?;
        let fresh: Vec<InStoreCode> = (last - missing + 1..=last)
            .map(InStoreCode::from_number)
            .collect::<Result<_, _>>()
            .field("code")?;
        let keys: Vec<Code> = fresh.iter().map(InStoreCode::code).collect();
        let taken = lookup::find_known(tx.db(), &keys, currency).await?;
        drawn.extend(
            fresh.into_iter().filter(|c| !own.contains(&c.code().key()) && !taken.contains_key(&c.code())),
        );
        if drawn.len() == rows.len() {
            return Ok(drawn);
        }
    }
    Err(Rejection::invalid("sku", ShelfReason::NumbersTaken).into())
}

fn bind_item<'q>(
    statement: crate::store::sql::Statement<'q>,
    added: &AddedItem,
    row: &Prepared<'_>,
    now: i64,
) -> crate::store::sql::Statement<'q> {
    let NewItem { gtin, pricing, stock, .. } = row.item;
    let statement = statement
        .bind(added.id.raw())
        .bind(stock.kind.code().to_owned())
        .bind(added.sku.clone())
        .bind(added.in_store.clone())
        .bind(gtin.as_ref().map(|g| g.as_str().to_owned()))
        .bind(row.style);
    item_columns::bind(statement, &row.text)
        .bind(pricing.weight.map(|w| w.value().to_string()))
        .bind(pricing.weight.map(|w| w.unit().code().to_owned()))
        .bind(pricing.extras.minor())
        .bind(1_i64)
        .bind(row.price.price().minor())
        .bind(row.priced_by().to_owned())
        .bind(pricing.cost.map(Money::minor))
        .bind(stock.stock_unit.filter(|_| stock.kind == ItemKind::Weight).map(|u| u.code().to_owned()))
        .bind(i64::from(stock.do_not_list))
        .bind(row.quantity.stock_units())
        .bind(0_i64)
        .bind(row.quantity.stock_units())
        .bind(0_i64)
        .bind(0_i64)
        .bind(0_i64)
        .bind(0_i64)
        .bind(1_i64)
        .bind(now)
        .bind(find_text::mass(pricing.weight))
        .bind(0_i64)
}
