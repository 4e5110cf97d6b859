//! Past orders from another system: they go into the books and leave stock alone. A few large
//! statements write them, because a shop's years come all at once.

use super::{
    ExistingOrder, OrderOutcome, OrderRow, body_hash, check_values, given_back, insert_orders, known, live,
};
use crate::sales::booking::{self, Draft, DraftLine};
use crate::sales::party::Party;
use crate::sales::ring_up::TenderIn;
use crate::shelf::lookup::{self, Found};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{OrdersReason, Rejection};
use domain::basket::{self, CashRounding, Line, LineKind, LineMoney, TenderKind};
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::{OrderId, SaleId};
use domain::order::{IncomingLine, IncomingOrder, OrderStatus, Standing};
use domain::quantity::{Measure, Quantity};
use domain::stock::ItemKind;
use domain::text;
use sqlx::Row;
use std::collections::{HashMap, HashSet};

/// A past order to be written.
struct New<'a> {
    at: usize,
    row: OrderRow<'a>,
    draft: Option<Draft>,
}

pub(super) async fn take(
    tx: &mut Tx,
    orders: &[IncomingOrder],
    who: &str,
) -> Result<Vec<OrderOutcome>, CommandError> {
    let known = known(tx, orders).await?;
    let items = items(tx, orders).await?;
    let mut seen: HashSet<(&Channel, &str)> = HashSet::new();
    let mut outcomes: Vec<Option<OrderOutcome>> = Vec::with_capacity(orders.len());
    let mut new = Vec::new();
    for (at, order) in orders.iter().enumerate() {
        let again = !seen.insert((&order.channel, order.number.as_str()));
        let before = known.get(&super::key(order));
        outcomes.push(match before {
            Some(before) => Some(taken_before(tx, order, before, who).await?),
            None if again => Some(OrderOutcome::Rejected(differs(order))),
            None => match prepare(tx, at, order, &items, who) {
                Ok(prepared) => {
                    new.push(prepared);
                    None
                }
                Err(CommandError::Rejected(rejection)) => Some(OrderOutcome::Rejected(*rejection)),
                Err(trouble) => return Err(trouble),
            },
        });
    }
    write(tx, orders, new, &mut outcomes, who).await?;
    Ok(outcomes.into_iter().flatten().collect())
}

fn differs(order: &IncomingOrder) -> Rejection {
    Rejection::OrderDiffers { channel: order.channel.to_string(), number: order.number.to_string() }
}

async fn taken_before(
    tx: &mut Tx,
    order: &IncomingOrder,
    before: &ExistingOrder,
    who: &str,
) -> Result<OrderOutcome, CommandError> {
    if !order.lines.is_empty() && body_hash(order)? != before.body_hash {
        return Ok(OrderOutcome::Rejected(differs(order)));
    }
    let refunds = given_back::book(tx, before, order, who).await?;
    Ok(OrderOutcome::Known { order: before.id, refunds })
}

/// An item of this shop in a past line.
struct Named {
    measure: Measure,
    /// Why it cannot have been sold in the past: a piece that is in stock, or that was sold here.
    refused: Option<Rejection>,
}

async fn items(tx: &mut Tx, orders: &[IncomingOrder]) -> Result<HashMap<Code, Named>, CommandError> {
    let codes: HashSet<&Code> =
        orders.iter().flat_map(|o| &o.lines).filter_map(|l| l.code.as_ref()).collect();
    let codes: Vec<Code> = codes.into_iter().cloned().collect();
    let currency = tx.shop().currency;
    let found = lookup::find_known(tx.db(), &codes, currency).await?;
    let mut named = HashMap::new();
    for (code, item) in found {
        let refused = if item.kind == ItemKind::Piece { why_not(tx, &item).await? } else { None };
        named.insert(code, Named { measure: item.measure, refused });
    }
    Ok(named)
}

async fn why_not(tx: &mut Tx, item: &Found) -> Result<Option<Rejection>, CommandError> {
    let row = sqlx::query("SELECT on_hand, sold - put_back AS out FROM item WHERE id = $1")
        .bind(item.id.raw())
        .fetch_one(tx.db())
        .await?;
    if row.try_get::<i64, _>("on_hand")? > 0 {
        let reason = OrdersReason::InStock { title: item.title.clone(), sku: item.sku.clone() };
        return Ok(Some(Rejection::invalid("sku", reason)));
    }
    if row.try_get::<i64, _>("out")? > 0 {
        return Ok(Some(lookup::explain(tx, item.id, 1).await?));
    }
    Ok(None)
}

