//! Holds: stock set aside. Each is a row; only who ends the row lowers what is held.

use crate::command::{Command, Tx};
use crate::error::{Failure, Naming, Stored};
use crate::lookup;
use crate::refusal::Refusal;
use crate::sql::insert_rows;
use crate::stock::{Take, in_order, tell_outbox};
use crate::store::Ledger;
use async_trait::async_trait;
use domain::basket::MAX_LINES;
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{HoldGroupId, HoldId, ItemId};
use domain::quantity::{Asked, Measure, Quantity};
use domain::text;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// How long a basket that is being paid holds its lines: time to find a card, not to go home.
pub const BASKET_MS: i64 = 10 * 60 * 1000;
/// The longest hold with an end: a season.
pub(crate) const MAX_HOLD_MS: i64 = 366 * 24 * 60 * 60 * 1000;
/// How many holds that ran out are ended in one transaction.
const SWEEP_AT_ONCE: i64 = 200;

/// What a hold is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// A customer who will come back.
    Customer,
    /// A basket that is being paid.
    Basket,
    /// A market day.
    Market,
    /// An order that is not yet paid.
    Order,
}

impl Purpose {
    /// As it stands in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Customer => "customer",
            Self::Basket => "basket",
            Self::Market => "market",
            Self::Order => "order",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Customer, Self::Basket, Self::Market, Self::Order].into_iter().find(|p| p.code() == code)
    }
}

/// One thing to set aside.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct HoldLine {
    /// Which item.
    pub code: Code,
    /// How much.
    pub quantity: Asked,
}

/// Sets lines aside: all of them or none.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewHold {
    /// What.
    pub lines: Vec<HoldLine>,
    /// What for.
    pub purpose: Purpose,
    /// For whom.
    pub for_whom: String,
    /// Until when; a basket's end is set here, others may be open.
    pub until: Option<Moment>,
}

/// What was set aside.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeldLine {
    /// The hold's row.
    pub id: HoldId,
    /// The item's sku.
    pub sku: String,
    /// Its name.
    pub title: String,
    /// How much.
    pub quantity: Quantity,
}

/// Lines that were set aside together.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    /// Names them together.
    pub id: HoldGroupId,
    /// What for.
    pub purpose: Purpose,
    /// For whom.
    pub for_whom: String,
    /// Until when.
    pub until: Option<Moment>,
    /// The lines.
    pub lines: Vec<HeldLine>,
}

#[async_trait]
impl Command for NewHold {
    type Answer = Hold;

    async fn run(&self, tx: &mut Tx) -> Result<Hold, Failure> {
        let until = self.end(tx.now())?;
        let for_whom = text::short(&self.for_whom).field("forWhom")?;
        if self.lines.is_empty() || self.lines.len() > MAX_LINES {
            return Err(Refusal::invalid("lines", format!("a hold has 1 to {MAX_LINES} lines")).into());
        }
        let codes: Vec<Code> = self.lines.iter().map(|l| l.code.clone()).collect();
        let found = lookup::find_all(tx, &codes).await?;
        let mut lines = Vec::with_capacity(found.len());
        let mut wanted = Vec::with_capacity(found.len());
        for (index, (line, item)) in self.lines.iter().zip(found).enumerate() {
            let field = format!("lines.{index}.quantity");
            let quantity = Quantity::resolve(line.quantity, item.measure).field(&field)?;
            wanted.push((item.id, quantity.steps()));
            let id = HoldId::from_raw(tx.next_id()?);
            lines.push(HeldLine { id, sku: item.sku, title: item.title, quantity });
        }
        let id = HoldGroupId::from_raw(tx.next_id()?);
        set_aside(tx, &wanted).await?;
        let hold = Hold { id, purpose: self.purpose, for_whom, until, lines };
        insert(tx, &hold, &wanted).await?;
        Ok(hold)
    }
}

impl NewHold {
    fn end(&self, now: Moment) -> Result<Option<Moment>, Failure> {
        match (self.purpose, self.until) {
            (Purpose::Basket, _) => Ok(Some(now.plus_millis(BASKET_MS))),
            (_, None) => Ok(None),
            (_, Some(until)) if until <= now => {
                Err(Refusal::invalid("until", "a hold ends later than now").into())
            }
            (_, Some(until)) if until > now.plus_millis(MAX_HOLD_MS) => {
                Err(Refusal::invalid("until", "a hold with an end lasts at most a year").into())
            }
            (_, until) => Ok(until),
        }
    }
}

