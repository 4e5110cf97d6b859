//! A sale by the bare engine, in process: the statements that the program runs for a sale of one line with a
//! key, in the same order, on the same kind of file, with the same settings.
//!
//! That it does the same work is checked after each run by `fleecefold check` on the bare engine's shop: sales,
//! lines, tenders, stock entries and day totals must add up as if the program had written them.

use crate::counters::HANDED_OVER_MINOR;
use crate::goods::sku;
use crate::stats::rate;
use crate::trouble::BenchError;
use rusqlite::{Connection, Statement, params};
use std::path::Path;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

const SETTINGS: &str = "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
    PRAGMA foreign_keys = ON; PRAGMA cache_size = -16384; PRAGMA temp_store = MEMORY; \
    PRAGMA journal_size_limit = 67108864";
const CLAIM: &str = "INSERT INTO idempotency_key (scope, key, body_hash, answer, made_ms) \
    VALUES ($1, $2, $3, NULL, $4) ON CONFLICT DO NOTHING";
const FIND: &str = "SELECT c.code, i.id, i.kind, i.stock_unit, i.sku, i.name, i.price, i.cost, \
    CASE WHEN i.kind = 'piece' AND EXISTS (SELECT 1 FROM code k JOIN sale_line l ON l.code = k.code \
        WHERE k.item_id = i.id AND l.item_id IS NULL AND l.code <> '') THEN 1 ELSE 0 END, \
    i.weight, i.weight_unit, i.extras, i.priced_by, s.rate, s.rate_unit, s.ending, s.minimum \
    FROM code c JOIN item i ON i.id = c.item_id LEFT JOIN style s ON s.id = i.style_id WHERE c.code IN ($1)";
const TAKE: &str = "UPDATE item SET on_hand = on_hand - $2, held = held - $3, sold = sold + $2, \
    revision = revision + 1 WHERE id = $1 AND held >= $3 AND on_hand - held >= $2 - $3";
const ENTRY: &str = "INSERT INTO stock_entry (id, item_id, change, reason, source_id, note, who, at_ms) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8)";
const TELL: &str = "INSERT INTO outbox (connection_id, item_id, revision) \
    SELECT l.connection_id, i.id, i.revision FROM listing l JOIN item i ON i.id = l.item_id \
    WHERE i.id IN ($1) ON CONFLICT DO NOTHING";
const RECEIPT: &str =
    "UPDATE shop_state SET receipt = receipt + $1 WHERE id = 1 RETURNING receipt, settings_revision";
const SALE: &str = "INSERT INTO sale (id, channel, receipt, at_ms, backfilled, order_id, goods, not_revenue, discounts, \
    tax, shipping, rounding, tendered, change_given, fee, note, who) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)";
const LINE: &str = "INSERT INTO sale_line (id, sale_id, position, kind, item_id, code, title, stock_units, unit, price, \
    amount, discount, tax, cost, weight, weight_unit, rate, rate_unit, ending, extras, minimum) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, NULL, NULL, NULL, NULL, NULL)";
const TENDER: &str = "INSERT INTO tender (id, sale_id, refund_id, kind, amount, customer, due_day) \
    VALUES ($1, $2, $3, $4, $5, $6, $7)";
const DAY: &str = "INSERT INTO day_total (day, channel, month, sales, units, weight, gross, discounts, refunds, \
    shipping, tax, fees, postage, cost, uncosted, rounding) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16) \
    ON CONFLICT (day, channel) DO UPDATE SET sales = day_total.sales + excluded.sales, \
    units = day_total.units + excluded.units, weight = day_total.weight + excluded.weight, \
    gross = day_total.gross + excluded.gross, discounts = day_total.discounts + excluded.discounts, \
    refunds = day_total.refunds + excluded.refunds, shipping = day_total.shipping + excluded.shipping, \
    tax = day_total.tax + excluded.tax, fees = day_total.fees + excluded.fees, \
    postage = day_total.postage + excluded.postage, cost = day_total.cost + excluded.cost, \
    uncosted = day_total.uncosted + excluded.uncosted, rounding = day_total.rounding + excluded.rounding";
const KEEP: &str = "UPDATE idempotency_key SET answer = $3 WHERE scope = $1 AND key = $2";

/// What the program stored with a sale's key, so that the bare engine stores as much.
#[derive(Clone)]
pub(crate) struct Sample {
    pub(crate) scope: String,
    pub(crate) answer: String,
    pub(crate) body_hash: String,
}

pub(crate) struct BareRun {
    pub(crate) sales: usize,
    pub(crate) took: Duration,
}

impl BareRun {
    pub(crate) fn rate(&self) -> f64 {
        rate(self.sales, self.took)
    }
}

/// Milliseconds since 1970.
pub(crate) fn now_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

/// The bare engine's first identifier: later than all that the program made before (22 bits within a
/// millisecond, counted from 2020-01-01T00:00Z).
pub(crate) fn first_id(now_ms: i64) -> i64 {
    (now_ms - 1_577_836_800_000) << 22
}

