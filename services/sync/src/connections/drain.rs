//! Drains the outbox: waiting messages are claimed, sent and settled, several items at once but never two
//! messages of one item.
//!
//! Three parts run side by side: one claims and reads, one sends, one settles. So database and network wait for
//! nobody, and what is sent was read a moment ago.

use super::cycle::ConnectionContext;
use super::deliver::{self, Said};
use super::lanes;
use super::message::{InHand, Message, ToSay, to_say};
use domain::delivery::{LEASE, Reply, back_off};
use domain::ids::ItemId;
use ledger::CommandError;
use ledger::online::{
    ClaimMessages, Claimed, QuietConnection, SettleMessages, Settled, SettledAs, TroubleOf,
};
use std::collections::{BTreeMap, HashMap};
use std::pin::pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;
use tracing::Instrument;

/// Requests on their way at once: enough to hide the network's delay, without crowding the shop.
pub(super) const AT_ONCE: usize = 8;
/// Messages claimed at once; at most twice as many wait behind those on their way.
const CLAIMED_AT_ONCE: usize = 128;
/// How long a cycle claims messages; then it checks again what is due.
const ROUND_LASTS: Duration = Duration::from_secs(5);
/// How many messages are settled in one transaction: as many as the ledger writes with one statement a table.
const SETTLED_AT_ONCE: usize = 128;
/// How long results are gathered before they are settled: a commit waits for the disk, and while more are on
/// their way nobody waits for this one.
const GATHERED_FOR: Duration = Duration::from_millis(40);

/// What is said in one request.
enum Job {
    One(Box<Message>),
    Many(Vec<Message>),
    /// Nothing to send; that must be settled too.
    Done(Said),
}

impl Job {
    fn is_done(&self) -> bool {
        matches!(self, Self::Done(_))
    }
}

/// Set when nothing more is sent in this cycle.
struct Stop(AtomicBool);

