//! `pretend-shop`: the pretend online shop as a program.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

use clap::Parser;
use pretend::{Fault, Faults, HookSecret, HooksTo, Options, Running, Shop};
use std::error::Error;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// A pretend online shop for trying a live sync. It sells what it believes to have, and can be told to be slow,
/// to fail, and to send things twice and out of order
#[derive(Debug, Parser)]
#[command(name = "pretend-shop", version)]
struct Asked {
    /// Address to listen on, on this machine; port 0 takes any free port
    #[arg(long, value_name = "ADDR:PORT", default_value = "127.0.0.1:8441")]
    listen: SocketAddr,
    /// File with the secret that programs must send as a bearer token
    #[arg(long, value_name = "FILE")]
    secret: Option<PathBuf>,
    /// Address for its hooks
    #[arg(long, value_name = "URL", requires = "hook_secret")]
    hooks_to: Option<String>,
    /// File with a secret that signs hooks (`whsec_…`); may be given several times
    #[arg(long, value_name = "FILE", requires = "hooks_to")]
    hook_secret: Vec<PathBuf>,
    /// How many of a hundred requests meet a fault
    #[arg(long, value_name = "PERCENT", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..=100))]
    faulty: u8,
    /// The faults: slow, 503:30, 500+acted, reset-before, reset-after, cut, drip, wrong-type, huge …
    #[arg(long, value_name = "FAULT", value_delimiter = ',', default_value = "slow,503,reset-after")]
    faults: Vec<Fault>,
    /// How many of a hundred orders and hooks are sent twice
    #[arg(long, value_name = "PERCENT", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..=100))]
    twice: u8,
    /// Send the orders on a page, and hooks that are due together, in random order
    #[arg(long)]
    shuffled: bool,
    /// How far its clock is off, in minutes
    #[arg(long, value_name = "MINUTES", default_value_t = 0, allow_hyphen_values = true, value_parser = clap::value_parser!(i64).range(-10_000..=10_000))]
    clock_off: i64,
    /// Seed of the random numbers: the same seed gives the same run
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
}

/// What cannot be used of what was asked for.
#[derive(Debug, thiserror::Error)]
enum Wrong {
    #[error("the secret in {} could not be read", path.display())]
    Unreadable {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("{} holds no secret for hooks", path.display())]
    NoHookSecret {
        path: PathBuf,
        #[source]
        source: pretend::NotASecret,
    },
    #[error("the secret in {} is empty", path.display())]
    Empty { path: PathBuf },
    #[error("the shop could not open")]
    Shop(#[source] pretend::PretendError),
}

fn secret(path: &Path) -> Result<String, Wrong> {
    let unreadable = |source| Wrong::Unreadable { path: path.to_owned(), source };
    let text = std::fs::read_to_string(path).map_err(unreadable)?.trim().to_owned();
    if text.is_empty() { Err(Wrong::Empty { path: path.to_owned() }) } else { Ok(text) }
}

fn hook_secret(path: &Path) -> Result<HookSecret, Wrong> {
    let not = |source| Wrong::NoHookSecret { path: path.to_owned(), source };
    HookSecret::parse(&secret(path)?).map_err(not)
}

async fn open(asked: Asked) -> Result<Running, Wrong> {
    let secrets = asked.hook_secret.iter().map(|path| hook_secret(path)).collect::<Result<Vec<_>, _>>()?;
    let faults = Faults {
        percent: asked.faulty,
        kinds: asked.faults,
        twice_percent: asked.twice,
        shuffled: asked.shuffled,
        clock_off_ms: asked.clock_off * 60_000,
        ..Faults::default()
    };
    let options = Options {
        listen: asked.listen,
        secret: asked.secret.as_deref().map(secret).transpose()?,
        hooks: asked.hooks_to.map(|address| HooksTo { address, secrets, by_itself: true }),
        faults,
        seed: asked.seed,
        ..Options::default()
    };
    Shop::start(options).await.map_err(Wrong::Shop)
}

#[tokio::main]
async fn main() -> ExitCode {
    let running = match open(Asked::parse()).await {
        Ok(running) => running,
        Err(wrong) => {
            eprintln!("pretend-shop: {}", told(&wrong));
            return ExitCode::from(2);
        }
    };
    println!("the pretend shop is open at {}/; Ctrl-C closes it", running.base());
    // If no signal can be received, it runs until it is killed.
    if tokio::signal::ctrl_c().await.is_err() {
        std::future::pending::<()>().await;
    }
    ExitCode::SUCCESS
}

/// An error with its causes.
fn told(error: &dyn Error) -> String {
    let mut words = error.to_string();
    let mut behind = error.source();
    while let Some(source) = behind {
        words.push_str(": ");
        words.push_str(&source.to_string());
        behind = source.source();
    }
    words
}
