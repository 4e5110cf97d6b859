//! The pretend online shop within the bench's own process, so that it is known when it receives a message.

use crate::program::Program;
use crate::shop::{Shop, text};
use crate::trouble::{BenchError, Trying};
use pretend::{Options, Running};
use std::fs;
use std::net::Ipv4Addr;
use std::path::Path;
use std::time::{Duration, Instant};
use tokio::runtime::Runtime;

/// How long the next message may take.
const PATIENCE: Duration = Duration::from_mins(2);
/// How often the shop is asked.
const LOOK_EVERY: Duration = Duration::from_millis(2);
/// The highest rate that a connection can be set to.
const PER_SECOND: u32 = 100_000;

/// The pretend shop, listening on a free loopback port.
pub(crate) struct Online {
    pub(crate) runtime: Runtime,
    pub(crate) shop: Running,
}

impl Online {
    pub(crate) fn open() -> Result<Self, BenchError> {
        let runtime = Runtime::new().trying("starting the pretend shop")?;
        let options = Options { listen: (Ipv4Addr::LOCALHOST, 0).into(), ..Options::default() };
        let shop = runtime.block_on(pretend::Shop::start(options));
        let shop = shop.map_err(|why| BenchError::Unexpected(format!("the pretend shop: {why}")))?;
        Ok(Self { runtime, shop })
    }

    /// Connects a shop to it, so that everything in stock is listed.
    pub(crate) fn connect(&self, program: &Program, shop: &Shop, folder: &Path) -> Result<(), BenchError> {
        let file = folder.join("village.toml");
        fs::write(&file, connection(&self.shop.base())).trying("writing a connection")?;
        program.run(&shop.url, &["sync", "connect", "village", &text(&file)])?;
        Ok(())
    }

    /// Waits until `count` listings exist.
    pub(crate) fn wait_until_listed(&self, count: u32) -> Result<(), BenchError> {
        Self::wait(count, || self.shop.counts().taken, || self.shop.goods().len())
    }

    /// Waits until the shop has received `count` messages.
    pub(crate) fn wait_until_remembered(&self, count: u32) -> Result<(), BenchError> {
        Self::wait(count, || self.shop.counts().taken, || self.shop.remembered())
    }

    /// Waits until there are `count`, as long as messages keep arriving. Counting starts only when there may be
    /// enough.
    fn wait(count: u32, told: impl Fn() -> u64, there: impl Fn() -> usize) -> Result<(), BenchError> {
        let (mut last, mut moved) = (told(), Instant::now());
        let mut looked_at = u64::MAX;
        while moved.elapsed() < PATIENCE {
            let now = told();
            if now != last {
                (last, moved) = (now, Instant::now());
            }
            if now != looked_at && now >= u64::from(count) {
                looked_at = now;
                if there() >= count as usize {
                    return Ok(());
                }
            }
            std::thread::sleep(LOOK_EVERY);
        }
        Err(BenchError::Unexpected(format!("the online shop was told of {} of {count}", there())))
    }
}

fn connection(base: &str) -> String {
    format!(
        r#"channel = "online"
base = "{base}"
private = true
per_second = {PER_SECOND}
[out]
message = "listing"
method = "PUT"
to = "/intake/{{sku}}"
new_pieces = "list"
[orders]
from = "/bought?after={{cursor}}"
next = "cursor"
cursor_at = "/next"
every = "30s"
layout = '''
feed = "orders"
format = "json"
each = "/bought"
lines = "/lines"
ignore = "*"
[field.orderNumber]
from = "/ref"
[field.orderDate]
from = "/placed"
[field.dateModified]
from = "/changed"
[field.orderStatus]
from = "/state"
[field.sku]
from = "/code"
[field.orderQuantity]
from = "/count"
[field.price]
from = "/each"
'''
"#
    )
}