/// Raises what is held, where so much is free.
pub(crate) async fn set_aside(tx: &mut Tx, wanted: &[(ItemId, i64)]) -> Result<(), Failure> {
    let takes =
        wanted.iter().map(|(item, steps)| Take { item: *item, steps: *steps, from_hold: 0 }).collect();
    let takes = in_order(takes);
    for take in &takes {
        if !try_set_aside(tx, take.item, take.steps).await? {
            return Err(lookup::explain(tx, take.item, take.steps).await?.into());
        }
    }
    let items: Vec<ItemId> = takes.iter().map(|t| t.item).collect();
    tell_outbox(tx, &items).await
}

pub(crate) async fn try_set_aside(tx: &mut Tx, item: ItemId, steps: i64) -> Result<bool, Failure> {
    for last_try in [false, true] {
        let done = sqlx::query(
            "UPDATE item SET held = held + $2, revision = revision + 1 WHERE id = $1 AND on_hand - held >= $2",
        )
        .bind(item.raw())
        .bind(steps)
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 1 {
            return Ok(true);
        }
        if last_try || !expire_of_item(tx, item).await? {
            break;
        }
    }
    Ok(false)
}

const HOLD: &str =
    "INSERT INTO hold (id, group_id, item_id, steps, purpose, for_whom, until_ms, state, made_ms, ended_ms)";

pub(crate) async fn insert(tx: &mut Tx, hold: &Hold, wanted: &[(ItemId, i64)]) -> Result<(), Failure> {
    let now = tx.now().millis();
    let rows: Vec<(i64, i64, i64)> =
        hold.lines.iter().zip(wanted).map(|(l, (item, steps))| (l.id.raw(), item.raw(), *steps)).collect();
    insert_rows(tx.db(), HOLD, 10, &rows, |statement, (id, item, steps)| {
        statement
            .bind(*id)
            .bind(hold.id.raw())
            .bind(*item)
            .bind(*steps)
            .bind(hold.purpose.code().to_owned())
            .bind(hold.for_whom.clone())
            .bind(hold.until.map(Moment::millis))
            .bind("open".to_owned())
            .bind(now)
            .bind(None::<i64>)
    })
    .await?;
    Ok(())
}

/// A hold's row that was ended here, and by nobody else.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ended {
    pub(crate) item: ItemId,
    pub(crate) steps: i64,
}

/// The rows of a group that a sale took.
pub(crate) struct Group {
    /// Those that were open. What is held is lowered by the sale's own update.
    pub(crate) open: Vec<Ended>,
    /// Those that had run out, perhaps not all at once: they are taken from the free stock again.
    pub(crate) ran_out: Vec<Ended>,
}

/// Takes a group's rows for a sale, which alone may name it from then on.
pub(crate) async fn take_group(tx: &mut Tx, group: HoldGroupId) -> Result<Group, Failure> {
    Ok(Group { open: take_rows(tx, group, "open").await?, ran_out: take_rows(tx, group, "expired").await? })
}

async fn take_rows(tx: &mut Tx, group: HoldGroupId, state: &'static str) -> Result<Vec<Ended>, Failure> {
    let rows = sqlx::query(
        "UPDATE hold SET state = 'taken', ended_ms = $2 WHERE group_id = $1 AND state = $3 RETURNING item_id, steps",
    )
    .bind(group.raw())
    .bind(tx.now().millis())
    .bind(state.to_owned())
    .fetch_all(tx.db())
    .await?;
    rows.iter().map(read_ended).collect()
}

fn read_ended(row: &sqlx::any::AnyRow) -> Result<Ended, Failure> {
    Ok(Ended { item: ItemId::from_raw(row.try_get(0)?), steps: row.try_get(1)? })
}

/// Lowers what is held by holds that were ended, and tells the outbox.
pub(crate) async fn free(tx: &mut Tx, ended: &[Ended]) -> Result<(), Failure> {
    let takes = ended.iter().map(|e| Take { item: e.item, steps: e.steps, from_hold: 0 }).collect();
    let takes = in_order(takes);
    for take in &takes {
        sqlx::query("UPDATE item SET held = held - $2, revision = revision + 1 WHERE id = $1")
            .bind(take.item.raw())
            .bind(take.steps)
            .execute(tx.db())
            .await?;
    }
    let items: Vec<ItemId> = takes.iter().map(|t| t.item).collect();
    tell_outbox(tx, &items).await
}

/// Ends one order line's hold; nothing if somebody else ended it.
pub(crate) async fn end_one(
    tx: &mut Tx,
    hold: HoldId,
    state: &'static str,
) -> Result<Option<Ended>, Failure> {
    let row = sqlx::query(
        "UPDATE hold SET state = $3, ended_ms = $2 WHERE id = $1 AND state = 'open' RETURNING item_id, steps",
    )
    .bind(hold.raw())
    .bind(tx.now().millis())
    .bind(state.to_owned())
    .fetch_optional(tx.db())
    .await?;
    row.as_ref().map(read_ended).transpose()
}

