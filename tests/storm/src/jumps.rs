//! Time and memory that go wrong: clocks that jump, and a shop that is restored from a backup.

use crate::plan::CLOCK_OFF_HOURS;
use crate::shops::Order;
use crate::world::World;
use crate::{Doing, StormError, weather};
use ledger::online::PullOf;
use std::collections::BTreeMap;
use std::sync::atomic::Ordering;

const HOUR_MS: i64 = 3_600_000;
/// How far the house's clock jumps, in hours either way. Together with the shop's own error it stays below a
/// day, beyond which an order is rejected as from the future.
const JUMP_HOURS: i64 = 7;

impl World {
    /// The house's clock jumps, or the shop's is set; both go on from there.
    pub(crate) async fn clocks_jump(&mut self) -> Result<(), StormError> {
        self.happened.jumps += 1;
        let place = self.ledger().pull_place(self.connection, PullOf::Orders).await;
        let place = place.doing("read how far the list of orders was walked")?;
        // With each page both clocks are stored.
        self.jumped_unseen |= place.is_some() && place == self.place_at_jump;
        self.place_at_jump = place;
        if self.dice.bool() {
            self.plan.clock_off_ms = self.dice.i64(-CLOCK_OFF_HOURS..=CLOCK_OFF_HOURS) * HOUR_MS;
            self.shop.set_faults(weather::calm(&self.plan));
            return Ok(());
        }
        let ahead = self.dice.i64(-JUMP_HOURS..=JUMP_HOURS) * HOUR_MS;
        let before = self.ahead_ms.swap(ahead, Ordering::SeqCst);
        self.clock.advance_millis(ahead - before);
        Ok(())
    }

    /// The shop makes a backup, or restores the one it has.
    pub(crate) fn put_back(&mut self) {
        let Some(backup) = self.backup.take() else {
            self.backup = Some(self.shop.back_up());
            return;
        };
        self.happened.put_back += 1;
        let changes = |orders: &[Order]| -> BTreeMap<String, u64> {
            orders.iter().map(|order| (order.number.clone(), order.change)).collect()
        };
        let then = changes(&backup.orders());
        let now = changes(&self.shop.orders());
        self.forgotten.extend(
            now.into_iter().filter(|(order, at)| then.get(order) != Some(at)).map(|(order, _)| order),
        );
        self.shop.put_back(backup);
    }
}
