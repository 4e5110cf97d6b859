//! The stock ledger: conditional updates of an item's counters, with an entry for each.

use crate::people::activity_log::{self, Activity};
use crate::shelf::{holds, lookup, open_count};
use crate::store::Ledger;
use crate::store::bundle::{Bundle, Returned};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::{MAX_ROWS, in_text, padded};
use crate::store::storage_error::StorageError;
use crate::store::tables;
use async_trait::async_trait;
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{EntryId, ItemId, SaleId};
use domain::quantity::{Asked, MAX_STOCK_UNITS, Quantity, QuantityError};
use domain::stock::{Counter, ItemKind, StockReason};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, Row};
use std::collections::BTreeSet;

/// Stock that leaves an item: `stock_units` in total, of which `from_hold` were on hold for this.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Take {
    pub(crate) item: ItemId,
    pub(crate) stock_units: i64,
    pub(crate) from_hold: i64,
}

/// Who did something and why, for the entries.
#[derive(Clone, Copy, Debug)]
pub(crate) struct EntryReason<'a> {
    pub(crate) why: StockReason,
    pub(crate) source: Option<i64>,
    pub(crate) note: &'a str,
    pub(crate) who: &'a str,
}

/// What is sold leaves the stock. The condition alone guarantees “sold once”: nothing that was read before
/// decides anything.
const TAKE_SOLD: &str = "UPDATE item SET on_hand = on_hand - ?, held = held - ?, sold = sold + ?, \
    revision = revision + 1 WHERE id = ? AND held >= ? AND on_hand - held + ? >= ? \
    RETURNING 'taken' AS part, id, revision AS value";
const TAKE_WRITTEN_OFF: &str = "UPDATE item SET on_hand = on_hand - ?, held = held - ?, \
    written_off = written_off + ?, revision = revision + 1 \
    WHERE id = ? AND held >= ? AND on_hand - held + ? >= ? \
    RETURNING 'taken' AS part, id, revision AS value";
const TAKEN: &str = "taken";
/// A sold piece only returns by a refund or a void: if it were made a second time, it could be sold a
/// second time. One that was removed by mistake is found again by a count.
const ADD_MADE: &str = "UPDATE item SET on_hand = on_hand + $2, made = made + $2, removed = 0, revision = revision + 1 \
    WHERE id = $1 AND on_hand + $2 <= $3 AND (kind <> 'piece' OR (on_hand + $2 <= 1 AND sold = put_back))";
const ADD_PUT_BACK: &str = "UPDATE item SET on_hand = on_hand + $2, put_back = put_back + $2, \
    revision = revision + 1 WHERE id = $1 AND on_hand + $2 <= $3 AND (kind <> 'piece' OR on_hand + $2 <= 1)";

/// Adds up what is taken of the same item, and sorts by item, so that two sales touch items in the same
/// order and never wait for each other in a circle.
pub(crate) fn in_order(mut takes: Vec<Take>) -> Vec<Take> {
    takes.sort_by_key(|t| t.item);
    takes.dedup_by(|later, first| {
        let same = later.item == first.item;
        if same {
            first.stock_units += later.stock_units;
            first.from_hold += later.from_hold;
        }
        same
    });
    takes
}

impl Take {
    /// Whether what is on hold for it, and what was free, are enough.
    pub(crate) fn is_covered_by(&self, free: Option<i64>) -> bool {
        self.stock_units - self.from_hold <= free.unwrap_or(0)
    }
}

/// Takes an item's stock for a loss, with its entry.
pub(crate) async fn take(tx: &mut Tx, take: Take, because: EntryReason<'_>) -> Result<(), CommandError> {
    take_one_by_one(tx, &[take], because.why).await?;
    let mut entries = Bundle::default();
    add_taken(tx, &[take], because, &mut entries)?;
    tx.write(entries).await?;
    Ok(())
}

/// Takes the items' stock, of each after ending its expired holds if necessary. The takes are [`in_order`].
pub(crate) async fn take_one_by_one(
    tx: &mut Tx,
    takes: &[Take],
    why: StockReason,
) -> Result<(), CommandError> {
    for take in takes {
        if !try_take(tx, take, why).await? {
            return Err(lookup::explain(tx, take.item, take.stock_units).await?.into());
        }
    }
    Ok(())
}

