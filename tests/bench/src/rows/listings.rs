//! Row 6: all listings as CSV.

use super::{Bench, aim_on_sqlite};
use crate::report::Figure;
use crate::shop::{Engine, text};
use crate::stats::{median, seconds};
use crate::trouble::{BenchError, Trying};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::Instant;

/// The most time for the feed, as a multiple of the csv crate's.
const AIM: f64 = 4.0;

impl Bench {
    pub(super) fn all_listings(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let seeded = self.shops.with_items(engine, "seeded", self.sizes.listings)?;
        let folder = self.shops.file("feed");
        let (mut first, mut again, mut bare) = (Vec::new(), Vec::new(), Vec::new());
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
            let rows = read_rows(&newest_csv(&folder)?)?;
            if rows.len() != self.sizes.listings as usize + 1 {
                return Err(BenchError::Unexpected(format!("the feed has {} rows", rows.len())));
            }
            for _ in 0..3 {
                bare.push(write_rows(&self.shops.file("bare.csv"), &rows)?);
            }
            fs::remove_dir_all(&folder).trying("removing a feed")?;
            self.shops.remove(&shop)?;
        }
        self.shops.remove(&seeded)?;
        let figure = |what: &str, times: &[f64], aimed: bool| {
            let ratio = median(times) / median(&bare);
            Figure {
                row: 6,
                what: format!("`feed out`, {} listings, {what}, {}", self.sizes.listings, engine.name()),
                ours: seconds(median(times)),
                theirs: format!(
                    "the csv crate writing the same rows from memory: {}",
                    seconds(median(&bare))
                ),
                figure: format!("{ratio:.1} × its time"),
                aim: if aimed { aim_on_sqlite(engine, "≤ 4 ×", ratio <= AIM) } else { None },
                runs: format!("{} and {}", times.len(), bare.len()),
            }
        };
        Ok(vec![figure("all listed before", &again, true), figure("the first time", &first, false)])
    }
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

fn read_rows(path: &Path) -> Result<Vec<csv::ByteRecord>, BenchError> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(path)?;
    Ok(reader.byte_records().collect::<Result<_, _>>()?)
}

/// To a file, and durable, as the feed is.
fn write_rows(path: &Path, rows: &[csv::ByteRecord]) -> Result<f64, BenchError> {
    let what = "writing rows";
    let start = Instant::now();
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(File::create(path).trying(what)?);
    for row in rows {
        writer.write_byte_record(row)?;
    }
    let file = writer.into_inner().map_err(csv::IntoInnerError::into_error).trying(what)?;
    file.sync_all().trying(what)?;
    let took = start.elapsed().as_secs_f64();
    fs::remove_file(path).trying(what)?;
    Ok(took)
}
