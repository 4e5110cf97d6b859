//! Row 16: the program's memory in a large shop while it is in use, and what it keeps of it after photographs.

use super::pages::{PAGES, Side};
use super::{Bench, aim_on_sqlite};
use crate::counters::{Rung, Work};
use crate::goods;
use crate::http::Client;
use crate::report::Figure;
use crate::shop::{Engine, text};
use crate::trouble::{BenchError, Trying};
use image::RgbImage;
use image::codecs::jpeg::JpegEncoder;
use std::fs;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

const COUNTERS: u32 = 32;
/// How long the shop is in use.
const IN_USE: Duration = Duration::from_secs(30);
/// Between one customer of a counter and the next.
const THINK: Duration = Duration::from_millis(50);
/// Between one page and the next.
const PAGE_EVERY: Duration = Duration::from_millis(100);
/// The most resident memory while it is in use, in KiB.
const AIM_IN_USE: u64 = 120 * 1024;

/// A photograph as a phone takes it.
const WIDTH: u32 = 4000;
const HEIGHT: u32 = 3000;
const QUALITY: u8 = 88;
/// Pieces with photographs, one after the other, and how many each has.
const PIECES: usize = 6;
const EACH: usize = 2;
/// The time after which memory is back.
const REST: Duration = Duration::from_secs(15);
/// The most that photographs leave behind, in KiB.
const AIM_KEPT: u64 = 32 * 1024;

impl Bench {
    pub(super) fn memory(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let mut side = self.side(engine, "shop", self.sizes.listings, self.sizes.sales_made)?;
        let begun = side.serving.memory_kib("VmRSS");
        let rung = self.in_use(&side)?;
        let most = side.serving.memory_kib("VmHWM");
        let before = side.serving.memory_kib("VmRSS");
        side.photographs()?;
        let after = side.serving.memory_kib("VmRSS");
        thread::sleep(REST);
        let rested = side.serving.memory_kib("VmRSS");
        let highest = side.serving.memory_kib("VmHWM");
        side.serving.close()?;
        self.shops.check_and_remove(&side.shop)?;
        let kept = rested.saturating_sub(before);
        Ok(vec![
            Figure {
                row: 16,
                what: format!(
                    "`serve` with {} items and {} sales in use, {}",
                    side.pieces,
                    self.sizes.sales_made,
                    engine.name()
                ),
                ours: format!("{} at most, {} when it began; {} sales", mb(most), mb(begun), rung.sales()),
                theirs: "–".to_owned(),
                figure: mb(most),
                aim: aim_on_sqlite(engine, "≤ 120 MB", most <= AIM_IN_USE),
                runs: "1".to_owned(),
            },
            Figure {
                row: 16,
                what: format!(
                    "what {} photographs of 12 megapixels leave behind, {}",
                    PIECES * EACH,
                    engine.name()
                ),
                ours: format!(
                    "{} before, {} at most, {} after the last, {} at rest",
                    mb(before),
                    mb(highest),
                    mb(after),
                    mb(rested)
                ),
                theirs: "–".to_owned(),
                figure: format!("{} more", mb(kept)),
                aim: aim_on_sqlite(engine, "≤ 32 MB more", kept <= AIM_KEPT),
                runs: "1".to_owned(),
            },
        ])
    }

    /// Counters sell and pages are read, while a file changes the price of every item.
    fn in_use(&self, side: &Side) -> Result<Rung, BenchError> {
        let file = self.shops.file("changed.csv");
        goods::write_items(&file, 0, side.pieces, 1)?;
        let over = AtomicBool::new(false);
        let counters = Work {
            counters: COUNTERS,
            first_piece: 0,
            pieces_each: side.pieces / COUNTERS,
            think: THINK,
            go_on: &|_, since| since < IN_USE,
        };
        let (address, token) = (side.serving.address(), side.shop.token.as_str());
        let rung = thread::scope(|scope| {
            let pages = scope.spawn(|| read_pages(address, token, side, &over));
            let import =
                scope.spawn(|| self.shops.program.run(&side.shop.url, &["add", "items", &text(&file)]));
            let rung = counters.run(address, token);
            over.store(true, Ordering::Relaxed);
            let lost = |_| BenchError::Unexpected("a reader of pages broke down".to_owned());
            pages.join().map_err(lost)??;
            import.join().map_err(lost)??;
            rung
        });
        fs::remove_file(&file).trying("removing an items file")?;
        rung
    }
}

fn read_pages(address: &str, token: &str, side: &Side, over: &AtomicBool) -> Result<(), BenchError> {
    let mut client = Client::connect(address, token)?;
    for page in PAGES.iter().cycle() {
        if over.load(Ordering::Relaxed) {
            break;
        }
        client.get(&side.path(page))?.expect(200)?;
        thread::sleep(PAGE_EVERY);
    }
    Ok(())
}

impl Side {
    /// Pieces that are finished at the Workbench, each with its photographs.
    fn photographs(&mut self) -> Result<(), BenchError> {
        let photograph = photograph()?;
        // The connection from the beginning was idle for longer than the program keeps one.
        self.client = Client::connect(self.serving.address(), &self.shop.token)?;
        for piece in 0..PIECES {
            let fields = [
                ("name", format!("Photographed {piece}")),
                ("price", "40.00".to_owned()),
                ("weight", "6".to_owned()),
                ("unit", "ONZ".to_owned()),
            ];
            self.client.post_form("/workbench", &fields, &[photograph.as_slice(); EACH])?.expect(303)?;
        }
        Ok(())
    }
}

/// Neither a plain area, which takes little memory, nor noise, which no lens sees.
fn photograph() -> Result<Vec<u8>, BenchError> {
    let shade = |x: u32, y: u32, by: u32| {
        u8::try_from((x / by * 7 + y / by * 13 + (x * y) / 4096) % 256).unwrap_or(0)
    };
    let picture =
        RgbImage::from_fn(WIDTH, HEIGHT, |x, y| image::Rgb([shade(x, y, 9), shade(x, y, 5), shade(y, x, 7)]));
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY)
        .encode_image(&picture)
        .map_err(|why| BenchError::Unexpected(format!("a photograph could not be made: {why}")))?;
    Ok(bytes)
}

fn mb(kib: u64) -> String {
    format!("{} MB", kib.div_ceil(1024))
}