/// What takes stock, as part of a bundle; [`all_taken`] sees to what came of it. The takes are [`in_order`].
pub(crate) fn add_takes(bundle: &mut Bundle, takes: &[Take], why: StockReason) {
    for take in takes {
        let text = match why.counter(-take.stock_units) {
            Counter::Sold => TAKE_SOLD,
            _ => TAKE_WRITTEN_OFF,
        };
        let Take { item, stock_units, from_hold } = *take;
        bundle.add(text.to_owned(), 7, |statement| {
            let counters = statement.bind(stock_units).bind(from_hold).bind(stock_units);
            counters.bind(item.raw()).bind(from_hold).bind(from_hold).bind(stock_units)
        });
    }
}

/// Rejects what [`add_takes`] did not find in stock. It does not end expired holds: by then more is locked than
/// the items.
pub(crate) async fn all_taken(tx: &mut Tx, takes: &[Take], returned: &Returned) -> Result<(), CommandError> {
    let taken: BTreeSet<i64> = returned.of(TAKEN).map(|(item, _)| item).collect();
    let Some(missed) = takes.iter().find(|take| !taken.contains(&take.item.raw())) else { return Ok(()) };
    if holds::has_expired(tx, missed.item).await? {
        // Tried again, it finds that there is not enough, and ends them first.
        return Err(StorageError::Collided(sqlx::Error::RowNotFound).into());
    }
    Err(lookup::explain(tx, missed.item, missed.stock_units).await?.into())
}

/// The entries of what was taken, as part of a bundle.
pub(crate) fn add_taken(
    tx: &Tx,
    takes: &[Take],
    because: EntryReason<'_>,
    bundle: &mut Bundle,
) -> Result<(), CommandError> {
    let moves: Vec<(ItemId, i64)> = takes.iter().map(|t| (t.item, -t.stock_units)).collect();
    add_entries(tx, &moves, because, bundle)
}

/// Takes one item's stock if it is available, after ending expired holds on it if necessary.
pub(crate) async fn try_take(tx: &mut Tx, take: &Take, why: StockReason) -> Result<bool, CommandError> {
    if take_once(tx, take, why).await? {
        return Ok(true);
    }
    Ok(holds::expire_of_item(tx, take.item).await? && take_once(tx, take, why).await?)
}

async fn take_once(tx: &mut Tx, take: &Take, why: StockReason) -> Result<bool, CommandError> {
    let mut bundle = Bundle::default();
    add_takes(&mut bundle, std::slice::from_ref(take), why);
    Ok(tx.write(bundle).await?.of(TAKEN).next().is_some())
}

/// Adds stock.
pub(crate) async fn add(
    tx: &mut Tx,
    item: ItemId,
    stock_units: i64,
    because: EntryReason<'_>,
) -> Result<(), CommandError> {
    match try_add(tx, item, stock_units, because.why).await? {
        Some(rejection) => Err(rejection.into()),
        None => enter(tx, &[(item, stock_units)], because).await,
    }
}

/// Adds stock if that is allowed, leaving the entry to the caller; otherwise says why not.
pub(crate) async fn try_add(
    tx: &mut Tx,
    item: ItemId,
    stock_units: i64,
    why: StockReason,
) -> Result<Option<Rejection>, CommandError> {
    let text = match why.counter(stock_units) {
        Counter::PutBack => ADD_PUT_BACK,
        _ => ADD_MADE,
    };
    let done =
        sqlx::query(text).bind(item.raw()).bind(stock_units).bind(MAX_STOCK_UNITS).execute(tx.db()).await?;
    if done.rows_affected() == 0 {
        return cannot_add(tx, item).await.map(Some);
    }
    Ok(None)
}

async fn cannot_add(tx: &mut Tx, item: ItemId) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT kind, on_hand, sold - put_back AS out FROM item WHERE id = $1")
        .bind(item.raw())
        .fetch_one(tx.db())
        .await?;
    if row.try_get::<String, _>("kind")? != ItemKind::Piece.code() {
        return Ok(Rejection::invalid("quantity", QuantityError::TooLarge));
    }
    if row.try_get::<i64, _>("on_hand")? == 0 && row.try_get::<i64, _>("out")? > 0 {
        return lookup::explain(tx, item, 1).await;
    }
    Ok(Rejection::invalid("quantity", ShelfReason::OnlyOneUseCounted))
}

