//! What is offered online: what must be sent, and what was sent.

use crate::online::first_delivery;
use crate::shelf::item_columns;
use crate::shelf::items::stored_weight;
use crate::shelf::stock::enqueue_anew;
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use crate::store::sql::{in_text, insert_rows_or, padded};
use crate::store::storage_error::StorageError;
use crate::store::tables;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{ConnectionId, ItemId, RunId};
use domain::item::ItemText;
use domain::money::{Currency, Money};
use domain::quantity::Quantity;
use domain::stock::{Availability, ItemKind, ListingState};
use domain::weight::{Weight, WeightUnit};
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};
use std::sync::LazyLock;

/// Listings that are read at once, to limit a feed's memory whatever the shop's size.
pub const LISTINGS_AT_ONCE: i64 = 2000;
/// Listings that are recorded in one transaction: more would hold up others for too long.
pub const RECORDED_AT_ONCE: usize = 500;

/// An item for a feed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListingRow {
    /// Its identifier.
    pub item: ItemId,
    /// The item's SKU.
    pub sku: String,
    /// A GTIN from GS1, as stored.
    pub gtin: Option<String>,
    /// The item in words.
    pub text: ItemText,
    /// The weight of one.
    pub weight: Option<Weight>,
    /// The price of one.
    pub price: Money,
    /// Whether it can be bought.
    pub availability: Availability,
    /// Stock that is not on hold.
    pub free: Quantity,
    /// Its revision; a later message has a higher one.
    pub revision: i64,
    /// Its last state on the connection.
    pub state: Option<ListingState>,
    /// The hash of what was sent last; empty if nothing was.
    pub told_hash: String,
    /// The revision that was sent last.
    pub told_revision: i64,
}

/// A row as one text, and a page of rows as one text. For each value the driver works more than the
/// database does for the whole row; split here, a feed of everything is read in a third of the time.
/// `concat_ws` and `string_agg` are among the few functions that both engines have. The separators are
/// the characters that ASCII has for this, and none of our texts or codes may contain them.
pub(crate) static ROW: LazyLock<String> = LazyLock::new(|| {
    format!(
        "SELECT i.id AS id, concat_ws('\u{1f}', i.id, i.sku, COALESCE(i.gtin, ''), {}, COALESCE(i.weight, ''), \
         COALESCE(i.weight_unit, ''), i.price, i.kind, COALESCE(i.stock_unit, ''), i.on_hand, i.held, i.do_not_list, \
         i.revision, COALESCE(l.state, ''), COALESCE(l.content_hash, ''), COALESCE(l.revision, 0)) AS one \
         FROM item i LEFT JOIN listing l ON l.item_id = i.id AND l.connection_id = $1",
        item_columns::list("i.")
    )
});

pub(crate) const PAGE: &str = "SELECT string_agg(one, '\u{1e}') AS page, MAX(id) AS last_id";

/// A page of listings as the database returned it: the next can be requested before this one is read.
#[derive(Debug)]
pub struct ListingPage {
    text: String,
    last: Option<ItemId>,
    currency: Currency,
}

impl ListingPage {
    pub(crate) fn read(page: &AnyRow, currency: Currency) -> Result<Self, CommandError> {
        let text = page.try_get::<Option<String>, _>("page")?.unwrap_or_default();
        let last = page.try_get::<Option<i64>, _>("last_id")?.map(ItemId::from_raw);
        Ok(Self { text, last, currency })
    }

    /// The last item on the page, after which the next page begins; none if there are no more.
    pub fn last(&self) -> Option<ItemId> {
        self.last
    }

    /// The listings, ordered by item.
    pub fn rows(&self) -> Result<Vec<ListingRow>, CommandError> {
        if self.last.is_none() {
            return Ok(Vec::new());
        }
        let rows = self.text.split('\u{1e}').map(|row| read(row, self.currency));
        let mut rows = rows.collect::<Result<Vec<_>, _>>()?;
        // A database may return the rows in any order.
        rows.sort_by_key(|row| row.item);
        Ok(rows)
    }
}

/// The fields of such a row, in the order of [`ROW`].
struct Fields<'r>(Option<&'r str>);