fn prepare<'a>(
    tx: &Tx,
    at: usize,
    order: &'a IncomingOrder,
    items: &HashMap<Code, Named>,
    who: &str,
) -> Result<New<'a>, CommandError> {
    check_values(tx, order)?;
    if order.status == OrderStatus::Unknown {
        return Err(super::apply::unknown_status().into());
    }
    if order.lines.is_empty() {
        return Err(super::nothing_of_it(order).into());
    }
    if let Some(rejection) = order.lines.iter().find_map(|l| items.get(l.code.as_ref()?)?.refused.as_ref()) {
        return Err(rejection.clone().into());
    }
    let id = OrderId::from_raw(tx.next_id()?);
    let draft = match order.status.standing() {
        Standing::Sold => Some(draft(tx, id, order, items, who)?),
        Standing::Unpaid | Standing::Undone => None,
    };
    let sale = draft.as_ref().map(|d| d.id);
    let row = OrderRow { id, order, body_hash: body_hash(order)?, past: true, sale };
    Ok(New { at, row, draft })
}

fn draft(
    tx: &Tx,
    id: OrderId,
    order: &IncomingOrder,
    items: &HashMap<Code, Named>,
    who: &str,
) -> Result<Draft, CommandError> {
    let mut lines = order
        .lines
        .iter()
        .map(|l| draft_line(tx, l, l.code.as_ref().and_then(|c| items.get(c))))
        .collect::<Result<Vec<_>, _>>()?;
    let plain: Vec<Line> = lines
        .iter()
        .map(|l| Line { amount: l.money.amount, discount: l.money.discount, tax: l.money.tax })
        .collect();
    let settled = basket::settle_lines(&plain, order.discount).field("discount")?;
    for (line, money) in lines.iter_mut().zip(&settled) {
        line.money = *money;
    }
    let due = live::due(&settled, order.shipping)?;
    let kind = if order.channel == Channel::online() { TenderKind::Online } else { TenderKind::Other };
    let totals =
        basket::settle(&settled, order.shipping, &[(kind, due)], CashRounding::NONE).field("price")?;
    Ok(Draft {
        id: SaleId::from_raw(tx.next_id()?),
        receipt: None,
        channel: order.channel.clone(),
        at: order.ordered,
        order: Some(id),
        further: false,
        lines,
        totals,
        fee: order.fee,
        tenders: vec![TenderIn::plain(kind, due)],
        party: Party::default(),
        note: String::new(),
        who: who.to_owned(),
    })
}

/// A past line keeps code and name as text. An item of this shop was sold the way it is sold now,
/// counted or by weight. Of other items, anything that is not a whole number or has a unit was sold by
/// weight, in that unit or in the shop's own.
fn draft_line(tx: &Tx, line: &IncomingLine, named: Option<&Named>) -> Result<DraftLine, CommandError> {
    let is_whole = line.quantity.value.fract().is_zero();
    let measure = match (named.map(|item| item.measure), line.quantity.unit) {
        (Some(Measure::Units), _) if is_whole => Measure::Units,
        (_, Some(unit)) | (Some(Measure::Thousandths(unit)), None) => Measure::Thousandths(unit),
        (_, None) if is_whole => Measure::Units,
        (_, None) => Measure::Thousandths(tx.shop().unit),
    };
    let quantity = Quantity::resolve_ordered(line.quantity, measure).field("orderQuantity")?;
    let (price, amount) = live::money_of(line.price, quantity)?;
    let code = live::code_key(line.code.as_ref());
    // A code is not free text, so it is not searched for card numbers.
    let title = if line.name.is_empty() { code.clone() } else { text::name(&line.name).field("name")? };
    Ok(DraftLine {
        kind: LineKind::Goods,
        item: None,
        code,
        title,
        quantity,
        price,
        money: LineMoney { amount, discount: line.discount, tax: line.tax },
        cost: None,
        weighed: None,
        opens: None,
    })
}

async fn write(
    tx: &mut Tx,
    orders: &[IncomingOrder],
    new: Vec<New<'_>>,
    outcomes: &mut [Option<OrderOutcome>],
    who: &str,
) -> Result<(), CommandError> {
    if new.is_empty() {
        return Ok(());
    }
    let (mut rows, mut drafts, mut places) = (Vec::new(), Vec::new(), Vec::new());
    for New { at, row, draft } in new {
        places.push((at, row.id, row.sale, draft.as_ref().map_or(0, |d| d.lines.len())));
        rows.push(row);
        drafts.extend(draft);
    }
    insert_orders(tx, &rows).await?;
    tx.lock_shop_state(0).await?;
    booking::write(tx, &drafts).await?;
    for (row, (at, id, sale, filled)) in rows.iter().zip(places) {
        let order = &orders[at];
        let standing = order.status.standing();
        let before = ExistingOrder {
            id,
            ordered: order.ordered,
            body_hash: row.body_hash.clone(),
            standing,
            status: order.status,
            past: true,
            modified: order.modified,
            sale,
            is_settled_by_hand: false,
        };
        let refunds = given_back::book(tx, &before, order, who).await?;
        outcomes[at] = Some(OrderOutcome::Taken { order: id, sale, filled, held: 0, short: 0, refunds });
    }
    Ok(())
}
