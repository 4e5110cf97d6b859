//! Orders from online shops and files: each becomes a sale of its filled lines.
//!
//! Channel and number identify an order. A hash of its contents is stored, and the same contents again
//! change nothing. What a later state or a decision adds is a further sale of the same order. An order
//! is rejected whole or taken in whole: each line becomes a sale line, or an out-of-stock line that
//! waits for a decision (law 8).

mod adjust;
mod apply;
mod backfill;
mod blank;
mod change;
mod closest;
mod decide;
mod detail;
mod end_hold;
mod fees;
mod given_back;
mod live;
mod money_back;
mod plan;
mod remove_piece;
mod said;
mod same;
mod settle_status;
mod share;
mod stored_lines;
mod unpaid;
mod view;

pub(crate) use blank::blank_old;
pub use closest::Closest;
pub use decide::{DecideLine, LineChoice, LineDecided};
pub use detail::{BlockingHold, Chosen, OrderDetail, SoldFor, WaitingLine};
pub use end_hold::EndHold;
pub use remove_piece::RemovePiece;
pub use settle_status::{SettleStatus, SettledStatus, StatusSettled};
pub use view::{OrderLineState, OrderLineView, OrderView};

use crate::customers::person_data;
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::idempotency_key::hex_hash;
use crate::store::rejection::{OrdersReason, Rejection};
use crate::store::sql::{in_text, padded};
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::channel::Channel;
use domain::customer::Contact;
use domain::day::Moment;
use domain::ids::{CustomerId, OrderId, SaleId};
use domain::order::{IncomingOrder, OrderNumber, OrderStatus, Standing};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, Row};
use std::collections::{HashMap, HashSet};

/// Takes in orders. The caller decides how many at once, see [`crate::Pace`].
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TakeOrders {
    /// The orders.
    pub orders: Vec<IncomingOrder>,
    /// Past orders from another system: they go into the books and leave stock alone.
    pub past: bool,
    /// Who or what brings them, for the activity log.
    pub who: String,
}

/// The result for one order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OrderOutcome {
    /// It was taken in, with lines filled, on hold, and out of stock.
    Taken {
        /// The new order.
        order: OrderId,
        /// None if no line was filled, or the order is not paid.
        sale: Option<SaleId>,
        /// Lines that were sold.
        filled: usize,
        /// Lines on hold, because the order is unpaid or its status is unknown.
        #[serde(default)]
        held: usize,
        /// Lines that are out of stock.
        short: usize,
        /// Refunds booked with it.
        refunds: usize,
    },
    /// It was taken in before with the same contents, or a later state of it is known.
    Known {
        /// The known order.
        order: OrderId,
        /// Refunds booked with it.
        refunds: usize,
    },
    /// A later state was booked.
    Changed {
        /// The known order.
        order: OrderId,
        /// Lines that now are out of stock and wait for a decision.
        short: usize,
        /// Refunds booked with it.
        refunds: usize,
    },
    /// It was rejected whole; nothing was booked.
    Rejected(Rejection),
}

#[async_trait]
impl Command for TakeOrders {
    /// One outcome per order, in the same order.
    type Answer = Vec<OrderOutcome>;

    fn is_long(&self) -> bool {
        self.orders.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<Vec<OrderOutcome>, CommandError> {
        let limits = tx.limits().await?;
        self.orders.iter().try_for_each(|order| limits.allow_channel(&order.channel))?;
        if self.past {
            return backfill::take(tx, &self.orders, &self.who).await;
        }
        take_live(tx, &self.orders, OnTie::Refuse, &self.who).await
    }
}

/// Takes in orders that were just fetched one by one: of two states with the same time, such an order
/// is the later one.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TakeFetched {
    /// The orders.
    pub orders: Vec<IncomingOrder>,
    /// Who or what brings them, for the activity log.
    pub who: String,
}

#[async_trait]
impl Command for TakeFetched {
    /// One outcome per order, in the same order.
    type Answer = Vec<OrderOutcome>;

    fn is_long(&self) -> bool {
        self.orders.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<Vec<OrderOutcome>, CommandError> {
        take_live(tx, &self.orders, OnTie::Wins, &self.who).await
    }
}

/// What happens to other contents with the same dateModified.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum OnTie {
    /// Nobody can tell which of the two is later.
    Refuse,
    /// It was fetched after the other was taken in.
    Wins,
}

async fn take_live(
    tx: &mut Tx,
    orders: &[IncomingOrder],
    on_tie: OnTie,
    who: &str,
) -> Result<Vec<OrderOutcome>, CommandError> {
    let mut before = known(tx, orders).await?;
    // A list may contain an order twice: by then it is known, as the first time left it.
    let is_any_twice = orders.iter().map(key).collect::<HashSet<_>>().len() < orders.len();
    let mut outcomes = Vec::with_capacity(orders.len());
    for order in orders {
        let taking = apply::Taking { order, on_tie, who };
        outcomes.push(apply::one(tx, taking, before.get(&key(order))).await?);
        if is_any_twice {
            before.extend(known(tx, std::slice::from_ref(order)).await?);
        }
    }
    Ok(outcomes)
}

