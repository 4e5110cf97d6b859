//! Passwords are hashed on a few threads of their own, each of which keeps one buffer. A hash takes 19 MiB
//! while it is computed; if any free thread allocated it anew, a flood of wrong sign-ins would take that much
//! each and return little of it. Whoever finds the queue full is asked to try again later.

use argon2::Block;
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, OnceLock, PoisonError};
use std::thread;
use tokio::sync::oneshot;

/// Threads: 2 × 19 MiB, and never all cores of a small machine.
pub(super) const THREADS: usize = 2;
/// Jobs that may wait in each lane: one second's work, at 20 ms each on two threads.
pub(super) const MAX_WAITING: usize = 100;

/// The buffer for computing hashes. It grows to the largest hash that was verified, which is bounded.
#[derive(Default)]
pub(super) struct Memory(Vec<Block>);

impl Memory {
    /// The first `count` blocks of 1 KiB.
    pub(super) fn blocks(&mut self, count: usize) -> &mut [Block] {
        if self.0.len() < count {
            self.0.resize(count, Block::new());
        }
        &mut self.0
    }
}

/// Whose job it is. Strangers, however many, never come before people who are known here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Lane {
    /// Somebody who is signed in, or a browser or device on which they were before.
    Known,
    Stranger,
}

#[derive(Debug, PartialEq, Eq)]
pub(super) struct Full;

type Job = Box<dyn FnOnce(&mut Memory) + Send>;

#[derive(Default)]
struct Queue {
    known: VecDeque<Job>,
    strangers: VecDeque<Job>,
    is_over: bool,
}

#[derive(Default)]
struct Shared {
    queue: Mutex<Queue>,
    work: Condvar,
}

impl Shared {
    /// No code panics while it holds the lock, so a poisoned one can be used.
    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The next job; none after the end.
    fn next(&self) -> Option<Job> {
        let mut queue = self.queue();
        loop {
            if queue.is_over {
                return None;
            }
            let job = queue.known.pop_front();
            if let Some(job) = job.or_else(|| queue.strangers.pop_front()) {
                return Some(job);
            }
            queue = self.work.wait(queue).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

fn run(shared: &Shared) {
    let mut memory = Memory::default();
    while let Some(job) = shared.next() {
        if catch_unwind(AssertUnwindSafe(|| job(&mut memory))).is_err() {
            tracing::error!("hashing a password panicked; whoever waited for it is told so");
        }
    }
}

/// The threads, which start with the first job and end when this is dropped.
pub(super) struct Workers {
    shared: Arc<Shared>,
    begun: OnceLock<()>,
}

impl Workers {
    pub(super) fn new() -> Self {
        Self { shared: Arc::default(), begun: OnceLock::new() }
    }

    /// Puts a job into the queue. Its result is sent, or nothing if it panicked. A job whose receiver is gone
    /// is skipped.
    pub(super) fn ask<T: Send + 'static>(
        &self,
        lane: Lane,
        work: impl FnOnce(&mut Memory) -> T + Send + 'static,
    ) -> Result<oneshot::Receiver<T>, Full> {
        let (done, answer) = oneshot::channel();
        let job: Job = Box::new(move |memory| {
            if !done.is_closed() {
                // The receiver may have been dropped meanwhile.
                let _ = done.send(work(memory));
            }
        });
        self.put(lane, job)?;
        self.begun.get_or_init(|| self.begin());
        Ok(answer)
    }

    /// Whether one more job could wait.
    pub(super) fn has_room(&self, lane: Lane) -> bool {
        let queue = self.shared.queue();
        let waiting = if lane == Lane::Known { &queue.known } else { &queue.strangers };
        waiting.len() < MAX_WAITING
    }

    fn put(&self, lane: Lane, job: Job) -> Result<(), Full> {
        let mut queue = self.shared.queue();
        let waiting = match lane {
            Lane::Known => &mut queue.known,
            Lane::Stranger => &mut queue.strangers,
        };
        if waiting.len() >= MAX_WAITING {
            return Err(Full);
        }
        waiting.push_back(job);
        drop(queue);
        self.shared.work.notify_one();
        Ok(())
    }

    fn begin(&self) {
        for number in 1..=THREADS {
            let shared = Arc::clone(&self.shared);
            let named = thread::Builder::new().name(format!("passwords-{number}"));
            if let Err(error) = named.spawn(move || run(&shared)) {
                tracing::error!(%error, "a thread that looks at passwords could not be started");
            }
        }
    }
}

impl Drop for Workers {
    fn drop(&mut self) {
        self.shared.queue().is_over = true;
        self.shared.work.notify_all();
    }
}

impl std::fmt::Debug for Workers {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Workers").finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::sync::mpsc;

    /// Workers whose threads all block until the sender is dropped.
    fn blocked() -> (Workers, mpsc::Sender<()>, Vec<oneshot::Receiver<()>>) {
        let workers = Workers::new();
        let (open, gate) = mpsc::channel::<()>();
        let gate = Arc::new(Mutex::new(gate));
        let (began, begun) = mpsc::channel();
        let mut answers = Vec::new();
        for _ in 0..THREADS {
            let (gate, began) = (Arc::clone(&gate), began.clone());
            let wait = move |_: &mut Memory| {
                began.send(()).expect("heard");
                let _ = gate.lock().expect("the gate").recv();
            };
            answers.push(workers.ask(Lane::Known, wait).expect("room"));
        }
        (0..THREADS).for_each(|_| begun.recv().expect("a thread"));
        (workers, open, answers)
    }

    #[tokio::test]
    async fn a_full_lane_takes_no_more_and_the_known_go_first() {
        let (workers, open, _held) = blocked();
        let order = Arc::new(Mutex::new(Vec::new()));
        let note = |what: &'static str| {
            let order = Arc::clone(&order);
            move |_: &mut Memory| order.lock().expect("the order").push(what)
        };
        let mut waiting = Vec::new();
        for _ in 0..MAX_WAITING {
            waiting.push(workers.ask(Lane::Stranger, note("stranger")).expect("room"));
        }
        assert_eq!(workers.ask(Lane::Stranger, note("one too many")).err(), Some(Full));
        waiting.push(workers.ask(Lane::Known, note("known")).expect("strangers take no room of the known"));
        drop(open);
        for answer in waiting {
            answer.await.expect("done");
        }
        let order = order.lock().expect("the order");
        assert_eq!((order.len(), order.iter().position(|what| *what == "known") < Some(2)), (101, true));
    }

    #[tokio::test]
    async fn what_nobody_waits_for_is_not_done_and_a_panic_ends_no_thread() {
        let (workers, open, _held) = blocked();
        let done = Arc::new(AtomicUsize::new(0));
        let count = || {
            let done = Arc::clone(&done);
            move |_: &mut Memory| done.fetch_add(1, Ordering::SeqCst)
        };
        drop(workers.ask(Lane::Stranger, count()).expect("room"));
        let mut panics = Vec::new();
        for _ in 0..2 * THREADS {
            panics.push(workers.ask(Lane::Stranger, |_: &mut Memory| panic!("on purpose")).expect("room"));
        }
        let last = workers.ask(Lane::Stranger, count()).expect("room");
        drop(open);
        for answer in panics {
            let _: Result<(), _> = answer.await;
        }
        assert_eq!((last.await, done.load(Ordering::SeqCst)), (Ok(0), 1));
    }
}
