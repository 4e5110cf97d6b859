//! One order in full, for whoever decides about its lines.

use super::view::{OrderLineState, OrderLineView, OrderView, TAKEN_OFF, line_of, order_of};
use crate::shelf::holds::{self, Purpose};
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{HoldGroupId, OrderId, OrderLineId, SaleId};
use domain::money::{Currency, Money};
use domain::order::{Customer, OrderNumber, OrderStatus, Standing};
use domain::quantity::Quantity;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// A hold on the item that a line waits for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BlockingHold {
    /// The hold, with everything that was held together.
    pub id: HoldGroupId,
    /// Customer, market, or another purpose.
    pub purpose: Purpose,
    /// The customer's name, or a description.
    pub for_whom: String,
    /// When it expires; never if none.
    pub until: Option<Moment>,
    /// How much of the item it has.
    pub quantity: Quantity,
}

/// The decision about a line that was out of stock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chosen {
    /// `substituted`, `refunded`, `released` or `filled`.
    pub choice: String,
    /// What was sold for it.
    pub sold: Option<SoldFor>,
    /// The amount to be refunded, shipping included.
    pub back: Money,
    /// Why.
    pub reason: String,
    /// From the activity log.
    pub who: String,
    /// When.
    pub at: Moment,
}

/// What was sold for a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SoldFor {
    /// Its own line in the order, which a later state may have undone.
    pub line: OrderLineId,
    /// The item's SKU.
    pub code: String,
    /// The item's name.
    pub title: String,
}

/// A line with everything there is to know about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaitingLine {
    /// The line.
    pub line: OrderLineView,
    /// Taken off the line.
    pub discount: Money,
    /// Its tax.
    pub tax: Money,
    /// Whether somebody must decide.
    pub waits: bool,
    /// The decision, if there is one.
    pub chosen: Option<Chosen>,
    /// Whether enough of the item is free now.
    pub is_free: bool,
    /// Holds that could be released for it.
    pub holds: Vec<BlockingHold>,
}

impl WaitingLine {
    /// What the buyer paid for the line.
    pub fn paid(&self) -> Option<Money> {
        self.line.amount.minus(self.discount).and_then(|m| m.plus(self.tax)).ok()
    }
}

/// An order in full.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OrderDetail {
    /// The order; its lines are in `lines` with more detail.
    pub order: OrderView,
    /// The buyer.
    pub customer: Customer,
    /// When the order last changed there.
    pub modified: Option<Moment>,
    /// Who settled its status here, while the online shop has sent none that is known; otherwise empty.
    pub status_by: String,
    /// Shipping that the buyer paid.
    pub shipping: Money,
    /// The fee that the channel keeps.
    pub fee: Money,
    /// In the order in which they came.
    pub lines: Vec<WaitingLine>,
    /// The first sale first; what a later state or a decision added is a further sale.
    pub sales: Vec<SaleId>,
}

impl Ledger {
    /// The order with this number on a channel, if there is one.
    pub async fn order_numbered(
        &self,
        channel: &Channel,
        number: &OrderNumber,
    ) -> Result<Option<OrderId>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT id FROM customer_order WHERE channel = $1 AND number = $2")
            .bind(channel.as_str().to_owned())
            .bind(number.to_string())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| Ok(OrderId::from_raw(row.try_get("id")?))).transpose()
    }

    /// All details of one order.
    pub async fn order(&self, id: OrderId) -> Result<OrderDetail, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT o.id, o.channel, o.number, o.status, o.ordered_ms, o.backfilled, o.sale_id, p.name AS buyer, \
             p.email AS buyer_email, o.modified_ms, o.shipping, o.fee, o.status_by FROM customer_order o \
             LEFT JOIN person_data p ON p.id = o.customer_id WHERE o.id = $1",
        )
        .bind(id.raw())
        .fetch_optional(&mut *connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Order, id))?;
        let order = order_of(&row)?;
        let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("customer_order");
        let lines = lines(&mut connection, id, order.status, currency).await?;
        Ok(OrderDetail {
            customer: Customer {
                name: row.try_get::<Option<String>, _>("buyer")?.unwrap_or_default(),
                email: row.try_get::<Option<String>, _>("buyer_email")?.unwrap_or_default(),
            },
            modified: row.try_get::<Option<i64>, _>("modified_ms")?.map(Moment::from_millis),
            shipping: money("shipping")?,
            fee: money("fee")?,
            status_by: row.try_get("status_by")?,
            lines,
            sales: sales(&mut connection, id).await?,
            order,
        })
    }
}

async fn sales(connection: &mut AnyConnection, id: OrderId) -> Result<Vec<SaleId>, CommandError> {
    let rows = sqlx::query("SELECT id FROM sale WHERE order_id = $1 ORDER BY id")
        .bind(id.raw())
        .fetch_all(connection)
        .await?;
    rows.iter().map(|row| Ok(SaleId::from_raw(row.try_get("id")?))).collect()
}

