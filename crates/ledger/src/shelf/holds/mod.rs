//! Holds: stock that is reserved. Each is a row, and only whoever ends the row lowers the held
//! quantity.

mod end;
mod expire;
mod limits;
mod view;

pub use expire::SweepHolds;

pub(crate) use end::{Ended, end_group, end_one, free, over, release, take_group};
pub(crate) use expire::{expire_of_item, has_expired};
pub(crate) use view::{for_whom, holds_for};

use crate::customers::person_data;
use crate::shelf::lookup;
use crate::shelf::stock::{Take, in_order};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::insert_rows;
use crate::store::tables;
use async_trait::async_trait;
use domain::basket::MAX_LINES;
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{CustomerId, HoldGroupId, HoldId, ItemId};
use domain::quantity::{Asked, Quantity};
use domain::text;
use serde::{Deserialize, Serialize};

/// How long a sale holds its lines while it is paid: enough to find a card, not to go home.
pub const BASKET_MS: i64 = 10 * 60 * 1000;
/// The longest hold with an end: a year.
pub(crate) const MAX_HOLD_MS: i64 = 366 * 24 * 60 * 60 * 1000;

/// What a hold is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// A customer who will come back.
    Customer,
    /// A sale that is being paid.
    Basket,
    /// A market day.
    Market,
    /// An order that is not paid yet.
    Order,
}

impl Purpose {
    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Customer => "customer",
            Self::Basket => "basket",
            Self::Market => "market",
            Self::Order => "order",
        }
    }

    /// The purpose with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Customer, Self::Basket, Self::Market, Self::Order].into_iter().find(|p| p.code() == code)
    }
}

/// One item to hold.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct HoldLine {
    /// Which item.
    pub code: Code,
    /// How much.
    pub quantity: Asked,
}

/// Holds lines, all or none.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewHold {
    /// What.
    pub lines: Vec<HoldLine>,
    /// What for.
    pub purpose: Purpose,
    /// The customer's name, or a description.
    pub for_whom: String,
    /// The customer, if they are on file; then the name above does not matter.
    pub customer: Option<CustomerId>,
    /// When it ends. For a sale it is set here; others may have no end.
    pub until: Option<Moment>,
}

/// A line on hold.
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

/// Lines that are held together.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    /// The identifier of all the lines together.
    pub id: HoldGroupId,
    /// What for.
    pub purpose: Purpose,
    /// A stored answer does not have it: a customer's name is only in the hold itself.
    #[serde(skip_serializing, default)]
    pub for_whom: String,
    /// The customer, if they are on file.
    #[serde(default)]
    pub customer: Option<CustomerId>,
    /// When it ends; never if none.
    pub until: Option<Moment>,
    /// The lines.
    pub lines: Vec<HeldLine>,
}

#[async_trait]
impl Command for NewHold {
    type Answer = Hold;

    async fn run(&self, tx: &mut Tx) -> Result<Hold, CommandError> {
        let until = self.end(tx.now())?;
        let until = match self.purpose {
            // Its ten minutes are set here.
            Purpose::Basket => until,
            _ => limits::allow_until(tx, until).await?,
        };
        let for_whom = text::short(&self.for_whom).field("forWhom")?;
        if self.lines.is_empty() || self.lines.len() > MAX_LINES {
            return Err(Rejection::invalid("lines", ShelfReason::HoldLines { limit: MAX_LINES }).into());
        }
        let (for_whom, named) = self.person(tx, for_whom).await?;
        let codes: Vec<Code> = self.lines.iter().map(|l| l.code.clone()).collect();
        let found = lookup::find_all(tx, &codes).await?;
        let mut lines = Vec::with_capacity(found.len());
        let mut wanted = Vec::with_capacity(found.len());
        for (index, (line, item)) in self.lines.iter().zip(found).enumerate() {
            let field = format!("lines.{index}.quantity");
            let quantity = Quantity::resolve(line.quantity, item.measure).field(&field)?;
            wanted.push((item.id, quantity.stock_units()));
            let id = HoldId::from_raw(tx.next_id()?);
            lines.push(HeldLine { id, sku: item.sku, title: item.title, quantity });
        }
        let id = HoldGroupId::from_raw(tx.next_id()?);
        set_aside(tx, &wanted).await?;
        let hold = Hold { id, purpose: self.purpose, for_whom, customer: self.customer, until, lines };
        insert(tx, &hold, &wanted, named).await?;
        limits::allow_another_hold(tx, self.purpose).await?;
        Ok(hold)
    }
}