impl<'r> Fields<'r> {
    fn text(&mut self) -> Result<&'r str, CommandError> {
        let left = self.0.ok_or("too few fields").stored("item")?;
        // Most fields are so short that going byte by byte is the fastest.
        let (field, after) = match left.bytes().position(|byte| byte == b'\x1f') {
            Some(end) => (&left[..end], Some(&left[end + 1..])),
            None => (left, None),
        };
        self.0 = after;
        Ok(field)
    }

    fn owned(&mut self) -> Result<String, CommandError> {
        self.text().map(str::to_owned)
    }

    /// None if it is empty, which is how NULL is written.
    fn some(&mut self) -> Result<Option<&'r str>, CommandError> {
        Ok(Some(self.text()?).filter(|text| !text.is_empty()))
    }

    fn number(&mut self) -> Result<i64, CommandError> {
        self.text()?.parse::<i64>().stored("item")
    }
}

fn read(row: &str, currency: Currency) -> Result<ListingRow, CommandError> {
    let mut fields = Fields(Some(row));
    let item = ItemId::from_raw(fields.number()?);
    let (sku, gtin) = (fields.owned()?, fields.some()?.map(str::to_owned));
    let mut text = ItemText::from_fields(|_| fields.owned())?;
    text.images = item_columns::images(fields.text()?);
    let (weight, weight_unit) = (fields.some()?.map(str::to_owned), fields.some()?.map(str::to_owned));
    let price = Money::from_minor(fields.number()?, currency).stored("item.price")?;
    let kind = ItemKind::from_code(fields.text()?).ok_or("unknown").stored("item.kind")?;
    let unit = fields.some()?.map(WeightUnit::from_code).transpose().stored("item.stock_unit")?;
    let measure = kind.measure(unit).ok_or("missing").stored("item.stock_unit")?;
    let (on_hand, held, kept_off) = (fields.number()?, fields.number()?, fields.number()? == 1);
    Ok(ListingRow {
        item,
        sku,
        gtin,
        text,
        weight: stored_weight(weight, weight_unit)?,
        price,
        availability: Availability::of(on_hand, held, kept_off),
        free: Quantity::from_stock_units(on_hand - held, measure).stored("item.on_hand")?,
        revision: fields.number()?,
        state: fields.some()?.and_then(ListingState::from_code),
        told_hash: fields.owned()?,
        told_revision: fields.number()?,
    })
}

impl Ledger {
    /// A connection by its name.
    pub async fn connection(&self, name: &str) -> Result<ConnectionId, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT id FROM connection WHERE name = $1")
            .bind(name.to_owned())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::Connection, name))?;
        Ok(ConnectionId::from_raw(row.try_get("id")?))
    }

    /// A page of everything that is or was offered: items with free stock that are not kept off the
    /// online channel, and items that are listed. Ordered by item, after `after`.
    pub async fn listings(
        &self,
        to: ConnectionId,
        after: Option<ItemId>,
    ) -> Result<ListingPage, CommandError> {
        let which = "WHERE i.id > $2 AND ((i.on_hand - i.held > 0 AND i.do_not_list = 0) OR l.state = 'listed') \
             ORDER BY i.id LIMIT $3";
        self.listing_page(which, to, after).await
    }

    /// A page of items with a waiting message, ordered by item, after `after`.
    pub async fn waiting_listings(
        &self,
        to: ConnectionId,
        after: Option<ItemId>,
    ) -> Result<ListingPage, CommandError> {
        let which = "WHERE i.id IN (SELECT DISTINCT item_id FROM outbox WHERE connection_id = $1 \
             AND item_id > $2 ORDER BY item_id LIMIT $3) ORDER BY i.id";
        self.listing_page(which, to, after).await
    }

    /// A page of the items of an earlier run, as they are now.
    pub async fn listings_of_run(
        &self,
        to: ConnectionId,
        run: RunId,
        after: Option<ItemId>,
    ) -> Result<ListingPage, CommandError> {
        let which = format!(
            "WHERE i.id IN (SELECT item_id FROM feed_run_item WHERE run_id = {run} AND item_id > $2 \
             ORDER BY item_id LIMIT $3) ORDER BY i.id"
        );
        self.listing_page(&which, to, after).await
    }

    /// A page of these items, as they are now, after `after`. The caller bounds their number.
    pub async fn chosen_listings(
        &self,
        to: ConnectionId,
        items: &[ItemId],
        after: Option<ItemId>,
    ) -> Result<ListingPage, CommandError> {
        // Identifiers are numbers; without any, none is found.
        let ids: Vec<String> = items.iter().map(ToString::to_string).collect();
        let ids = if ids.is_empty() { "-1".to_owned() } else { ids.join(", ") };
        let which = format!("WHERE i.id > $2 AND i.id IN ({ids}) ORDER BY i.id LIMIT $3");
        self.listing_page(&which, to, after).await
    }

    async fn listing_page(
        &self,
        which: &str,
        to: ConnectionId,
        after: Option<ItemId>,
    ) -> Result<ListingPage, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        // The bound is said of both tables: PostgreSQL concludes nothing about l.item_id from i.id > $2, and would read
        // all listings from the first one on, for every page.
        let text = format!("{PAGE} FROM ({} AND l.item_id > $2 {which}) AS page", *ROW);
        let page = sqlx::query(AssertSqlSafe(text))
            .bind(to.raw())
            .bind(after.map_or(-1, ItemId::raw))
            .bind(LISTINGS_AT_ONCE)
            .fetch_one(&mut *connection)
            .await?;
        ListingPage::read(&page, currency)
    }

    /// The runs of a connection, latest first.
    pub async fn feed_runs(&self, of: ConnectionId, limit: usize) -> Result<Vec<FeedRun>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT id, at_ms, kind, listings, file_name, file_hash FROM feed_run WHERE connection_id = $1 \
             ORDER BY id DESC LIMIT $2",
        )
        .bind(of.raw())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let run = |row: &AnyRow| {
            Ok(FeedRun {
                id: RunId::from_raw(row.try_get("id")?),
                at: Moment::from_millis(row.try_get("at_ms")?),
                kind: if row.try_get::<String, _>("kind")? == "all" {
                    RunKind::All
                } else {
                    RunKind::Changes
                },
                listings: row.try_get("listings")?,
                file_name: row.try_get("file_name")?,
                file_hash: row.try_get("file_hash")?,
            })
        };
        rows.iter().map(run).collect()
    }
}

