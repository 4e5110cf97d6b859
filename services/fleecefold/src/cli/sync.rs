//! What is said of online shops on the command line.

use crate::table::TableForm;
use clap::{Args, Subcommand};
use domain::codes::Code;
use ledger::Ledger;
use std::path::{Path, PathBuf};

/// Where the secrets are by which online shops are spoken to.
#[derive(Debug, Args)]
pub(crate) struct SecretsArgs {
    /// The folder of secrets, a file each; what the environment says goes first [default: beside a SQLite file, FILE.secrets]
    #[arg(long = "secrets", global = true, value_name = "DIR", env = "FLEECEFOLD_SECRETS")]
    secrets: Option<PathBuf>,
}

impl SecretsArgs {
    /// The folder that was said, or the one beside the shop's file.
    pub(crate) fn folder(&self, ledger: &Ledger) -> Option<PathBuf> {
        self.secrets.clone().or_else(|| ledger.path().map(secrets_beside))
    }
}

/// The folder of secrets beside a shop's file.
pub(crate) fn secrets_beside(shop: &Path) -> PathBuf {
    let mut name = shop.as_os_str().to_owned();
    name.push(".secrets");
    PathBuf::from(name)
}

/// `sync`.
#[derive(Debug, Args)]
pub(crate) struct SyncArgs {
    #[command(flatten)]
    pub(crate) secrets: SecretsArgs,
    #[command(subcommand)]
    pub(crate) command: SyncCommand,
}

/// What is done about online shops.
#[derive(Debug, Subcommand)]
pub(crate) enum SyncCommand {
    /// Connects a shop by a text that says how it is spoken to, or changes its text
    Connect {
        /// What it is called: small letters, digits and hyphens
        name: String,
        /// Its text, TOML; - for standard input
        file: PathBuf,
    },
    /// Ends a connection; what is listed there stays as it is
    End {
        /// Which
        name: String,
    },
    /// How each connection does: what waits, since when, what was refused
    Status {
        /// How it is printed
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Does at once what can be done, pauses or not; exit 1 if something failed or still waits, 3 if a person must look
    Now {
        /// Which; all of them if it is left out
        name: Option<String>,
    },
    /// Reads orders once more that were changed since a day, such as after the shop was put back from a backup
    Reread {
        /// Which
        name: String,
        /// From when on: a day (2026-06-01) or a moment (RFC 3339)
        #[arg(long, value_name = "DATE")]
        since: String,
    },
    /// Asks the shop something and changes nothing: does the secret work, what would be sent; exit 1 if not
    Test {
        /// Which
        name: String,
    },
    /// Sends parked messages again
    Again {
        /// Which connection
        name: String,
        /// Of this item alone: its sku, in-store code or GTIN
        #[arg(value_parser = code)]
        code: Option<Code>,
    },
    /// Tells it from now on of pieces that it was never told of
    Put {
        /// Which connection
        name: String,
        /// Of these alone; of all that can be had if none is named
        #[arg(value_parser = code)]
        codes: Vec<Code>,
    },
    /// Enters the id that the shop itself gave a piece, so that it can be told of it
    Id {
        /// Which connection
        name: String,
        /// The piece's code here
        #[arg(value_parser = code)]
        code: Code,
        /// Its id there
        id: String,
    },
    /// Lists the orders that could not be taken, each once, with the field and the reason
    Kept {
        /// Which connection
        name: String,
        /// How it is printed
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
}

fn code(text: &str) -> Result<Code, String> {
    Code::parse(text).map_err(|error| error.to_string())
}
