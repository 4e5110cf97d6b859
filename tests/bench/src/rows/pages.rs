//! Rows 10 and 11: how long the server takes for each page in a large shop and in a small one, and how much a
//! browser with an empty cache loads.

use super::{Bench, aim_on_sqlite};
use crate::goods::{self, sku};
use crate::http::Client;
use crate::program::{Serving, run_other};
use crate::report::Figure;
use crate::shop::{Engine, Shop, text};
use crate::stats::{Times, ms};
use crate::trouble::{BenchError, Trying};
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::process::Command;
use std::time::{Duration, Instant};

/// The longest time for 95 of 100 requests in the large shop.
const AIM_TIME: Duration = Duration::from_millis(25);
/// The most time for the large shop, as a multiple of the small one's.
const AIM_RATIO: f64 = 2.0;
/// The largest first load, compressed, with the two fonts and without images.
const AIM_BYTES: usize = 120 * 1024;
/// Requests for each page before the measured ones, so that both sides have read their files.
const WARM_UP: usize = 3;
/// The most files that are followed from a page: far more than any has.
const MOST_FILES: usize = 50;

/// Pages whose time could grow with the shop; `{sku}` is a piece in the middle of the shelf.
pub(super) const PAGES: [&str; 17] = [
    "/today",
    "/workbench",
    "/shelf",
    "/shelf?find=heather",
    "/shelf/items/{sku}",
    "/shelf/styles",
    "/shelf/holds",
    "/counter",
    "/counter?find=heather",
    "/counter/sales",
    "/online",
    "/online/texts",
    "/online/listed",
    "/online/orders",
    "/books?year=2024",
    "/books/day/2024-05-17",
    "/settings",
];

/// A shop whose pages are measured.
pub(super) struct Side {
    pub(super) shop: Shop,
    pub(super) serving: Serving,
    pub(super) client: Client,
    pub(super) pieces: u32,
    times: Vec<Duration>,
}

impl Bench {
    pub(super) fn page_times(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let mut large = self.side(engine, "large", self.sizes.listings, self.sizes.sales_made)?;
        let mut small = self.side(engine, "small", self.sizes.small_shop, self.sizes.few_orders)?;
        let figures = PAGES.map(|page| {
            self.page_time(engine, page, &mut large, &mut small).unwrap_or_else(|trouble| {
                Figure::missing(
                    10,
                    &format!("`{page}`, {}", engine.name()),
                    &format!("not measured: {trouble}"),
                )
            })
        });
        for side in [large, small] {
            side.serving.close()?;
            self.shops.remove(&side.shop)?;
        }
        Ok(figures.into())
    }

    fn page_time(
        &self,
        engine: Engine,
        page: &str,
        large: &mut Side,
        small: &mut Side,
    ) -> Result<Figure, BenchError> {
        for side in [&mut *large, &mut *small] {
            side.times.clear();
        }
        for round in 0..WARM_UP + self.sizes.page_rounds {
            for side in [&mut *large, &mut *small] {
                let took = side.ask(page)?;
                if round >= WARM_UP {
                    side.times.push(took);
                }
            }
        }
        let (most, few) = (large.measured(), small.measured());
        let ratio = most.median().as_secs_f64() / few.median().as_secs_f64();
        let is_met = most.percentile(95) <= AIM_TIME && ratio <= AIM_RATIO;
        let told = |times: &Times| format!("{} (p95 {})", ms(times.median()), ms(times.percentile(95)));
        Ok(Figure {
            row: 10,
            what: format!("`{page}`, {}", engine.name()),
            ours: format!("{} with {} items, {} sales", told(&most), large.pieces, self.sizes.sales_made),
            theirs: format!("{} with {} and {}", told(&few), small.pieces, self.sizes.few_orders),
            figure: format!("p95 {}, {ratio:.2} ×", ms(most.percentile(95))),
            aim: aim_on_sqlite(engine, "p95 ≤ 25 ms, ≤ 2 ×", is_met),
            runs: format!("{} each", self.sizes.page_rounds),
        })
    }

    /// A served shop with this many pieces in stock and this many past sales of one line.
    pub(super) fn side(
        &self,
        engine: Engine,
        name: &str,
        pieces: u32,
        sales: u32,
    ) -> Result<Side, BenchError> {
        let shop = self.shops.with_items(engine, name, pieces)?;
        let file = self.shops.file("orders.csv");
        goods::write_sales(&file, sales)?;
        self.shops.program.run(&shop.url, &["feed", "in", "--past", &text(&file)])?;
        fs::remove_file(&file).trying("removing an orders file")?;
        let serving = self.shops.program.serve(&shop.url)?;
        let client = Client::connect(serving.address(), &shop.token)?;
        Ok(Side { shop, serving, client, pieces, times: Vec::new() })
    }