/// Sells `count` pieces from `first` on, one per transaction.
pub(crate) fn sell(path: &Path, sample: &Sample, first: u32, count: u32) -> Result<BareRun, BenchError> {
    let connection = Connection::open(path)?;
    connection.execute_batch(SETTINGS)?;
    let day: String = connection.query_row("SELECT strftime('%Y%m%d', 'now')", [], |row| row.get(0))?;
    let day = day.parse().map_err(|_| BenchError::Unexpected(format!("{day} is not a day")))?;
    let mut engine = BareEngine::new(&connection, sample, day)?;
    let start = Instant::now();
    for piece in first..first + count {
        engine.sell(&sku(piece), &format!("sale-{piece}"))?;
    }
    Ok(BareRun { sales: count as usize, took: start.elapsed() })
}

struct BareEngine<'c> {
    sample: &'c Sample,
    day: i64,
    next_id: i64,
    begin: Statement<'c>,
    claim: Statement<'c>,
    find: Statement<'c>,
    take: Statement<'c>,
    entry: Statement<'c>,
    tell: Statement<'c>,
    receipt: Statement<'c>,
    sale: Statement<'c>,
    line: Statement<'c>,
    tender: Statement<'c>,
    day_total: Statement<'c>,
    keep: Statement<'c>,
    commit: Statement<'c>,
}

/// The program's parameters are numbered, but SQLite takes `$3` for a name; `?3` is a number.
fn prepared<'c>(connection: &'c Connection, text: &str) -> Result<Statement<'c>, BenchError> {
    Ok(connection.prepare(&text.replace('$', "?"))?)
}

/// The columns of an item that a sale needs.
struct Item {
    id: i64,
    sku: String,
    name: String,
    price: i64,
    cost: Option<i64>,
    weight: Option<String>,
    weight_unit: Option<String>,
}

impl<'c> BareEngine<'c> {
    fn new(connection: &'c Connection, sample: &'c Sample, day: i64) -> Result<Self, BenchError> {
        Ok(Self {
            sample,
            day,
            next_id: first_id(now_ms()),
            begin: connection.prepare("BEGIN IMMEDIATE")?,
            claim: prepared(connection, CLAIM)?,
            find: prepared(connection, FIND)?,
            take: prepared(connection, TAKE)?,
            entry: prepared(connection, ENTRY)?,
            tell: prepared(connection, TELL)?,
            receipt: prepared(connection, RECEIPT)?,
            sale: prepared(connection, SALE)?,
            line: prepared(connection, LINE)?,
            tender: prepared(connection, TENDER)?,
            day_total: prepared(connection, DAY)?,
            keep: prepared(connection, KEEP)?,
            commit: connection.prepare("COMMIT")?,
        })
    }

    fn id(&mut self) -> i64 {
        self.next_id += 1;
        self.next_id
    }

    fn sell(&mut self, sku: &str, key: &str) -> Result<(), BenchError> {
        let now = now_ms();
        let sample = self.sample;
        self.begin.execute([])?;
        self.claim.execute(params![sample.scope, key, sample.body_hash, now])?;
        let item = self.find.query_row([sku], |row| {
            let (_code, _kind): (String, String) = (row.get(0)?, row.get(2)?);
            let (_unit, _past): (Option<String>, i64) = (row.get(3)?, row.get(8)?);
            Ok(Item {
                id: row.get(1)?,
                sku: row.get(4)?,
                name: row.get(5)?,
                price: row.get(6)?,
                cost: row.get(7)?,
                weight: row.get(9)?,
                weight_unit: row.get(10)?,
            })
        })?;
        if self.take.execute(params![item.id, 1, 0])? != 1 {
            return Err(BenchError::Unexpected(format!("{sku} is not on the shelf")));
        }
        self.book(&item, now)?;
        self.keep.execute(params![sample.scope, key, sample.answer])?;
        self.commit.execute([])?;
        Ok(())
    }

    fn book(&mut self, item: &Item, now: i64) -> Result<(), BenchError> {
        let (sale, entry, line, tender) = (self.id(), self.id(), self.id(), self.id());
        self.entry.execute(params![entry, item.id, -1, "sold", sale, "", "", now])?;
        self.tell.execute([item.id])?;
        let receipt: i64 = self.receipt.query_row([1], |row| row.get(0))?;
        let none = None::<i64>;
        let change = HANDED_OVER_MINOR - item.price;
        self.sale.execute(params![
            sale,
            "store",
            receipt,
            now,
            0,
            none,
            item.price,
            0,
            0,
            0,
            0,
            0,
            HANDED_OVER_MINOR,
            change,
            0,
            "",
            ""
        ])?;
        self.line.execute(params![
            line,
            sale,
            1,
            "goods",
            item.id,
            item.sku,
            item.name,
            1,
            "",
            item.price,
            item.price,
            0,
            0,
            item.cost,
            item.weight,
            item.weight_unit
        ])?;
        self.tender.execute(params![tender, sale, none, "cash", HANDED_OVER_MINOR, "", none])?;
        let (cost, uncosted) = item.cost.map_or((0, 1), |cost| (cost, 0));
        self.day_total.execute(params![
            self.day,
            "store",
            self.day / 100,
            1,
            1,
            0,
            item.price,
            0,
            0,
            0,
            0,
            0,
            0,
            cost,
            uncosted,
            0
        ])?;
        Ok(())
    }
}
