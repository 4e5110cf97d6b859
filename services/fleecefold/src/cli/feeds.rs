//! Arguments of `feed`.

use super::PicturesArgs;
use clap::{Args, Subcommand, ValueEnum};
use domain::ids::RunId;
use std::path::PathBuf;

#[derive(Debug, Subcommand)]
pub(crate) enum FeedCommand {
    /// Write listings to a file; what is written counts as listed
    Out(FeedOutArgs),
    /// Take in orders
    In(FeedInArgs),
    /// Compare the online shop's list with our stock
    Compare(CompareArgs),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum FeedForm {
    /// CSV with its CSVW description
    Csv,
    /// JSON-LD with schema.org's terms
    Json,
}

#[derive(Debug, Args)]
pub(crate) struct FeedOutArgs {
    /// Only listings that changed since they were last written
    #[arg(long, conflicts_with = "again")]
    pub(crate) changes: bool,
    /// The listings of an earlier run, as they are now
    #[arg(long, value_name = "RUN")]
    pub(crate) again: Option<RunId>,
    /// Output format
    #[arg(long, value_enum, value_name = "FORM", default_value = "csv")]
    pub(crate) format: FeedForm,
    /// Layout that says what to call the columns
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// Folder to write into, created if missing; - for standard output
    #[arg(long, value_name = "DIR")]
    pub(crate) to: PathBuf,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
}

#[derive(Debug, Args)]
pub(crate) struct FeedInArgs {
    /// Layout that says which column is which
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// Only report what would happen to each order, each looked at by itself
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// Past orders from another system: they go into the books and leave stock alone
    #[arg(long)]
    pub(crate) past: bool,
    /// CSV, JSON or JSON Lines, by the file's name; - for standard input
    pub(crate) file: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    /// Layout that says which column is which
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// From now on, treat items that are on both lists as listed
    #[arg(long)]
    pub(crate) adopt: bool,
    /// CSV, JSON or JSON Lines, by the file's name; - for standard input
    pub(crate) file: PathBuf,
}
