//! Rows 2 and 3: 32 counters at once.

use super::Bench;
use super::counter::spread;
use crate::counters::{Rung, Work};
use crate::pgbench::Load;
use crate::report::Figure;
use crate::shop::{Engine, Shop};
use crate::stats::{Times, median, ms};
use crate::trouble::BenchError;
use std::time::Duration;

const COUNTERS: u32 = 32;
/// The least share of the bare engine's rate with one sale at a time, on SQLite.
const AIM_SQLITE: f64 = 1.0;
/// The least share of pgbench's rate.
const AIM_POSTGRES: f64 = 0.8;
/// The most for the 99th percentile, as a multiple of the median.
const AIM_TAIL: f64 = 5.0;

impl Bench {
    pub(super) fn many_counters_on_sqlite(&self) -> Result<Vec<Figure>, BenchError> {
        let seeded = self.listed_pieces(Engine::Sqlite, "seeded", self.sizes.pieces)?;
        let (mut rungs, mut theirs) = (Vec::new(), Vec::new());
        for _ in 0..self.sizes.rounds {
            let (rung, sample) = self.rush(&seeded)?;
            rungs.push(rung);
            theirs.push(self.bare_rate(&seeded, &sample, self.sizes.sales)?);
        }
        self.shops.remove(&seeded)?;
        let what = "32 counters at once, SQLite";
        let against = format!("bare SQLite, one at a time: {:.0} sales/s", median(&theirs));
        let mut rate = self.rate_figure(2, what, &rungs, &theirs, AIM_SQLITE);
        rate.theirs = against;
        Ok(vec![rate, self.tail_figure(2, what, &rungs)])
    }

    pub(super) fn many_counters_on_postgres(&self) -> Result<Figure, BenchError> {
        let seeded = self.listed_pieces(Engine::Postgres, "seeded", self.sizes.pieces)?;
        let (mut rungs, mut theirs) = (Vec::new(), Vec::new());
        for _ in 0..self.sizes.rounds {
            let (rung, sample) = self.rush(&seeded)?;
            rungs.push(rung);
            let shop = self.shops.copy(&seeded, "bare")?;
            let sales_each = (self.sizes.sales / 4).min(self.pieces_each());
            theirs.push(Load { clients: COUNTERS, sales_each }.run(&self.shops, &shop, &sample)?);
            self.shops.check_and_remove(&shop)?;
        }
        self.shops.remove(&seeded)?;
        let mut figure =
            self.rate_figure(3, "32 counters at once, PostgreSQL", &rungs, &theirs, AIM_POSTGRES);
        figure.theirs = format!("pgbench, 32 clients: {:.0} sales/s", median(&theirs));
        Ok(figure)
    }

    fn pieces_each(&self) -> u32 {
        self.sizes.pieces / COUNTERS
    }

    /// All counters on a copy of the shop, for the length of the rush.
    fn rush(&self, seeded: &Shop) -> Result<(Rung, crate::bare::Sample), BenchError> {
        let shop = self.shops.copy(seeded, "shop")?;
        let serving = self.shops.program.serve(&shop.url)?;
        let rung = Work {
            counters: COUNTERS,
            first_piece: 0,
            pieces_each: self.pieces_each(),
            think: Duration::ZERO,
            go_on: &|_, since| since < self.sizes.rush,
        }
        .run(serving.address(), &shop.token)?;
        serving.close()?;
        let sample = self.sample(&shop)?;
        self.shops.check_and_remove(&shop)?;
        Ok((rung, sample))
    }

    fn rate_figure(&self, row: u8, what: &str, rungs: &[Rung], theirs: &[f64], aim: f64) -> Figure {
        let ours: Vec<f64> = rungs.iter().map(Rung::rate).collect();
        let ratios: Vec<f64> = ours.iter().zip(theirs).map(|(ours, theirs)| ours / theirs).collect();
        let ratio = median(&ours) / median(theirs);
        let times = Times::of(rungs.iter().flat_map(|r| r.by_counter.iter().flatten().copied()));
        let fewest = rungs.iter().map(Rung::fewest_to_mean).fold(f64::INFINITY, f64::min);
        Figure {
            row,
            what: what.to_owned(),
            ours: format!(
                "{:.0} sales/s; p50 {}, p99 {}, longest {}; fewest sales of a counter {fewest:.2} of the mean",
                median(&ours),
                ms(times.median()),
                ms(times.percentile(99)),
                ms(times.longest()),
            ),
            theirs: String::new(),
            figure: format!("{ratio:.2} of its rate (by run {})", spread(&ratios)),
            aim: Some((format!("≥ {aim:.2}"), ratio >= aim)),
            runs: self.runs(rungs),
        }
    }

    /// How long the slowest sales take, and whether a counter is starved.
    fn tail_figure(&self, row: u8, what: &str, rungs: &[Rung]) -> Figure {
        let times: Vec<Times> = rungs.iter().map(Rung::times).collect();
        let tail = |t: &Times| t.percentile(99).as_secs_f64() / t.median().as_secs_f64();
        let tails: Vec<f64> = times.iter().map(tail).collect();
        let fewest: Vec<f64> = rungs.iter().map(Rung::fewest_to_mean).collect();
        let tail = median(&tails);
        Figure {
            row,
            what: format!("{what}: the longest waits"),
            ours: format!("p99/p50 by run {}", spread(&tails)),
            theirs: format!("fewest sales of a counter to the mean, by run {}", spread(&fewest)),
            figure: format!("p99 = {tail:.1} × p50"),
            aim: Some((
                "≤ 5 × p50, nobody starved".to_owned(),
                tail <= AIM_TAIL && fewest.iter().all(|f| *f > 0.0),
            )),
            runs: self.runs(rungs),
        }
    }

    fn runs(&self, rungs: &[Rung]) -> String {
        let sales: usize = rungs.iter().map(Rung::sales).sum();
        format!("{} × {} s, {sales} sales in all", rungs.len(), self.sizes.rush.as_secs())
    }
}
