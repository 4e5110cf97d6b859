//! One module for each row, or two rows, of the table of aims.

mod changes;
mod counter;
mod drain;
mod idle;
mod listings;
mod many_counters;
mod memory;
mod pages;
mod past_orders;
mod price_changes;
mod read_books;
mod start;
mod told;
mod while_importing;

use crate::report::Figure;
use crate::shop::{Engine, Shop, Shops};
use crate::sizes::Sizes;
use crate::trouble::{BenchError, Trying};
use std::fs;

/// What a row needs in order to measure.
pub(crate) struct Bench {
    pub(crate) shops: Shops,
    pub(crate) sizes: Sizes,
}

/// Every row, by its number.
pub(crate) const ROWS: [(u8, &str); 16] = [
    (1, "one counter ringing up over HTTP"),
    (2, "32 counters at once"),
    (3, "32 counters at once"),
    (4, "`feed in --past`"),
    (5, "a sale at the counter while that import runs"),
    (6, "`feed out` of everything"),
    (7, "`feed out --changes`"),
    (8, "`books --by month,channel`"),
    (9, "`serve` from start to first answer"),
    (10, "the server's time of each page"),
    (11, "the first load of each page"),
    (12, "a sale at the counter until the online shop knows"),
    (13, "draining changes after the online shop was away"),
    (14, "a connection while nothing happens"),
    (15, "`add items` with other prices"),
    (16, "memory in use, and after photographs"),
];

impl Bench {
    /// Measures a row, on each engine that it concerns.
    pub(crate) fn row(&self, number: u8) -> Vec<Figure> {
        let engines = match number {
            2 | 11 | 14 | 16 => vec![Engine::Sqlite],
            3 => vec![Engine::Postgres],
            _ => self.shops.engines(),
        };
        engines.into_iter().flat_map(|engine| self.row_on(number, engine)).collect()
    }

    fn row_on(&self, number: u8, engine: Engine) -> Vec<Figure> {
        eprintln!("== row {number}, {}", engine.name());
        let figures = match number {
            1 => self.one_counter(engine).map(|figure| vec![figure]),
            2 => self.many_counters_on_sqlite(),
            3 => self.many_counters_on_postgres().map(|figure| vec![figure]),
            4 => self.past_orders(engine),
            5 => self.sales_while_importing(engine).map(|figure| vec![figure]),
            6 => self.all_listings(engine),
            7 => self.ten_changes(engine).map(|figure| vec![figure]),
            8 => self.books(engine).map(|figure| vec![figure]),
            9 => self.start(engine),
            10 => self.page_times(engine),
            11 => self.first_loads(engine),
            12 => self.until_told(engine),
            13 => self.drain(engine),
            14 => self.idle_connection(engine),
            15 => self.price_changes(engine).map(|figure| vec![figure]),
            _ => self.memory(engine),
        };
        figures.unwrap_or_else(|trouble| {
            let what = ROWS.iter().find(|(row, _)| *row == number).map_or("", |(_, what)| *what);
            eprintln!("row {number}, {}: {trouble}", engine.name());
            let why = trouble.to_string().lines().collect::<Vec<_>>().join(" ");
            vec![Figure::missing(
                number,
                &format!("{what}, {}", engine.name()),
                &format!("not measured: {why}"),
            )]
        })
    }

    /// A shop whose pieces are all listed, so that each sale leaves a message for an online shop.
    fn listed_pieces(&self, engine: Engine, name: &str, count: u32) -> Result<Shop, BenchError> {
        let shop = self.shops.with_items(engine, name, count)?;
        let folder = self.shops.file("feed");
        self.shops.program.run(&shop.url, &["feed", "out", "--to", &crate::shop::text(&folder)])?;
        fs::remove_dir_all(&folder).trying("removing a feed")?;
        Ok(shop)
    }
}

/// An aim for only one engine: the other is measured too, and its figures are printed.
pub(crate) fn aim_on_sqlite(engine: Engine, aim: &str, met: bool) -> Option<(String, bool)> {
    (engine == Engine::Sqlite).then(|| (aim.to_owned(), met))
}