/// Writes the entries of changes that were made, and informs others.
pub(crate) async fn enter(
    tx: &mut Tx,
    moves: &[(ItemId, i64)],
    because: EntryReason<'_>,
) -> Result<(), CommandError> {
    if moves.iter().any(|(_, change)| *change > 0) {
        open_count::after_begin(tx).await?;
    }
    let mut bundle = Bundle::default();
    add_entries(tx, moves, because, &mut bundle)?;
    tx.write(bundle).await?;
    Ok(())
}

fn add_entries(
    tx: &Tx,
    moves: &[(ItemId, i64)],
    because: EntryReason<'_>,
    bundle: &mut Bundle,
) -> Result<(), CommandError> {
    let now = tx.now().millis();
    let rows = moves
        .iter()
        .map(|(item, change)| Ok((tx.next_id()?, item.raw(), *change)))
        .collect::<Result<Vec<_>, CommandError>>()?;
    bundle.insert(&tables::STOCK_ENTRY, "", &rows, |statement, (id, item, change)| {
        statement
            .bind(*id)
            .bind(*item)
            .bind(*change)
            .bind(because.why.code().to_owned())
            .bind(because.source)
            .bind(because.note.to_owned())
            .bind(because.who.to_owned())
            .bind(now)
    });
    let items: Vec<ItemId> = moves.iter().map(|(item, _)| *item).collect();
    tx.add_availability_changed(bundle, &items);
    Ok(())
}

/// Sends items again, with revisions of their own, because everything about the current ones may have
/// been sent.
pub(crate) async fn enqueue_anew(tx: &mut Tx, mut items: Vec<ItemId>) -> Result<(), CommandError> {
    items.sort_unstable();
    items.dedup();
    for item in &items {
        raise_revision(tx, *item, 0).await?;
    }
    tx.availability_changed(&items).await
}

/// Gives an item a new revision above `above` and all earlier ones. The row is locked, and nothing said
/// about it before is news any more.
pub(crate) async fn raise_revision(tx: &mut Tx, item: ItemId, above: i64) -> Result<(), CommandError> {
    const RAISE: &str =
        "UPDATE item SET revision = CASE WHEN revision < $2 THEN $2 ELSE revision END + 1 WHERE id = $1";
    sqlx::query(RAISE).bind(item.raw()).bind(above).execute(tx.db()).await?;
    Ok(())
}

/// Waits for whoever is changing the items, and keeps others from them until this transaction ends. The
/// items are in order, as everybody takes them. On SQLite whoever writes has the whole shop already.
pub(crate) async fn lock(tx: &mut Tx, items: &[ItemId]) -> Result<(), CommandError> {
    if tx.has_the_only_writer() {
        return Ok(());
    }
    for chunk in items.chunks(MAX_ROWS) {
        // As strong as an update, which leaves the keys alone.
        let text = in_text("SELECT id FROM item WHERE id", 1, chunk.len(), "ORDER BY id FOR NO KEY UPDATE");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for item in padded(chunk) {
            statement = statement.bind(item.raw());
        }
        statement.fetch_all(tx.db()).await?;
    }
    Ok(())
}

/// Changes an item's stock for a reason that somebody gives.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AdjustStock {
    /// Which item.
    pub code: Code,
    /// The count or change.
    pub what: Counted,
    /// A note for the entry.
    pub note: String,
    /// For the activity log.
    pub who: String,
}

/// What somebody says about an item's stock.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum Counted {
    /// There is this much, by a count.
    Is(Asked),
    /// This much more was made or bought.
    More(Asked),
    /// This much was lost, given away or used.
    Less(Asked, StockReason),
}

/// An entry of an item's stock ledger.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StockMove {
    /// The entry.
    pub id: EntryId,
    /// The change.
    pub change: Quantity,
    /// The reason.
    pub why: StockReason,
    /// The sale that took it, or that it was returned from.
    pub sale: Option<SaleId>,
    /// Words.
    pub note: String,
    /// Who.
    pub who: String,
    /// When.
    pub at: Moment,
}

#[async_trait]
impl Command for AdjustStock {
    /// The stock afterwards.
    type Answer = Quantity;

