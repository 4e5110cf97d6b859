//! The command line: what may be said, and what it means.

mod feeds;
mod orders;
mod sync;

pub(crate) use feeds::{CompareArgs, FeedCommand, FeedForm, FeedInArgs, FeedOutArgs};
pub(crate) use orders::{OrderArgs, OrdersCommand};
pub(crate) use sync::{SecretsArgs, SyncArgs, SyncCommand, secrets_beside};

use crate::database_url::Place;
use crate::logs::LogForm;
use crate::table::TableForm;
use clap::{Args, Parser, Subcommand, ValueEnum};
use domain::day::Month;
use domain::limits::LimitName;
use domain::people::Role;
use ledger::Ledger;
use ledger::books::BooksBy;
use std::net::SocketAddr;
use std::path::PathBuf;
use till::{ProxyNet, Site};

/// The shop of a small fiber farm: weigh, price, list, ring up, take orders in, close the month.
#[derive(Debug, Parser)]
#[command(version, propagate_version = false, disable_help_subcommand = true)]
#[command(
    after_help = "Exit codes: 0 done, 1 the shop's data refused it, 2 wrong usage, 3 some rows rejected."
)]
pub(crate) struct Cli {
    #[command(flatten)]
    pub(crate) globals: Globals,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// What every command takes.
#[derive(Debug, Args)]
pub(crate) struct Globals {
    /// The shop: sqlite:FILE or postgres://… [default: sqlite:shop.db; demo: sqlite:demo.db]
    #[arg(long, global = true, value_name = "URL", env = "FLEECEFOLD_DB", hide_env_values = true)]
    db: Option<String>,
    /// How logs are written to stderr
    #[arg(long, global = true, value_enum, value_name = "FORM", default_value = "text")]
    pub(crate) log: LogForm,
}

impl Globals {
    /// Where the shop is.
    pub(crate) fn place(&self) -> Place {
        Place(self.db.clone())
    }
}

/// The longest that a token lasts: ten years, for what is screwed to a wall.
const MAX_DAYS: i64 = 3650;

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// An invented shop in demo.db beside a pretend online shop: its months, what is sold out, and the pages of both
    Demo(DemoArgs),
    /// The shop's settings: name, currency, time zone, unit of weight, address of its pictures …
    #[command(subcommand)]
    Shop(ShopCommand),
    /// The pages, the API, the online shops and the watched folders, until it is told to end
    Serve(ServeArgs),
    /// Who may enter: people with their passwords
    #[command(subcommand)]
    User(UserCommand),
    /// Tokens of programs and devices
    Token(TokenArgs),
    /// How far a role or a token may go: channels, discounts, holds, refunds
    #[command(subcommand)]
    Limits(LimitsCommand),
    /// Styles with their rates; pieces or goods in bulk, weighed and priced by rule
    #[command(subcommand)]
    Add(AddCommand),
    /// Listings out, orders in, and a comparison with what the online shop lists
    #[command(subcommand)]
    Feed(FeedCommand),
    /// Online shops that are told by themselves: connect them, see how they do, try them, hurry them
    Sync(SyncArgs),
    /// Online orders: those that need attention, and what an order with an unknown status is
    #[command(subcommand)]
    Orders(OrdersCommand),
    /// Stock by style, size and color
    Shelf(ShelfArgs),
    /// What each month brought in on each channel
    Books(BooksArgs),
    /// Verifies the shop's laws on the whole database; exit 1 and a list if one is broken
    Check,
    /// Writes the whole shop to a file, while it is open
    Backup(BackupArgs),
    /// Puts a backup back, into a place where no shop is
    Restore(RestoreArgs),
    /// Brings the shop's tables up to date for this program, and does nothing else
    Upgrade,
    /// Prints a script that completes commands in a shell
    Completions {
        /// Which shell
        #[arg(value_enum)]
        shell: clap_complete::Shell,
    },
    /// Writes the manual's pages, fleecefold.1 and one for each command
    Manual {
        /// The folder to write into, which is made
        #[arg(long, value_name = "DIR")]
        to: PathBuf,
    },
}

impl Command {
    /// Whether it runs until it is told to end.
    pub(crate) fn is_service(&self) -> bool {
        matches!(self, Self::Serve(_) | Self::Demo(_))
    }
}

/// `demo`.
#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    #[command(flatten)]
    pub(crate) listen: ListenArgs,
    /// Where the pretend online shop listens: a loopback address [default: 127.0.0.1:8441, or any free port]
    #[arg(long, value_name = "ADDR:PORT")]
    pub(crate) shop_listen: Option<SocketAddr>,
    #[command(flatten)]
    pub(crate) keys: KeysArgs,
}

/// Where to listen.
#[derive(Debug, Args)]
pub(crate) struct ListenArgs {
    /// Where to listen: a loopback address, or with --site any; port 0 takes any free one
    #[arg(long, value_name = "ADDR:PORT", default_value = "127.0.0.1:8440")]
    pub(crate) listen: SocketAddr,
}