impl Ledger {
    /// Takes in orders, in one transaction if possible. If one of them is rejected, each is taken in by
    /// itself, so that only that one is left out.
    pub async fn take_orders(&self, batch: &TakeOrders) -> Result<Vec<OrderOutcome>, CommandError> {
        if batch.past || batch.orders.len() < 2 || self.has_one_writer() {
            match self.execute(None, batch).await {
                Err(CommandError::Rejected(_)) => {}
                ended => return Ok(ended?.answer),
            }
        }
        // On PostgreSQL online orders never share a transaction: the second would wait for an item with
        // the shop's row locked, which a sale at the counter waits for with the item locked.
        let mut outcomes = Vec::with_capacity(batch.orders.len());
        for order in &batch.orders {
            let one = TakeOrders { orders: vec![order.clone()], past: batch.past, who: batch.who.clone() };
            outcomes.extend(self.take_alone(&one).await?);
        }
        Ok(outcomes)
    }

    /// Takes in orders that were fetched one by one, each in a transaction of its own.
    pub async fn take_fetched(&self, batch: &TakeFetched) -> Result<Vec<OrderOutcome>, CommandError> {
        let mut outcomes = Vec::with_capacity(batch.orders.len());
        for order in &batch.orders {
            let one = TakeFetched { orders: vec![order.clone()], who: batch.who.clone() };
            outcomes.extend(self.take_alone(&one).await?);
        }
        Ok(outcomes)
    }

    /// One order; its rejection is its outcome.
    async fn take_alone<C>(&self, one: &C) -> Result<Vec<OrderOutcome>, CommandError>
    where
        C: Command<Answer = Vec<OrderOutcome>>,
    {
        match self.execute(None, one).await {
            Ok(done) => Ok(done.answer),
            Err(CommandError::Rejected(rejection)) => Ok(vec![OrderOutcome::Rejected(*rejection)]),
            Err(trouble) => Err(trouble),
        }
    }

    /// Says what would happen to the orders, and books nothing.
    pub async fn try_orders(&self, batch: &TakeOrders) -> Result<Vec<OrderOutcome>, CommandError> {
        let mut outcomes = Vec::with_capacity(batch.orders.len());
        for order in &batch.orders {
            let one = TakeOrders { orders: vec![order.clone()], past: batch.past, who: batch.who.clone() };
            match self.rehearse(&one).await {
                Ok(answer) => outcomes.extend(answer),
                Err(CommandError::Rejected(rejection)) => outcomes.push(OrderOutcome::Rejected(*rejection)),
                Err(trouble) => return Err(trouble),
            }
        }
        Ok(outcomes)
    }
}

/// What is known about an order before it comes again.
#[derive(Clone, Debug)]
pub(crate) struct ExistingOrder {
    pub(crate) id: OrderId,
    pub(crate) ordered: Moment,
    pub(crate) body_hash: String,
    pub(crate) standing: Standing,
    pub(crate) status: OrderStatus,
    pub(crate) past: bool,
    pub(crate) modified: Option<Moment>,
    pub(crate) sale: Option<SaleId>,
    /// Whether somebody settled its status, and the online shop has not yet.
    pub(crate) is_settled_by_hand: bool,
}

impl ExistingOrder {
    /// Whether the online shop has sent no status that is known here: any such status is then the later
    /// one.
    fn has_no_known_status(&self) -> bool {
        self.status == OrderStatus::Unknown || self.is_settled_by_hand
    }
}

type OrderKey = (Channel, OrderNumber);

fn key(order: &IncomingOrder) -> OrderKey {
    (order.channel.clone(), order.number.clone())
}

/// Those orders of a batch that are already known.
pub(crate) async fn known(
    tx: &mut Tx,
    orders: &[IncomingOrder],
) -> Result<HashMap<OrderKey, ExistingOrder>, CommandError> {
    const HEAD: &str = "SELECT channel, number, id, body_hash, status, backfilled, modified_ms, sale_id, ordered_ms, status_by \
        FROM customer_order \
        WHERE channel = $1 AND number";
    let mut by_channel: HashMap<&Channel, Vec<String>> = HashMap::new();
    for order in orders {
        by_channel.entry(&order.channel).or_default().push(order.number.to_string());
    }
    let mut known = HashMap::new();
    for (channel, numbers) in by_channel {
        for chunk in numbers.chunks(crate::store::sql::MAX_ROWS) {
            let text = in_text(HEAD, 2, chunk.len(), "");
            let mut statement = sqlx::query(AssertSqlSafe(text)).bind(channel.as_str().to_owned());
            for number in padded(chunk) {
                statement = statement.bind(number);
            }
            for row in statement.fetch_all(tx.db()).await? {
                let number = OrderNumber::parse(&row.try_get::<String, _>("number")?)
                    .map_err(StorageError::impossible)?;
                known.insert((channel.clone(), number), read_before(&row)?);
            }
        }
    }
    Ok(known)
}

