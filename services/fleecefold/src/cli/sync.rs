//! Arguments of `sync`.

use crate::table::TableForm;
use clap::{Args, Subcommand};
use domain::codes::Code;
use ledger::Ledger;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(crate) struct SecretsArgs {
    /// Folder with one file for each secret; environment variables take precedence [default: FILE.secrets
    /// beside a SQLite file]
    #[arg(long = "secrets", global = true, value_name = "DIR", env = "FLEECEFOLD_SECRETS")]
    secrets: Option<PathBuf>,
}

impl SecretsArgs {
    /// The folder that was given, or the one beside the shop's file.
    pub(crate) fn folder(&self, ledger: &Ledger) -> Option<PathBuf> {
        self.secrets.clone().or_else(|| ledger.path().map(secrets_beside))
    }
}

pub(crate) fn secrets_beside(shop: &Path) -> PathBuf {
    let mut name = shop.as_os_str().to_owned();
    name.push(".secrets");
    PathBuf::from(name)
}

#[derive(Debug, Args)]
pub(crate) struct SyncArgs {
    #[command(flatten)]
    pub(crate) secrets: SecretsArgs,
    #[command(subcommand)]
    pub(crate) command: SyncCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum SyncCommand {
    /// Connect an online shop by a text that describes its API, or change that text
    Connect {
        /// Name of the connection: small letters, digits and hyphens
        name: String,
        /// File with its text (TOML); - for standard input
        file: PathBuf,
    },
    /// End a connection; its listings stay as they are
    End {
        /// Name of the connection
        name: String,
    },
    /// Show how each connection is doing: what is waiting, for how long, and what was refused
    Status {
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Send and fetch now whatever can be, without waiting for pauses; exits with 1 if something failed or
    /// still waits, with 3 if something needs attention
    Now {
        /// Name of the connection [default: all]
        name: Option<String>,
    },
    /// Read again the orders that changed since a day, for example after the online shop was restored from a
    /// backup
    Reread {
        /// Name of the connection
        name: String,
        /// A day (2026-06-01) or a moment (RFC 3339)
        #[arg(long, value_name = "DATE")]
        since: String,
    },
    /// Check the secret and show what would be sent, without changing anything; exits with 1 if something is
    /// wrong
    Test {
        /// Name of the connection
        name: String,
    },
    /// Send again the messages that need attention
    Again {
        /// Name of the connection
        name: String,
        /// Only the messages of this item: its SKU, in-store code or GTIN
        #[arg(value_parser = code)]
        code: Option<Code>,
    },
    /// List pieces there that are not listed yet
    Put {
        /// Name of the connection
        name: String,
        /// Only these pieces [default: all that can be sold]
        #[arg(value_parser = code)]
        codes: Vec<Code>,
    },
    /// Enter the id that the online shop gave a piece, so that messages can reach it
    Id {
        /// Name of the connection
        name: String,
        /// The piece's code here
        #[arg(value_parser = code)]
        code: Code,
        /// Its id there
        id: String,
    },
    /// List the orders that could not be taken in, each with the field and the reason
    Deferred {
        /// Name of the connection
        name: String,
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
}

fn code(text: &str) -> Result<Code, String> {
    Code::parse(text).map_err(|error| error.to_string())
}
