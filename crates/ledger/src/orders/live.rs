//! A new online order: its lines get the online shop's prices and are filled from stock.

use super::{ExistingOrder, OrderRow, body_hash, fees, insert_orders, said};
use crate::sales::booking::{self, Draft, DraftLine, unit_code};
use crate::sales::party::Party;
use crate::sales::ring_up::TenderIn;
use crate::shelf::holds::{self, HeldLine, Hold, Purpose};
use crate::shelf::lookup::{self, Found};
use crate::shelf::stock::{EntryReason, Take, enqueue_anew, enter, try_take};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{OrdersReason, Rejection};
use crate::store::sql::insert_rows;
use crate::store::tables;
use domain::basket::{self, CashRounding, Line, LineKind, LineMoney, TenderKind};
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{HoldGroupId, HoldId, ItemId, OrderId, OrderLineId, SaleId, SaleLineId};
use domain::money::Money;
use domain::order::{IncomingLine, IncomingOrder, LinePrice, Standing};
use domain::quantity::Quantity;
use domain::stock::StockReason;
use sqlx::Row;

/// A line with its item and its money.
pub(super) struct Priced {
    pub(super) item: Found,
    /// The item that was ordered, if somebody chose this one as its substitute.
    pub(super) for_item: Option<ItemId>,
    pub(super) quantity: Quantity,
    pub(super) price: Money,
    pub(super) money: LineMoney,
}

/// What happens to a line.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    Filled,
    Held(HoldId),
    Short,
    Undone,
}

/// Finds each line's item and its money; any rejection rejects the order before anything is written.
pub(super) async fn price(tx: &mut Tx, order: &IncomingOrder) -> Result<Vec<Priced>, CommandError> {
    let mut codes = Vec::with_capacity(order.lines.len());
    for line in &order.lines {
        let code = line.code.clone().ok_or_else(|| Rejection::invalid("sku", OrdersReason::NoCode))?;
        codes.push(code);
    }
    let found = lookup::find_all(tx, &codes).await?;
    if let Some(past) = found.iter().find(|f| f.sold_in_past) {
        return Err(lookup::sold_in_past(tx, past).await?.into());
    }
    let mut priced = Vec::with_capacity(found.len());
    for (line, item) in order.lines.iter().zip(found) {
        priced.push(one_line(line, item)?);
    }
    let plain: Vec<Line> = priced
        .iter()
        .map(|p| Line { amount: p.money.amount, discount: p.money.discount, tax: p.money.tax })
        .collect();
    let settled = basket::settle_lines(&plain, order.discount).field("discount")?;
    for (line, money) in priced.iter_mut().zip(settled) {
        line.money = money;
    }
    Ok(priced)
}

fn one_line(line: &IncomingLine, item: Found) -> Result<Priced, CommandError> {
    let quantity = Quantity::resolve_ordered(line.quantity, item.measure).field("orderQuantity")?;
    let (price, amount) = money_of(line.price, quantity)?;
    if amount.is_negative() || price.is_negative() {
        return Err(Rejection::invalid("price", OrdersReason::NegativePrice).into());
    }
    Ok(Priced {
        item,
        for_item: None,
        quantity,
        price,
        money: LineMoney { amount, discount: line.discount, tax: line.tax },
    })
}

/// The price of one and the line's amount, whichever of the two was given.
pub(super) fn money_of(price: LinePrice, quantity: Quantity) -> Result<(Money, Money), CommandError> {
    match price {
        LinePrice::Each(price) => Ok((price, basket::line_amount(price, quantity).field("price")?)),
        LinePrice::Line(amount) => Ok((basket::unit_price(amount, quantity.value()).field("price")?, amount)),
    }
}

/// Writes the order and fills what is in stock: sold if the order is paid, held if not.
pub(super) async fn take(
    tx: &mut Tx,
    order: &IncomingOrder,
    priced: &[Priced],
    who: &str,
) -> Result<(ExistingOrder, Vec<Fill>), CommandError> {
    let id = OrderId::from_raw(tx.next_id()?);
    let standing = order.status.standing();
    let hash = body_hash(order)?;
    insert_orders(tx, &[OrderRow { id, order, body_hash: hash.clone(), past: false, sale: None }]).await?;
    let fills = fill(tx, order, priced, standing).await?;
    let first = SaleOf { id, order, kind: SaleKind::First { shipping: order.shipping }, who };
    let sale = if standing == Standing::Sold { sell(tx, first, priced, &fills).await? } else { None };
    let (sale_id, line_ids) = match sale {
        Some((sale, lines)) => (Some(sale), lines),
        None => (None, Vec::new()),
    };
    write_lines(tx, id, priced, &fills, &line_ids, 1).await?;
    if standing != Standing::Undone {
        said::write(tx, id, &said::of_lines(priced)).await?;
    }
    let before = ExistingOrder {
        id,
        ordered: order.ordered,
        body_hash: hash,
        standing,
        status: order.status,
        past: false,
        modified: order.modified,
        sale: sale_id,
        is_settled_by_hand: false,
    };
    Ok((before, fills))
}

