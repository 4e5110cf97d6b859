//! Logs on stderr: what happened while nobody watched, and the causes of an error.

use clap::ValueEnum;
use std::io::{self, IsTerminal};
use tracing_subscriber::EnvFilter;

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum LogForm {
    /// One JSON object per line
    Json,
    /// Text for people
    Text,
}

/// A service logs what it does, and which of its statements were slow.
const OF_A_SERVICE: &str = "info";
/// A command reports its own result; whoever waited for it knows that a statement was slow.
const OF_A_COMMAND: &str = "warn,sqlx=error";

/// Starts logging. `RUST_LOG` overrides the levels above.
pub(crate) fn start(form: LogForm, is_service: bool) {
    let usual = if is_service { OF_A_SERVICE } else { OF_A_COMMAND };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(usual));
    let logs = tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr);
    match form {
        LogForm::Json => logs.json().flatten_event(true).init(),
        LogForm::Text => logs.with_ansi(io::stderr().is_terminal()).with_target(false).init(),
    }
}
