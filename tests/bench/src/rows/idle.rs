//! Row 14: what an idle connection costs.

use super::{Bench, aim_on_sqlite};
use crate::online::Online;
use crate::report::Figure;
use crate::shop::{Engine, Shop};
use crate::stats::ms;
use crate::trouble::BenchError;
use std::thread;
use std::time::Duration;

/// Items of the shop, enough that going through all of them would be noticed.
const ITEMS: u32 = 10_000;
/// By then the work after the start is done.
const SETTLES: Duration = Duration::from_secs(2);
/// Polls are half a minute apart, see `online.rs`.
const POLL: Duration = Duration::from_secs(30);
/// Two ticks of the system's count: less cannot be measured.
const AIM: Duration = Duration::from_millis(20);

impl Bench {
    pub(super) fn idle_connection(&self, engine: Engine) -> Result<Vec<Figure>, BenchError> {
        let shop = self.shops.with_items(engine, "shop", ITEMS)?;
        let without = self.processor_time(&shop, || ())?;
        let online = Online::open()?;
        online.connect(&self.shops.program, &shop, &self.shops.folder)?;
        let serving = self.shops.program.serve(&shop.url)?;
        online.wait_until_listed(ITEMS)?;
        serving.close()?;
        let mut before = online.shop.counts();
        let with = self.processor_time(&shop, || before = online.shop.counts())?;
        let asked = online.shop.counts().requests - before.requests;
        self.shops.check_and_remove(&shop)?;
        let more = with.saturating_sub(without);
        let polls = self.sizes.idle.as_secs().div_ceil(POLL.as_secs());
        let time = format!("{} s", self.sizes.idle.as_secs());
        Ok(vec![
            Figure {
                row: 14,
                what: format!("processor time of an idle connection in {time}, {}", engine.name()),
                ours: format!("{} with it", ms(with)),
                theirs: format!("{} without", ms(without)),
                figure: format!("{} more", ms(more)),
                aim: aim_on_sqlite(engine, "not measurable: ≤ 2 ticks of 10 ms", more <= AIM),
                runs: "1 each".to_owned(),
            },
            Figure {
                row: 14,
                what: format!("requests of an idle connection in {time}, {}", engine.name()),
                ours: format!("{asked} requests"),
                theirs: format!("{polls} polls at most fall into it"),
                figure: format!("{asked} requests in {polls} polls"),
                aim: aim_on_sqlite(engine, "≤ 1 a poll", asked <= polls),
                runs: "1".to_owned(),
            },
        ])
    }

    /// The processor time of the program while nobody asks it for anything.
    fn processor_time(&self, shop: &Shop, begin: impl FnOnce()) -> Result<Duration, BenchError> {
        let serving = self.shops.program.serve(&shop.url)?;
        thread::sleep(SETTLES);
        begin();
        let before = serving.processor_time()?;
        thread::sleep(self.sizes.idle);
        let used = serving.processor_time()?.saturating_sub(before);
        serving.close()?;
        Ok(used)
    }
}
