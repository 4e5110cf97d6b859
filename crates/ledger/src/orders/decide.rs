//! Decisions about an out-of-stock line of an order: a substitute, a refund, or the item itself, once
//! it is in stock again or a hold on it is released.
//!
//! Until then the line and its money stay on the order, outside sales and books. A line that is sold
//! becomes the order's first sale, with the shipping and fee that waited for it, or a further sale,
//! because an existing sale cannot grow (law 6). The books count the order once.

use super::live::{self, Fill, Priced, SaleKind, SaleOf};
use super::{end_hold, stored_lines};
use crate::people::activity_log::{self, Activity};
use crate::shelf::holds::{self, Ended};
use crate::shelf::lookup::{self, Found};
use crate::shelf::stock::{Take, try_take};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{OrdersReason, Rejection, Thing};
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::basket::LineMoney;
use domain::channel::Channel;
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{HoldGroupId, HoldId, ItemId, OrderId, OrderLineId, SaleId};
use domain::money::{Currency, Money};
use domain::order::{Customer, IncomingOrder, OrderNumber, OrderStatus, Standing};
use domain::quantity::{Measure, Quantity};
use domain::stock::StockReason;
use domain::text;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// The decision about an out-of-stock line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LineChoice {
    /// Another item in stock, for the same amount.
    Substitute(Code),
    /// Refund its money, and shipping too once nothing of the order can be filled.
    Refund,
    /// The item itself: from the line's own hold, or from free stock.
    Fill,
    /// The item itself, from another hold that blocks it; this needs a reason.
    Release(HoldGroupId),
}

impl LineChoice {
    fn code(&self) -> &'static str {
        match self {
            Self::Substitute(_) => "substituted",
            Self::Refund => "refunded",
            Self::Fill => "filled",
            Self::Release(_) => "released",
        }
    }
}

/// Carries out a decision about one line: stock, order, books and outbox in one transaction.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DecideLine {
    /// The order.
    pub order: OrderId,
    /// Its line.
    pub line: OrderLineId,
    /// The reason, for later questions.
    pub choice: LineChoice,
    /// Why, for those who ask later.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

/// The result of the decision.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineDecided {
    /// The order.
    pub order: OrderId,
    /// Its number.
    pub number: String,
    /// If the line was sold.
    pub sale: Option<SaleId>,
    /// The amount to refund to the buyer in the online shop, tax included, if there is one.
    pub goods_back: Option<Money>,
    /// The shipping to refund with it.
    pub shipping_back: Option<Money>,
}

#[async_trait]
impl Command for DecideLine {
    type Answer = LineDecided;

    async fn run(&self, tx: &mut Tx) -> Result<LineDecided, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = match self.choice {
            LineChoice::Release(_) => text::name(&self.reason).field("reason")?,
            _ => text::short(&self.reason).field("reason")?,
        };
        let order = lock(tx, self.order).await?;
        order.refuse_unless_paid()?;
        let line = claim(tx, &order, self.line).await?;
        let choosing = Choosing { order: &order, line: &line, reason: &reason, who: &who };
        match &self.choice {
            LineChoice::Substitute(code) => substitute(tx, choosing, &self.choice, code).await,
            LineChoice::Refund => refund(tx, choosing, &self.choice).await,
            LineChoice::Fill => fill(tx, choosing, &self.choice, None).await,
            LineChoice::Release(hold) => fill(tx, choosing, &self.choice, Some(*hold)).await,
        }
    }
}

#[derive(Clone, Copy)]
struct Choosing<'a> {
    order: &'a Whole,
    line: &'a Waiting,
    reason: &'a str,
    who: &'a str,
}

/// The order. Its row stays locked until the transaction ends, so a state of it that arrives meanwhile
/// waits, and then sees the decision.
struct Whole {
    id: OrderId,
    incoming: IncomingOrder,
    sale: Option<SaleId>,
}

impl Whole {
    fn refuse_unless_paid(&self) -> Result<(), CommandError> {
        let number = self.incoming.number.clone();
        let reason = match self.incoming.status.standing() {
            Standing::Sold => return Ok(()),
            Standing::Unpaid => OrdersReason::NotPaid { number },
            Standing::Undone => OrdersReason::Closed { number },
        };
        Err(Rejection::invalid("order", reason).into())
    }
}

