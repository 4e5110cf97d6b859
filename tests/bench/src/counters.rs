//! Counters that ring up pieces over HTTP, each on its own connection.

use crate::goods::sku;
use crate::http::Client;
use crate::stats::{Times, rate};
use crate::trouble::BenchError;
use std::sync::Barrier;
use std::thread;
use std::time::{Duration, Instant};

/// What each customer pays with, in the shop's currency: more than any piece costs.
pub(crate) const HANDED_OVER: &str = "200.00";
/// The same in minor units.
pub(crate) const HANDED_OVER_MINOR: i64 = 20_000;

/// The measurements of one run of the counters.
pub(crate) struct Rung {
    /// From the first request to the last answer.
    pub(crate) took: Duration,
    /// Each counter's times, in the order of its sales.
    pub(crate) by_counter: Vec<Vec<Duration>>,
}

impl Rung {
    pub(crate) fn sales(&self) -> usize {
        self.by_counter.iter().map(Vec::len).sum()
    }

    pub(crate) fn rate(&self) -> f64 {
        rate(self.sales(), self.took)
    }

    pub(crate) fn times(&self) -> Times {
        Times::of(self.by_counter.iter().flatten().copied())
    }

    /// The sales of the counter with the fewest, as a share of the mean.
    pub(crate) fn fewest_to_mean(&self) -> f64 {
        let fewest = self.by_counter.iter().map(Vec::len).min().unwrap_or(0);
        let number = |n: usize| u32::try_from(n).map_or(f64::NAN, f64::from);
        number(fewest) * number(self.by_counter.len()) / number(self.sales())
    }
}

pub(crate) struct Work<'a> {
    pub(crate) counters: u32,
    /// The first counter's first piece; each counter has its own range.
    pub(crate) first_piece: u32,
    pub(crate) pieces_each: u32,
    /// The pause between an answer and the next request.
    pub(crate) think: Duration,
    /// Decides whether to go on, from this counter's sales and the time since the start.
    pub(crate) go_on: &'a (dyn Fn(usize, Duration) -> bool + Sync),
}

impl Work<'_> {
    /// Rings up until `go_on` says no or everything is sold.
    pub(crate) fn run(&self, address: &str, token: &str) -> Result<Rung, BenchError> {
        let barrier = Barrier::new(self.counters as usize);
        let start = Instant::now();
        let results: Vec<Result<Vec<Sold>, BenchError>> = thread::scope(|scope| {
            let counters: Vec<_> = (0..self.counters)
                .map(|counter| {
                    let barrier = &barrier;
                    scope.spawn(move || {
                        let client = Client::connect(address, token);
                        barrier.wait();
                        self.counter(counter, client?, start)
                    })
                })
                .collect();
            let lost = || Err(BenchError::Unexpected("a counter broke down".to_owned()));
            counters.into_iter().map(|counter| counter.join().unwrap_or_else(|_| lost())).collect()
        });
        let by_counter = results.into_iter().collect::<Result<Vec<_>, _>>()?;
        let begin = by_counter.iter().flatten().map(|s| s.asked).min().unwrap_or_default();
        let end = by_counter.iter().flatten().map(|s| s.answered).max().unwrap_or_default();
        let times = |sold: Vec<Sold>| sold.iter().map(Sold::took).collect();
        Ok(Rung { took: end.saturating_sub(begin), by_counter: by_counter.into_iter().map(times).collect() })
    }

    fn counter(&self, counter: u32, mut client: Client, start: Instant) -> Result<Vec<Sold>, BenchError> {
        let first = self.first_piece + counter * self.pieces_each;
        let began = Instant::now();
        let mut sold = Vec::new();
        for piece in first..first + self.pieces_each {
            if !(self.go_on)(sold.len(), began.elapsed()) {
                break;
            }
            let body = format!(
                r#"{{"channel":"store","lines":[{{"sku":"{}","quantity":"1"}}],"tenders":[{{"kind":"cash","amount":"{HANDED_OVER}"}}]}}"#,
                sku(piece)
            );
            let asked = start.elapsed();
            client.post("/api/sales", &format!("sale-{piece}"), &body)?.expect(201)?;
            sold.push(Sold { asked, answered: start.elapsed() });
            if !self.think.is_zero() {
                thread::sleep(self.think);
            }
        }
        Ok(sold)
    }
}

/// When a sale was requested and when it was answered, since the start.
struct Sold {
    asked: Duration,
    answered: Duration,
}

impl Sold {
    fn took(&self) -> Duration {
        self.answered.saturating_sub(self.asked)
    }
}
