//! Every interleaving of a small shop and its online shop, by the model checker stateright: everything is sold
//! once, each order is booked once, no outdated message overwrites a newer one, and both sides agree in the
//! end. Variants that are wrong on purpose must be caught.

mod steps;
mod world;

use stateright::{Checker, HasDiscoveries, Model, Property};
use std::collections::BTreeSet;
use steps::Step;
use world::{Case, Fault, Sender, World};

/// A case in which little goes wrong, as a basis for others.
const CALM: Case = Case {
    items: Vec::new(),
    sales: [0, 0],
    returns: 0,
    purchases: 0,
    lost: 0,
    doubled: 0,
    away: 0,
    deaths: 0,
    stalls: 0,
    late: false,
    looks: true,
    fault: None,
};

const SOLD_ONCE: &str = "what was sold was there";
const ORDER_ONCE: &str = "each order is taken once";
const NOT_STALE: &str = "nothing stale is told over what is newer";
const EQUAL: &str = "in the end both shops say the same, and nothing waits";
const FALLS_SHORT: &str = "an order falls short";
const FILLED: &str = "a piece is sold online";
const LATE_WORD: &str = "an answer comes after its lease";
const STALE: &str = "a stale message is refused";

impl Model for Case {
    type State = World;
    type Action = Step;

    fn init_states(&self) -> Vec<World> {
        vec![World::new(self)]
    }

    fn actions(&self, world: &World, steps: &mut Vec<Step>) {
        world.steps(self, steps);
    }

    fn next_state(&self, world: &World, step: Step) -> Option<World> {
        let mut next = world.clone();
        next.go(self, &step);
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        vec![
            Property::always(SOLD_ONCE, |case: &Case, world: &World| {
                world
                    .items
                    .iter()
                    .zip(&case.items)
                    .all(|(item, made)| item.on_hand >= 0 && made + item.back == item.on_hand + item.sold)
            }),
            Property::always(ORDER_ONCE, |_: &Case, world: &World| {
                world.taken.iter().all(|times| *times <= 1)
            }),
            Property::always(NOT_STALE, |_: &Case, world: &World| !world.seen.overwritten),
            Property::always(EQUAL, |case: &Case, world: &World| {
                let mut steps = Vec::new();
                world.steps(case, &mut steps);
                !steps.is_empty() || is_equal(world)
            }),
            Property::sometimes(FALLS_SHORT, |_: &Case, world: &World| world.short > 0),
            Property::sometimes(FILLED, |_: &Case, world: &World| {
                world.taken.iter().any(|times| *times > 0) && world.short == 0
            }),
            Property::sometimes(LATE_WORD, |_: &Case, world: &World| world.seen.late_word),
            Property::sometimes(STALE, |_: &Case, world: &World| world.seen.stale),
        ]
    }
}

/// Nothing is left to do, and customers of both shops see the same.
fn is_equal(world: &World) -> bool {
    let idle = world.senders.iter().all(|sender| *sender == Sender::Idle);
    let told = world.items.iter().zip(&world.offers).all(|(item, offer)| {
        // What was sold before the online shop ever listed it is never sent.
        let known = item.told == item.revision || (item.told == 0 && item.on_hand == 0);
        item.waits.is_none() && known && offer.count == item.on_hand
    });
    idle && told && world.network.is_empty()
}

/// The names of the discoveries, and the number of states explored.
fn explore(case: &Case, until: HasDiscoveries) -> (BTreeSet<&'static str>, usize) {
    let checked = case.clone().checker().finish_when(until).threads(2).spawn_bfs().join();
    for (name, path) in checked.discoveries() {
        if [SOLD_ONCE, ORDER_ONCE, NOT_STALE, EQUAL].contains(&name) {
            println!("{name}: broken by {:?}", path.into_actions());
        }
    }
    (checked.discoveries().into_keys().collect(), checked.unique_state_count())
}

/// Explores a case completely: nothing is violated, and exactly these events can occur.
fn holds(name: &str, case: &Case, happens: &[&'static str]) {
    let (found, states) = explore(case, HasDiscoveries::All);
    assert_eq!(found, happens.iter().copied().collect(), "{name}");
    println!("{name}: {states} states");
}

/// Explores until something is violated: exactly this.
fn breaks(case: Case, fault: Fault, expected: &'static str) {
    let case = Case { fault: Some(fault), ..case };
    let (found, states) = explore(&case, HasDiscoveries::AnyFailures);
    let broken: Vec<_> =
        found.into_iter().filter(|f| [SOLD_ONCE, ORDER_ONCE, NOT_STALE, EQUAL].contains(f)).collect();
    assert_eq!(broken, [expected], "{fault:?}");
    println!("{fault:?}: found in {states} states");
}

/// One piece that both counters want, and a customer online.
fn one_piece() -> Case {
    Case { items: vec![1], sales: [1, 1], returns: 1, purchases: 1, ..CALM }
}

#[test]
fn a_shop_that_looks_at_revisions_is_told_right_over_any_network() {
    let bad = Case { late: true, lost: 1, doubled: 1, stalls: 1, sales: [1, 0], ..one_piece() };
    holds("a piece, late and doubled", &bad, &[FALLS_SHORT, FILLED, LATE_WORD, STALE]);
}

#[test]
fn senders_that_die_and_a_shop_that_is_away_lose_nothing() {
    let bad = Case { late: true, deaths: 1, away: 1, lost: 1, ..one_piece() };
    holds("a piece, dead senders", &bad, &[FALLS_SHORT, FILLED, STALE]);
}

#[test]
fn a_shop_that_looks_at_nothing_is_told_right_while_requests_end_with_their_time() {
    let bad = Case { looks: false, lost: 1, stalls: 1, deaths: 1, ..one_piece() };
    holds("a piece, no revisions", &bad, &[FALLS_SHORT, FILLED, LATE_WORD]);
}

#[test]
fn counted_goods_and_two_items_end_the_same() {
    let counted =
        Case { items: vec![2], sales: [1, 0], purchases: 2, lost: 1, doubled: 1, late: true, ..CALM };
    holds("two of a kind", &counted, &[FALLS_SHORT, FILLED, STALE]);
    let two = Case { items: vec![1, 1], sales: [1, 0], purchases: 1, stalls: 1, late: true, ..CALM };
    holds("two pieces", &two, &[FALLS_SHORT, FILLED, LATE_WORD, STALE]);
}

/// If the other side ignores revisions, it believes messages that arrive late. This is why a request ends
/// before its lease, and why a shop should check revisions.
#[test]
fn a_shop_that_looks_at_nothing_believes_what_comes_late() {
    let bad = Case { looks: false, late: true, stalls: 1, sales: [1, 0], purchases: 0, ..one_piece() };
    let (found, _) = explore(&bad, HasDiscoveries::AnyFailures);
    assert!(found.contains(NOT_STALE) || found.contains(EQUAL), "{found:?}");
}

#[test]
fn what_is_built_wrong_is_found() {
    breaks(one_piece(), Fault::SellsWhatItSaw, SOLD_ONCE);
    breaks(Case { items: vec![2], doubled: 1, ..one_piece() }, Fault::TakesOrdersAgain, ORDER_ONCE);
    breaks(one_piece(), Fault::SettlesAll, EQUAL);
    breaks(one_piece(), Fault::TellsNoReturn, EQUAL);
    breaks(one_piece(), Fault::ForgetsFirst, EQUAL);
    let blind = Case { looks: false, stalls: 2, ..one_piece() };
    breaks(blind.clone(), Fault::SendsAfterLease, NOT_STALE);
    breaks(blind, Fault::AnybodySettles, NOT_STALE);
}
