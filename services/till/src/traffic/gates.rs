//! How many requests are worked on at once: strangers, people and programs have separate gates, so that
//! strangers never keep the shop's own out. A request takes its turn once its body was read, so slow senders
//! hold none.

use crate::problem::{Kind, Problem};
use crate::traffic::limits::CallerKind;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};

/// Signing in, styles and scripts of pages, webhooks: few at a time on a farm.
pub(crate) const NOBODY_AT_ONCE: usize = 64;
/// Far above the number of people on a farm.
pub(crate) const PEOPLE_AT_ONCE: usize = 128;
/// Counters and programs; the database handles one after the other.
pub(crate) const PROGRAMS_AT_ONCE: usize = 256;
/// Bytes of strangers' bodies in memory: sixteen of the largest webhooks.
const NOBODY_BYTES: usize = 16 << 20;
/// Two forms full of photographs, and a list.
const PEOPLE_BYTES: usize = 160 << 20;
/// Sixty-four of the largest bodies.
const PROGRAM_BYTES: usize = 128 << 20;

#[derive(Debug)]
pub(crate) struct Gates {
    nobody: Gate,
    people: Gate,
    programs: Gate,
}

/// Turns, and room for bodies.
#[derive(Clone, Debug)]
pub(crate) struct Gate {
    turns: Arc<Semaphore>,
    bytes: Arc<Semaphore>,
    most: usize,
}

impl Gate {
    fn new(most: usize, bytes: usize) -> Self {
        Self { turns: Arc::new(Semaphore::new(most)), bytes: Arc::new(Semaphore::new(bytes)), most }
    }

    #[cfg(test)]
    pub(crate) async fn close(&self) -> OwnedSemaphorePermit {
        let most = u32::try_from(self.most).expect("a small number");
        self.turns.clone().acquire_many_owned(most).await.expect("never closed")
    }

    #[cfg(test)]
    pub(crate) fn free(&self) -> usize {
        self.turns.available_permits()
    }
}

impl Gates {
    pub(crate) fn new() -> Self {
        Self {
            nobody: Gate::new(NOBODY_AT_ONCE, NOBODY_BYTES),
            people: Gate::new(PEOPLE_AT_ONCE, PEOPLE_BYTES),
            programs: Gate::new(PROGRAMS_AT_ONCE, PROGRAM_BYTES),
        }
    }

    pub(crate) fn of(&self, kind: CallerKind) -> &Gate {
        match kind {
            CallerKind::Nobody => &self.nobody,
            CallerKind::Person => &self.people,
            CallerKind::Program => &self.programs,
        }
    }
}

/// Why a body was not read to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum BodyTrouble {
    #[error("the body came too slowly")]
    TooSlow,
    /// There was no turn for the request, or no room for its body.
    #[error("there was no room for the request")]
    Busy,
}

/// A request's way through its gate.
#[derive(Debug)]
pub(crate) struct Ticket {
    gate: Option<Gate>,
    patience: Duration,
    held: Mutex<Held>,
    entered: Notify,
}

#[derive(Debug, Default)]
struct Held {
    turn: Option<OwnedSemaphorePermit>,
    room: Option<OwnedSemaphorePermit>,
    has_entered: bool,
    trouble: Option<BodyTrouble>,
}

impl Ticket {
    /// For a gate, with how long to wait for it.
    pub(crate) fn new(gate: &Gate, patience: Duration) -> Arc<Self> {
        Self::of(Some(gate.clone()), patience)
    }

    /// For what is always let in.
    pub(crate) fn free() -> Arc<Self> {
        Self::of(None, Duration::ZERO)
    }

    fn of(gate: Option<Gate>, patience: Duration) -> Arc<Self> {
        Arc::new(Self { gate, patience, held: Mutex::default(), entered: Notify::new() })
    }

    fn held(&self) -> std::sync::MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes the request's turn, waiting a little for it; once is enough.
    pub(crate) async fn enter(self: Arc<Self>) -> Result<(), BodyTrouble> {
        if self.has_entered() {
            return Ok(());
        }
        let turn = match &self.gate {
            None => None,
            Some(gate) => {
                let turn = tokio::time::timeout(self.patience, gate.turns.clone().acquire_owned()).await;
                // An error would mean that the gate was closed, which never happens.
                Some(turn.ok().and_then(Result::ok).ok_or_else(|| self.fail(BodyTrouble::Busy))?)
            }
        };
        let mut held = self.held();
        held.turn = turn;
        held.has_entered = true;
        drop(held);
        self.entered.notify_one();
        Ok(())
    }

