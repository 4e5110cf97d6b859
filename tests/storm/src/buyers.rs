//! Customers of the online shop: they buy what it shows as available, and change their minds.

use crate::shops::{Order, ShopKind};
use crate::world::World;
use pretend::OrderState;
use rust_decimal::Decimal;

/// Grams.
const PORTION: Decimal = Decimal::from_parts(25, 0, 0, false, 0);

impl World {
    pub(crate) fn buyer(&mut self) {
        match self.dice.u8(0..12) {
            0..=6 => self.buy(),
            7 => self.pay(),
            8 => self.cancel(),
            9 => self.cancel_line(),
            10 => self.refund(),
            _ => self.buy_before_it_is_made(),
        }
    }

    fn buy(&mut self) {
        let mut on_sale: Vec<_> =
            self.shop.goods().into_iter().filter(|good| good.have >= Decimal::ONE).collect();
        self.dice.shuffle(&mut on_sale);
        let wanted: Vec<(String, Decimal)> = on_sale
            .iter()
            .take(self.dice.usize(1..=2))
            .map(|good| {
                let two = good.have >= Decimal::TWO && self.dice.u8(0..3) == 0;
                let count = if two { Decimal::TWO } else { Decimal::ONE };
                (good.sku.clone(), (count * self.portion(&good.sku)).min(good.have))
            })
            .collect();
        let is_paid = self.dice.u8(0..4) > 0;
        // An empty shop sells nothing.
        if self.shop.buy(&wanted, "Bea", is_paid) {
            self.happened.bought += 1;
        }
    }

    /// The least that somebody buys: a shop that weighs in grams does not sell a single gram.
    fn portion(&self, sku: &str) -> Decimal {
        let is_weighed = || self.goods.iter().any(|good| good.sku == sku && good.is_weighed);
        let is_in_grams = self.plan.shop == ShopKind::Lots && is_weighed();
        if is_in_grams { PORTION } else { Decimal::ONE }
    }

    /// The shop sells something that the house makes and lists only later.
    fn buy_before_it_is_made(&mut self) {
        if self.promised.len() >= 2 {
            return;
        }
        let sku = format!("P{}-{}", self.promised.len(), self.happened.bought);
        self.shop.put_own(&sku, "Made to order", Decimal::from(30), Decimal::ONE);
        if self.shop.buy(&[(sku.clone(), Decimal::ONE)], "Cy", true) {
            self.happened.bought += 1;
            self.promised.push(sku);
        }
    }

    fn an_order(&mut self, fits: impl Fn(&Order) -> bool) -> Option<Order> {
        // Of what the shop forgot, nobody there can change an order sensibly.
        let known = |order: &Order| !self.forgotten.contains(&order.number);
        let orders: Vec<Order> =
            self.shop.orders().into_iter().filter(|order| known(order) && fits(order)).collect();
        self.dice.choice(&orders).cloned()
    }

    fn pay(&mut self) {
        if let Some(order) = self.an_order(|order| order.state == OrderState::OrderPaymentDue) {
            self.shop.pay(&order.number);
        }
    }

    fn cancel(&mut self) {
        if let Some(order) = self.an_order(|order| order.state != OrderState::OrderCancelled) {
            self.shop.cancel(&order.number);
        }
    }

    fn cancel_line(&mut self) {
        let many = |order: &Order| order.lines.iter().filter(|line| line.back.is_none()).count() > 1;
        if let Some(order) = self.an_order(many) {
            // A line that was refunded before is refused, which is fine.
            self.shop.cancel_line(&order.number, &order.lines[0].code);
        }
    }

    /// Refunds a whole line; if part of a line is short in the house, that part does not exist at the shop.
    fn refund(&mut self) {
        let paid = |order: &Order| order.state == OrderState::OrderProcessing;
        if let Some(order) = self.an_order(paid)
            && let Some(line) = order.lines.first()
        {
            // If it was refunded before, this is refused.
            self.shop.refund(&order.number, line);
        }
    }
}