impl Stop {
    fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Sends what is waiting, until nothing is left, the rate limit is reached, or the connection must pause.
pub(super) async fn drain(hand: &ConnectionContext<'_>) -> Result<(), CommandError> {
    let stop = Stop(AtomicBool::new(false));
    let (jobs_in, jobs_out) = mpsc::channel(1);
    let (said_in, said_out) = mpsc::channel(SETTLED_AT_ONCE);
    let (claimed, (), settled) = tokio::join!(
        claim_all(hand, &stop, jobs_in),
        say_all(hand, &stop, jobs_out, said_in),
        settle_all(hand, &stop, said_out),
    );
    claimed.and(settled)
}

async fn claim_all(
    hand: &ConnectionContext<'_>,
    stop: &Stop,
    jobs: mpsc::Sender<Vec<Job>>,
) -> Result<(), CommandError> {
    let round = Instant::now();
    let mut batch = hand.reach.file.out.batch.as_ref().map_or(1, |b| b.at_once);
    // One claim number for the whole cycle, so that what is sent together is settled in one transaction.
    // Nothing is claimed twice under it before it was settled.
    let holder = hand.ledger.new_holder()?;
    let mut after: Option<ItemId> = None;
    while round.elapsed() < ROUND_LASTS && !stop.is_set() {
        let now = hand.ledger.now();
        let requests = hand.reach.rate.take(CLAIMED_AT_ONCE.div_ceil(batch), now);
        if requests == 0 {
            return Ok(());
        }
        let limit = (requests * batch).min(CLAIMED_AT_ONCE);
        let began = Instant::now();
        let claim = ClaimMessages { connection: hand.connection.id, holder, limit, after };
        let claimed = hand.ledger.execute(None, &claim).await?.answer;
        if claimed.is_empty() {
            hand.reach.rate.give_back(requests);
            // What is due before that place by now is found from the beginning.
            if after.take().is_some() {
                continue;
            }
            return Ok(());
        }
        after = claimed.iter().filter(|claimed| !claimed.is_gone).map(|claimed| claimed.item).max().or(after);
        // The lease runs in real time, and a request that begins before this is done before the lease ends.
        let begin_by = began + LEASE.saturating_sub(hand.live.limits.whole);
        let in_hand = InHand { holder, since: began, begin_by };
        let mut planned = plan(hand, in_hand, claimed).await?;
        let used = planned.iter().filter(|job| !job.is_done()).count();
        hand.reach.rate.give_back(requests.saturating_sub(used));
        // Messages that must go alone need more requests than batches. What the rate limit does not allow is
        // left for later, and no more is claimed than can be sent.
        let granted = requests + hand.reach.rate.take(used.saturating_sub(requests), now);
        if used > granted {
            planned = leave_beyond(granted, holder, planned);
            batch = 1;
        }
        if jobs.send(planned).await.is_err() {
            return Ok(());
        }
    }
    Ok(())
}

/// Leaves all but the first `granted` requests for later. What is gone comes first, and is sent first.
fn leave_beyond(granted: usize, holder: i64, planned: Vec<Job>) -> Vec<Job> {
    let (mut kept, mut settled, mut requests) = (Vec::with_capacity(planned.len()), Vec::new(), 0);
    for job in planned {
        requests += usize::from(!job.is_done());
        match job {
            Job::One(message) if requests > granted => settled.push(deliver::left(message.item)),
            Job::Many(messages) if requests > granted => {
                settled.extend(messages.iter().map(|message| deliver::left(message.item)));
            }
            job => kept.push(job),
        }
    }
    kept.push(Job::Done(Said { holder, settled, quiet: None }));
    kept
}

/// Reads the current state of the items, and distributes them over requests.
async fn plan(
    hand: &ConnectionContext<'_>,
    in_hand: InHand,
    claimed: Vec<Claimed>,
) -> Result<Vec<Job>, CommandError> {
    let items: Vec<ItemId> = claimed.iter().map(|c| c.item).collect();
    let rows = hand.ledger.listings_of(hand.connection.id, &items).await?;
    let mut rows: HashMap<ItemId, _> = rows.into_iter().map(|row| (row.0.item, row)).collect();
    let image_base = hand.shop.image_base.as_deref();
    let (mut jobs, mut silent, mut together) = (Vec::new(), Vec::new(), Vec::new());
    let batch = hand.reach.file.out.batch.as_ref();
    for claimed in claimed {
        let Some(row) = rows.remove(&claimed.item) else {
            silent.push(Settled { item: claimed.item, revision: 0, became: SettledAs::Nothing });
            continue;
        };
        match to_say(hand.reach, claimed, in_hand, row, image_base)? {
            ToSay::Nothing { item, revision } => {
                silent.push(Settled { item, revision, became: SettledAs::Nothing });
            }
            ToSay::Message(message) => {
                let alone = !message.fits_batch(&hand.reach.file) || hand.reach.is_alone(message.item);
                if batch.is_none() || alone {
                    jobs.push(Job::One(message));
                } else {
                    together.push(*message);
                }
            }
        }
    }
    if let Some(batch) = batch {
        while !together.is_empty() {
            let rest = together.split_off(together.len().min(batch.at_once));
            jobs.push(match <[Message; 1]>::try_from(together) {
                Ok([one]) => Job::One(Box::new(one)),
                Err(many) => Job::Many(many),
            });
            together = rest;
        }
    }
    if !silent.is_empty() {
        jobs.push(Job::Done(Said { holder: in_hand.holder, settled: silent, quiet: None }));
    }
    Ok(jobs)
}

async fn say_all(
    hand: &ConnectionContext<'_>,
    stop: &Stop,
    jobs: mpsc::Receiver<Vec<Job>>,
    said: mpsc::Sender<Said>,
) {
    lanes::run(AT_ONCE, jobs, |job| say_one(hand, stop, job), said).await;
}

/// Nothing more is sent once the connection must pause, nor so late that a request could outlive its lease.
async fn say_one(hand: &ConnectionContext<'_>, stop: &Stop, job: Job) -> Said {
    let said = say_or_leave(hand, stop, job).await;
    if said.quiet.is_some() {
        stop.set();
    }
    said
}

async fn say_or_leave(hand: &ConnectionContext<'_>, stop: &Stop, job: Job) -> Said {
    match job {
        Job::Done(said) => said,
        Job::One(message) if stop.is_set() || message.is_late() => {
            Said { holder: message.in_hand.holder, settled: vec![deliver::left(message.item)], quiet: None }
        }
        Job::Many(messages) if stop.is_set() || messages.iter().any(Message::is_late) => {
            let holder = messages.first().map_or(0, |m| m.in_hand.holder);
            let settled = messages.iter().map(|m| deliver::left(m.item)).collect();
            Said { holder, settled, quiet: None }
        }
        Job::One(message) => {
            let (connection, item) = (hand.connection.name.as_str(), message.listing.sku.to_string());
            let span = tracing::info_span!("message", connection, item, tries = message.tries);
            deliver::one(hand, *message).instrument(span).await
        }
        Job::Many(messages) => match &hand.reach.file.out.batch {
            Some(call) => {
                let (connection, items) = (hand.connection.name.as_str(), messages.len());
                let span = tracing::info_span!("messages", connection, items);
                deliver::many(hand, call, messages).instrument(span).await
            }
            None => Said { holder: 0, settled: Vec::new(), quiet: None },
        },
    }
}

/// Waits for results; false once there are no more. At the end of a cycle it does not wait.
async fn gather(said: &mut mpsc::Receiver<Said>, some: &mut Vec<Said>) -> bool {
    if said.recv_many(some, SETTLED_AT_ONCE).await == 0 {
        return false;
    }
    let mut over = pin!(tokio::time::sleep(GATHERED_FOR));
    while some.len() < SETTLED_AT_ONCE {
        let room = SETTLED_AT_ONCE - some.len();
        tokio::select! {
            more = said.recv_many(some, room) => {
                if more == 0 {
                    break;
                }
            }
            () = &mut over => break,
        }
    }
    true
}

async fn settle_all(
    hand: &ConnectionContext<'_>,
    stop: &Stop,
    mut said: mpsc::Receiver<Said>,
) -> Result<(), CommandError> {
    let mut quiet: Option<(Reply, String)> = None;
    let mut some = Vec::with_capacity(SETTLED_AT_ONCE);
    while gather(&mut said, &mut some).await {
        let mut by_holder: BTreeMap<i64, Vec<Settled>> = BTreeMap::new();
        for one in some.drain(..) {
            if quiet.is_none() {
                quiet = one.quiet;
            }
            by_holder.entry(one.holder).or_default().extend(one.settled);
        }
        for (holder, settled) in by_holder {
            for part in settled.chunks(SETTLED_AT_ONCE) {
                let settle =
                    SettleMessages { connection: hand.connection.id, holder, settled: part.to_vec() };
                let done = hand.ledger.execute(None, &settle).await;
                if done.is_err() {
                    // What is on its way is not sent again before its lease ends.
                    stop.set();
                }
                done?;
            }
        }
    }
    match quiet {
        Some((reply, words)) => quiet_down(hand, reply, words).await,
        None => Ok(()),
    }
}

/// Pauses the whole connection, longer each time in a row.
pub(super) async fn quiet_down(
    hand: &ConnectionContext<'_>,
    reply: Reply,
    words: String,
) -> Result<(), CommandError> {
    let wait = back_off(hand.reach.quiet(), hand.dice(), reply).max(LEAST_QUIET);
    let asked = matches!(reply, Reply::Status { retry_after: Some(_), .. });
    let (connection, until) = (hand.connection.id, hand.after(wait));
    let quiet = QuietConnection { connection, until, asked, words, of: TroubleOf::Connection };
    hand.ledger.execute(None, &quiet).await?;
    Ok(())
}

/// The shortest pause of a connection whose shop is away: no random choice makes it zero.
const LEAST_QUIET: Duration = Duration::from_millis(500);