async fn lock(tx: &mut Tx, id: OrderId) -> Result<Whole, CommandError> {
    let row = sqlx::query(
        "UPDATE customer_order SET revision = revision + 1 WHERE id = $1 AND backfilled = 0 RETURNING channel, number, \
         status, ordered_ms, modified_ms, sale_id, shipping, fee",
    )
    .bind(id.raw())
    .fetch_optional(tx.db())
    .await?
    .ok_or_else(|| Rejection::no_such(Thing::LiveOrder, id))?;
    let currency = tx.shop().currency;
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("customer_order");
    let status: String = row.try_get("status")?;
    let incoming = IncomingOrder {
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("customer_order.channel")?,
        number: OrderNumber::parse(&row.try_get::<String, _>("number")?).stored("customer_order.number")?,
        ordered: Moment::from_millis(row.try_get("ordered_ms")?),
        modified: row.try_get::<Option<i64>, _>("modified_ms")?.map(Moment::from_millis),
        status: OrderStatus::from_code(&status)
            .ok_or_else(|| StorageError::impossible("customer_order.status"))?,
        lines: Vec::new(),
        refunds: Vec::new(),
        // It was spread over the lines when the order came.
        discount: Money::zero(currency),
        shipping: money("shipping")?,
        fee: money("fee")?,
        customer: Customer::default(),
    };
    Ok(Whole { id, incoming, sale: row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw) })
}

/// A waiting line, which this decision takes over.
struct Waiting {
    id: OrderLineId,
    item: Option<ItemId>,
    code: String,
    title: String,
    quantity: Quantity,
    price: Money,
    money: LineMoney,
    hold: Option<HoldId>,
}

async fn claim(tx: &mut Tx, order: &Whole, id: OrderLineId) -> Result<Waiting, CommandError> {
    let row = sqlx::query(
        "UPDATE order_line SET state = 'undone' WHERE id = $1 AND order_id = $2 AND state IN ('short', 'held') \
         RETURNING item_id, code, title, stock_units, unit, price, amount, discount, tax, hold_id",
    )
    .bind(id.raw())
    .bind(order.id.raw())
    .fetch_optional(tx.db())
    .await?;
    match row {
        Some(row) => waiting(id, &row, tx.shop().currency),
        None => Err(why_not(tx, order, id).await?.into()),
    }
}

fn waiting(id: OrderLineId, row: &AnyRow, currency: Currency) -> Result<Waiting, CommandError> {
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("order_line");
    let measure = measure(&row.try_get::<String, _>("unit")?)?;
    Ok(Waiting {
        id,
        item: row.try_get::<Option<i64>, _>("item_id")?.map(ItemId::from_raw),
        code: row.try_get("code")?,
        title: row.try_get("title")?,
        quantity: Quantity::from_stock_units(row.try_get("stock_units")?, measure)
            .stored("order_line.stock_units")?,
        price: money("price")?,
        money: LineMoney { amount: money("amount")?, discount: money("discount")?, tax: money("tax")? },
        hold: row.try_get::<Option<i64>, _>("hold_id")?.map(HoldId::from_raw),
    })
}

/// A line's measure as stored: empty for units.
pub(super) fn measure(unit: &str) -> Result<Measure, CommandError> {
    match unit {
        "" => Ok(Measure::Units),
        code => Ok(Measure::Thousandths(WeightUnit::from_code(code).stored("order_line.unit")?)),
    }
}

async fn why_not(tx: &mut Tx, order: &Whole, id: OrderLineId) -> Result<Rejection, CommandError> {
    let row = sqlx::query(
        "SELECT o.title, o.state, COALESCE(c.choice, '') AS choice, COALESCE(c.who, '') AS who FROM order_line o \
         LEFT JOIN line_decision c ON c.line_id = o.id WHERE o.id = $1 AND o.order_id = $2",
    )
    .bind(id.raw())
    .bind(order.id.raw())
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return Ok(Rejection::no_such(Thing::OrderLine, id)) };
    let (title, state): (String, String) = (row.try_get("title")?, row.try_get("state")?);
    let (choice, who): (String, String) = (row.try_get("choice")?, row.try_get("who")?);
    let reason = match choice.as_str() {
        "" => OrdersReason::LineSettled { title, state },
        _ => OrdersReason::LineDecided { title, choice, who },
    };
    Ok(Rejection::invalid("line", reason))
}