    pub(super) fn first_loads(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let mut side = self.side(engine, "shop", self.sizes.small_shop, self.sizes.few_orders)?;
        let figures = PAGES.map(|page| {
            self.first_load(page, &mut side).unwrap_or_else(|trouble| {
                Figure::missing(11, &format!("`{page}`"), &format!("not measured: {trouble}"))
            })
        });
        side.serving.close()?;
        self.shops.remove(&side.shop)?;
        Ok(figures.into())
    }

    fn first_load(&self, page: &str, side: &mut Side) -> Result<Figure, BenchError> {
        let html = side.read(&side.path(page))?;
        let files = side.files_of(&html)?;
        let (mut sent, mut compressed) = (html.len(), self.compressed(&html)?);
        for file in &files {
            let body = side.read(file)?;
            sent += body.len();
            compressed += self.compressed(&body)?;
        }
        Ok(Figure {
            row: 11,
            what: format!("first load of `{page}`"),
            ours: format!("{} in all, the page itself {}, {} files", kib(sent), kib(html.len()), files.len()),
            theirs: "–".to_owned(),
            figure: format!("{} by gzip -6", kib(compressed)),
            aim: Some(("≤ 120 KiB compressed".to_owned(), compressed <= AIM_BYTES)),
            runs: "1".to_owned(),
        })
    }

    /// The size of a body after a web server's usual compression.
    fn compressed(&self, body: &[u8]) -> Result<usize, BenchError> {
        let file = self.shops.file("body");
        fs::write(&file, body).trying("writing a body")?;
        let input = File::open(&file).trying("reading a body")?;
        let counted = run_other(Command::new("sh").args(["-c", "gzip -6 | wc -c"]).stdin(input), "gzip")?;
        counted.trim().parse().map_err(|_| BenchError::Unexpected(format!("wc answered {counted:?}")))
    }
}

impl Side {
    pub(super) fn path(&self, page: &str) -> String {
        page.replace("{sku}", &sku(self.pieces / 2))
    }

    fn ask(&mut self, page: &str) -> Result<Duration, BenchError> {
        let path = self.path(page);
        let start = Instant::now();
        self.client.get(&path)?.expect(200)?;
        Ok(start.elapsed())
    }

    fn measured(&self) -> Times {
        Times::of(self.times.iter().copied())
    }

    fn read(&mut self, path: &str) -> Result<Vec<u8>, BenchError> {
        Ok(self.client.get(path)?.expect(200)?.body)
    }

    /// A page's style sheets and scripts, and the scripts that those import.
    fn files_of(&mut self, html: &[u8]) -> Result<BTreeSet<String>, BenchError> {
        let html = String::from_utf8_lossy(html);
        let mut files: BTreeSet<String> = assets_in(&html).collect();
        let mut unread: Vec<String> =
            files.iter().filter(|f| f.rsplit('.').next() == Some("js")).cloned().collect();
        while let Some(script) = unread.pop() {
            let body = self.read(&script)?;
            let folder = script.rsplit_once('/').map_or("", |(folder, _)| folder).to_owned();
            for name in imports_in(&String::from_utf8_lossy(&body)) {
                let file = format!("{folder}/{name}");
                if files.len() < MOST_FILES && files.insert(file.clone()) {
                    unread.push(file);
                }
            }
        }
        Ok(files)
    }
}

/// The addresses of the program's own files in a page.
fn assets_in(html: &str) -> impl Iterator<Item = String> {
    html.split('"').filter(|part| part.starts_with("/assets/")).map(str::to_owned)
}

/// The names of the modules next to it that a script imports.
fn imports_in(script: &str) -> Vec<String> {
    let quoted =
        |line: &str| line.split(['"', '\'']).nth(1).and_then(|f| f.strip_prefix("./")).map(str::to_owned);
    let begins = |line: &&str| line.starts_with("import") || line.contains(" from ");
    script.lines().filter(begins).filter_map(quoted).collect()
}

fn kib(bytes: usize) -> String {
    let tenths = bytes * 10 / 1024;
    format!("{}.{} KiB", tenths / 10, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_page_loads_is_found_in_it() {
        let html = r#"<link rel="stylesheet" href="/assets/a1/look.css"><script type="module" src="/assets/a1/x.js">"#;
        assert_eq!(assets_in(html).collect::<Vec<_>>(), ["/assets/a1/look.css", "/assets/a1/x.js"]);
        let check = |script: &str, expected: &[&str]| assert_eq!(imports_in(script), expected, "{script}");
        check("import { a } from \"./a.js\";\nimport './b.js';", &["a.js", "b.js"]);
        check("export { a } from \"./a.js\";", &["a.js"]);
        check("const x = \"./a.js\";", &[]);
    }

    #[test]
    fn sizes_are_read_in_kibibytes() {
        let check = |bytes: usize, expected: &str| assert_eq!(kib(bytes), expected);
        check(0, "0.0 KiB");
        check(1024, "1.0 KiB");
        check(61_440, "60.0 KiB");
        check(1587, "1.5 KiB");
    }
}
