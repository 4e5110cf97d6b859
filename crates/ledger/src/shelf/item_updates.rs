//! Changes the texts and prices of items that a file names again, many with few statements.

use crate::people::activity_log;
use crate::shelf::item_rows::{Prepared, add_codes};
use crate::shelf::items::{ItemView, RowOutcome, how_priced};
use crate::shelf::{find_text, item_columns, item_view, stock};
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::{Statement, chunk_sizes};
use crate::store::storage_error::StorageError;
use domain::codes::{Code, Gtin};
use domain::ids::ItemId;
use domain::item::NewItem;
use domain::money::Money;
use domain::text;
use std::collections::HashSet;

/// A known item and the row that names it.
type Known<'a> = (ItemId, &'a Prepared<'a>);

/// A row that changes something.
struct Change<'a> {
    id: ItemId,
    row: &'a Prepared<'a>,
    sku: String,
    old_price: Money,
    cost: Option<Money>,
    new_gtin: Option<&'a Gtin>,
}

/// Changes texts and prices; only a count changes stock. Returns the outcomes in the order of the rows.
pub(super) async fn write(
    tx: &mut Tx,
    mut rows: Vec<Known<'_>>,
    who: &str,
) -> Result<Vec<RowOutcome>, CommandError> {
    lock(tx, &rows).await?;
    let mut outcomes = Vec::with_capacity(rows.len());
    while !rows.is_empty() {
        let later = rows.split_off(all_different(&rows));
        outcomes.extend(write_different(tx, &rows, who).await?);
        rows = later;
    }
    Ok(outcomes)
}

