//! Row 5: a sale at the counter while another process imports a history into the same shop.

use super::{Bench, aim_on_sqlite};
use crate::counters::Work;
use crate::goods;
use crate::report::Figure;
use crate::shop::{Engine, text};
use crate::stats::{Times, ms, seconds};
use crate::trouble::BenchError;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Between one customer and the next.
const THINK: Duration = Duration::from_millis(10);
/// The longest time for 99 in 100.
const AIM: Duration = Duration::from_millis(50);

impl Bench {
    pub(super) fn sales_while_importing(&self, engine: Engine) -> Result<Figure, BenchError> {
        let shop = self.listed_pieces(engine, "shop", self.sizes.pieces)?;
        let file = self.shops.file("orders.csv");
        goods::write_orders(&file, self.sizes.orders)?;
        let serving = self.shops.program.serve(&shop.url)?;
        let over = AtomicBool::new(false);
        let counter = Work {
            counters: 1,
            first_piece: 0,
            pieces_each: self.sizes.pieces,
            think: THINK,
            go_on: &|_, _| !over.load(Ordering::Relaxed),
        };
        let (ran, rung) = std::thread::scope(|scope| {
            let import = scope.spawn(|| {
                let ran = self.shops.program.run(&shop.url, &["feed", "in", "--past", &text(&file)]);
                over.store(true, Ordering::Relaxed);
                ran
            });
            let rung = counter.run(serving.address(), &shop.token);
            (import.join(), rung)
        });
        let lost = |_| BenchError::Unexpected("the import's thread broke down".to_owned());
        let (ran, rung) = (ran.map_err(lost)??, rung?);
        serving.close()?;
        self.shops.check_and_remove(&shop)?;
        let times: Times = rung.times();
        let p99 = times.percentile(99);
        Ok(Figure {
            row: 5,
            what: format!(
                "a sale at the counter while that import runs in another process, {}",
                engine.name()
            ),
            ours: format!("p50 {}, p99 {}, longest {}", ms(times.median()), ms(p99), ms(times.longest())),
            theirs: format!("the import beside it took {}", seconds(ran.took.as_secs_f64())),
            figure: format!("p99 {}", ms(p99)),
            aim: aim_on_sqlite(engine, "≤ 50 ms", p99 <= AIM),
            runs: format!("1 import, {} sales", times.len()),
        })
    }
}