fn read_before(row: &sqlx::any::AnyRow) -> Result<ExistingOrder, CommandError> {
    let status: String = row.try_get("status")?;
    let status =
        OrderStatus::from_code(&status).ok_or_else(|| StorageError::impossible("customer_order.status"))?;
    Ok(ExistingOrder {
        id: OrderId::from_raw(row.try_get("id")?),
        ordered: Moment::from_millis(row.try_get("ordered_ms")?),
        body_hash: row.try_get("body_hash")?,
        standing: status.standing(),
        status,
        past: row.try_get::<i64, _>("backfilled")? == 1,
        modified: row.try_get::<Option<i64>, _>("modified_ms")?.map(Moment::from_millis),
        sale: row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw),
        is_settled_by_hand: !row.try_get::<String, _>("status_by")?.is_empty(),
    })
}

/// The contents that identify an unchanged order: its mapped fields without the customer, the refunds
/// (each has its own key) and the time of its last change.
pub(crate) fn body_hash(order: &IncomingOrder) -> Result<String, CommandError> {
    let body = (
        (&order.channel, &order.number, order.ordered, order.status),
        &order.lines,
        (order.discount, order.shipping, order.fee),
    );
    Ok(hex_hash(&serde_json::to_vec(&body).map_err(StorageError::KeptAnswer)?))
}

/// Checks an order's own values before anything of it is written.
pub(crate) fn check_values(tx: &Tx, order: &IncomingOrder) -> Result<(), Rejection> {
    let shop = tx.shop();
    shop.known_channel(&order.channel)?;
    tx.believable("orderDate", order.ordered)?;
    if let Some(modified) = order.modified {
        tx.believable("dateModified", modified)?;
    }
    for amount in [order.discount, order.shipping, order.fee] {
        if amount.is_negative() {
            return Err(Rejection::invalid("shipping", OrdersReason::NegativeMoney));
        }
        if amount.currency() != shop.currency {
            let reason = OrdersReason::OtherCurrency { own: shop.currency };
            return Err(Rejection::invalid("priceCurrency", reason));
        }
        amount.within_limit().named("shipping")?;
    }
    for line in &order.lines {
        text::short(&line.name).named("name")?;
    }
    text::short(&order.customer.name).named("customer.name")?;
    text::short(&order.customer.email).named("customer.email")?;
    Ok(())
}

/// Why an order without lines, about which nothing is known, says nothing.
fn nothing_of_it(order: &IncomingOrder) -> Rejection {
    let reason = if order.refunds.is_empty() {
        OrdersReason::NoLines
    } else {
        OrdersReason::UnknownOrder { number: order.number.clone() }
    };
    Rejection::invalid("orderNumber", reason)
}

/// Writes the order's row. On PostgreSQL another process may have taken in the same order in between;
/// then everything is tried again and finds it.
pub(crate) async fn insert_orders(tx: &mut Tx, rows: &[OrderRow<'_>]) -> Result<(), CommandError> {
    let now = tx.now().millis();
    let rows = &with_buyers(tx, rows).await?;
    let written = crate::store::sql::insert_rows_or(
        tx.db(),
        &crate::store::tables::CUSTOMER_ORDER,
        "ON CONFLICT DO NOTHING",
        rows,
        |statement, (row, buyer)| {
            let order = row.order;
            statement
                .bind(row.id.raw())
                .bind(order.channel.as_str().to_owned())
                .bind(order.number.to_string())
                .bind(row.body_hash.clone())
                .bind(order.status.code().to_owned())
                .bind(i64::from(row.past))
                .bind(order.ordered.millis())
                .bind(order.modified.map(Moment::millis))
                .bind(row.sale.map(SaleId::raw))
                .bind(order.discount.minor())
                .bind(order.shipping.minor())
                .bind(order.fee.minor())
                .bind(buyer.map(CustomerId::raw))
                .bind(1_i64)
                .bind(now)
                .bind(String::new())
        },
    )
    .await?;
    if usize::try_from(written).ok() != Some(rows.len()) {
        return Err(StorageError::Collided(sqlx::Error::RowNotFound).into());
    }
    Ok(())
}

/// Writes who bought, for orders that say so. One that says nothing of it has nobody.
async fn with_buyers<'a, 'b>(
    tx: &mut Tx,
    rows: &'a [OrderRow<'b>],
) -> Result<Vec<(&'a OrderRow<'b>, Option<CustomerId>)>, CommandError> {
    let (mut orders, mut buyers) = (Vec::with_capacity(rows.len()), Vec::new());
    for row in rows {
        let customer = &row.order.customer;
        if customer.name.is_empty() && customer.email.is_empty() {
            orders.push((row, None));
            continue;
        }
        let id = CustomerId::from_raw(tx.next_id()?);
        let (name, email) = (customer.name.clone(), customer.email.clone());
        buyers.push((id, Contact { name, email, ..Contact::default() }));
        orders.push((row, Some(id)));
    }
    person_data::insert(tx, &buyers).await?;
    Ok(orders)
}

/// An order about to be written.
pub(crate) struct OrderRow<'a> {
    pub(crate) id: OrderId,
    pub(crate) order: &'a IncomingOrder,
    pub(crate) body_hash: String,
    pub(crate) past: bool,
    pub(crate) sale: Option<SaleId>,
}