    async fn run(&self, tx: &mut Tx) -> Result<Quantity, CommandError> {
        let note = text::note(&self.note).field("note")?;
        let who = text::short(&self.who).field("who")?;
        let found = lookup::find_all(tx, std::slice::from_ref(&self.code)).await?.remove(0);
        open_count::after_scan(tx, found.id).await?;
        let because = |why| EntryReason { why, source: None, note: &note, who: &who };
        let (done, quantity) = match &self.what {
            Counted::Is(asked) => {
                let counted = Quantity::resolve_or_zero(*asked, found.measure).field("quantity")?;
                count(tx, found.id, counted.stock_units(), because(StockReason::Count)).await?;
                ("counted", counted)
            }
            Counted::More(asked) => {
                let more = Quantity::resolve(*asked, found.measure).field("quantity")?;
                add(tx, found.id, more.stock_units(), because(StockReason::Made)).await?;
                ("added", more)
            }
            Counted::Less(asked, why) => {
                if !why.is_loss() {
                    return Err(Rejection::invalid("why", ShelfReason::NotALoss).into());
                }
                let less = Quantity::resolve(*asked, found.measure).field("quantity")?;
                let take_it = Take { item: found.id, stock_units: less.stock_units(), from_hold: 0 };
                take(tx, take_it, because(*why)).await?;
                (why.code(), less)
            }
        };
        let words = [format!("{done} {quantity}"), note.clone()];
        let detail = words.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ");
        activity_log::note(tx, &who, Activity::Stock, &found.sku, &detail).await?;
        let row = sqlx::query("SELECT on_hand FROM item WHERE id = $1")
            .bind(found.id.raw())
            .fetch_one(tx.db())
            .await?;
        Quantity::from_stock_units(row.try_get("on_hand")?, found.measure).stored("item.on_hand")
    }
}

/// Books the difference between the count and the recorded stock. An update that changes nothing locks
/// the row, so that the difference is that of this moment.
async fn count(
    tx: &mut Tx,
    item: ItemId,
    counted: i64,
    because: EntryReason<'_>,
) -> Result<(), CommandError> {
    let row = sqlx::query("UPDATE item SET revision = revision + 1 WHERE id = $1 RETURNING on_hand")
        .bind(item.raw())
        .fetch_one(tx.db())
        .await?;
    let difference = counted - row.try_get::<i64, _>("on_hand")?;
    match difference {
        // A count that agrees is an entry, too: an open stock count must know of it.
        0 => enter(tx, &[(item, 0)], because).await,
        more if more > 0 => add(tx, item, more, because).await,
        less => take(tx, Take { item, stock_units: -less, from_hold: 0 }, because).await,
    }
}

impl Ledger {
    /// An item's entries, latest first, at most `limit`, before `before` if given.
    pub async fn stock_moves(
        &self,
        code: &Code,
        before: Option<EntryId>,
        limit: usize,
    ) -> Result<Vec<StockMove>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let known = lookup::find_known(&mut connection, std::slice::from_ref(code), currency).await?;
        let found = known.get(code).ok_or_else(|| lookup::unknown(code))?;
        let rows = sqlx::query(
            "SELECT e.id, e.change, e.reason, e.note, e.who, e.at_ms, e.source_id, r.sale_id FROM stock_entry e \
             LEFT JOIN refund r ON e.reason = 'put-back' AND r.id = e.source_id \
             WHERE e.item_id = $1 AND e.id < $2 ORDER BY e.id DESC LIMIT $3",
        )
        .bind(found.id.raw())
        .bind(before.map_or(i64::MAX, EntryId::raw))
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &sqlx::any::AnyRow| {
            let why = StockReason::from_code(&row.try_get::<String, _>("reason")?);
            let why = why.ok_or("unknown").stored("stock_entry.why")?;
            let (source, of_refund): (Option<i64>, Option<i64>) =
                (row.try_get("source_id")?, row.try_get("sale_id")?);
            let sale =
                of_refund.or(source.filter(|_| matches!(why, StockReason::Sold | StockReason::Voided)));
            Ok(StockMove {
                id: EntryId::from_raw(row.try_get("id")?),
                change: Quantity::from_stock_units(row.try_get("change")?, found.measure)
                    .stored("stock_entry.change")?,
                why,
                sale: sale.map(SaleId::from_raw),
                note: row.try_get("note")?,
                who: row.try_get("who")?,
                at: Moment::from_millis(row.try_get("at_ms")?),
            })
        };
        rows.iter().map(read).collect()
    }
}
