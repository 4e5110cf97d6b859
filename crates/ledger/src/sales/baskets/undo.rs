//! Undo: the contents of an open sale before its last changes, kept until it is paid or closed.

use super::content::{Content, Line, What};
use super::{Slip, take_open};
use crate::customers::person_data;
use crate::shelf::lookup;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, SalesReason};
use async_trait::async_trait;
use domain::channel::Channel;
use domain::ids::BasketId;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, Row};

/// How many changes can be undone: more than anybody remembers.
const MAX_STEPS: i64 = 20;

/// Undoes the last change to a sale that is not being paid. This is a change too, with a revision of its own.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct UndoBasket {
    /// Which sale.
    pub basket: BasketId,
    /// The revision that the person saw: what somebody else did since is not undone.
    pub revision: i64,
}

/// What was undone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Undone {
    /// What is different now.
    pub what: UndoneWhat,
    /// The line's name; empty for the whole sale.
    pub title: String,
}

/// What is different after a change was undone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UndoneWhat {
    /// A line that had been added is gone.
    Removed,
    /// A line that had been removed is there again.
    PutBack,
    /// A line has its earlier quantity.
    Quantity,
    /// A line has its earlier discount, or none.
    LineDiscount,
    /// The sale has its earlier discount, or none.
    Discount,
    /// The sale is for its earlier customer, or for nobody in particular.
    Customer,
    /// The sale is on its earlier channel.
    Channel,
    /// Nothing that shows.
    Nothing,
}

#[async_trait]
impl Command for UndoBasket {
    type Answer = Undone;

    async fn run(&self, tx: &mut Tx) -> Result<Undone, CommandError> {
        let mut slip = take_open(tx, self.basket, Some(self.revision)).await?;
        slip.refuse_if_paying()?;
        let Some((channel, earlier)) = take_step(tx, self.basket).await? else {
            return Err(Rejection::invalid("slip", SalesReason::NothingToUndo).into());
        };
        let (what, line) = difference(&slip, &channel, &earlier);
        let title = match line {
            Some(line) => title(tx, &line).await?,
            None => String::new(),
        };
        let undone = Undone { what, title };
        slip.content = restored(tx, &slip.content, earlier).await?;
        slip.content.undone = Some(undone.clone());
        slip.write(tx).await?;
        sqlx::query("UPDATE basket SET channel = $2 WHERE id = $1")
            .bind(self.basket.raw())
            .bind(channel.as_str().to_owned())
            .execute(tx.db())
            .await?;
        Ok(undone)
    }
}

/// Keeps that the sale was empty before the first thing in it, which began it.
pub(super) async fn keep_start(tx: &mut Tx, basket: BasketId, channel: &Channel) -> Result<(), CommandError> {
    insert(tx, basket, 0, channel, &Content::default()).await
}

async fn insert(
    tx: &mut Tx,
    basket: BasketId,
    revision: i64,
    channel: &Channel,
    content: &Content,
) -> Result<(), CommandError> {
    sqlx::query("INSERT INTO basket_step (basket_id, revision, channel, content) VALUES ($1, $2, $3, $4)")
        .bind(basket.raw())
        .bind(revision)
        .bind(channel.as_str().to_owned())
        .bind(content.written()?)
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Keeps what the sale is before a change.
pub(super) async fn keep_step(tx: &mut Tx, slip: &Slip) -> Result<(), CommandError> {
    insert(tx, slip.id, slip.revision - 1, &slip.channel, &slip.content).await?;
    sqlx::query(
        "DELETE FROM basket_step WHERE basket_id = $1 AND revision NOT IN \
         (SELECT s.revision FROM basket_step s WHERE s.basket_id = $1 ORDER BY s.revision DESC LIMIT $2)",
    )
    .bind(slip.id.raw())
    .bind(MAX_STEPS)
    .execute(tx.db())
    .await?;
    Ok(())
}

/// A sale that ended has nothing to undo.
pub(super) async fn forget_steps(tx: &mut Tx, basket: BasketId) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM basket_step WHERE basket_id = $1").bind(basket.raw()).execute(tx.db()).await?;
    Ok(())
}

