//! Row 4: importing a history, compared with the engine's own shell importing the finished rows.

use super::{Bench, aim_on_sqlite};
use crate::goods::{self, LINES_AN_ORDER};
use crate::program::Ran;
use crate::report::Figure;
use crate::shop::{Engine, text};
use crate::stats::{median, seconds};
use crate::trouble::BenchError;

/// The most time for the import, as a multiple of the shell's.
const AIM_TIME: f64 = 3.0;
const AIM_KIB: u64 = 200 * 1024;

impl Bench {
    pub(super) fn past_orders(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let file = self.shops.file("orders.csv");
        goods::write_orders(&file, self.sizes.orders)?;
        // PostgreSQL has no aim here; one run prints its figures.
        let rounds = if engine == Engine::Sqlite { self.sizes.import_rounds } else { 1 };
        let (mut ours, mut theirs): (Vec<Ran>, Vec<f64>) = (Vec::new(), Vec::new());
        for _ in 0..rounds {
            let shop = self.shops.new_shop(engine, "shop")?;
            ours.push(self.shops.program.run(&shop.url, &["feed", "in", "--past", &text(&file)])?);
            theirs.push(self.shell_import(&shop)?);
            self.shops.check_and_remove(&shop)?;
        }
        let times: Vec<f64> = ours.iter().map(|ran| ran.took.as_secs_f64()).collect();
        let most_kib = ours.iter().map(|ran| ran.peak_kib).max().unwrap_or(0);
        let ratio = median(&times) / median(&theirs);
        let lines = f64::from(self.sizes.orders * LINES_AN_ORDER);
        let what = format!(
            "`feed in --past`, {} lines in {} orders, {}",
            self.sizes.orders * LINES_AN_ORDER,
            self.sizes.orders,
            engine.name()
        );
        let against = match engine {
            Engine::Sqlite => "the sqlite3 shell's .import of the finished rows",
            Engine::Postgres => "psql's \\copy of the finished rows",
        };
        let runs = format!("{rounds} each");
        Ok(vec![
            Figure {
                row: 4,
                what: what.clone(),
                ours: format!("{} ({:.0} lines/s)", seconds(median(&times)), lines / median(&times)),
                theirs: format!("{against}: {}", seconds(median(&theirs))),
                figure: format!("{ratio:.2} × its time"),
                aim: aim_on_sqlite(engine, "≤ 3 ×", ratio <= AIM_TIME),
                runs: runs.clone(),
            },
            Figure {
                row: 4,
                what: format!("{what}: peak memory"),
                ours: format!("{most_kib} KiB"),
                theirs: "–".to_owned(),
                figure: format!("{} MB", most_kib.div_ceil(1024)),
                aim: aim_on_sqlite(engine, "≤ 200 MB", most_kib <= AIM_KIB),
                runs,
            },
        ])
    }
}