/// Takes up to `steps` of an item out of a hold that somebody gives up for an order. What is left of
/// it stays set aside for the same person. Answers how much was taken; the caller lowers `held`.
pub(crate) async fn release(
    tx: &mut Tx,
    group: HoldGroupId,
    item: ItemId,
    steps: i64,
) -> Result<i64, Failure> {
    let now = tx.now().millis();
    let rows = sqlx::query(
        "UPDATE hold SET state = 'taken', ended_ms = $2 WHERE group_id = $1 AND item_id = $3 AND state = 'open' \
         AND purpose <> 'basket' RETURNING steps, purpose, for_whom, until_ms",
    )
    .bind(group.raw())
    .bind(now)
    .bind(item.raw())
    .fetch_all(tx.db())
    .await?;
    let Some(row) = rows.first() else { return Err(not_released(tx, group, item).await?.into()) };
    let mut held: i64 = 0;
    for row in &rows {
        held += row.try_get::<i64, _>(0)?;
    }
    if held > steps {
        let id = tx.next_id()?;
        sqlx::query(
            "INSERT INTO hold (id, group_id, item_id, steps, purpose, for_whom, until_ms, state, made_ms, ended_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, 'open', $8, NULL)",
        )
        .bind(id)
        .bind(group.raw())
        .bind(item.raw())
        .bind(held - steps)
        .bind(row.try_get::<String, _>(1)?)
        .bind(row.try_get::<String, _>(2)?)
        .bind(row.try_get::<Option<i64>, _>(3)?)
        .bind(now)
        .execute(tx.db())
        .await?;
    }
    Ok(held.min(steps))
}

async fn not_released(tx: &mut Tx, group: HoldGroupId, item: ItemId) -> Result<Refusal, Failure> {
    let row =
        sqlx::query("SELECT state FROM hold WHERE group_id = $1 AND item_id = $2 ORDER BY id DESC LIMIT 1")
            .bind(group.raw())
            .bind(item.raw())
            .fetch_optional(tx.db())
            .await?;
    let Some(row) = row else {
        let refusal = over(tx, group).await?;
        return Ok(match refusal {
            Refusal::HoldOver { .. } => {
                Refusal::invalid("hold", "that hold is of something else than the line")
            }
            other => other,
        });
    };
    let state: String = row.try_get(0)?;
    Ok(match state.as_str() {
        "open" => Refusal::invalid("hold", "that basket is being paid at the counter; wait until it is done"),
        state => Refusal::HoldOver { id: group.to_string(), state: state.to_owned() },
    })
}

/// Ends the holds of one item that ran out. Says whether there were any.
pub(crate) async fn expire_of_item(tx: &mut Tx, item: ItemId) -> Result<bool, Failure> {
    let rows = sqlx::query(
        "UPDATE hold SET state = 'expired', ended_ms = $2 \
         WHERE item_id = $1 AND state = 'open' AND until_ms IS NOT NULL AND until_ms <= $2 RETURNING item_id, steps",
    )
    .bind(item.raw())
    .bind(tx.now().millis())
    .fetch_all(tx.db())
    .await?;
    let ended = rows.iter().map(read_ended).collect::<Result<Vec<_>, _>>()?;
    free(tx, &ended).await?;
    Ok(!ended.is_empty())
}

/// Ends a group of holds by hand.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndHold {
    /// Which.
    pub id: HoldGroupId,
}

#[async_trait]
impl Command for EndHold {
    /// How many lines went back to the free stock.
    type Answer = usize;

    async fn run(&self, tx: &mut Tx) -> Result<usize, Failure> {
        let ended = end_group(tx, self.id).await?;
        if ended.is_empty() {
            return Err(over(tx, self.id).await?.into());
        }
        Ok(ended.len())
    }
}

/// Ends the open rows of a group; answers those that were ended here.
pub(crate) async fn end_group(tx: &mut Tx, group: HoldGroupId) -> Result<Vec<Ended>, Failure> {
    let rows = sqlx::query(
        "UPDATE hold SET state = 'ended', ended_ms = $2 WHERE group_id = $1 AND state = 'open' RETURNING item_id, steps",
    )
    .bind(group.raw())
    .bind(tx.now().millis())
    .fetch_all(tx.db())
    .await?;
    let ended = rows.iter().map(read_ended).collect::<Result<Vec<_>, _>>()?;
    free(tx, &ended).await?;
    Ok(ended)
}

/// Why a group has no open rows.
pub(crate) async fn over(tx: &mut Tx, group: HoldGroupId) -> Result<Refusal, Failure> {
    let row = sqlx::query("SELECT state FROM hold WHERE group_id = $1 ORDER BY id LIMIT 1")
        .bind(group.raw())
        .fetch_optional(tx.db())
        .await?;
    Ok(match row {
        Some(row) => Refusal::HoldOver { id: group.to_string(), state: row.try_get(0)? },
        None => Refusal::no_such("hold", group),
    })
}

