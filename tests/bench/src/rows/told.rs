//! Row 12: from a sale at the counter until the online shop has received the new stock.

use super::{Bench, aim_on_sqlite};
use crate::counters::HANDED_OVER;
use crate::goods::sku;
use crate::http::Client;
use crate::online::Online;
use crate::report::Figure;
use crate::shop::{Engine, Shop};
use crate::stats::{Times, ms};
use crate::trouble::BenchError;
use std::collections::HashMap;
use std::thread;
use std::time::{Duration, Instant};

/// Between one sale and the next: a quiet counter, and a fair with fifty sales per second.
const IDLE: Duration = Duration::from_millis(250);
const BUSY: Duration = Duration::from_millis(20);
/// The longest time for 99 in 100.
const IDLE_AIM: Duration = Duration::from_millis(250);
const BUSY_AIM: Duration = Duration::from_secs(1);

impl Bench {
    pub(super) fn until_told(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let (idle, busy) = (self.sizes.told_idle, self.sizes.told_busy);
        let shop = self.shops.with_items(engine, "shop", idle + busy)?;
        let online = Online::open()?;
        online.connect(&self.shops.program, &shop, &self.shops.folder)?;
        let serving = self.shops.program.serve(&shop.url)?;
        online.wait_until_listed(idle + busy)?;
        let idle_times = sell(&online, serving.address(), &shop, 0..idle, IDLE)?;
        let busy_times = sell(&online, serving.address(), &shop, idle..idle + busy, BUSY)?;
        serving.close()?;
        self.shops.check_and_remove(&shop)?;
        let figure = |what: &str, times: &Times, aim: Duration, words: &str| {
            let p99 = times.percentile(99);
            Figure {
                row: 12,
                what: format!("a sale until the online shop knows, {what}, {}", engine.name()),
                ours: format!("p50 {}, longest {}", ms(times.median()), ms(times.longest())),
                theirs: "from the request for the sale to the message taken".to_owned(),
                figure: format!("p99 {}", ms(p99)),
                aim: aim_on_sqlite(engine, words, p99 <= aim),
                runs: format!("{} sales", times.len()),
            }
        };
        Ok(vec![
            figure("idle", &idle_times, IDLE_AIM, "≤ 250 ms"),
            figure("50 changes a second", &busy_times, BUSY_AIM, "≤ 1 s"),
        ])
    }
}

/// Sells one piece after another at this pace; returns how long each took to arrive at the online shop,
/// including the sale itself.
fn sell(
    online: &Online,
    address: &str,
    shop: &Shop,
    pieces: std::ops::Range<u32>,
    pace: Duration,
) -> Result<Times, BenchError> {
    let mut counter = Client::connect(address, &shop.token)?;
    online.shop.remember_messages();
    let (count, mut asked) = (pieces.end - pieces.start, HashMap::new());
    let begun = Instant::now();
    for (number, piece) in pieces.enumerate() {
        let due = pace * u32::try_from(number).unwrap_or(u32::MAX);
        thread::sleep(due.saturating_sub(begun.elapsed()));
        asked.insert(sku(piece), Instant::now());
        let body = format!(
            r#"{{"channel":"store","lines":[{{"sku":"{}","quantity":"1"}}],"tenders":[{{"kind":"cash","amount":"{HANDED_OVER}"}}]}}"#,
            sku(piece)
        );
        counter.post("/api/sales", &format!("sale-{piece}"), &body)?.expect(201)?;
    }
    online.wait_until_remembered(count)?;
    let told = online.shop.take_remembered();
    let times =
        told.iter().filter_map(|told| Some(told.at.saturating_duration_since(*asked.get(&told.sku)?)));
    Ok(Times::of(times))
}
