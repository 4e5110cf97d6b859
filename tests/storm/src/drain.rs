//! The senders' rounds, their crashes, and the calm after the storm.

use crate::broken::Broken;
use crate::plan::Poll;
use crate::shops::ShopKind;
use crate::world::{Sender, World};
use crate::{Doing, StormError, weather};
use axum::http::StatusCode;
use domain::day::Moment;
use ledger::online::ConnectionStatus;
use std::time::Duration;
use sync::connections::{HookAnswer, SyncCycle, When};

/// The longest time before a round's process crashes, in real microseconds.
const DEATH_WITHIN_US: u64 = 12_000;
/// How long a crashed process's requests may still be traveling over the loopback.
const SETTLES: Duration = Duration::from_millis(30);
/// A request takes effect within this much of the storm's time or not at all: the program waits this long for
/// an answer and relies on it (see the design on unknown outcomes).
const ACTED_ON_WITHIN_MS: i64 = 29_000;
const LOOK_EVERY: Duration = Duration::from_millis(5);
/// Rounds within which everything that waits must have been sent: the back-off reaches its longest pause within
/// 15 attempts, and each round jumps to the next thing that is due.
const MAX_ROUNDS: usize = 400;
/// How far the clock moves if nothing is due but the next poll.
const POLL_MS: i64 = 31_000;
/// More than a week: by then all looks back and comparisons are due.
const LOOKS_MS: i64 = 8 * 24 * 60 * 60 * 1000;
/// Longer than the `ETag` of a full first page is trusted: another page after it does not change it.
const BELIEVED_MS: i64 = 16 * 60 * 1000;
/// Polls since the shop came back that must have passed: the first may have started before.
const POLLS: u64 = 3;

/// How the till would answer a webhook.
pub(crate) fn hook_status(answer: &HookAnswer) -> StatusCode {
    match answer {
        HookAnswer::Taken | HookAnswer::Seen => StatusCode::NO_CONTENT,
        HookAnswer::Kept => StatusCode::ACCEPTED,
        HookAnswer::Unsigned(_) => StatusCode::UNAUTHORIZED,
        _ => StatusCode::SERVICE_UNAVAILABLE,
    }
}

async fn round(sender: &Sender, dice: u64) -> Result<When, StormError> {
    Box::pin(SyncCycle::run(&sender.ledger, &sender.live, dice)).await.doing("run a round")
}

impl World {
    /// A round of each sender, all at the same time; returns when the next thing is due.
    pub(crate) async fn rounds(&mut self) -> Result<Option<Moment>, StormError> {
        self.happened.rounds += 1;
        let dice = [self.dice.u64(..), self.dice.u64(..)];
        let due = |when: When| match when {
            When::At(at) => Some(at),
            When::OnChange => None,
        };
        match self.senders.as_slice() {
            [one, two] => {
                let (one, two) = tokio::join!(round(one, dice[0]), round(two, dice[1]));
                Ok(due(one?).into_iter().chain(due(two?)).min())
            }
            [one, ..] => round(one, dice[0]).await.map(due),
            [] => Ok(None),
        }
    }

    /// A round during which its process crashes: nothing of it goes on.
    pub(crate) async fn round_that_dies(&mut self) -> Result<(), StormError> {
        let within = Duration::from_micros(self.dice.u64(0..DEATH_WITHIN_US));
        let at = self.dice.choice(&[0, 1][..self.senders.len()]).copied().unwrap_or_default();
        let dice = self.dice.u64(..);
        let Some(sender) = self.senders.get(at).cloned() else { return Ok(()) };
        if let Ok(done) = tokio::time::timeout(within, round(&sender, dice)).await {
            return done.map(|_| ());
        }
        self.happened.deaths += 1;
        if self.plan.shop != ShopKind::Pretend {
            self.forget(at);
        }
        if self.plan.plain_shop {
            tokio::time::sleep(SETTLES).await;
        }
        Ok(())
    }

