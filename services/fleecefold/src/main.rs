//! Fleecefold: the sales and sync service of a small fibre farm.
//!
//! The binary reads the command line, opens the shop, calls one function of the house and shows
//! what it answered. Words go to stderr, what a machine reads to stdout.

mod bar;
mod chance;
mod cli;
mod commands;
mod demo;
mod desk;
mod ending;
mod given;
mod live_desk;
mod logs;
mod open_files;
mod place;
mod service_manager;
mod table;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    logs::start(cli.globals.log, cli.command.is_service());
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    let ended = match runtime {
        Ok(runtime) => runtime.block_on(commands::run(cli)),
        Err(source) => Err(ending::CliError::Runtime(source)),
    };
    match ended {
        Ok(ending) => ending.into(),
        Err(error) => error.tell(),
    }
}
