//! What must hold after a storm.

use crate::shops::{Order, OrderLine, ShopKind, Shown};
use crate::world::{Good, World};
use crate::{Doing, StormError};
use domain::codes::Code;
use domain::stock::ReturnDisposition;
use ledger::orders::{OrderDetail, OrderLineState, WaitingLine};
use ledger::sales::SaleView;
use pretend::OrderState;
use rust_decimal::{Decimal, RoundingStrategy};
use std::collections::{BTreeMap, BTreeSet};

/// More than happens in a storm.
const ALL: usize = 10_000;

/// Grams of an avoirdupois ounce (NIST Handbook 44, appendix C).
const GRAMS: Decimal = Decimal::from_parts(2_579_719_349, 6, 0, false, 9);

/// What the books have of an order: the order itself, and its sales.
type Booked = (OrderDetail, Vec<SaleView>);

impl World {
    /// Everything that is wrong.
    pub(crate) async fn verdict(&mut self) -> Result<Vec<String>, StormError> {
        let sales = self.ledger().sales(None, ALL).await.doing("list sales")?;
        let mut wrong = self.unequal().await?;
        wrong.extend(self.sold_twice(&sales));
        wrong.extend(self.wrong_orders(&sales).await?);
        let report = self.ledger().check(|_| ()).await.doing("check the shop")?;
        wrong.extend(report.findings.iter().map(|finding| format!("check: {finding:?}")));
        Ok(wrong)
    }

    /// Items of which the shop shows another amount than is free.
    async fn unequal(&self) -> Result<Vec<String>, StormError> {
        let mut wrong = Vec::new();
        for good in &self.goods {
            let code = Code::parse(&good.sku).doing("read a code")?;
            let item = self.ledger().item(&code).await.doing("look an item up")?;
            let free = if item.do_not_list { Decimal::ZERO } else { item.free().value() };
            let free = self.as_told(good, free);
            let shown: Vec<Shown> = self.shop.good(&good.sku);
            let there: Decimal = shown.iter().map(|shown| shown.have).sum();
            // An item of the shop's own that was gone here before there was anything to send: what a canceled
            // order puts back there is only compared, since the house does not send that listing.
            let is_theirs = shown.iter().any(|shown| shown.is_own) && free <= Decimal::ZERO;
            if free.max(Decimal::ZERO) != there && !is_theirs {
                wrong.push(format!(
                    "{}: {free} on the shelf at revision {}, {there} at the shop: {shown:?}",
                    good.sku, item.revision
                ));
            }
            if shown.len() > 1 {
                wrong.push(format!("{}: listed {} times", good.sku, shown.len()));
            }
        }
        let ours: BTreeSet<&str> = self.goods.iter().map(|good| good.sku.as_str()).collect();
        let strange = self.shop.goods().into_iter().filter(|good| !ours.contains(good.sku.as_str()));
        wrong.extend(strange.map(|good| format!("{}: the shop lists what the house never made", good.sku)));
        Ok(wrong)
    }

    /// An amount as the shop counts it: in grams, or in whole ounces, rounded down.
    fn as_told(&self, good: &Good, free: Decimal) -> Decimal {
        match self.plan.shop {
            ShopKind::Lots if good.is_weighed => (free * GRAMS).trunc(),
            ShopKind::Plates if good.is_weighed => free.trunc(),
            _ => free,
        }
    }

    /// An order with quantities as the house counts them.
    fn as_ours(&self, order: Order) -> Order {
        let is_weighed = |sku: &str| self.goods.iter().any(|good| good.sku == sku && good.is_weighed);
        let line = |line: OrderLine| match self.plan.shop {
            ShopKind::Lots if is_weighed(&line.code) => {
                let thousandths =
                    |exact: Decimal| exact.round_dp_with_strategy(3, RoundingStrategy::MidpointAwayFromZero);
                OrderLine { count: thousandths(line.count / GRAMS), ..line }
            }
            _ => line,
        };
        Order { lines: order.lines.into_iter().map(line).collect(), ..order }
    }

    /// Pieces in more than one sale without a return in between.
    fn sold_twice(&self, sales: &[SaleView]) -> Vec<String> {
        let mut sold: BTreeMap<&str, usize> = BTreeMap::new();
        for sale in sales.iter().filter(|sale| !sale.voided) {
            let back: BTreeSet<_> = sale
                .refunds
                .iter()
                .flat_map(|refund| &refund.lines)
                .filter(|(_, _, fate)| *fate == ReturnDisposition::Shelf)
                .map(|(_, line, _)| *line)
                .collect();
            for line in sale.lines.iter().filter(|line| !back.contains(&line.line.id)) {
                *sold.entry(line.line.code.as_str()).or_default() += 1;
            }
        }
        let pieces = self.goods.iter().filter(|good| good.is_piece);
        let twice = pieces.filter_map(|good| sold.get(good.sku.as_str()).map(|times| (good, *times)));
        twice
            .filter(|(_, times)| *times > 1)
            .map(|(good, times)| format!("{}: a piece sold {times} times", good.sku))
            .collect()
    }

