//! Row 1: one counter over HTTP against the bare engine in process.

use super::{Bench, aim_on_sqlite};
use crate::bare::{self, Sample};
use crate::counters::{Rung, Work};
use crate::pgbench::Load;
use crate::report::Figure;
use crate::shop::{Engine, Shop};
use crate::stats::{Times, median, ms};
use crate::trouble::BenchError;
use std::time::Duration;

/// Sales before the measured ones, so that statements are prepared and pages are cached.
const WARM_UP: u32 = 100;
/// The least share of the bare engine's rate.
const AIM: f64 = 0.45;

impl Bench {
    pub(super) fn one_counter(&self, engine: Engine) -> Result<Figure, BenchError> {
        let count = self.sizes.sales;
        let seeded = self.listed_pieces(engine, "seeded", self.sizes.pieces)?;
        let (mut ours, mut theirs, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
        let mut times = Vec::new();
        for _ in 0..self.sizes.rounds {
            let shop = self.shops.copy(&seeded, "shop")?;
            let rung = self.ring(&shop, count)?;
            let sample = self.sample(&shop)?;
            self.shops.check_and_remove(&shop)?;
            let bare = self.bare_rate(&seeded, &sample, count)?;
            ours.push(rung.rate());
            ratios.push(rung.rate() / bare);
            theirs.push(bare);
            times.extend(rung.by_counter.into_iter().flatten());
        }
        self.shops.remove(&seeded)?;
        let times = Times::of(times);
        let against = match engine {
            Engine::Sqlite => "bare SQLite in process",
            Engine::Postgres => "pgbench, 1 client",
        };
        let ratio = median(&ours) / median(&theirs);
        Ok(Figure {
            row: 1,
            what: format!("one counter ringing up over HTTP, {}", engine.name()),
            ours: format!(
                "{:.0} sales/s; p50 {}, p99 {}",
                median(&ours),
                ms(times.median()),
                ms(times.percentile(99))
            ),
            theirs: format!("{against}: {:.0} sales/s", median(&theirs)),
            figure: format!("{ratio:.2} of its rate (by run {})", spread(&ratios)),
            aim: aim_on_sqlite(engine, "≥ 0.45", ratio >= AIM),
            runs: format!("{} × {count} sales each", self.sizes.rounds),
        })
    }

    fn ring(&self, shop: &Shop, count: u32) -> Result<Rung, BenchError> {
        let serving = self.shops.program.serve(&shop.url)?;
        let work = |first_piece, pieces_each| Work {
            counters: 1,
            first_piece,
            pieces_each,
            think: Duration::ZERO,
            go_on: &|_, _| true,
        };
        work(0, WARM_UP).run(serving.address(), &shop.token)?;
        let rung = work(WARM_UP, count).run(serving.address(), &shop.token)?;
        serving.close()?;
        Ok(rung)
    }

    /// What the program stored with the last key.
    pub(super) fn sample(&self, shop: &Shop) -> Result<Sample, BenchError> {
        let read = |column: &str| {
            let sql = format!(
                "SELECT {column} FROM idempotency_key WHERE answer IS NOT NULL ORDER BY made_ms DESC LIMIT 1"
            );
            self.shops.text(shop, &sql)
        };
        Ok(Sample { scope: read("scope")?, answer: read("answer")?, body_hash: read("body_hash")? })
    }

    /// The bare engine's rate with one sale at a time, on a copy of the shop.
    pub(super) fn bare_rate(&self, seeded: &Shop, sample: &Sample, count: u32) -> Result<f64, BenchError> {
        let shop = self.shops.copy(seeded, "bare")?;
        let rate = match shop.engine {
            Engine::Sqlite => {
                let path = self.shops.path(&shop);
                bare::sell(&path, sample, 0, WARM_UP)?;
                bare::sell(&path, sample, WARM_UP, count)?.rate()
            }
            Engine::Postgres => Load { clients: 1, sales_each: count }.run(&self.shops, &shop, sample)?,
        };
        self.shops.check_and_remove(&shop)?;
        Ok(rate)
    }
}

/// The least and the greatest of some ratios.
pub(super) fn spread(ratios: &[f64]) -> String {
    let least = ratios.iter().copied().fold(f64::INFINITY, f64::min);
    let greatest = ratios.iter().copied().fold(0.0, f64::max);
    format!("{least:.2}–{greatest:.2}")
}
