//! What a person does about everything that needs attention: nothing needs it without a reason.

use crate::shops::{DEAR, NOT_DEAR};
use crate::world::World;
use crate::{Doing, StormError};
use domain::codes::Code;
use domain::money::{Currency, Money};
use ledger::online::{DeadLetter, DifferenceChoice, DropDeferredOrder, SendAgain, SettleDifference};
use ledger::orders::{DecideLine, LineChoice, OrderLineState, OrderView};
use ledger::shelf::{EditItem, PriceChange};
use sync::connections::LOST_THERE;

const MAX: usize = 1000;
const WHO: &str = "storm";
/// How a refund says that it waits for a person's decision.
const WAITS: &str = "is for items that are not sold yet";

impl World {
    /// Chooses our side for each difference.
    pub(crate) async fn tell_ours(&mut self) -> Result<(), StormError> {
        for kept in self.ledger().listing_differences(self.connection, MAX).await.doing("list differences")? {
            let (id, choice, who) = (kept.id, DifferenceChoice::TellOurs, WHO.to_owned());
            // A difference in a listing that the house does not send is left to whoever made that listing.
            self.try_to(&SettleDifference { id, choice, who }).await?;
        }
        Ok(())
    }

    /// Sees to parked messages: what the shop will never accept is changed; the rest is sent again.
    pub(crate) async fn look_at_parked(&mut self) -> Result<(), StormError> {
        for parked in self.ledger().parked(self.connection, MAX).await.doing("list what is parked")? {
            self.happened.parked += 1;
            let reason = parked.words.strip_prefix(&format!("{}: ", parked.sku));
            if reason.is_none_or(str::is_empty) {
                return Err(StormError::Wrong(vec![format!(
                    "it waits for a person and says not why: {parked:?}"
                )]));
            }
            if parked.words.contains(DEAR) {
                self.make_cheaper(&parked).await?;
            }
        }
        let again = SendAgain { connection: self.connection, code: None, who: WHO.to_owned() };
        self.try_to(&again).await.map(|_| ())
    }

    /// Decides about the goods for which the refunds of deferred orders wait.
    pub(crate) async fn choose_for_refunds(&mut self) -> Result<(), StormError> {
        let kept = self.ledger().deferred_orders(self.connection, MAX).await.doing("list deferred orders")?;
        let waits = |order: &OrderView| {
            kept.iter().any(|kept| kept.number == order.number && kept.words.contains(WAITS))
        };
        let orders = self.ledger().orders(None, true, MAX).await.doing("list short orders")?;
        for order in orders.iter().filter(|order| waits(order)) {
            for line in order.lines.iter().filter(|line| line.state == OrderLineState::Short) {
                let (reason, who) = ("as agreed by post".to_owned(), WHO.to_owned());
                let choice = LineChoice::Refund;
                self.try_to(&DecideLine { order: order.id, line: line.id, choice, reason, who }).await?;
            }
        }
        Ok(())
    }

    /// Ignores orders with two states of the same time that the shop lost when it was restored: nobody there
    /// can say which state is right, and what was booked stays.
    pub(crate) async fn drop_what_is_lost_there(&mut self) -> Result<(), StormError> {
        let kept = self.ledger().deferred_orders(self.connection, MAX).await.doing("list deferred orders")?;
        for lost in kept.iter().filter(|kept| kept.words.contains(LOST_THERE)) {
            let (id, who) = (lost.id, WHO.to_owned());
            self.try_to(&DropDeferredOrder { id, who }).await?;
        }
        Ok(())
    }

    async fn make_cheaper(&mut self, parked: &DeadLetter) -> Result<(), StormError> {
        let price = Money::from_minor(NOT_DEAR, Currency::USD).doing("make an amount")?;
        let code = Code::parse(&parked.sku).doing("read a code")?;
        let edit = EditItem { price: Some(PriceChange::Hand(price)), ..EditItem::new(code, WHO) };
        self.try_to(&edit).await.map(|_| ())
    }
}
