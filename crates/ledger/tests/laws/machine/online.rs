//! The online shop of the state machine: messages are sent by whoever has claimed them, and are now and
//! then lost, refused or duplicated; in the end it must show for each item what the shelf has.

use crate::harness::{DAY_MS, Shop};
use crate::make::*;
use domain::channel::Channel;
use domain::delivery::newer;
use domain::ids::{ConnectionId, ItemId};
use domain::stock::{Availability, ListingState};
use ledger::online::{
    ClaimMessages, Claimed, FillConnection, ListingRow, NewPieces, SaveConnection, SendAgain, SettleMessages,
    Settled, SettledAs,
};
use std::collections::BTreeMap;

/// The most messages in one step.
const AT_ONCE: usize = 4;

pub(super) struct Online {
    connection: ConnectionId,
    /// What it knows of each item: the revision, and whether it is available.
    known: BTreeMap<ItemId, (i64, Availability)>,
    /// What is under way, and under which number.
    sent: (i64, Vec<ListingRow>),
}

impl Online {
    pub(super) async fn connect(shop: &Shop) -> Self {
        let save = SaveConnection {
            name: "village".to_owned(),
            channel: Channel::online(),
            text: String::new(),
            new_pieces: NewPieces::List,
            takes_orders: true,
            who: "owner".to_owned(),
        };
        let connection = shop.ok(save).await;
        while shop.ok(FillConnection { connection }).await {}
        Self { connection, known: BTreeMap::new(), sent: (0, Vec::new()) }
    }

    /// Settles the messages that were sent the last time, and sends a few more: whatever happens at the
    /// shop in between happens while they are under way.
    pub(super) async fn tell(&mut self, shop: &Shop, luck: usize) {
        self.settle(shop, luck).await;
        let holder = shop.ledger.new_holder().unwrap();
        let claim = ClaimMessages { connection: self.connection, holder, limit: AT_ONCE, after: None };
        let claimed = shop.ok(claim).await;
        self.sent = (holder, self.rows(shop, &claimed).await);
    }

    async fn settle(&mut self, shop: &Shop, luck: usize) {
        let (holder, rows) = std::mem::take(&mut self.sent);
        let mut settled = Vec::new();
        for (at, row) in rows.iter().enumerate() {
            let became = match (luck + at) % 7 {
                // Accepted, but its answer was lost: the sender may have crashed.
                0 => {
                    self.take(row);
                    continue;
                }
                1 => SettledAs::Later { until: shop.ledger.now(), words: "500".to_owned() },
                2 => SettledAs::Parked { words: "422".to_owned() },
                3 => SettledAs::Left,
                _ => self.take(row),
            };
            settled.push(Settled { item: row.item, revision: row.revision, became });
        }
        let settle = SettleMessages { connection: self.connection, holder, settled };
        shop.ok(settle).await;
    }

    async fn rows(&self, shop: &Shop, claimed: &[Claimed]) -> Vec<ListingRow> {
        let items: Vec<ItemId> = claimed.iter().map(|c| c.item).collect();
        let rows = shop.ledger.listings_of(self.connection, &items).await.unwrap();
        rows.into_iter().map(|(row, _)| row).collect()
    }

    /// As the other shop accepts it: what is older than what it knows changes nothing there.
    fn take(&mut self, row: &ListingRow) -> SettledAs {
        let known = self.known.entry(row.item).or_insert((0, Availability::SoldOut));
        if newer(row.revision, known.0) {
            *known = (row.revision, row.availability);
        }
        let on_offer = row.availability == Availability::InStock;
        let state = if on_offer { ListingState::Listed } else { ListingState::Ended };
        SettledAs::Told { hash: "ab".repeat(32), state, other_id: None, etag: None }
    }

    /// Once nothing fails any more, both shops show the same for each item.
    pub(super) async fn agrees(mut self, shop: &Shop) {
        shop.clock.advance_millis(DAY_MS);
        let again = SendAgain { connection: self.connection, code: None, who: String::new() };
        shop.ok(again).await;
        loop {
            let holder = shop.ledger.new_holder().unwrap();
            let claim = ClaimMessages { connection: self.connection, holder, limit: AT_ONCE, after: None };
            let claimed = shop.ok(claim).await;
            if claimed.is_empty() {
                break;
            }
            let rows = self.rows(shop, &claimed).await;
            let mut settled = Vec::new();
            for row in &rows {
                let became = self.take(row);
                settled.push(Settled { item: row.item, revision: row.revision, became });
            }
            let settle = SettleMessages { connection: self.connection, holder, settled };
            assert_eq!(shop.ok(settle).await, claimed.len());
        }
        for number in 0.. {
            let Ok(item) = shop.ledger.item(&code(&format!("item-{number}"))).await else { break };
            let here =
                Availability::of(item.on_hand.stock_units(), item.held.stock_units(), item.do_not_list);
            match self.known.get(&item.id) {
                Some(known) => {
                    assert_eq!(*known, (item.revision, here), "on {:?}: {}", shop.engine, item.sku);
                }
                None => assert_ne!(here, Availability::InStock, "on {:?}: {}", shop.engine, item.sku),
            }
        }
    }
}
