//! The machine on which the figures were measured.

use crate::program::run_other;
use crate::shop::{Postgres, Shops};
use crate::stats::{Times, ms};
use crate::trouble::{BenchError, Trying};
use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

const FLUSHES: usize = 500;
/// What each of them writes: a page of either engine's journal.
const PAGE: [u8; 4096] = [7; 4096];

pub(crate) fn facts(shops: &Shops) -> Result<String, BenchError> {
    let cores = std::thread::available_parallelism().trying("counting the cores")?;
    let flushes = flushes(&shops.folder)?;
    let shell = run_other(Command::new("sqlite3").arg("--version"), "sqlite3 --version")?;
    let shell = shell.split_whitespace().next().unwrap_or_default().to_owned();
    Ok(format!(
        "- {cores} cores ({}), {} of memory, Linux {}\n\
         - disk: a flush (4 KiB appended, fdatasync) takes {} (median), {} (99th percentile) of {FLUSHES}\n\
         - the program's SQLite and the bare one: {}; the sqlite3 shell: {shell}\n\
         - PostgreSQL: {}\n",
        line_of("/proc/cpuinfo", "model name"),
        memory(),
        fs::read_to_string("/proc/sys/kernel/osrelease").unwrap_or_default().trim(),
        ms(flushes.median()),
        ms(flushes.percentile(99)),
        rusqlite::version(),
        shops.postgres.as_ref().map_or_else(|| Ok("none".to_owned()), postgres_version)?,
    ))
}

fn postgres_version(server: &Postgres) -> Result<String, BenchError> {
    run_other(server.tool("postgres").arg("--version"), "postgres --version").map(|v| v.trim().to_owned())
}

fn line_of(file: &str, name: &str) -> String {
    let text = fs::read_to_string(file).unwrap_or_default();
    let line = text.lines().find(|line| line.starts_with(name));
    line.and_then(|line| line.split_once(':')).map_or("unknown", |(_, value)| value.trim()).to_owned()
}

fn memory() -> String {
    let total = line_of("/proc/meminfo", "MemTotal");
    let kib: Option<u64> = total.split_whitespace().next().and_then(|kib| kib.parse().ok());
    kib.map_or(total, |kib| format!("{} GiB", (kib + (1 << 19)) >> 20))
}

/// How long the disk takes to make a small write durable, which is what each sale waits for.
fn flushes(folder: &Path) -> Result<Times, BenchError> {
    let path = folder.join("flush");
    let what = "trying the disk";
    let mut file = File::create(&path).trying(what)?;
    let mut times: Vec<Duration> = Vec::with_capacity(FLUSHES);
    for _ in 0..FLUSHES {
        let start = Instant::now();
        file.write_all(&PAGE).trying(what)?;
        file.sync_data().trying(what)?;
        times.push(start.elapsed());
    }
    fs::remove_file(path).trying(what)?;
    Ok(Times::of(times))
}
