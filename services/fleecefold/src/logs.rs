//! Logs, on stderr: what happened while nobody watched, and what stands behind an error.

use clap::ValueEnum;
use std::io::{self, IsTerminal};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::LevelFilter;

/// How logs are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum LogForm {
    /// One JSON object a line.
    Json,
    /// For people.
    Text,
}

/// Starts logging. What runs for long tells what it does; a command that ends speaks for itself.
/// `RUST_LOG` says otherwise.
pub(crate) fn start(form: LogForm, is_service: bool) {
    let level = if is_service { LevelFilter::INFO } else { LevelFilter::WARN };
    let filter = EnvFilter::builder().with_default_directive(level.into()).from_env_lossy();
    let logs = tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr);
    match form {
        LogForm::Json => logs.json().flatten_event(true).init(),
        LogForm::Text => logs.with_ansi(io::stderr().is_terminal()).with_target(false).init(),
    }
}
