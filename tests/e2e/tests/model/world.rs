//! A small world: one shelf, two counters, an outbox with two senders, a network that loses, duplicates and
//! reorders messages, and an online shop that sells the same items.
//!
//! The decisions are the program's own: what is available (`domain::stock`), what an answer means and which
//! revision is newer (`domain::delivery`). The rest states in a line each what a transaction of the ledger
//! does.

use crate::steps::Step;
use domain::delivery::{Reply, Saying, Verdict, newer, verdict};
use domain::stock::Availability;

/// What is in the world, and how often each thing may go wrong in it: the bounds keep it finite.
#[derive(Clone, Debug)]
pub(crate) struct Case {
    /// How many of each item there are at the start.
    pub(crate) items: Vec<i8>,
    /// Sales that each counter attempts.
    pub(crate) sales: [u8; 2],
    /// Goods that are returned to the shelf.
    pub(crate) returns: u8,
    /// Purchases at the online shop.
    pub(crate) purchases: u8,
    /// Messages, answers and orders that are lost, and that arrive twice.
    pub(crate) lost: u8,
    pub(crate) doubled: u8,
    /// Requests during which the online shop is unavailable.
    pub(crate) away: u8,
    /// Senders that crash, and those that stall until their lease is over.
    pub(crate) deaths: u8,
    pub(crate) stalls: u8,
    /// Whether the network still delivers after the sender has given up.
    pub(crate) late: bool,
    /// Whether the online shop checks revisions.
    pub(crate) looks: bool,
    pub(crate) fault: Option<Fault>,
}

/// Wrong variants, each of which must be caught.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    /// A counter sells what it saw, even if it has changed since.
    SellsWhatItSaw,
    /// An order is booked each time it arrives.
    TakesOrdersAgain,
    /// Anybody can settle a message, not only its holder.
    AnybodySettles,
    /// A sent message settles everything that waits, not only what it contained.
    SettlesAll,
    /// A sender sends without checking its lease.
    SendsAfterLease,
    /// Goods are returned, and no message is sent.
    TellsNoReturn,
    /// Messages are sent only for what is listed or available, not for what is being listed.
    ForgetsFirst,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Item {
    pub(crate) on_hand: i8,
    pub(crate) sold: i8,
    pub(crate) back: i8,
    pub(crate) revision: u8,
    /// Whether a message waits, and its latest revision.
    pub(crate) waits: Option<u8>,
    /// The revision that the listing was last sent.
    pub(crate) told: u8,
    /// Whether its message was claimed and is not settled yet: it may have been sent.
    pub(crate) tried: bool,
    /// The claim on its message, and whether the lease is still valid.
    pub(crate) held: Option<(u8, bool)>,
}

impl Item {
    pub(crate) fn can_be_had(&self) -> bool {
        Availability::of(self.on_hand.into(), 0, false) == Availability::InStock
    }

    /// A sale takes one, in one conditional statement.
    fn take(&mut self, case: &Case) -> bool {
        let can = self.can_be_had();
        if can {
            self.change(case, -1);
            self.sold += 1;
        }
        can
    }

    /// The outbox gets what was sent, may have been sent, or is available.
    fn change(&mut self, case: &Case, by: i8) {
        self.on_hand += by;
        self.revision += 1;
        let may_be_told = self.tried && case.fault != Some(Fault::ForgetsFirst);
        if self.told > 0 || may_be_told || self.can_be_had() {
            self.waits = Some(self.revision);
        }
    }
}