    /// Orders that are not in the books exactly once, as the shop has them.
    async fn wrong_orders(&mut self, sales: &[SaleView]) -> Result<Vec<String>, StormError> {
        let mut wrong = Vec::new();
        let mut booked: BTreeMap<String, Booked> = BTreeMap::new();
        for order in self.ledger().orders(None, false, ALL).await.doing("list orders")? {
            let detail = self.ledger().order(order.id).await.doing("read an order")?;
            let was_short = |l: &&WaitingLine| l.chosen.is_some() || l.line.state == OrderLineState::Short;
            self.happened.short += detail.lines.iter().filter(was_short).map(|_| 1).sum::<u64>();
            let is_of = |sale: &&SaleView| sale.order.as_deref() == Some(order.number.as_str());
            let sales = sales.iter().filter(is_of).cloned().collect();
            if booked.insert(order.number.clone(), (detail, sales)).is_some() {
                wrong.push(format!("order {} is in the books twice", order.number));
            }
        }
        for order in self.shop.orders() {
            match booked.remove(&order.number) {
                // The books have its later state, which the shop has forgotten.
                Some(_) if self.forgotten.contains(&order.number) => {}
                None => wrong.push(format!("order {} is not in the books", order.number)),
                Some(booked) => wrong.extend(wrong_order(&self.as_ours(order), &booked)),
            }
        }
        let unknown = booked.into_keys().filter(|number| !self.forgotten.contains(number));
        wrong.extend(
            unknown.map(|number| format!("order {number} is in the books, and the shop has none such")),
        );
        Ok(wrong)
    }
}

/// What is wrong with one order in the books.
fn wrong_order(order: &Order, (detail, sales): &Booked) -> Vec<String> {
    let mut wrong = Vec::new();
    let number = &order.number;
    let status = detail.order.status.code();
    if status != format!("{:?}", order.state) {
        wrong.push(format!("order {number} is {:?} at the shop and {status} in the books", order.state));
    }
    let codes: BTreeSet<&str> = order
        .lines
        .iter()
        .map(|line| line.code.as_str())
        .chain(detail.lines.iter().map(|line| line.line.code.as_str()))
        .collect();
    for code in codes {
        wrong.extend(wrong_line(order, detail, code));
        wrong.extend(wrong_refund(order, detail, sales, code));
    }
    let standing = sales.iter().filter(|sale| !sale.voided);
    let left = standing
        .flat_map(|sale| &sale.lines)
        .any(|line| line.given_back.stock_units() < line.line.quantity.stock_units());
    if order.state != OrderState::OrderProcessing && left {
        wrong.push(format!("order {number} is {:?}, and something of it is still sold", order.state));
    }
    wrong
}

/// Everything that was ordered must be filled, on hold, short, or decided by a person.
fn wrong_line(order: &Order, detail: &OrderDetail, code: &str) -> Option<String> {
    let ordered: Decimal =
        order.lines.iter().filter(|l| l.code == code && l.back.is_none()).map(|l| l.count).sum();
    let ours = detail.lines.iter().filter(|line| line.line.code == code);
    // A substitute is a line of its own that nobody ordered.
    let mut stands = -sold_instead(detail, code);
    let mut settled = Decimal::ZERO;
    for line in ours {
        let quantity = line.line.quantity.value();
        match line.line.state {
            _ if line.chosen.is_some() => settled += quantity,
            OrderLineState::Undone => {}
            _ => stands += quantity,
        }
    }
    let given_back = order.lines.iter().any(|line| line.code == code && line.back.is_some());
    let right = match (order.state, given_back) {
        (OrderState::OrderCancelled, _) => true,
        // A short line that the shop refunded is settled.
        (_, true) => stands <= ordered,
        (_, false) => stands <= ordered && ordered <= stands + settled,
    };
    (!right).then(|| {
        let number = &order.number;
        format!(
            "order {number}: {ordered} of {code} at the shop, {stands} and {settled} decided in the books"
        )
    })
}

/// How much of a code was sold as a substitute for short lines. If the shop canceled such a line later, the
/// substitute is back on the shelf and does not count.
fn sold_instead(detail: &OrderDetail, code: &str) -> Decimal {
    let sold = |line: &WaitingLine| Some(line.chosen.as_ref()?.sold.as_ref()?.line);
    let sold: BTreeSet<_> = detail.lines.iter().filter_map(sold).collect();
    let lines = detail.lines.iter().map(|line| &line.line).filter(|line| line.code == code);
    let stands = lines.filter(|line| sold.contains(&line.id) && line.state != OrderLineState::Undone);
    stands.map(|line| line.quantity.value()).sum()
}

/// Everything that the shop refunded must be refunded in the books, unless the line was never sold. A canceled
/// line is refunded in the books too, and a substitute may be.
fn wrong_refund(order: &Order, detail: &OrderDetail, sales: &[SaleView], code: &str) -> Option<String> {
    if order.state != OrderState::OrderProcessing {
        return None;
    }
    let told: Decimal =
        order.lines.iter().filter(|l| l.code == code && l.back.is_some()).map(|l| -l.count).sum();
    let of_it = || detail.lines.iter().filter(|line| line.line.code == code && line.chosen.is_none());
    let was_filled = of_it().any(|line| line.line.state == OrderLineState::Filled);
    let undone = of_it().filter(|line| line.line.state == OrderLineState::Undone);
    let off: Decimal = undone.map(|line| line.line.quantity.value()).sum();
    let most = told + off + sold_instead(detail, code);
    let lines = sales.iter().filter(|sale| !sale.voided).flat_map(|sale| &sale.lines);
    let booked: Decimal =
        lines.filter(|line| line.line.code == code).map(|line| line.given_back.value()).sum();
    let right = booked <= most && (told <= booked || !was_filled);
    (!right).then(|| {
        let number = &order.number;
        format!("order {number}: {told} of {code} given back at the shop, {booked} in the books")
    })
}