/// Whether there is something to undo.
pub(super) async fn has_steps(
    connection: &mut AnyConnection,
    basket: BasketId,
) -> Result<bool, CommandError> {
    let row = sqlx::query("SELECT revision FROM basket_step WHERE basket_id = $1 LIMIT 1")
        .bind(basket.raw())
        .fetch_optional(connection)
        .await?;
    Ok(row.is_some())
}

async fn take_step(tx: &mut Tx, basket: BasketId) -> Result<Option<(Channel, Content)>, CommandError> {
    let row = sqlx::query(
        "DELETE FROM basket_step WHERE basket_id = $1 AND revision = \
         (SELECT MAX(s.revision) FROM basket_step s WHERE s.basket_id = $1) RETURNING channel, content",
    )
    .bind(basket.raw())
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return Ok(None) };
    let channel = Channel::parse(&row.try_get::<String, _>("channel")?).stored("basket_step.channel")?;
    Ok(Some((channel, Content::read(&row.try_get::<String, _>("content")?)?)))
}

/// What undoing changes, and the line that it is about.
fn difference(slip: &Slip, channel: &Channel, earlier: &Content) -> (UndoneWhat, Option<Line>) {
    let now = &slip.content;
    let is_in =
        |content: &Content, line: &Line| content.lines.iter().any(|other| other.number == line.number);
    if let Some(added) = now.lines.iter().find(|line| !is_in(earlier, line)) {
        return (UndoneWhat::Removed, Some(added.clone()));
    }
    if let Some(removed) = earlier.lines.iter().find(|line| !is_in(now, line)) {
        return (UndoneWhat::PutBack, Some(removed.clone()));
    }
    let pairs = now.lines.iter().zip(&earlier.lines);
    if let Some((line, _)) = pairs.clone().find(|(line, before)| line.what != before.what) {
        return (UndoneWhat::Quantity, Some(line.clone()));
    }
    if let Some((line, _)) =
        pairs.clone().find(|(line, before)| line.off != before.off || line.reason != before.reason)
    {
        return (UndoneWhat::LineDiscount, Some(line.clone()));
    }
    if now.customer != earlier.customer {
        return (UndoneWhat::Customer, None);
    }
    if (now.off, &now.off_reason) != (earlier.off, &earlier.off_reason) {
        return (UndoneWhat::Discount, None);
    }
    if slip.channel != *channel {
        return (UndoneWhat::Channel, None);
    }
    (UndoneWhat::Nothing, None)
}

async fn title(tx: &mut Tx, line: &Line) -> Result<String, CommandError> {
    match &line.what {
        What::Goods { code, .. } => {
            Ok(lookup::find_all(tx, std::slice::from_ref(code)).await?.remove(0).title)
        }
        What::Paper { title, .. } | What::Deposit { title, .. } => Ok(title.clone()),
    }
}

/// The earlier lines, discounts and customer. Numbers of lines are never used twice, and whoever was erased since is
/// nobody in particular: a name that a line needed was forgotten when the line was removed.
async fn restored(tx: &mut Tx, now: &Content, earlier: Content) -> Result<Content, CommandError> {
    for holder in now.lines.iter().filter_map(Line::holder) {
        if !earlier.lines.iter().filter_map(Line::holder).any(|kept| kept == holder) {
            person_data::forget_name(tx, holder).await?;
        }
    }
    let mut content =
        Content { lines: earlier.lines, off: earlier.off, off_reason: earlier.off_reason, ..now.clone() };
    (content.customer, content.is_granted) = (earlier.customer, earlier.is_granted);
    content.approved.extend(earlier.approved);
    if let Some(customer) = content.customer
        && !person_data::is_there(tx.db(), customer).await?
    {
        content.customer = None;
    }
    for line in &mut content.lines {
        if let What::Paper { certificate: Some(certificate), .. } = &mut line.what
            && let Some(holder) = certificate.on_file
            && !person_data::is_there(tx.db(), holder).await?
        {
            certificate.on_file = None;
        }
    }
    Ok(content)
}
