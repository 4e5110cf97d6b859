//! How soon an online shop learns of a sale at a counter of another process, on PostgreSQL.
//!
//! The counter is a process of its own: this program, started again. `FLEECEFOLD_HEARD_SALES` is the number of
//! sales that are measured (default 40).

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use storm::heard::{Counter, Listening};

const SALES: usize = 40;
/// The median, on a machine that builds and tests at the same time. By polling alone it would be half a second.
const HEARD_WITHIN: Duration = Duration::from_millis(250);
/// Where the other process finds the shop.
const URL: &str = "FLEECEFOLD_HEARD_URL";

fn sales() -> usize {
    std::env::var("FLEECEFOLD_HEARD_SALES").ok().and_then(|text| text.parse().ok()).unwrap_or(SALES)
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap()
}

fn micros(at: SystemTime) -> u128 {
    at.duration_since(UNIX_EPOCH).unwrap().as_micros()
}

/// The counter: sells each code that it reads, and prints when the sale was acknowledged.
#[test]
fn a_counter_of_another_process() {
    let Ok(url) = std::env::var(URL) else { return };
    runtime().block_on(async {
        let counter = Counter::open(&url).await.unwrap();
        for line in std::io::stdin().lock().lines() {
            counter.sell(line.unwrap().trim()).await.unwrap();
            println!("sold {}", micros(SystemTime::now()));
            std::io::stdout().flush().unwrap();
        }
        counter.close().await;
    });
}

#[test]
fn a_sale_at_another_process_is_told_at_once() {
    if std::env::var("FLEECEFOLD_TEST_ENGINES").as_deref() == Ok("sqlite") {
        return;
    }
    let count = sales();
    let runtime = runtime();
    let listening = runtime.block_on(Listening::begin(count)).unwrap_or_else(|e| panic!("{e}"));
    let listening = Arc::new(listening);
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "a_counter_of_another_process", "--nocapture", "--test-threads=1"])
        .env(URL, listening.url())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let (mut says, mut hears) =
        (child.stdin.take().unwrap(), BufReader::new(child.stdout.take().unwrap()).lines());
    let mut took = Vec::new();
    for number in 0..count {
        let sku = Listening::sku(number);
        writeln!(says, "{sku}").unwrap();
        let sold: u128 = loop {
            let line = hears.next().expect("the counter goes on").unwrap();
            if let Some((_, at)) = line.split_once("sold ") {
                break at.trim().parse().unwrap();
            }
        };
        let (now, began) = (SystemTime::now(), Instant::now());
        let told = runtime.block_on(listening.told(&sku, Duration::from_secs(20))).expect("it is told");
        let told = micros(now + told.saturating_duration_since(began)) - began_before(began, told);
        took.push(Duration::from_micros(u64::try_from(told.saturating_sub(sold)).unwrap()));
        // Not in step with the poll once per second.
        std::thread::sleep(Duration::from_millis(u64::try_from(number * 37 % 400).unwrap()));
    }
    drop(says);
    assert!(child.wait().unwrap().success());
    runtime.block_on(async { Arc::into_inner(listening).unwrap().end().await });
    took.sort_unstable();
    let at = |part: usize| took[(took.len() * part / 100).min(took.len() - 1)];
    println!("{count} sales: median {:?}, p99 {:?}, longest {:?}", at(50), at(99), took[took.len() - 1]);
    assert!(at(50) < HEARD_WITHIN, "{:?}", at(50));
}

/// How long before `began` it was sent, in microseconds: it may be sent before its sale is reported here.
fn began_before(began: Instant, told: Instant) -> u128 {
    began.saturating_duration_since(told).as_micros()
}
