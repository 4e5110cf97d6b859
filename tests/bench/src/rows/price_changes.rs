//! Row 15: a file that gives every item another price.

use super::Bench;
use crate::goods::write_items;
use crate::report::Figure;
use crate::shop::{Engine, text};
use crate::stats::{median, seconds};
use crate::trouble::{BenchError, Trying};
use std::fs;

/// The most time for 100,000 changes, in seconds.
const fn aim(engine: Engine) -> f64 {
    match engine {
        Engine::Sqlite => 5.0,
        Engine::Postgres => 15.0,
    }
}

impl Bench {
    pub(super) fn price_changes(&self, engine: Engine) -> Result<Figure, BenchError> {
        let count = self.sizes.listings;
        let seeded = self.listed_pieces(engine, "seeded", count)?;
        let file = self.shops.file("prices.csv");
        write_items(&file, 0, count, 1)?;
        let mut times = Vec::new();
        for _ in 0..self.sizes.import_rounds {
            let shop = self.shops.copy(&seeded, "shop")?;
            let ran = self.shops.program.run(&shop.url, &["add", "items", &text(&file)])?;
            let changed = self.shops.number(&shop, "SELECT COUNT(*) FROM activity WHERE act = 'price'")?;
            if changed != i64::from(count) {
                return Err(BenchError::Unexpected(format!("{changed} of {count} prices changed")));
            }
            times.push(ran.took.as_secs_f64());
            self.shops.check_and_remove(&shop)?;
        }
        fs::remove_file(&file).trying("removing an items file")?;
        self.shops.remove(&seeded)?;
        let (took, aim) = (median(&times), aim(engine));
        Ok(Figure {
            row: 15,
            what: format!("`add items`, {count} other prices, {}", engine.name()),
            ours: seconds(took),
            theirs: String::new(),
            figure: format!("{:.0} items a second", f64::from(count) / took),
            aim: Some((format!("≤ {aim} s for 100000"), took <= aim)),
            runs: times.len().to_string(),
        })
    }
}
