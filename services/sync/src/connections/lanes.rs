//! Does several jobs at once, and hands on their results through a channel with a limit.
//!
//! A lane that waits for room in the channel holds up no other lane. That matters: a job may be waiting for the
//! ledger's one writer, and whoever empties the channel may be waiting for that job to go on.

use std::panic::resume_unwind;
use std::sync::Arc;
use tokio::sync::{Mutex, mpsc};
use tokio::task::JoinSet;

/// Does the jobs, `at_once` at a time, in the order of their arrival. Each lane is a task, so that they share all
/// processors; they end with this future. It ends when no more jobs arrive, or when nobody receives results
/// anymore.
pub(super) async fn run<Job, Done, Work>(
    at_once: usize,
    jobs: mpsc::Receiver<Vec<Job>>,
    work: impl Fn(Job) -> Work + Clone + Send + 'static,
    done: mpsc::Sender<Done>,
) where
    Job: Send + 'static,
    Done: Send + 'static,
    Work: Future<Output = Done> + Send + 'static,
{
    let arrived = Arc::new(Mutex::new(Arrived { jobs, next: Vec::new().into_iter() }));
    let mut lanes = JoinSet::new();
    for _ in 0..at_once {
        lanes.spawn(lane(Arc::clone(&arrived), work.clone(), done.clone()));
    }
    drop((arrived, done));
    while let Some(ended) = lanes.join_next().await {
        if let Err(failure) = ended
            && failure.is_panic()
        {
            resume_unwind(failure.into_panic());
        }
    }
}

async fn lane<Job, Done, Work: Future<Output = Done>>(
    arrived: Arc<Mutex<Arrived<Job>>>,
    work: impl Fn(Job) -> Work,
    done: mpsc::Sender<Done>,
) {
    while let Some(job) = next(&arrived).await {
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
    use std::sync::Arc;
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
        let slow = Arc::new(std::sync::Mutex::new(Some((wait, went_on))));
        let work = move |job: u32| {
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
        static RUNNING: AtomicUsize = AtomicUsize::new(0);
        static MOST: AtomicUsize = AtomicUsize::new(0);
        let work = |job: usize| async move {
            MOST.fetch_max(RUNNING.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            tokio::task::yield_now().await;
            RUNNING.fetch_sub(1, Ordering::SeqCst);
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
        assert_eq!(MOST.load(Ordering::SeqCst), 4);
    }

    #[tokio::test]
    async fn jobs_on_their_way_end_with_who_waits_for_them() {
        let (jobs_in, jobs) = mpsc::channel(1);
        let (done_in, _done) = mpsc::channel(1);
        let (held, is_dropped) = oneshot::channel::<()>();
        let held = Arc::new(std::sync::Mutex::new(Some(held)));
        let work = move |()| {
            let held = held.lock().unwrap().take();
            async move {
                std::future::pending::<()>().await;
                drop(held);
            }
        };
        jobs_in.send(vec![()]).await.unwrap();
        assert!(timeout(Duration::from_millis(20), run(1, jobs, work, done_in)).await.is_err());
        assert!(timeout(SOON, is_dropped).await.expect("the job is dropped").is_err());
    }

    #[tokio::test]
    #[should_panic(expected = "a job that fails")]
    async fn a_panic_in_a_job_is_passed_on() {
        let (jobs_in, jobs) = mpsc::channel(1);
        let (done_in, _done) = mpsc::channel::<()>(1);
        jobs_in.send(vec![()]).await.unwrap();
        run(2, jobs, |()| async { panic!("a job that fails") }, done_in).await;
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
