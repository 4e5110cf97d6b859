//! How fast the program is next to the bare engines: SQLite in process, `pgbench`, the engines' shells and the csv
//! crate. All figures come from alternating runs within one run of this program, on a file on disk, with durable
//! commits.
//!
//! `tests/bench/run` builds what is needed, starts its own PostgreSQL and calls this program.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod bare;
mod counters;
mod goods;
mod http;
mod machine;
mod online;
mod pgbench;
mod program;
mod report;
mod rows;
mod shell;
mod shop;
mod sizes;
mod stats;
mod trouble;

use crate::program::Program;
use crate::rows::{Bench, ROWS};
use crate::shop::{Postgres, Shops};
use crate::sizes::Sizes;
use crate::trouble::{BenchError, Trying};
use std::env;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

const USAGE: &str = "bench --program FILE [--quick] [--only ROW]...";

struct Asked {
    program: PathBuf,
    quick: bool,
    rows: Vec<u8>,
}

fn main() -> ExitCode {
    let measured = asked(env::args().skip(1)).and_then(|asked| measure(&asked));
    match measured {
        Ok(()) => ExitCode::SUCCESS,
        Err(trouble) => {
            eprintln!("bench: {trouble}");
            ExitCode::FAILURE
        }
    }
}

fn asked(mut arguments: impl Iterator<Item = String>) -> Result<Asked, BenchError> {
    let wrong = || BenchError::Unexpected(format!("usage: {USAGE}; rows are 1 to {}", ROWS.len()));
    let mut asked = Asked { program: PathBuf::new(), quick: false, rows: Vec::new() };
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--program" => asked.program = arguments.next().ok_or_else(wrong)?.into(),
            "--quick" => asked.quick = true,
            "--only" => {
                let row = arguments.next().and_then(|row| row.parse().ok());
                asked.rows.push(row.filter(|r| ROWS.iter().any(|(row, _)| row == r)).ok_or_else(wrong)?);
            }
            _ => return Err(wrong()),
        }
    }
    if !asked.program.is_file() {
        return Err(wrong());
    }
    if asked.rows.is_empty() {
        asked.rows = ROWS.map(|(row, _)| row).to_vec();
    }
    Ok(asked)
}

fn measure(asked: &Asked) -> Result<(), BenchError> {
    let folder = tempfile::Builder::new().prefix("fleecefold-bench.").tempdir().trying("making a folder")?;
    let postgres = match (env::var("FLEECEFOLD_BENCH_PG"), env::var("FLEECEFOLD_BENCH_PG_BIN")) {
        (Ok(url), Ok(bin)) => Some(Postgres::new(&url, Path::new(&bin))?),
        _ => None,
    };
    let program = Program::at(&asked.program, folder.path().join("token.keys"));
    let shops = Shops { program, folder: folder.path().to_path_buf(), postgres };
    let sizes = if asked.quick { Sizes::quick() } else { Sizes::full() };
    println!("{}", machine::facts(&shops)?);
    let bench = Bench { shops, sizes };
    let figures: Vec<_> = asked.rows.iter().flat_map(|row| bench.row(*row)).collect();
    if asked.quick {
        println!("Small sizes (--quick): these figures are no measure of the aims.\n");
    }
    println!("{}", report::table(&figures));
    Ok(())
}