/// What a run contains.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunKind {
    /// Everything.
    All,
    /// What changed since the last run.
    Changes,
}

/// A feed that was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FeedRun {
    /// Its identifier.
    pub id: RunId,
    /// When it was written.
    pub at: Moment,
    /// What it wrote.
    pub kind: RunKind,
    /// How many listings.
    pub listings: i64,
    /// The file.
    pub file_name: String,
    /// SHA-256 of the file.
    pub file_hash: String,
}

/// What a connection was sent about an item.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Delivered {
    /// Which item.
    pub item: ItemId,
    /// The revision that was sent.
    pub revision: i64,
    /// The hash and state of what was sent; none if there was nothing to send.
    pub content: Option<(String, ListingState)>,
}

/// Records what was sent, at most [`RECORDED_AT_ONCE`] items per command, and the run with the last of
/// them.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RecordRun {
    /// To whom.
    pub connection: ConnectionId,
    /// At most [`RECORDED_AT_ONCE`].
    pub told: Vec<Delivered>,
    /// The run, once all of it is recorded.
    pub run: Option<NewRun>,
}

/// A run that was written.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewRun {
    /// From [`Ledger::new_run`].
    pub id: RunId,
    /// Everything, or changes only.
    pub kind: RunKind,
    /// How many listings.
    pub listings: i64,
    /// `-` for a stream.
    pub file_name: String,
    /// In hex.
    pub file_hash: String,
    /// The items of a run of changes.
    pub items: Vec<ItemId>,
}

impl Ledger {
    /// An identifier for a run, made once and before its file, whose name contains it. So no two runs
    /// write to one file, whatever process they are in.
    pub fn new_run(&self) -> Result<RunId, StorageError> {
        self.new_holder().map(RunId::from_raw)
    }
}

/// An earlier revision never overwrites a later one.
const LISTING_OR: &str = "ON CONFLICT (connection_id, item_id) DO UPDATE SET state = excluded.state, \
    revision = excluded.revision, content_hash = excluded.content_hash, told_ms = excluded.told_ms \
    WHERE listing.revision <= excluded.revision";

#[async_trait]
impl Command for RecordRun {
    /// The run's identifier, once there is one.
    type Answer = Option<RunId>;