/// Where the keys of the tokens are.
#[derive(Debug, Args)]
pub(crate) struct KeysArgs {
    /// The file of the keys that sign tokens, made if it is missing [default: beside a SQLite file, FILE.keys]
    #[arg(long, global = true, value_name = "FILE", env = "FLEECEFOLD_KEYS")]
    pub(crate) keys: Option<PathBuf>,
}

/// `user`.
#[derive(Debug, Subcommand)]
pub(crate) enum UserCommand {
    /// Adds somebody; the password is asked for, or read from standard input
    Add {
        /// Their name
        name: String,
        /// What they are to the shop: counter, maker or owner; the first is an owner
        #[arg(long, value_name = "ROLE", value_parser = role)]
        role: Role,
    },
    /// Everybody who is here
    List,
    /// Sets a new password for somebody, as after a restore; it is asked for, or read from standard input
    Password {
        /// Their name
        name: String,
    },
    /// They may no longer enter, and are out at once
    End {
        /// Their name
        name: String,
    },
    /// Turns two-step sign-in off for somebody who lost their phone and their recovery codes
    ResetSecondFactor {
        /// Their name
        name: String,
    },
}

/// `limits`.
#[derive(Debug, Subcommand)]
pub(crate) enum LimitsCommand {
    /// The limits that hold now; an owner has none
    Show {
        /// How they are printed
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Changes some; the others stay
    Set(LimitsSet),
}

/// `limits set`.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("whose").required(true).args(["role", "token"]))]
pub(crate) struct LimitsSet {
    /// Everybody's of a role: counter or maker
    #[arg(long, value_name = "ROLE", value_parser = role)]
    pub(crate) role: Option<Role>,
    /// A token's own, by its name; it goes before its role's
    #[arg(long, value_name = "NAME")]
    pub(crate) token: Option<String>,
    #[arg(
        help = "channels, discount (percent), backdate_days, open_holds, hold_days, tax_by_hand (yes or no) or \
                refund (an amount), each with its value, none for no limit, or default",
        required = true,
        value_name = "NAME=VALUE",
        value_parser = limit
    )]
    pub(crate) values: Vec<(LimitName, String)>,
}

fn limit(text: &str) -> Result<(LimitName, String), String> {
    let named =
        text.split_once('=').and_then(|(name, value)| Some((LimitName::from_code(name.trim())?, value)));
    named.map(|(name, value)| (name, value.to_owned())).ok_or_else(|| {
        let names = LimitName::ALL.map(LimitName::code).join(", ");
        format!("write a limit and its value, such as discount=20; the limits are {names}")
    })
}

/// `token`.
#[derive(Debug, Args)]
pub(crate) struct TokenArgs {
    #[command(flatten)]
    pub(crate) keys: KeysArgs,
    #[command(subcommand)]
    pub(crate) command: TokenCommand,
}

/// What is done about tokens.
#[derive(Debug, Subcommand)]
pub(crate) enum TokenCommand {
    /// Makes one, and prints it alone on standard output
    Add {
        /// What it is for; stands beside what is done with it
        name: String,
        /// What it may: what a counter, maker or owner may
        #[arg(long, value_name = "ROLE", value_parser = role)]
        role: Role,
        /// For how long, in days
        #[arg(long = "for", value_name = "DAYS", value_parser = days, default_value = "365d")]
        days: i64,
    },
    /// Those that were not ended
    List,
    /// Ends one, at once
    End {
        /// What it is for
        name: String,
    },
    /// Makes a new key, which signs from now on; what the old ones signed stays good
    Rotate,
}

fn role(text: &str) -> Result<Role, String> {
    Role::from_code(text).ok_or_else(|| "write counter, maker or owner".to_owned())
}

fn days(text: &str) -> Result<i64, String> {
    let days = text.strip_suffix('d').unwrap_or(text).parse().ok();
    days.filter(|days| (1..=MAX_DAYS).contains(days))
        .ok_or_else(|| format!("write days from 1d to {MAX_DAYS}d, such as 365d"))
}

/// `shop`.
#[derive(Debug, Subcommand)]
pub(crate) enum ShopCommand {
    /// Prints each setting
    Show,
    /// Changes one setting
    Set {
        #[arg(
            help = "Which: name, currency, zone, unit, image_base, cash_rounding, tenders, channel.CODE, fee.CODE"
        )]
        key: String,
        /// To what
        #[arg(allow_hyphen_values = true)]
        value: String,
    },
}

/// What `serve` is reduced to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Only {
    /// The pages and the API alone.
    Till,
    /// The online shops and the watched folders alone.
    Sync,
}

