//! Row 7: sending ten changes from a small shop and from a large one.

use super::{Bench, aim_on_sqlite};
use crate::goods;
use crate::report::Figure;
use crate::shop::{Engine, Shop, text};
use crate::stats::{median, seconds};
use crate::trouble::{BenchError, Trying};
use std::fs;

/// Items that change.
const CHANGES: u32 = 10;
/// The most time for the large shop, as a multiple of the small one's.
const AIM: f64 = 2.0;

impl Bench {
    pub(super) fn ten_changes(&self, engine: Engine) -> Result<Figure, BenchError> {
        let small = self.listed_pieces(engine, "small", self.sizes.small_shop)?;
        let large = self.listed_pieces(engine, "large", self.sizes.large_shop)?;
        let (mut of_small, mut of_large) = (Vec::new(), Vec::new());
        for edition in (1..).take(self.sizes.quick_rounds) {
            of_small.push(self.send_changes(&small, self.sizes.small_shop, edition)?);
            of_large.push(self.send_changes(&large, self.sizes.large_shop, edition)?);
        }
        self.shops.remove(&small)?;
        self.shops.remove(&large)?;
        let ratio = median(&of_large) / median(&of_small);
        Ok(Figure {
            row: 7,
            what: format!("`feed out --changes`, {CHANGES} changes, {}", engine.name()),
            ours: format!("{} in a shop of {} items", seconds(median(&of_large)), self.sizes.large_shop),
            theirs: format!("{} in one of {}", seconds(median(&of_small)), self.sizes.small_shop),
            figure: format!("{ratio:.2} ×"),
            aim: aim_on_sqlite(engine, "≤ 2 ×", ratio <= AIM),
            runs: format!("{} each", self.sizes.quick_rounds),
        })
    }

    /// Changes ten prices in the middle of the shop and sends the changes.
    fn send_changes(&self, shop: &Shop, items: u32, edition: u32) -> Result<f64, BenchError> {
        let file = self.shops.file("changed.csv");
        goods::write_items(&file, items / 2, CHANGES, edition)?;
        self.shops.program.run(&shop.url, &["add", "items", &text(&file)])?;
        let folder = self.shops.file("feed");
        let ran = self.shops.program.run(&shop.url, &["feed", "out", "--changes", "--to", &text(&folder)])?;
        fs::remove_dir_all(&folder).trying("removing a feed")?;
        let sent = self.shops.number(shop, "SELECT listings FROM feed_run ORDER BY id DESC LIMIT 1")?;
        if sent != i64::from(CHANGES) {
            return Err(BenchError::Unexpected(format!("{CHANGES} items changed and {sent} were sent")));
        }
        Ok(ran.took.as_secs_f64())
    }
}
