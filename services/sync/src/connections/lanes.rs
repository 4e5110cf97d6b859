//! Does several jobs at once, and hands on their results through a channel with a limit.
//!
//! A lane that waits for room in the channel holds up no other lane. That matters: a job may be waiting for the
//! ledger's one writer, and whoever empties the channel may be waiting for that job to go on.

use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use tokio::sync::{Mutex, mpsc};

/// Does the jobs, `at_once` at a time, in the order of their arrival. Ends when no more jobs arrive, or when
/// nobody receives results anymore.
pub(super) async fn run<Job, Done, Work: Future<Output = Done>>(
    at_once: usize,
    jobs: mpsc::Receiver<Vec<Job>>,
    work: impl Fn(Job) -> Work,
    done: mpsc::Sender<Done>,
) {
    let arrived = Mutex::new(Arrived { jobs, next: Vec::new().into_iter() });
    let lanes: FuturesUnordered<_> = (0..at_once).map(|_| lane(&arrived, &work, &done)).collect();
    lanes.collect::<()>().await;
}

async fn lane<Job, Done, Work: Future<Output = Done>>(
    arrived: &Mutex<Arrived<Job>>,
    work: &impl Fn(Job) -> Work,
    done: &mpsc::Sender<Done>,
) {
    while let Some(job) = next(arrived).await {
        if done.send(work(job).await).await.is_err() {
            return;
        }
    }
}

struct Arrived<Job> {
    jobs: mpsc::Receiver<Vec<Job>>,
    next: std::vec::IntoIter<Job>,
}

async fn next<Job>(arrived: &Mutex<Arrived<Job>>) -> Option<Job> {
    let mut arrived = arrived.lock().await;
    loop {
        if let Some(job) = arrived.next.next() {
            return Some(job);
        }
        arrived.next = arrived.jobs.recv().await?.into_iter();
    }
}

#[cfg(test)]
mod tests {
    use super::run;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;
    use tokio::sync::{mpsc, oneshot};
    use tokio::time::timeout;

    const SOON: Duration = Duration::from_secs(5);

    #[tokio::test]
    async fn a_job_goes_on_while_another_waits_for_room() {
        let (jobs_in, jobs) = mpsc::channel(1);
        let (done_in, mut done) = mpsc::channel(1);
        let (go, wait) = oneshot::channel::<()>();
        let (went_on, seen) = oneshot::channel();
        let slow = std::sync::Mutex::new(Some((wait, went_on)));
        let work = |job: u32| {
            let slow = slow.lock().unwrap().take();
            async move {
                if let Some((wait, went_on)) = slow {
                    wait.await.unwrap();
                    went_on.send(()).unwrap();
                }
                job
            }
        };
        let reads = async {
            jobs_in.send(vec![0, 1, 2, 3]).await.unwrap();
            drop(jobs_in);
            // The channel is full by now, and its reader waits for the slow job, as one that settles does.
            tokio::task::yield_now().await;
            go.send(()).unwrap();
            timeout(SOON, seen).await.expect("the slow job goes on").unwrap();
            let mut all = Vec::new();
            while let Some(one) = done.recv().await {
                all.push(one);
            }
            all.sort_unstable();
            assert_eq!(all, [0, 1, 2, 3]);
        };
        tokio::join!(run(3, jobs, work, done_in), reads);
    }

    #[tokio::test]
    async fn no_more_than_so_many_run_at_once_and_each_runs_once() {
        let (running, most) = (&AtomicUsize::new(0), &AtomicUsize::new(0));
        let work = |job: usize| async move {
            most.fetch_max(running.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            tokio::task::yield_now().await;
            running.fetch_sub(1, Ordering::SeqCst);
            job
        };
        let (jobs_in, jobs) = mpsc::channel(1);
        let (done_in, mut done) = mpsc::channel(100);
        let sends = async {
            for part in (0..30).collect::<Vec<_>>().chunks(7) {
                jobs_in.send(part.to_vec()).await.unwrap();
            }
            drop(jobs_in);
        };
        tokio::join!(run(4, jobs, work, done_in), sends);
        let mut all = Vec::new();
        done.recv_many(&mut all, 100).await;
        all.sort_unstable();
        assert_eq!(all, (0..30).collect::<Vec<_>>());
        assert_eq!(most.load(Ordering::SeqCst), 4);
    }

    #[tokio::test]
    async fn nothing_more_is_done_once_nobody_receives() {
        let (jobs_in, jobs) = mpsc::channel(1);
        let (done_in, done) = mpsc::channel(1);
        drop(done);
        jobs_in.send(vec![1, 2, 3, 4]).await.unwrap();
        timeout(SOON, run(2, jobs, std::future::ready::<u32>, done_in)).await.expect("it ends");
        assert!(jobs_in.is_closed());
    }
}