/// `serve`.
#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// One of the two alone
    #[arg(long, value_enum, value_name = "PART")]
    pub(crate) only: Option<Only>,
    #[command(flatten)]
    pub(crate) listen: ListenArgs,
    /// The shop's public address, such as `https://shop.example`: a proxy that speaks TLS stands there
    #[arg(long, value_name = "URL")]
    pub(crate) site: Option<Site>,
    /// A trusted proxy's address or network, such as 127.0.0.1 or 10.0.0.0/24; may be given several times. Its
    /// X-Forwarded-For or Forwarded header says who asks. Without it the header is ignored, and everybody behind the
    /// proxy counts as one address
    #[arg(long = "proxy", value_name = "NET")]
    pub(crate) proxies: Vec<ProxyNet>,
    #[command(flatten)]
    pub(crate) keys: KeysArgs,
    /// Takes in what is put there: orders/, items/, styles/, or with a layout beside it
    #[arg(long, value_name = "DIR")]
    pub(crate) in_folder: Option<PathBuf>,
    /// Writes changed listings there
    #[arg(long, value_name = "DIR")]
    pub(crate) out_folder: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
    #[command(flatten)]
    pub(crate) secrets: SecretsArgs,
}

/// Where the photographs are.
#[derive(Debug, Args)]
pub(crate) struct PicturesArgs {
    /// The folder of the shop's photographs; images beside its file if it is one
    #[arg(long = "pictures", value_name = "DIR")]
    pub(crate) folder: Option<PathBuf>,
}

impl PicturesArgs {
    /// Says it to the shop.
    pub(crate) fn tell(self, ledger: &Ledger) {
        if let Some(folder) = self.folder {
            ledger.keep_pictures_in(folder);
        }
    }
}

/// `add`.
#[derive(Debug, Subcommand)]
pub(crate) enum AddCommand {
    /// Styles with their weight rates
    Styles(AddArgs),
    /// Pieces, counted goods, goods by weight
    Items(AddArgs),
}

/// `add styles`, `add items`.
#[derive(Debug, Args)]
pub(crate) struct AddArgs {
    /// Says which of the file's columns is which
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// Takes the file in anew, even if the same one was taken in before
    #[arg(long)]
    pub(crate) again: bool,
    /// CSV, JSON or JSON Lines by its name; - for standard input
    pub(crate) file: PathBuf,
}

/// `shelf`.
#[derive(Debug, Args)]
pub(crate) struct ShelfArgs {
    /// Only what was sold and of which nothing is left
    #[arg(long)]
    pub(crate) sold_out: bool,
    /// How it is printed
    #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
    pub(crate) format: TableForm,
}

/// `books`.
#[derive(Debug, Args)]
pub(crate) struct BooksArgs {
    /// From this month on, such as 2026-01
    #[arg(long, value_name = "MONTH", value_parser = month)]
    pub(crate) from: Option<Month>,
    /// To this month, such as 2026-12
    #[arg(long, value_name = "MONTH", value_parser = month)]
    pub(crate) to: Option<Month>,
    /// What the rows are grouped by: month, channel, or both
    #[arg(long, value_name = "GROUPS", value_parser = groups, default_value = "month,channel")]
    pub(crate) by: BooksBy,
    /// How it is printed
    #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
    pub(crate) format: TableForm,
}

fn month(text: &str) -> Result<Month, String> {
    Month::parse(text).map_err(|_| "write a month as 2026-05".to_owned())
}

fn groups(text: &str) -> Result<BooksBy, String> {
    let mut by = BooksBy::default();
    for word in text.split(',') {
        match word.trim() {
            "day" => by.day = true,
            "month" => by.month = true,
            "channel" => by.channel = true,
            _ => return Err("write day, month and channel, separated by commas".to_owned()),
        }
    }
    Ok(by)
}

/// `backup`.
#[derive(Debug, Args)]
pub(crate) struct BackupArgs {
    /// The file to write
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
}

/// `restore`.
#[derive(Debug, Args)]
pub(crate) struct RestoreArgs {
    /// The backup
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_agrees_with_itself() {
        Cli::command().debug_assert();
    }

    #[test]
    fn a_tokens_time_is_in_days() {
        let check = |text: &str, expected: Option<i64>| assert_eq!(days(text).ok(), expected, "{text}");
        check("365d", Some(365));
        check("1", Some(1));
        check("0d", None);
        check("3651d", None);
        check("d", None);
        check("1w", None);
        check("-1d", None);
    }

    #[test]
    fn groups_are_days_months_and_channels() {
        let check = |text: &str, expected: Option<(bool, bool, bool)>| {
            assert_eq!(groups(text).ok().map(|by| (by.day, by.month, by.channel)), expected, "{text}");
        };
        check("month,channel", Some((false, true, true)));
        check("channel, month", Some((false, true, true)));
        check("month", Some((false, true, false)));
        check("channel", Some((false, false, true)));
        check("day", Some((true, false, false)));
        check("day,channel", Some((true, false, true)));
        check("week", None);
        check("", None);
        check("month,", None);
    }
}
