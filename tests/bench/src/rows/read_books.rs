//! Row 8: the month by channel, in small books and in large ones.

use super::{Bench, aim_on_sqlite};
use crate::goods::{self, LINES_AN_ORDER};
use crate::report::Figure;
use crate::shop::{Engine, Shop, text};
use crate::stats::{median, seconds};
use crate::trouble::BenchError;

/// The most time for the large books, as a multiple of the small ones'.
const AIM: f64 = 1.5;

impl Bench {
    pub(super) fn books(&self, engine: Engine) -> Result<Figure, BenchError> {
        let few = self.with_past(engine, "few", self.sizes.few_orders)?;
        let many = self.with_past(engine, "many", self.sizes.orders)?;
        let (mut small, mut large) = (Vec::new(), Vec::new());
        let mut rows = 0;
        for _ in 0..self.sizes.quick_rounds {
            small.push(self.read_books(&few)?.0);
            let (took, lines) = self.read_books(&many)?;
            large.push(took);
            rows = lines;
        }
        self.shops.check_and_remove(&few)?;
        self.shops.check_and_remove(&many)?;
        let ratio = median(&large) / median(&small);
        let lines = |orders: u32| orders * LINES_AN_ORDER;
        Ok(Figure {
            row: 8,
            what: format!("`books --by month,channel`, {}", engine.name()),
            ours: format!("{} with {} sale lines", seconds(median(&large)), lines(self.sizes.orders)),
            theirs: format!("{} with {}", seconds(median(&small)), lines(self.sizes.few_orders)),
            figure: format!("{ratio:.2} × ({rows} rows)"),
            aim: aim_on_sqlite(engine, "≤ 1.5 ×", ratio <= AIM),
            runs: format!("{} each", self.sizes.quick_rounds),
        })
    }

    fn with_past(&self, engine: Engine, name: &str, orders: u32) -> Result<Shop, BenchError> {
        let shop = self.shops.new_shop(engine, name)?;
        let file = self.shops.file("orders.csv");
        goods::write_orders(&file, orders)?;
        self.shops.program.run(&shop.url, &["feed", "in", "--past", &text(&file)])?;
        Ok(shop)
    }

    fn read_books(&self, shop: &Shop) -> Result<(f64, usize), BenchError> {
        let ran =
            self.shops.program.run(&shop.url, &["books", "--by", "month,channel", "--format", "csv"])?;
        let rows = ran.stdout.lines().count().saturating_sub(1);
        if rows == 0 {
            return Err(BenchError::Unexpected("the books are empty".to_owned()));
        }
        Ok((ran.took.as_secs_f64(), rows))
    }
}
