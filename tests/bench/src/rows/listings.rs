//! Row 6: all listings as CSV.

use super::Bench;
use crate::program::run_other;
use crate::report::Figure;
use crate::shop::{Engine, Shop, text};
use crate::stats::{median, seconds};
use crate::trouble::{BenchError, Trying};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

/// The most time for the feed, as a multiple of the engine's own export: when all was listed before, and the first
/// time, when every listing is written.
const fn aims(engine: Engine) -> (f64, f64) {
    match engine {
        Engine::Sqlite => (2.0, 6.0),
        Engine::Postgres => (3.0, 8.0),
    }
}

/// The same rows, as the engine's own tool exports them.
const EXPORT: &str = "SELECT i.sku, i.gtin, i.name, i.description, i.color, i.size, i.material, i.brand, i.image, \
    i.weight, i.weight_unit, i.price, i.on_hand - i.held, i.revision FROM item i \
    LEFT JOIN listing l ON l.item_id = i.id AND l.connection_id = 1 \
    WHERE (i.on_hand - i.held > 0 AND i.do_not_list = 0) OR l.state = 'listed' ORDER BY i.id";

impl Bench {
    pub(super) fn all_listings(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let seeded = self.shops.with_items(engine, "seeded", self.sizes.listings)?;
        let folder = self.shops.file("feed");
        let (mut first, mut again, mut own) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..self.sizes.rounds {
            let shop = self.shops.copy(&seeded, "shop")?;
            let feed_out = || {
                let arguments = ["feed", "out", "--format", "csv", "--to", &text(&folder)];
                Ok::<_, BenchError>(self.shops.program.run(&shop.url, &arguments)?.took.as_secs_f64())
            };
            first.push(feed_out()?);
            // Twice, so that the second run finds nothing left to settle.
            for _ in 0..2 {
                again.push(feed_out()?);
            }
            let rows = count_rows(&newest_csv(&folder)?)?;
            for _ in 0..3 {
                let file = self.shops.file("own.csv");
                own.push(self.export(&shop, &file)?);
                // The engine's has no heading.
                let exported = count_rows(&file)?;
                if (rows, exported) != (self.sizes.listings as usize + 1, self.sizes.listings as usize) {
                    let what = format!("the feed has {rows} rows, the engine's own export {exported}");
                    return Err(BenchError::Unexpected(what));
                }
                fs::remove_file(file).trying("removing an export")?;
            }
            fs::remove_dir_all(&folder).trying("removing a feed")?;
            self.shops.remove(&shop)?;
        }
        self.shops.remove(&seeded)?;
        let tool = match engine {
            Engine::Sqlite => "`sqlite3 -csv`",
            Engine::Postgres => "`COPY … TO STDOUT`",
        };
        let figure = |what: &str, times: &[f64], aim: f64| {
            let ratio = median(times) / median(&own);
            Figure {
                row: 6,
                what: format!("`feed out`, {} listings, {what}, {}", self.sizes.listings, engine.name()),
                ours: seconds(median(times)),
                theirs: format!("{tool} of the same rows: {}", seconds(median(&own))),
                figure: format!("{ratio:.1} × its time"),
                aim: Some((format!("≤ {aim} ×"), ratio <= aim)),
                runs: format!("{} and {}", times.len(), own.len()),
            }
        };
        let (aim_again, aim_first) = aims(engine);
        Ok(vec![figure("all listed before", &again, aim_again), figure("the first time", &first, aim_first)])
    }

    /// How long the engine's own tool takes to write the rows to a file, in seconds.
    fn export(&self, shop: &Shop, file: &Path) -> Result<f64, BenchError> {
        let (mut command, name) = match shop.engine {
            Engine::Sqlite => {
                let mut shell = Command::new("sqlite3");
                shell.arg("-csv").arg(self.shops.path(shop)).arg(format!(".once {}", text(file))).arg(EXPORT);
                (shell, "the sqlite3 shell")
            }
            Engine::Postgres => {
                let mut psql = self.shops.postgres()?.tool("psql");
                let copy = format!("COPY ({EXPORT}) TO STDOUT (FORMAT csv)");
                psql.args([
                    "-X",
                    "-q",
                    "-v",
                    "ON_ERROR_STOP=1",
                    "-d",
                    &shop.url,
                    "-o",
                    &text(file),
                    "-c",
                    &copy,
                ]);
                (psql, "psql")
            }
        };
        let start = Instant::now();
        run_other(&mut command, name)?;
        Ok(start.elapsed().as_secs_f64())
    }
}

fn count_rows(path: &Path) -> Result<usize, BenchError> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(path)?;
    Ok(reader.byte_records().collect::<Result<Vec<_>, _>>()?.len())
}

fn newest_csv(folder: &Path) -> Result<PathBuf, BenchError> {
    let what = "looking for the feed";
    let mut newest = None;
    for entry in fs::read_dir(folder).trying(what)? {
        let path = entry.trying(what)?.path();
        if path.extension().is_some_and(|e| e == "csv") {
            let written = path.metadata().and_then(|m| m.modified()).trying(what)?;
            newest = newest.max(Some((written, path)));
        }
    }
    newest.map(|(_, path)| path).ok_or_else(|| BenchError::Unexpected("there is no feed".to_owned()))
}