impl NewHold {
    /// Whom it is for, and their row of personal data: a customer's name stands nowhere else.
    async fn person(
        &self,
        tx: &mut Tx,
        for_whom: String,
    ) -> Result<(String, Option<CustomerId>), CommandError> {
        if let Some(customer) = self.customer {
            return Ok((person_data::lock_named(tx, customer).await?, Some(customer)));
        }
        if self.purpose != Purpose::Customer || for_whom.is_empty() {
            return Ok((for_whom, None));
        }
        let named = person_data::insert_name(tx, &for_whom).await?;
        Ok((for_whom, Some(named)))
    }

    fn end(&self, now: Moment) -> Result<Option<Moment>, CommandError> {
        match (self.purpose, self.until) {
            (Purpose::Basket, _) => Ok(Some(now.plus_millis(BASKET_MS))),
            (_, None) => Ok(None),
            (_, Some(until)) if until <= now => {
                Err(Rejection::invalid("until", ShelfReason::HoldEndsInPast).into())
            }
            (_, Some(until)) if until > now.plus_millis(MAX_HOLD_MS) => {
                Err(Rejection::invalid("until", ShelfReason::HoldTooLong).into())
            }
            (_, until) => Ok(until),
        }
    }
}

/// Raises the held quantity, if enough is free.
pub(crate) async fn set_aside(tx: &mut Tx, wanted: &[(ItemId, i64)]) -> Result<(), CommandError> {
    let takes = wanted
        .iter()
        .map(|(item, stock_units)| Take { item: *item, stock_units: *stock_units, from_hold: 0 })
        .collect();
    let takes = in_order(takes);
    for take in &takes {
        if !try_set_aside(tx, take.item, take.stock_units).await? {
            return Err(lookup::explain(tx, take.item, take.stock_units).await?.into());
        }
    }
    let items: Vec<ItemId> = takes.iter().map(|t| t.item).collect();
    tx.availability_changed(&items).await
}

pub(crate) async fn try_set_aside(tx: &mut Tx, item: ItemId, stock_units: i64) -> Result<bool, CommandError> {
    for last_try in [false, true] {
        let done = sqlx::query(
            "UPDATE item SET held = held + $2, revision = revision + 1 WHERE id = $1 AND on_hand - held >= $2",
        )
        .bind(item.raw())
        .bind(stock_units)
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

/// Writes the rows. `named`: the personal data of whom it is for, whose name is not written a second time.
pub(crate) async fn insert(
    tx: &mut Tx,
    hold: &Hold,
    wanted: &[(ItemId, i64)],
    named: Option<CustomerId>,
) -> Result<(), CommandError> {
    let for_whom = if named.is_some() { String::new() } else { hold.for_whom.clone() };
    let now = tx.now().millis();
    let held_by = tx.actor().map(|actor| actor.who.clone());
    let rows: Vec<(i64, i64, i64)> = hold
        .lines
        .iter()
        .zip(wanted)
        .map(|(l, (item, stock_units))| (l.id.raw(), item.raw(), *stock_units))
        .collect();
    insert_rows(tx.db(), &tables::HOLD, &rows, |statement, (id, item, stock_units)| {
        statement
            .bind(*id)
            .bind(hold.id.raw())
            .bind(*item)
            .bind(*stock_units)
            .bind(hold.purpose.code().to_owned())
            .bind(for_whom.clone())
            .bind(hold.until.map(Moment::millis))
            .bind("open".to_owned())
            .bind(now)
            .bind(None::<i64>)
            .bind(held_by.clone())
            .bind(named.map(CustomerId::raw))
    })
    .await?;
    Ok(())
}
