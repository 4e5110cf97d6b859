//! What can happen next in a world.

use crate::world::{Case, Packet, Sender, World};

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    /// A counter scans an item that it sees on the shelf and is paid for it.
    Scan(usize, usize),
    Sell(usize),
    Return(usize),
    Buy(usize),
    Claim(usize, usize),
    Read(usize),
    Send(usize),
    Arrive(usize),
    /// It arrives, and the online shop answers that it is unavailable.
    ArriveAway(usize),
    Lose(usize),
    Double(usize),
    /// The sender stops waiting for an answer.
    GiveUp(usize),
    Die(usize),
    LeaseOver(usize),
}

impl World {
    /// Everything that can happen next.
    pub(crate) fn steps(&self, case: &Case, steps: &mut Vec<Step>) {
        for counter in [0, 1] {
            match self.slips[counter] {
                Some(_) => steps.push(Step::Sell(counter)),
                None if self.left.sales[counter] > 0 => {
                    let seen = (0..self.items.len()).filter(|i| self.items[*i].can_be_had());
                    steps.extend(seen.map(|item| Step::Scan(counter, item)));
                }
                None => {}
            }
        }
        for (at, item) in self.items.iter().enumerate() {
            if self.left.returns > 0 && item.sold > item.back {
                steps.push(Step::Return(at));
            }
            if self.left.purchases > 0 && self.offers[at].count > 0 {
                steps.push(Step::Buy(at));
            }
            if let Some((claim, true)) = item.held
                && (self.left.stalls > 0 || self.sender_of(claim).is_none())
            {
                steps.push(Step::LeaseOver(at));
            }
        }
        self.sender_steps(steps);
        self.network_steps(case, steps);
    }

    fn sender_steps(&self, steps: &mut Vec<Step>) {
        for (sender, at) in self.senders.iter().zip(0..) {
            match sender {
                Sender::Idle => {
                    let due = |i: &usize| {
                        let item = &self.items[*i];
                        item.waits.is_some() && item.held.is_none_or(|(_, runs)| !runs)
                    };
                    steps.extend((0..self.items.len()).filter(due).map(|item| Step::Claim(at, item)));
                    continue;
                }
                Sender::Claimed { .. } => steps.push(Step::Read(at)),
                Sender::Read { .. } => steps.push(Step::Send(at)),
                Sender::Waits { claim, .. } => {
                    let under_way = self.network.iter().any(|p| p.is_of(*claim));
                    if !under_way || self.left.stalls > 0 {
                        steps.push(Step::GiveUp(at));
                    }
                }
            }
            if self.left.deaths > 0 {
                steps.push(Step::Die(at));
            }
        }
    }

    fn network_steps(&self, case: &Case, steps: &mut Vec<Step>) {
        for (at, packet) in self.network.iter().enumerate() {
            if at > 0 && self.network[at - 1] == *packet {
                continue;
            }
            steps.push(Step::Arrive(at));
            if self.left.away > 0 && matches!(packet, Packet::Message { .. }) {
                steps.push(Step::ArriveAway(at));
            }
            // An order stays in the shop's list until it has been fetched: it may be late, but is never lost.
            if self.left.lost > 0 && !matches!(packet, Packet::Order { .. }) {
                steps.push(Step::Lose(at));
            }
            if self.left.doubled > 0 && (case.late || matches!(packet, Packet::Order { .. })) {
                steps.push(Step::Double(at));
            }
        }
    }
}