/// The line's own hold, if it is still open; this ends it.
async fn own_hold(tx: &mut Tx, line: &Waiting, state: &'static str) -> Result<Option<Ended>, CommandError> {
    match line.hold {
        Some(hold) => holds::end_one(tx, hold, state).await,
        None => Ok(None),
    }
}

async fn substitute(
    tx: &mut Tx,
    choosing: Choosing<'_>,
    choice: &LineChoice,
    code: &Code,
) -> Result<LineDecided, CommandError> {
    let line = choosing.line;
    let found = lookup::find_all(tx, std::slice::from_ref(code)).await?.remove(0);
    if Some(found.id) == line.item {
        let reason = OrdersReason::NotASubstitute { title: found.title };
        return Err(Rejection::invalid("sku", reason).into());
    }
    if found.sold_in_past {
        return Err(lookup::sold_in_past(tx, &found).await?.into());
    }
    if found.measure != line.quantity.measure() {
        let reason = OrdersReason::OtherUnit { title: found.title, ordered: line.title.clone() };
        return Err(Rejection::invalid("sku", reason).into());
    }
    let freed: Vec<Ended> = own_hold(tx, line, "ended").await?.into_iter().collect();
    let take = Take { item: found.id, stock_units: line.quantity.stock_units(), from_hold: 0 };
    // Items are touched in order, as everywhere.
    let free_first = freed.first().is_some_and(|held| held.item < take.item);
    if free_first {
        holds::free(tx, &freed).await?;
    }
    if !try_take(tx, &take, StockReason::Sold).await? {
        return Err(lookup::explain(tx, take.item, take.stock_units).await?.into());
    }
    if !free_first {
        holds::free(tx, &freed).await?;
    }
    sell(tx, choosing, choice, found).await
}

/// Fills the line with what was ordered: from its own hold or the given one, and the rest from free
/// stock.
async fn fill(
    tx: &mut Tx,
    choosing: Choosing<'_>,
    choice: &LineChoice,
    hold: Option<HoldGroupId>,
) -> Result<LineDecided, CommandError> {
    let line = choosing.line;
    let code = Code::parse(&line.code).stored("order_line.code")?;
    let found = lookup::find_all(tx, std::slice::from_ref(&code)).await?.remove(0);
    if found.sold_in_past {
        return Err(lookup::sold_in_past(tx, &found).await?.into());
    }
    let stock_units = line.quantity.stock_units();
    let from_hold = match (own_hold(tx, line, "taken").await?, hold) {
        (Some(own), None) => own.stock_units,
        (Some(_), Some(_)) => {
            return Err(Rejection::invalid("hold", OrdersReason::LineHolds).into());
        }
        (None, Some(hold)) => holds::release(tx, hold, found.id, stock_units).await?,
        (None, None) => 0,
    };
    if !try_take(tx, &Take { item: found.id, stock_units, from_hold }, StockReason::Sold).await? {
        return Err(lookup::explain(tx, found.id, stock_units).await?.into());
    }
    if let Some(hold) = hold {
        end_hold::let_lines_follow(tx, hold).await?;
    }
    sell(tx, choosing, choice, found).await
}

