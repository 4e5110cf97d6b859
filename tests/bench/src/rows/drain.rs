//! Row 13: sending everything that changed while the online shop was down, compared with a bare loop of the
//! same requests.

use super::Bench;
use crate::goods;
use crate::online::Online;
use crate::report::Figure;
use crate::shop::{Engine, text};
use crate::stats::{median, rate};
use crate::trouble::BenchError;
use pretend::Remembered;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// Parallel requests on either side: as many as the program makes.
const AT_ONCE: usize = 8;
/// The least share of the bare loop's rate.
const fn aim(engine: Engine) -> f64 {
    match engine {
        Engine::Sqlite => 0.8,
        Engine::Postgres => 0.65,
    }
}
/// The most growth of memory between a tenth of the way and the end, in KiB.
const AIM_GROWTH_KIB: u64 = 16 * 1024;

impl Bench {
    pub(super) fn drain(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let count = self.sizes.listings;
        let shop = self.shops.with_items(engine, "shop", count)?;
        let online = Online::open()?;
        online.connect(&self.shops.program, &shop, &self.shops.folder)?;
        let serving = self.shops.program.serve(&shop.url)?;
        online.wait_until_listed(count)?;
        serving.close()?;
        // While nothing is sent, every price changes.
        let file = self.shops.file("changed.csv");
        goods::write_items(&file, 0, count, 1)?;
        self.shops.program.run(&shop.url, &["add", "items", &text(&file)])?;
        online.shop.remember_messages();
        let begun = Instant::now();
        let serving = self.shops.program.serve(&shop.url)?;
        online.wait_until_remembered(count / 10)?;
        let early_kib = serving.memory_kib("VmHWM");
        online.wait_until_remembered(count)?;
        let (took, late_kib) = (begun.elapsed(), serving.memory_kib("VmHWM"));
        serving.close()?;
        let told = online.shop.take_remembered();
        self.shops.check_and_remove(&shop)?;
        drop(online);
        let bodies: Arc<Vec<Remembered>> = Arc::new(told);
        let mut bare = Vec::new();
        for _ in 0..self.sizes.rounds {
            bare.push(rate(bodies.len(), bare_loop(&bodies)?));
        }
        let (ours, bare) = (rate(bodies.len(), took), median(&bare));
        let what = format!("draining {count} changes after an outage, {}", engine.name());
        let grown = late_kib.saturating_sub(early_kib);
        Ok(vec![
            Figure {
                row: 13,
                what: what.clone(),
                ours: format!("{ours:.0} a second, the program's start included"),
                theirs: format!("{bare:.0} a second by a bare reqwest loop, {AT_ONCE} at once"),
                figure: format!("{:.2} of its rate", ours / bare),
                aim: Some((format!("≥ {}", aim(engine)), ours >= aim(engine) * bare)),
                runs: format!("1, bare {}", self.sizes.rounds),
            },
            Figure {
                row: 13,
                what: format!("{what}: resident"),
                ours: format!("{} MB after a tenth of them", early_kib.div_ceil(1024)),
                theirs: format!("{} MB after all", late_kib.div_ceil(1024)),
                figure: format!("{} MB more", grown.div_ceil(1024)),
                aim: Some(("flat: ≤ 16 MB more".to_owned(), grown <= AIM_GROWTH_KIB)),
                runs: "1".to_owned(),
            },
        ])
    }
}

/// Sends the same bodies to a shop of its own, as fast as possible.
fn bare_loop(bodies: &Arc<Vec<Remembered>>) -> Result<Duration, BenchError> {
    let online = Online::open()?;
    let wrong = |why: reqwest::Error| BenchError::Unexpected(format!("the bare loop: {why}"));
    // The program installs it too before its first request; it may be installed already.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let client = reqwest::Client::builder().no_proxy().build().map_err(wrong)?;
    let next = Arc::new(AtomicUsize::new(0));
    let begun = Instant::now();
    let lanes: Vec<_> = (0..AT_ONCE)
        .map(|_| {
            let (client, next, bodies) = (client.clone(), Arc::clone(&next), Arc::clone(bodies));
            let base = online.shop.base();
            online.runtime.spawn(async move {
                while let Some(told) = bodies.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let request = client.put(format!("{base}/intake/{}", told.sku)).body(told.body.clone());
                    request.send().await?.error_for_status()?.bytes().await?;
                }
                Ok(())
            })
        })
        .collect();
    for lane in lanes {
        let lost = |_| BenchError::Unexpected("a lane of the bare loop broke down".to_owned());
        online.runtime.block_on(lane).map_err(lost)?.map_err(wrong)?;
    }
    Ok(begun.elapsed())
}