async fn lines(
    connection: &mut AnyConnection,
    id: OrderId,
    status: OrderStatus,
    currency: Currency,
) -> Result<Vec<WaitingLine>, CommandError> {
    let text = format!(
        "SELECT l.id, l.code, l.title, l.stock_units - COALESCE(t.stock_units, 0) AS stock_units, l.unit, \
         l.amount - COALESCE(t.amount, 0) AS amount, l.state, l.discount - COALESCE(t.discount, 0) AS discount, \
         l.tax - COALESCE(t.tax, 0) AS tax, l.item_id, \
         CASE WHEN i.on_hand - i.held >= l.stock_units THEN 1 ELSE 0 END AS is_free, c.choice, c.reason, c.who, c.at_ms, \
         c.amount - c.discount + c.tax + c.shipping AS given_back, n.code AS new_code, n.title AS new_title, n.id AS new_id \
         FROM order_line l LEFT JOIN item i ON i.id = l.item_id LEFT JOIN line_decision c ON c.line_id = l.id \
         LEFT JOIN order_line n ON n.id = c.new_line_id {TAKEN_OFF} \
         WHERE l.order_id = $1 ORDER BY l.position, l.id"
    );
    let rows = sqlx::query(AssertSqlSafe(text)).bind(id.raw()).fetch_all(&mut *connection).await?;
    let mut lines = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut line = read(row, currency)?;
        line.waits = match line.line.state {
            OrderLineState::Short | OrderLineState::Held => status.standing() == Standing::Sold,
            OrderLineState::Filled | OrderLineState::Undone => false,
        };
        if line.waits && line.line.state == OrderLineState::Short {
            let item: Option<i64> = row.try_get("item_id")?;
            line.holds = holds(connection, item, &line.line).await?;
        }
        lines.push(line);
    }
    Ok(lines)
}

fn read(row: &AnyRow, currency: Currency) -> Result<WaitingLine, CommandError> {
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("order_line");
    let choice: Option<String> = row.try_get("choice")?;
    let chosen = match choice {
        None => None,
        Some(choice) => Some(Chosen {
            choice,
            reason: row.try_get("reason")?,
            who: row.try_get("who")?,
            at: Moment::from_millis(row.try_get("at_ms")?),
            back: money("given_back")?,
            sold: sold_for(row)?,
        }),
    };
    Ok(WaitingLine {
        line: line_of(row, currency)?,
        discount: money("discount")?,
        tax: money("tax")?,
        waits: false,
        is_free: row.try_get::<i64, _>("is_free")? == 1,
        chosen,
        holds: Vec::new(),
    })
}

fn sold_for(row: &AnyRow) -> Result<Option<SoldFor>, CommandError> {
    let Some(line) = row.try_get::<Option<i64>, _>("new_id")? else { return Ok(None) };
    let line = OrderLineId::from_raw(line);
    Ok(Some(SoldFor { line, code: row.try_get("new_code")?, title: row.try_get("new_title")? }))
}

/// Open holds on the item that could be released; a sale that is being paid cannot.
async fn holds(
    connection: &mut AnyConnection,
    item: Option<i64>,
    line: &OrderLineView,
) -> Result<Vec<BlockingHold>, CommandError> {
    /// More holds than this are not listed; the Shelf pages show all of them.
    const MOST: i64 = 20;
    let rows = sqlx::query(
        "SELECT h.group_id, h.purpose, h.for_whom, p.name AS person, h.until_ms, h.stock_units FROM hold h \
         LEFT JOIN person_data p ON p.id = h.customer_id WHERE h.item_id = $1 AND h.state = 'open' \
         AND h.purpose <> 'basket' ORDER BY h.id LIMIT $2",
    )
    .bind(item.unwrap_or(-1))
    .bind(MOST)
    .fetch_all(connection)
    .await?;
    let hold = |row: &AnyRow| {
        Ok(BlockingHold {
            id: HoldGroupId::from_raw(row.try_get("group_id")?),
            purpose: Purpose::from_code(&row.try_get::<String, _>("purpose")?)
                .ok_or("unknown")
                .stored("hold.purpose")?,
            for_whom: holds::for_whom(row)?,
            until: row.try_get::<Option<i64>, _>("until_ms")?.map(Moment::from_millis),
            quantity: Quantity::from_stock_units(row.try_get("stock_units")?, line.quantity.measure())
                .stored("hold.stock_units")?,
        })
    };
    rows.iter().map(hold).collect()
}

impl OrderDetail {
    /// One of its lines.
    pub fn line(&self, id: OrderLineId) -> Option<&WaitingLine> {
        self.lines.iter().find(|line| line.line.id == id)
    }
}
