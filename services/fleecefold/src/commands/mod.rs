//! One file per command: each opens the shop, calls one function and shows its result.

mod add;
mod backup;
mod books;
mod certificate;
mod check;
mod customer;
mod demo;
mod feed_compare;
mod feed_in;
mod feed_out;
mod keys;
mod limits;
mod manual;
mod orders;
mod serve;
mod shelf;
mod shop;
mod sync;
mod tenders;
mod token;
mod upgrade;
mod user;

use crate::cli::{AddCommand, Cli, Command, FeedCommand};
use crate::exit_status::{CliError, Ending};
use ::sync::exchange::RefusedRow;
use std::path::Path;

/// The name in the activity log for what is done on the command line.
const WHO: &str = "command line";

pub(crate) async fn run(cli: Cli) -> Result<Ending, CliError> {
    let place = cli.globals.place();
    match cli.command {
        Command::Demo(args) => demo::run(&place, args).await,
        Command::Shop(command) => shop::run(&place, command).await,
        Command::Serve(args) => serve::run(&place, args).await,
        Command::User(command) => user::run(&place, command).await,
        Command::Token(args) => token::run(&place, args).await,
        Command::Limits(command) => limits::run(&place, command).await,
        Command::Add(AddCommand::Styles(args)) => add::run(&place, add::What::Styles, args).await,
        Command::Add(AddCommand::Items(args)) => add::run(&place, add::What::Items, args).await,
        Command::Feed(FeedCommand::Out(args)) => feed_out::run(&place, args).await,
        Command::Feed(FeedCommand::In(args)) => feed_in::run(&place, args).await,
        Command::Feed(FeedCommand::Compare(args)) => feed_compare::run(&place, args).await,
        Command::Sync(args) => sync::run(&place, args).await,
        Command::Orders(command) => orders::run(&place, command).await,
        Command::Customer(command) => customer::run(&place, command).await,
        Command::Certificate(command) => certificate::run(&place, command).await,
        Command::Shelf(args) => shelf::run(&place, args).await,
        Command::Books(args) => books::run(&place, args).await,
        Command::Tenders(args) => tenders::run(&place, args).await,
        Command::Check => check::run(&place).await,
        Command::Backup(args) => backup::backup(&place, args).await,
        Command::Restore(args) => backup::restore(&place, args).await,
        Command::Upgrade => upgrade::run(&place).await,
        Command::Completions { shell } => manual::completions(shell),
        Command::Manual { to } => manual::pages(&to),
    }
}

/// Prints the rejected rows and where to find all of them.
fn tell_refused(name: &str, rejected: u64, refused: &[RefusedRow], rejects_file: Option<&Path>) {
    for row in refused {
        eprintln!("{name}: {}", row.reason);
    }
    let untold = rejected.saturating_sub(refused.len() as u64);
    if untold > 0 {
        eprintln!("{name}: and {untold} more");
    }
    if let Some(path) = rejects_file {
        eprintln!("the rejected rows are in {}; correct them and feed that file in", path.display());
    }
}