/// Fills the lines in the order of their items, so that two orders touch items in the same order; each
/// line is filled whole or is out of stock.
pub(super) async fn fill(
    tx: &mut Tx,
    order: &IncomingOrder,
    priced: &[Priced],
    standing: Standing,
) -> Result<Vec<Fill>, CommandError> {
    let mut fills = vec![Fill::Undone; priced.len()];
    if standing == Standing::Undone {
        // The online shop sold it before canceling, and may not have returned it to stock, so it is
        // told how much there is.
        enqueue_anew(tx, priced.iter().map(|p| p.item.id).collect()).await?;
        return Ok(fills);
    }
    let mut by_item: Vec<usize> = (0..priced.len()).collect();
    by_item.sort_by_key(|at| priced[*at].item.id);
    let mut held = Vec::new();
    for at in by_item {
        let (item, stock_units) = (priced[at].item.id, priced[at].quantity.stock_units());
        let had = match standing {
            Standing::Unpaid => holds::try_set_aside(tx, item, stock_units).await?,
            _ => try_take(tx, &Take { item, stock_units, from_hold: 0 }, StockReason::Sold).await?,
        };
        fills[at] = match (had, standing) {
            (false, _) => Fill::Short,
            (true, Standing::Unpaid) => {
                let hold = HoldId::from_raw(tx.next_id()?);
                held.push((at, hold));
                Fill::Held(hold)
            }
            (true, _) => Fill::Filled,
        };
    }
    write_holds(tx, order, priced, &held).await?;
    Ok(fills)
}

pub(super) async fn write_holds(
    tx: &mut Tx,
    order: &IncomingOrder,
    priced: &[Priced],
    held: &[(usize, HoldId)],
) -> Result<(), CommandError> {
    if held.is_empty() {
        return Ok(());
    }
    let group = HoldGroupId::from_raw(tx.next_id()?);
    let line = |(at, id): &(usize, HoldId)| HeldLine {
        id: *id,
        sku: priced[*at].item.sku.clone(),
        title: priced[*at].item.title.clone(),
        quantity: priced[*at].quantity,
    };
    let hold = Hold {
        id: group,
        purpose: Purpose::Order,
        for_whom: format!("order {}", order.number),
        customer: None,
        until: None,
        lines: held.iter().map(line).collect(),
    };
    let wanted: Vec<(ItemId, i64)> =
        held.iter().map(|(at, _)| (priced[*at].item.id, priced[*at].quantity.stock_units())).collect();
    holds::insert(tx, &hold, &wanted, None).await?;
    let items: Vec<ItemId> = wanted.iter().map(|(item, _)| *item).collect();
    tx.availability_changed(&items).await
}

/// A sale of an order.
#[derive(Clone, Copy)]
pub(super) struct SaleOf<'a> {
    pub(super) id: OrderId,
    pub(super) order: &'a IncomingOrder,
    pub(super) kind: SaleKind,
    pub(super) who: &'a str,
}

/// Which of an order's sales it is.
#[derive(Clone, Copy)]
pub(super) enum SaleKind {
    /// The first: it has the order's fee, and the books count the order by it.
    First {
        /// The order's shipping, less what was already refunded of it.
        shipping: Money,
    },
    /// One that a later state or a decision adds.
    Further {
        /// The time of the sale.
        at: Moment,
        /// Shipping that was not charged before.
        shipping: Money,
    },
}

/// The shipping that waits for an order's first sale, without what somebody refunded together with its
/// lines.
pub(super) async fn waiting_shipping(
    tx: &mut Tx,
    id: OrderId,
    shipping: Money,
) -> Result<Money, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COALESCE(SUM(shipping), 0) AS BIGINT) AS shipping FROM line_decision WHERE order_id = $1",
    )
    .bind(id.raw())
    .fetch_one(tx.db())
    .await?;
    let waits = (shipping.minor() - row.try_get::<i64, _>("shipping")?).max(0);
    Money::from_minor(waits, shipping.currency()).stored("line_decision.shipping")
}