/// What the online shop has of an item.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Offer {
    pub(crate) count: i8,
    pub(crate) revision: u8,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(crate) enum Sender {
    Idle,
    /// Has claimed a message, and has not read the item yet.
    Claimed {
        claim: u8,
        item: usize,
    },
    Read {
        claim: u8,
        item: usize,
        revision: u8,
        count: i8,
    },
    Waits {
        claim: u8,
        item: usize,
        revision: u8,
    },
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(crate) enum Packet {
    Message { claim: u8, item: usize, revision: u8, count: i8 },
    Answer { claim: u8, item: usize, revision: u8, status: u16 },
    Order { number: u8, item: usize },
}

impl Packet {
    pub(crate) fn is_of(&self, of: u8) -> bool {
        match self {
            Self::Message { claim, .. } | Self::Answer { claim, .. } => *claim == of,
            Self::Order { .. } => false,
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct World {
    pub(crate) items: Vec<Item>,
    pub(crate) offers: Vec<Offer>,
    /// What each counter is about to sell.
    pub(crate) slips: [Option<usize>; 2],
    pub(crate) senders: [Sender; 2],
    /// Without order, like the network. Sorted, so that equal contents are equal states.
    pub(crate) network: Vec<Packet>,
    /// How often each order was booked, and how many are short.
    pub(crate) taken: Vec<u8>,
    pub(crate) short: u8,
    pub(crate) left: Left,
    /// What happened that must not happen, or must be possible.
    pub(crate) seen: Seen,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Left {
    pub(crate) sales: [u8; 2],
    pub(crate) returns: u8,
    pub(crate) purchases: u8,
    pub(crate) lost: u8,
    pub(crate) doubled: u8,
    pub(crate) away: u8,
    pub(crate) deaths: u8,
    pub(crate) stalls: u8,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Seen {
    /// The online shop replaced a later revision by an earlier one.
    pub(crate) overwritten: bool,
    pub(crate) stale: bool,
    /// A lease expired while its holder was alive, who then sent something.
    pub(crate) late_word: bool,
}

impl World {
    pub(crate) fn new(case: &Case) -> Self {
        let item = |count: &i8| Item {
            on_hand: *count,
            sold: 0,
            back: 0,
            revision: 1,
            waits: Some(1),
            told: 0,
            tried: false,
            held: None,
        };
        Self {
            items: case.items.iter().map(item).collect(),
            offers: case.items.iter().map(|_| Offer { count: 0, revision: 0 }).collect(),
            slips: [None, None],
            senders: [Sender::Idle, Sender::Idle],
            network: Vec::new(),
            taken: Vec::new(),
            short: 0,
            left: Left {
                sales: case.sales,
                returns: case.returns,
                purchases: case.purchases,
                lost: case.lost,
                doubled: case.doubled,
                away: case.away,
                deaths: case.deaths,
                stalls: case.stalls,
            },
            seen: Seen::default(),
        }
    }

    pub(crate) fn sender_of(&self, of: u8) -> Option<usize> {
        self.senders.iter().position(|sender| match sender {
            Sender::Idle => false,
            Sender::Claimed { claim, .. } | Sender::Read { claim, .. } | Sender::Waits { claim, .. } => {
                *claim == of
            }
        })
    }

    pub(crate) fn go(&mut self, case: &Case, step: &Step) {
        match *step {
            Step::Scan(counter, item) => {
                self.left.sales[counter] -= 1;
                self.slips[counter] = Some(item);
            }
            Step::Sell(counter) => self.sell(case, counter),
            Step::Return(item) => self.give_back(case, item),
            Step::Buy(item) => self.buy(item),
            Step::Claim(sender, item) => {
                let claim = self.new_claim();
                self.items[item].held = Some((claim, true));
                self.items[item].tried = true;
                self.senders[sender] = Sender::Claimed { claim, item };
            }
            Step::Read(sender) => self.read(sender),
            Step::Send(sender) => self.send(case, sender),
            Step::Arrive(at) => self.arrive(case, at, false),
            Step::ArriveAway(at) => {
                self.left.away -= 1;
                self.arrive(case, at, true);
            }
            Step::Lose(at) => {
                self.left.lost -= 1;
                self.network.remove(at);
            }
            Step::Double(at) => {
                self.left.doubled -= 1;
                self.network.insert(at, self.network[at].clone());
            }
            Step::GiveUp(sender) => self.give_up(case, sender),
            Step::Die(sender) => {
                self.left.deaths -= 1;
                self.forget(case, sender);
            }
            Step::LeaseOver(item) => self.lease_over(case, item),
        }
        // The senders are interchangeable.
        self.senders.sort();
        self.network.sort();
    }

    /// A number that nothing uses any more.
    fn new_claim(&self) -> u8 {
        let is_free = |claim: &u8| {
            self.sender_of(*claim).is_none()
                && !self.network.iter().any(|packet| packet.is_of(*claim))
                && !self.items.iter().any(|item| item.held.is_some_and(|(holder, _)| holder == *claim))
        };
        (1..=u8::MAX).find(is_free).unwrap_or(u8::MAX)
    }

    fn sell(&mut self, case: &Case, counter: usize) {
        let Some(item) = self.slips[counter].take() else { return };
        let item = &mut self.items[item];
        if case.fault == Some(Fault::SellsWhatItSaw) {
            item.change(case, -1);
            item.sold += 1;
        } else {
            item.take(case);
        }
    }

    fn give_back(&mut self, case: &Case, item: usize) {
        self.left.returns -= 1;
        let item = &mut self.items[item];
        let waits = item.waits;
        item.change(case, 1);
        item.back += 1;
        if case.fault == Some(Fault::TellsNoReturn) {
            item.waits = waits;
        }
    }

    fn buy(&mut self, item: usize) {
        self.left.purchases -= 1;
        self.offers[item].count -= 1;
        let number = u8::try_from(self.taken.len()).unwrap_or(u8::MAX);
        self.taken.push(0);
        self.network.push(Packet::Order { number, item });
    }

    /// The item as it is now, whatever it was when its message was claimed.
    fn read(&mut self, sender: usize) {
        let Sender::Claimed { claim, item } = self.senders[sender] else { return };
        let Item { revision, on_hand: count, .. } = self.items[item];
        self.senders[sender] = Sender::Read { claim, item, revision, count };
    }

    fn send(&mut self, case: &Case, sender: usize) {
        let Sender::Read { claim, item, revision, count } = self.senders[sender] else { return };
        let mine = self.items[item].held == Some((claim, true));
        if !mine && case.fault != Some(Fault::SendsAfterLease) {
            self.senders[sender] = Sender::Idle;
            return;
        }
        self.senders[sender] = Sender::Waits { claim, item, revision };
        self.network.push(Packet::Message { claim, item, revision, count });
    }

    fn arrive(&mut self, case: &Case, at: usize, away: bool) {
        match self.network.remove(at) {
            Packet::Message { claim, item, revision, count } => {
                let status = if away { 503 } else { self.told_online(case, item, revision, count) };
                self.network.push(Packet::Answer { claim, item, revision, status });
            }
            Packet::Answer { claim, item, revision, status } => {
                self.answered(case, claim, item, (revision, status));
            }
            Packet::Order { number, item } => self.take_order(case, number, item),
        }
    }

    /// The online shop accepts a message, or says that it has a later one.
    fn told_online(&mut self, case: &Case, item: usize, revision: u8, count: i8) -> u16 {
        let offer = &mut self.offers[item];
        let news = newer(revision.into(), offer.revision.into());
        if case.looks && !news {
            let same = revision == offer.revision;
            self.seen.stale |= !same;
            return if same { 200 } else { 412 };
        }
        self.seen.overwritten |= revision < offer.revision;
        *offer = Offer { count, revision };
        200
    }

    fn answered(&mut self, case: &Case, claim: u8, item: usize, (revision, status): (u8, u16)) {
        // Nobody waits for it any more: without a request nobody receives its answer.
        let Some(sender) = self.sender_of(claim) else { return };
        self.senders[sender] = Sender::Idle;
        let held = self.items[item].held;
        self.seen.late_word |= held.is_none_or(|(holder, runs)| holder != claim || !runs);
        let mine = held.is_some_and(|(holder, _)| holder == claim);
        if !mine && case.fault != Some(Fault::AnybodySettles) {
            return;
        }
        let item = &mut self.items[item];
        item.held = None;
        let reply = Reply::Status { code: status, retry_after: None };
        match verdict(reply, Saying::State) {
            Verdict::Delivered => {
                item.told = item.told.max(revision);
                item.tried = false;
                let all = case.fault == Some(Fault::SettlesAll);
                item.waits = item.waits.filter(|waits| *waits > item.told && !all);
            }
            // It is sent again: nothing is lost by that, and this world needs no person.
            Verdict::Stale | Verdict::Refused | Verdict::Later | Verdict::Quiet => {}
        }
    }

    /// An order is identified by its number; a line whose goods are gone is short.
    fn take_order(&mut self, case: &Case, number: u8, item: usize) {
        let taken = &mut self.taken[usize::from(number)];
        if *taken > 0 && case.fault != Some(Fault::TakesOrdersAgain) {
            return;
        }
        *taken += 1;
        if !self.items[item].take(case) {
            self.short += 1;
        }
    }

    fn give_up(&mut self, case: &Case, sender: usize) {
        let Sender::Waits { claim, item, .. } = self.senders[sender] else { return };
        if self.network.iter().any(|p| p.is_of(claim)) {
            self.left.stalls -= 1;
        }
        // It waits until the request is certainly over before anybody sends it again.
        self.forget(case, sender);
        let item = &mut self.items[item];
        if item.held.is_some_and(|(holder, _)| holder == claim) {
            item.held = None;
        }
    }

    /// The sender drops its request. On a network where requests end with their connection, that ends it.
    fn forget(&mut self, case: &Case, sender: usize) {
        if let Sender::Waits { claim, .. } = self.senders[sender]
            && !case.late
        {
            self.network.retain(|packet| !packet.is_of(claim));
        }
        self.senders[sender] = Sender::Idle;
    }

    /// A request is shorter than the lease: whoever waits for an answer has given up before.
    fn lease_over(&mut self, case: &Case, item: usize) {
        let Some((claim, _)) = self.items[item].held else { return };
        if let Some(sender) = self.sender_of(claim) {
            self.left.stalls -= 1;
            if matches!(self.senders[sender], Sender::Waits { .. }) && !case.late {
                self.network.retain(|p| !matches!(p, Packet::Message { claim: of, .. } if *of == claim));
            }
        }
        self.items[item].held = Some((claim, false));
    }
}