/// Ends holds that ran out. `serve` does it every few seconds; a sale does it for its own items.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct SweepHolds;

#[async_trait]
impl Command for SweepHolds {
    /// How many rows ended.
    type Answer = usize;

    async fn run(&self, tx: &mut Tx) -> Result<usize, Failure> {
        let rows = sqlx::query(
            "UPDATE hold SET state = 'expired', ended_ms = $1 WHERE state = 'open' AND id IN \
             (SELECT id FROM hold WHERE state = 'open' AND until_ms IS NOT NULL AND until_ms <= $1 \
              ORDER BY until_ms LIMIT $2) RETURNING item_id, steps",
        )
        .bind(tx.now().millis())
        .bind(SWEEP_AT_ONCE)
        .fetch_all(tx.db())
        .await?;
        let ended = rows.iter().map(read_ended).collect::<Result<Vec<_>, _>>()?;
        free(tx, &ended).await?;
        Ok(ended.len())
    }
}

impl Ledger {
    /// Whether any hold ran out, so that a sweep is worth a transaction.
    pub async fn has_expired_holds(&self) -> Result<bool, Failure> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT id FROM hold WHERE state = 'open' AND until_ms IS NOT NULL AND until_ms <= $1 LIMIT 1",
        )
        .bind(self.now().millis())
        .fetch_optional(&mut *connection)
        .await?;
        Ok(row.is_some())
    }

    /// Open holds, the latest first, before `before` if given, at most `limit` groups' rows.
    pub async fn open_holds(&self, before: Option<HoldGroupId>, limit: usize) -> Result<Vec<Hold>, Failure> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT h.group_id, h.purpose, h.for_whom, h.until_ms, h.id, h.steps, i.sku, i.name, i.kind, i.stock_unit \
             FROM hold h JOIN item i ON i.id = h.item_id WHERE h.state = 'open' AND h.group_id IN \
             (SELECT DISTINCT group_id FROM hold WHERE state = 'open' AND group_id < $1 ORDER BY group_id DESC LIMIT $2) \
             ORDER BY h.group_id DESC, h.id",
        )
        .bind(before.map_or(i64::MAX, HoldGroupId::raw))
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        grouped(&rows)
    }

    /// The open holds that an item is part of, the latest first, each with all its lines.
    pub async fn holds_of(&self, item: ItemId) -> Result<Vec<Hold>, Failure> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT h.group_id, h.purpose, h.for_whom, h.until_ms, h.id, h.steps, i.sku, i.name, i.kind, i.stock_unit \
             FROM hold h JOIN item i ON i.id = h.item_id WHERE h.state = 'open' AND h.group_id IN \
             (SELECT group_id FROM hold WHERE item_id = $1 AND state = 'open') ORDER BY h.group_id DESC, h.id",
        )
        .bind(item.raw())
        .fetch_all(&mut *connection)
        .await?;
        grouped(&rows)
    }
}

/// Rows of holds, those of a group one after another, as holds with their lines.
fn grouped(rows: &[sqlx::any::AnyRow]) -> Result<Vec<Hold>, Failure> {
    let mut holds: Vec<Hold> = Vec::new();
    for row in rows {
        let (group, line) = read_hold(row)?;
        match holds.last_mut() {
            Some(last) if last.id == group.id => last.lines.push(line),
            _ => holds.push(Hold { lines: vec![line], ..group }),
        }
    }
    Ok(holds)
}

fn read_hold(row: &sqlx::any::AnyRow) -> Result<(Hold, HeldLine), Failure> {
    let until: Option<i64> = row.try_get(3)?;
    let unit: Option<String> = row.try_get(9)?;
    let measure = match unit {
        Some(code) => Measure::Thousandths(WeightUnit::from_code(&code).stored("item.stock_unit")?),
        None => Measure::Units,
    };
    let purpose =
        Purpose::from_code(&row.try_get::<String, _>(1)?).ok_or("unknown").stored("hold.purpose")?;
    let hold = Hold {
        id: HoldGroupId::from_raw(row.try_get(0)?),
        purpose,
        for_whom: row.try_get(2)?,
        until: until.map(Moment::from_millis),
        lines: Vec::new(),
    };
    let line = HeldLine {
        id: HoldId::from_raw(row.try_get(4)?),
        sku: row.try_get(6)?,
        title: row.try_get(7)?,
        quantity: Quantity::from_steps(row.try_get(5)?, measure).stored("hold.steps")?,
    };
    Ok((hold, line))
}