/// The line's sale: the order's first, or a further one.
async fn sell(
    tx: &mut Tx,
    choosing: Choosing<'_>,
    choice: &LineChoice,
    found: Found,
) -> Result<LineDecided, CommandError> {
    let Choosing { order, line, who, .. } = choosing;
    let for_item = line.item.filter(|ordered| *ordered != found.id);
    let priced =
        Priced { item: found, for_item, quantity: line.quantity, price: line.price, money: line.money };
    let (id, incoming) = (order.id, &order.incoming);
    let zero = Money::zero(incoming.shipping.currency());
    let kind = match order.sale {
        None => SaleKind::First { shipping: live::waiting_shipping(tx, id, incoming.shipping).await? },
        Some(_) => SaleKind::Further { at: incoming.ordered, shipping: zero },
    };
    let (priced, fills) = (std::slice::from_ref(&priced), [Fill::Filled]);
    let sold = live::sell(tx, SaleOf { id, order: incoming, kind, who }, priced, &fills).await?;
    let (sale, lines) = sold.ok_or_else(|| StorageError::impossible("a filled line without a sale"))?;
    let first = stored_lines::next_position(tx, id).await?;
    live::write_lines(tx, id, priced, &fills, &lines, first).await?;
    let row = sqlx::query("SELECT id FROM order_line WHERE order_id = $1 AND position = $2")
        .bind(id.raw())
        .bind(first)
        .fetch_one(tx.db())
        .await?;
    let none = LineMoney { amount: zero, discount: zero, tax: zero };
    write(tx, choosing, choice, Some(OrderLineId::from_raw(row.try_get("id")?)), none, zero).await?;
    let number = incoming.number.to_string();
    Ok(LineDecided { order: id, number, sale: Some(sale), goods_back: None, shipping_back: None })
}

/// The money was never in the books, so none is taken out: it is refunded where it was paid.
async fn refund(
    tx: &mut Tx,
    choosing: Choosing<'_>,
    choice: &LineChoice,
) -> Result<LineDecided, CommandError> {
    let Choosing { order, line, .. } = choosing;
    let freed: Vec<Ended> = own_hold(tx, line, "ended").await?.into_iter().collect();
    holds::free(tx, &freed).await?;
    let shipping = if is_last(tx, order).await? {
        order.incoming.shipping
    } else {
        Money::zero(order.incoming.shipping.currency())
    };
    write(tx, choosing, choice, None, line.money, shipping).await?;
    let LineMoney { amount, discount, tax } = line.money;
    let goods = amount.minus(discount).and_then(|m| m.plus(tax)).field("price")?;
    let back = goods.plus(shipping).field("price")?;
    let (number, words) = (order.incoming.number.to_string(), choosing.reason);
    let detail = format!("{} of an out-of-stock line to be refunded; {words}", back.shown());
    let detail = detail.trim_end_matches("; ");
    activity_log::note(tx, choosing.who, Activity::Refund, &format!("order {number}"), detail).await?;
    Ok(LineDecided {
        order: order.id,
        number,
        sale: order.sale,
        goods_back: Some(goods),
        shipping_back: (!shipping.is_zero()).then_some(shipping),
    })
}

/// Whether nothing of the order was sold or still waits, and its shipping was not refunded.
async fn is_last(tx: &mut Tx, order: &Whole) -> Result<bool, CommandError> {
    let row = sqlx::query(
        "SELECT CAST((SELECT COUNT(*) FROM order_line WHERE order_id = $1 AND state IN ('short', 'held')) \
         + (SELECT COUNT(*) FROM line_decision WHERE order_id = $1 AND shipping > 0) AS BIGINT) AS still_waiting",
    )
    .bind(order.id.raw())
    .fetch_one(tx.db())
    .await?;
    Ok(order.sale.is_none() && row.try_get::<i64, _>("still_waiting")? == 0)
}

async fn write(
    tx: &mut Tx,
    choosing: Choosing<'_>,
    choice: &LineChoice,
    new_line: Option<OrderLineId>,
    back: LineMoney,
    shipping: Money,
) -> Result<(), CommandError> {
    sqlx::query(
        "INSERT INTO line_decision (line_id, order_id, choice, new_line_id, amount, discount, tax, shipping, \
         refund_number, reason, who, at_ms) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, NULL, $9, $10, $11)",
    )
    .bind(choosing.line.id.raw())
    .bind(choosing.order.id.raw())
    .bind(choice.code().to_owned())
    .bind(new_line.map(OrderLineId::raw))
    .bind(back.amount.minor())
    .bind(back.discount.minor())
    .bind(back.tax.minor())
    .bind(shipping.minor())
    .bind(choosing.reason.to_owned())
    .bind(choosing.who.to_owned())
    .bind(tx.now().millis())
    .execute(tx.db())
    .await?;
    Ok(())
}