/// A sale of the filled lines; none if no line is filled and no shipping is charged.
pub(super) async fn sell(
    tx: &mut Tx,
    of: SaleOf<'_>,
    priced: &[Priced],
    fills: &[Fill],
) -> Result<Option<(SaleId, Vec<SaleLineId>)>, CommandError> {
    let SaleOf { id, order, kind, who } = of;
    let shop = tx.shop();
    let filled: Vec<&Priced> =
        priced.iter().zip(fills).filter(|(_, f)| **f == Fill::Filled).map(|(p, _)| p).collect();
    let (at, shipping, further) = match kind {
        SaleKind::First { shipping } => (order.ordered, shipping, false),
        SaleKind::Further { at, shipping } => (at, shipping, true),
    };
    if filled.is_empty() && (!further || shipping.is_zero()) {
        return Ok(None);
    }
    if further {
        tx.after("SELECT MAX(id) AS last_id FROM sale WHERE order_id = $1", id.raw()).await?;
    }
    let sale = SaleId::from_raw(tx.next_id()?);
    let mut moves: Vec<(ItemId, i64)> =
        filled.iter().map(|p| (p.item.id, -p.quantity.stock_units())).collect();
    moves.sort_unstable();
    enter(tx, &moves, EntryReason { why: StockReason::Sold, source: Some(sale.raw()), note: "", who })
        .await?;
    let lines = filled.iter().map(|p| draft_line(p)).collect::<Result<Vec<_>, _>>()?;
    let money: Vec<LineMoney> = lines.iter().map(|l| l.money).collect();
    let due = due(&money, shipping)?;
    let given = [(TenderKind::Online, due)];
    let totals = basket::settle(&money, shipping, &given, CashRounding::NONE).field("price")?;
    let fee = if further {
        fees::of_further(tx, of.id, order, due).await?
    } else {
        shop.fee(&order.channel, order.fee, due)?
    };
    let receipt = tx.lock_shop_state(1).await?;
    let draft = Draft {
        id: sale,
        receipt: Some(receipt),
        channel: order.channel.clone(),
        at,
        order: Some(id),
        further,
        lines,
        totals,
        fee,
        tenders: vec![TenderIn::plain(TenderKind::Online, due)],
        party: Party::default(),
        note: String::new(),
        who: who.to_owned(),
    };
    debug_assert_eq!(shop.currency, due.currency());
    let ids = booking::write(tx, std::slice::from_ref(&draft)).await?.remove(0);
    sqlx::query("UPDATE customer_order SET sale_id = $2 WHERE id = $1 AND sale_id IS NULL")
        .bind(id.raw())
        .bind(sale.raw())
        .execute(tx.db())
        .await?;
    Ok(Some((sale, ids)))
}

/// The sum of the lines and the shipping.
pub(super) fn due(lines: &[LineMoney], shipping: Money) -> Result<Money, CommandError> {
    let mut sum = shipping;
    for line in lines {
        let line = line.amount.minus(line.discount).and_then(|m| m.plus(line.tax)).field("price")?;
        sum = sum.plus(line).field("price")?;
    }
    Ok(sum)
}

fn draft_line(priced: &Priced) -> Result<DraftLine, CommandError> {
    Ok(DraftLine {
        kind: LineKind::Goods,
        item: Some(priced.item.id),
        code: priced.item.sku.clone(),
        title: priced.item.title.clone(),
        quantity: priced.quantity,
        price: priced.price,
        money: priced.money,
        cost: basket::line_cost(priced.item.cost, priced.quantity).field("cost")?,
        weighed: priced.item.weighed.map(|weighed| weighed.at(priced.price)),
        opens: None,
    })
}

/// Writes the order's lines; `sale_lines` belong to the filled ones, in the same order.
pub(super) async fn write_lines(
    tx: &mut Tx,
    id: OrderId,
    priced: &[Priced],
    fills: &[Fill],
    sale_lines: &[SaleLineId],
    first_position: i64,
) -> Result<(), CommandError> {
    let mut sale_lines = sale_lines.iter();
    let mut rows = Vec::with_capacity(priced.len());
    for ((position, line), fill) in (first_position..).zip(priced).zip(fills) {
        let sale_line = if *fill == Fill::Filled { sale_lines.next().copied() } else { None };
        rows.push((OrderLineId::from_raw(tx.next_id()?), position, line, *fill, sale_line));
    }
    insert_rows(
        tx.db(),
        &tables::ORDER_LINE,
        &rows,
        |statement, (line_id, position, line, fill, sale_line)| {
            let (state, hold) = match fill {
                Fill::Filled => ("filled", None),
                Fill::Held(hold) => ("held", Some(hold.raw())),
                Fill::Short => ("short", None),
                Fill::Undone => ("undone", None),
            };
            statement
                .bind(line_id.raw())
                .bind(id.raw())
                .bind(*position)
                .bind(line.item.id.raw())
                .bind(line.item.sku.clone())
                .bind(line.item.title.clone())
                .bind(line.quantity.stock_units())
                .bind(unit_code(line.quantity.measure()).to_owned())
                .bind(line.price.minor())
                .bind(line.money.amount.minor())
                .bind(line.money.discount.minor())
                .bind(line.money.tax.minor())
                .bind(state.to_owned())
                .bind(hold)
                .bind(sale_line.map(SaleLineId::raw))
                .bind(line.for_item.map(ItemId::raw))
        },
    )
    .await?;
    Ok(())
}

/// The form in which a line's code is compared.
pub(super) fn code_key(code: Option<&Code>) -> String {
    code.map(Code::key).unwrap_or_default()
}