    /// Moves the clock. What the shop is slow to act on takes effect before it would be too late.
    pub(crate) async fn advance(&mut self, millis: i64) {
        let waits = self.plan.broken != Broken::StaleOverwrites;
        let is_slow = |world: &Self| world.shop.counts().still_to_act > 0;
        self.slack_ms = if is_slow(self) { self.slack_ms + millis } else { 0 };
        while waits && self.slack_ms > ACTED_ON_WITHIN_MS && is_slow(self) {
            tokio::time::sleep(LOOK_EVERY).await;
        }
        self.clock.advance_millis(millis);
    }

    /// The shop comes back, and everything that waits is sent.
    pub(crate) async fn drain(&mut self) -> Result<(), StormError> {
        self.plan.shifts_percent = 0;
        self.shop.set_faults(weather::calm(&self.plan));
        while !self.promised.is_empty() {
            self.finish().await?;
        }
        let mut asked_before = self.shop.counts().asked_for_orders;
        // If the shop's clock is set back and forward again, or the house's clock jumps as well, before anybody
        // notices, it leaves no trace: no program can know that changes in between are before its mark, and
        // only a look further back finds them. A list that does not use a clock hides nothing that way.
        let is_hidden = self.jumped_unseen && self.plan.shape.poll != Poll::Mark;
        let hidden_for = if self.plan.is_put_back || is_hidden { LOOKS_MS } else { BELIEVED_MS };
        let (mut looked_back, mut has_told_ours) = (false, false);
        for _ in 0..MAX_ROUNDS {
            self.shop.send_hooks().await;
            let due = self.rounds().await?;
            let status = self.status().await?;
            let polled = self.shop.counts().asked_for_orders >= asked_before + POLLS;
            // Finally a person lists what is in stock by then and waits to be listed.
            let is_over = is_drained(&status) && polled && self.shop.hooks_waiting() == 0;
            if is_over && (self.plan.shape.lists_new_pieces || self.put_on(None).await? == 0) {
                if looked_back && (has_told_ours || status.differences == 0) {
                    return Ok(());
                }
                // A person decides about differences that were not corrected automatically.
                if looked_back {
                    has_told_ours = true;
                    self.tell_ours().await?;
                    asked_before = self.shop.counts().asked_for_orders;
                    continue;
                }
                // Finally what is still hidden is found: behind a full page, by the first look without its
                // `ETag`; in a shop that was
                // restored, or behind a clock that nobody noticed, by the daily and weekly looks and a
                // comparison.
                looked_back = true;
                asked_before = self.shop.counts().asked_for_orders;
                self.advance(hidden_for).await;
                continue;
            }
            // A person sees to parked messages once nothing else is running.
            if status.parked > 0 && status.waiting <= status.parked {
                self.look_at_parked().await?;
            }
            if status.orders_deferred > 0 {
                self.choose_for_refunds().await?;
                if self.plan.is_put_back {
                    self.drop_what_is_lost_there().await?;
                }
            }
            let now = self.ledger().now();
            let next = now.plus_millis(POLL_MS);
            let next = due.filter(|due| *due > now).map_or(next, |due| due.min(next));
            self.advance(next.millis() - now.millis()).await;
        }
        let status = self.status().await?;
        let mut wrong = vec![format!("after {MAX_ROUNDS} rounds something waits still: {status:?}")];
        let kept = self.ledger().deferred_orders(self.connection, 5).await.doing("list deferred orders")?;
        wrong.extend(
            kept.into_iter().map(|kept| format!("order {}: {}; {}", kept.number, kept.words, kept.raw)),
        );
        Err(StormError::Wrong(wrong))
    }

    pub(crate) async fn status(&self) -> Result<ConnectionStatus, StormError> {
        let all = self.ledger().connection_statuses().await.doing("read the connection's status")?;
        let ours = all.into_iter().find(|status| status.id == self.connection);
        ours.ok_or("the connection is gone").doing("read the connection's status")
    }
}

fn is_drained(status: &ConnectionStatus) -> bool {
    status.waiting == 0 && status.parked == 0 && status.orders_deferred == 0
}