/// How many rows from the first are about different items. The next one names an item by another of its codes,
/// and sees what was written before.
fn all_different(rows: &[Known<'_>]) -> usize {
    let mut seen = HashSet::with_capacity(rows.len());
    rows.iter().take_while(|(id, _)| seen.insert(*id)).count()
}

async fn write_different(
    tx: &mut Tx,
    rows: &[Known<'_>],
    who: &str,
) -> Result<Vec<RowOutcome>, CommandError> {
    let currency = tx.shop().currency;
    let ids: Vec<i64> = rows.iter().map(|(id, _)| id.raw()).collect();
    let views = item_view::read_many(tx.db(), &ids, currency).await?;
    if views.len() != rows.len() {
        return Err(StorageError::impossible("a code without its item").into());
    }
    let (mut outcomes, mut changes) = (Vec::with_capacity(rows.len()), Vec::new());
    for ((_, row), view) in rows.iter().zip(&views) {
        let change = change(view, row);
        outcomes.push(match &change {
            Err(rejection) => RowOutcome::Refused(rejection.clone()),
            Ok(None) => RowOutcome::Unchanged { sku: view.sku.clone() },
            Ok(Some(_)) => RowOutcome::Updated { sku: view.sku.clone() },
        });
        changes.extend(change.ok().flatten());
    }
    make(tx, changes, who).await?;
    Ok(outcomes)
}

/// Keeps others from the items before they are read: what a row leaves as it is must not be written back as it
/// was.
async fn lock(tx: &mut Tx, rows: &[Known<'_>]) -> Result<(), CommandError> {
    let mut items: Vec<ItemId> = rows.iter().map(|(id, _)| *id).collect();
    items.sort_unstable();
    items.dedup();
    stock::lock(tx, &items).await
}

/// What a row changes; none if nothing.
fn change<'a>(view: &ItemView, row: &'a Prepared<'a>) -> Result<Option<Change<'a>>, Rejection> {
    if row.item.stock.quantity.is_some() && row.quantity != view.on_hand {
        let reason =
            ShelfReason::StockDiffers { sku: view.sku.clone(), on_hand: view.on_hand, given: row.quantity };
        return Err(Rejection::invalid("quantity", reason));
    }
    let new_gtin = gtin_to_add(view, row.item)?;
    let cost = row.item.pricing.cost.or(view.cost);
    let same = view.text == row.text
        && view.style.as_deref().map(text::fold)
            == row.item.pricing.style.as_deref().map(|s| text::fold(s.trim()))
        && view.priced_by_hand == row.is_priced_by_hand()
        && (view.price, view.extras, view.weight)
            == (row.price.price(), row.item.pricing.extras, row.item.pricing.weight)
        && view.cost == cost
        && new_gtin.is_none();
    let change = Change { id: view.id, row, sku: view.sku.clone(), old_price: view.price, cost, new_gtin };
    Ok((!same).then_some(change))
}

/// The GTIN that a known item did not have yet; one that it has stays.
fn gtin_to_add<'a>(view: &ItemView, item: &'a NewItem) -> Result<Option<&'a Gtin>, Rejection> {
    let Some(gtin) = &item.gtin else { return Ok(None) };
    match &view.gtin {
        None => Ok(Some(gtin)),
        Some(known) if Code::parse(known).is_ok_and(|k| k.key() == gtin.code().key()) => Ok(None),
        Some(known) => {
            let reason = ShelfReason::OtherGtin { sku: view.sku.clone(), gtin: known.clone() };
            Err(Rejection::invalid("gtin13", reason))
        }
    }
}

/// Items are changed in their order, as everybody does, so that two files never wait for each other in a circle.
async fn make(tx: &mut Tx, mut changes: Vec<Change<'_>>, who: &str) -> Result<(), CommandError> {
    let mut prices = Vec::new();
    for change in &changes {
        let how = how_priced(change.row.is_priced_by_hand());
        prices.extend(
            activity_log::price_words(change.old_price, change.row.price.price(), how)
                .map(|detail| (change.sku.clone(), detail)),
        );
    }
    changes.sort_unstable_by_key(|change| change.id);
    let (mut rest, mut bundle) = (changes.as_slice(), Bundle::default());
    for size in chunk_sizes(changes.len()) {
        let (chunk, after) = rest.split_at(size);
        rest = after;
        let (text, parameters) = update_text(size);
        bundle.add(text, parameters, |statement| chunk.iter().fold(statement, bind));
    }
    tx.write(bundle).await?;
    let codes: Vec<(String, i64)> =
        changes.iter().filter_map(|change| Some((change.new_gtin?.code().key(), change.id.raw()))).collect();
    add_codes(tx, &codes).await?;
    activity_log::note_prices(tx, who, &prices).await?;
    let ids: Vec<ItemId> = changes.iter().map(|change| change.id).collect();
    tx.availability_changed(&ids).await
}

/// The columns that a row changes besides its text, with their types: PostgreSQL takes those of a list of rows
/// from the first.
const COLUMNS: [(&str, &str); 9] = [
    ("style_id", "BIGINT"),
    ("weight", "TEXT"),
    ("weight_unit", "TEXT"),
    ("extras", "BIGINT"),
    ("price", "BIGINT"),
    ("priced_by", "TEXT"),
    ("cost", "BIGINT"),
    ("mass", "BIGINT"),
    ("gtin", "TEXT"),
];

/// `UPDATE item … FROM (VALUES …)`, whose columns both engines call `column1`, `column2` and so on; and how many
/// parameters it has.
fn update_text(rows: usize) -> (String, usize) {
    let texts = item_columns::written();
    let columns = COLUMNS.into_iter().chain(texts.iter().map(|column| (*column, "TEXT")));
    let (mut assignments, mut types) = (Vec::new(), vec!["BIGINT"]);
    for (at, (column, kind)) in (2..).zip(columns) {
        assignments.push(match column {
            // One that it has stays.
            "gtin" => format!("gtin = COALESCE(item.gtin, v.column{at})"),
            _ => format!("{column} = v.column{at}"),
        });
        types.push(kind);
    }
    let first: Vec<String> = types.iter().map(|kind| format!("CAST(? AS {kind})")).collect();
    let further = format!(", ({})", vec!["?"; types.len()].join(", ")).repeat(rows - 1);
    let text = format!(
        "UPDATE item SET {}, revision = item.revision + 1 FROM (VALUES ({}){further}) AS v \
         WHERE item.id = v.column1",
        assignments.join(", "),
        first.join(", ")
    );
    (text, types.len() * rows)
}

fn bind(statement: Statement<'static>, change: &Change<'_>) -> Statement<'static> {
    let Change { id, row, cost, new_gtin, .. } = change;
    let statement = statement
        .bind(id.raw())
        .bind(row.style)
        .bind(row.item.pricing.weight.map(|w| w.value().to_string()))
        .bind(row.item.pricing.weight.map(|w| w.unit().code().to_owned()))
        .bind(row.item.pricing.extras.minor())
        .bind(row.price.price().minor())
        .bind(row.priced_by().to_owned())
        .bind(cost.map(Money::minor))
        .bind(find_text::mass(row.item.pricing.weight))
        .bind(new_gtin.map(|gtin| gtin.as_str().to_owned()));
    item_columns::bind(statement, &row.text)
}
