//! What is said of feeds on the command line.

use super::PicturesArgs;
use clap::{Args, Subcommand, ValueEnum};
use domain::ids::RunId;
use std::path::PathBuf;

/// `feed`.
#[derive(Debug, Subcommand)]
pub(crate) enum FeedCommand {
    /// Writes listings; what is written counts as listed
    Out(FeedOutArgs),
    /// Takes orders in
    In(FeedInArgs),
    /// What the online shop says it lists, against the shelf
    Compare(CompareArgs),
}

/// How a feed is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum FeedForm {
    /// CSV with its CSVW description.
    Csv,
    /// JSON-LD by schema.org's terms.
    Json,
}

/// `feed out`.
#[derive(Debug, Args)]
pub(crate) struct FeedOutArgs {
    /// Only what changed since it was last told
    #[arg(long, conflicts_with = "again")]
    pub(crate) changes: bool,
    /// The listings of an earlier run, as they are now
    #[arg(long, value_name = "RUN")]
    pub(crate) again: Option<RunId>,
    /// How it is written
    #[arg(long, value_enum, value_name = "FORM", default_value = "csv")]
    pub(crate) format: FeedForm,
    /// Says what the columns are called
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// The folder to write into, which is made; - for standard output
    #[arg(long, value_name = "DIR")]
    pub(crate) to: PathBuf,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
}

/// `feed in`.
#[derive(Debug, Args)]
pub(crate) struct FeedInArgs {
    /// Says which of the file's columns is which
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// Only says what would become of each order; each is looked at by itself
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// History of another system: books only, stock untouched
    #[arg(long)]
    pub(crate) past: bool,
    /// CSV, JSON or JSON Lines by its name; - for standard input
    pub(crate) file: PathBuf,
}

/// `feed compare`.
#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    /// Says which of the file's columns is which
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// Takes what it lists and we have as listed from now on
    #[arg(long)]
    pub(crate) adopt: bool,
    /// CSV, JSON or JSON Lines by its name; - for standard input
    pub(crate) file: PathBuf,
}