    fn is_long(&self) -> bool {
        self.told.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<Option<RunId>, CommandError> {
        let now = tx.now().millis();
        let told: Vec<(&Delivered, &(String, ListingState))> =
            self.told.iter().filter_map(|t| Some((t, t.content.as_ref()?))).collect();
        let items: Vec<ItemId> = told.iter().map(|(told, _)| told.item).collect();
        let first = first_delivery::begin(tx, self.connection, &items).await?;
        insert_rows_or(tx.db(), &tables::LISTING, LISTING_OR, &told, |statement, (told, (hash, state))| {
            statement
                .bind(self.connection.raw())
                .bind(told.item.raw())
                .bind(state.code().to_owned())
                .bind(told.revision)
                .bind(hash.clone())
                .bind(String::new())
                .bind(now)
                .bind(String::new())
                .bind(0_i64)
        })
        .await?;
        self.settle(tx).await?;
        first_delivery::end(tx, self.connection, &first).await?;
        self.tell_what_differs(tx).await?;
        match &self.run {
            None => Ok(None),
            Some(run) => {
                record(tx, self.connection, run).await?;
                Ok(Some(run.id))
            }
        }
    }
}

/// A message is done once the listing has its contents, or something later. Also limited to the first and last
/// of the items, so that PostgreSQL does not go through all messages that were deleted.
const SENT: &str = "DELETE FROM outbox WHERE connection_id = $1 AND revision <= \
    (SELECT l.revision FROM listing l WHERE l.connection_id = outbox.connection_id AND l.item_id = outbox.item_id) \
    AND item_id >= $2 AND item_id <= $3 AND item_id";
/// A message is also done if there is nothing to send, and therefore no listing.
pub(crate) const SENT_SILENTLY: &str =
    "DELETE FROM outbox WHERE item_id = $1 AND connection_id = $2 AND revision <= $3";

impl RecordRun {
    /// What was taken over with contents other than ours has no hash and is sent again, with a revision
    /// of its own, because everything about the current one may have been sent.
    async fn tell_what_differs(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let differs = |told: &&Delivered| told.content.as_ref().is_some_and(|(hash, _)| hash.is_empty());
        let items = self.told.iter().filter(differs).map(|told| told.item).collect();
        enqueue_anew(tx, items).await
    }

    /// Removes the messages that no longer wait.
    async fn settle(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let listed: Vec<ItemId> = self.told.iter().filter(|t| t.content.is_some()).map(|t| t.item).collect();
        sent(tx, self.connection, &listed).await?;
        for told in self.told.iter().filter(|t| t.content.is_none()) {
            sqlx::query(SENT_SILENTLY)
                .bind(told.item.raw())
                .bind(self.connection.raw())
                .bind(told.revision)
                .execute(tx.db())
                .await?;
        }
        Ok(())
    }
}

/// Removes the items' messages, now that their listings record what was sent.
pub(crate) async fn sent(tx: &mut Tx, on: ConnectionId, items: &[ItemId]) -> Result<(), CommandError> {
    for chunk in items.chunks(crate::store::sql::MAX_ROWS) {
        let (first, last) = first_delivery::span(chunk);
        let mut statement = sqlx::query(AssertSqlSafe(in_text(SENT, 4, chunk.len(), "")))
            .bind(on.raw())
            .bind(first)
            .bind(last);
        for item in padded(chunk) {
            statement = statement.bind(item.raw());
        }
        statement.execute(tx.db()).await?;
    }
    Ok(())
}

async fn record(tx: &mut Tx, connection: ConnectionId, run: &NewRun) -> Result<(), CommandError> {
    let now = tx.now().millis();
    let kind = match run.kind {
        RunKind::All => "all",
        RunKind::Changes => "changes",
    };
    sqlx::query(
        "INSERT INTO feed_run (id, connection_id, at_ms, kind, listings, file_name, file_hash) \
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(run.id.raw())
    .bind(connection.raw())
    .bind(now)
    .bind(kind.to_owned())
    .bind(run.listings)
    .bind(run.file_name.clone())
    .bind(run.file_hash.clone())
    .execute(tx.db())
    .await?;
    insert_rows_or(
        tx.db(),
        &tables::FEED_RUN_ITEM,
        "ON CONFLICT DO NOTHING",
        &run.items,
        |statement, item| statement.bind(run.id.raw()).bind(item.raw()),
    )
    .await?;
    Ok(())
}