    /// Reserves room for more of the body.
    pub(crate) fn make_room(&self, bytes: usize) -> Result<(), BodyTrouble> {
        let Some(gate) = &self.gate else { return Ok(()) };
        let bytes = u32::try_from(bytes).map_err(|_| self.fail(BodyTrouble::Busy))?;
        let room = gate.bytes.clone().try_acquire_many_owned(bytes);
        let room = room.map_err(|_| self.fail(BodyTrouble::Busy))?;
        let mut held = self.held();
        match &mut held.room {
            Some(held) => held.merge(room),
            none => *none = Some(room),
        }
        Ok(())
    }

    /// Remembers why the body was not read.
    pub(crate) fn fail(&self, trouble: BodyTrouble) -> BodyTrouble {
        self.held().trouble = Some(trouble);
        trouble
    }

    pub(crate) fn has_entered(&self) -> bool {
        self.held().has_entered
    }

    /// Waits until the request had its turn.
    pub(crate) async fn entered(&self) {
        if !self.has_entered() {
            self.entered.notified().await;
        }
    }

    /// The answer in place of the handler's, if the body was not there.
    pub(crate) fn trouble(&self) -> Option<Problem> {
        let trouble = self.held().trouble?;
        let most = self.gate.as_ref().map_or(0, |gate| gate.most);
        Some(match trouble {
            BodyTrouble::Busy => {
                let words = format!("the server is handling {most} requests; try again in a moment");
                Problem::new(Kind::Busy, words)
            }
            BodyTrouble::TooSlow => {
                let words = "the request arrived too slowly, and nothing was saved. Send it again over a better connection";
                Problem::new(Kind::TooSlow, words)
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHORT: Duration = Duration::from_millis(20);

    #[tokio::test]
    async fn gates_are_apart() {
        let gates = Gates::new();
        let all = gates.of(CallerKind::Nobody).close().await;
        let check = |kind: CallerKind, expected: Result<(), BodyTrouble>| {
            let ticket = Ticket::new(gates.of(kind), SHORT);
            async move { assert_eq!(ticket.enter().await, expected, "{kind:?}") }
        };
        check(CallerKind::Nobody, Err(BodyTrouble::Busy)).await;
        check(CallerKind::Person, Ok(())).await;
        check(CallerKind::Program, Ok(())).await;
        drop(all);
        check(CallerKind::Nobody, Ok(())).await;
    }

    #[tokio::test]
    async fn a_turn_is_waited_for_and_given_back() {
        let gates = Gates::new();
        let gate = gates.of(CallerKind::Person);
        let all = gate.close().await;
        let ticket = Ticket::new(gate, Duration::from_secs(10));
        let waiting = tokio::spawn(ticket.clone().enter());
        tokio::time::sleep(SHORT).await;
        assert!(!ticket.has_entered());
        drop(all);
        assert_eq!(waiting.await.expect("no panic"), Ok(()));
        assert_eq!(gate.free(), PEOPLE_AT_ONCE - 1);
        drop(ticket);
        assert_eq!(gate.free(), PEOPLE_AT_ONCE);
    }

    #[tokio::test]
    async fn bodies_have_no_more_room_than_there_is() {
        let gates = Gates::new();
        let gate = gates.of(CallerKind::Nobody);
        let (first, second) = (Ticket::new(gate, SHORT), Ticket::new(gate, SHORT));
        assert_eq!(first.make_room(NOBODY_BYTES / 2), Ok(()));
        assert_eq!(first.make_room(NOBODY_BYTES / 2), Ok(()));
        assert_eq!(second.make_room(1), Err(BodyTrouble::Busy));
        assert!(second.trouble().is_some_and(|problem| problem.kind() == Kind::Busy));
        drop(first);
        assert_eq!(second.make_room(1), Ok(()));
    }
}
