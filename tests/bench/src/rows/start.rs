//! Row 9: from starting the program to its first answer.

use super::{Bench, aim_on_sqlite};
use crate::goods::sku;
use crate::http::Client;
use crate::report::Figure;
use crate::shop::Engine;
use crate::stats::{Times, ms};
use crate::trouble::BenchError;
use std::time::{Duration, Instant};

/// The longest wait for the first answer.
const AIM_TIME: Duration = Duration::from_millis(150);
/// The most resident memory at that time.
const AIM_KIB: u64 = 80 * 1024;

impl Bench {
    pub(super) fn start(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let shop = self.shops.with_items(engine, "shop", self.sizes.listings)?;
        let path = format!("/api/items/{}", sku(self.sizes.listings / 2));
        let (mut times, mut most_kib) = (Vec::new(), 0);
        for _ in 0..self.sizes.quick_rounds {
            let start = Instant::now();
            let serving = self.shops.program.serve(&shop.url)?;
            Client::connect(serving.address(), &shop.token)?.get(&path)?.expect(200)?;
            times.push(start.elapsed());
            most_kib = most_kib.max(serving.memory_kib("VmHWM"));
            serving.close()?;
        }
        self.shops.remove(&shop)?;
        let times = Times::of(times);
        let runs = self.sizes.quick_rounds.to_string();
        let what = format!("`serve` with {} items, {}", self.sizes.listings, engine.name());
        Ok(vec![
            Figure {
                row: 9,
                what: format!("{what}: from start to first answer"),
                ours: format!("{} (longest {})", ms(times.median()), ms(times.longest())),
                theirs: "–".to_owned(),
                figure: ms(times.median()),
                aim: aim_on_sqlite(engine, "≤ 150 ms", times.median() <= AIM_TIME),
                runs: runs.clone(),
            },
            Figure {
                row: 9,
                what: format!("{what}: resident then"),
                ours: format!("{most_kib} KiB at most"),
                theirs: "–".to_owned(),
                figure: format!("{} MB", most_kib.div_ceil(1024)),
                aim: aim_on_sqlite(engine, "≤ 80 MB", most_kib <= AIM_KIB),
                runs,
            },
        ])
    }
}
