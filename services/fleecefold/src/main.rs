//! Fleecefold: the sales and sync service of a small fiber farm.
//!
//! The binary reads the command line, opens the shop, calls one function and shows its result. Messages go to
//! stderr, data for other programs to stdout.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod allocator;
mod cli;
mod commands;
mod config;
mod connection_adapter;
mod database_url;
mod demo;
mod exit_status;
mod feed_adapter;
mod logs;
mod open_files;
mod progress;
mod random;
mod service_manager;
mod table;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    logs::start(cli.globals.log, cli.command.is_service());
    if cli.command.is_service() {
        allocator::give_large_blocks_back();
    }
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    let ended = match runtime {
        Ok(runtime) => runtime.block_on(commands::run(cli)),
        Err(source) => Err(exit_status::CliError::Runtime(source)),
    };
    match ended {
        Ok(ending) => ending.into(),
        Err(error) => error.tell(),
    }
}
