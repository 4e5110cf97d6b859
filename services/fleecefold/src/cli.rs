//! The command line.

mod certificates;
mod customers;
mod feeds;
mod orders;
mod sync;

pub(crate) use certificates::CertificateCommand;
pub(crate) use customers::{CustomerCommand, ReachArgs, TermsArgs};
pub(crate) use feeds::{CompareArgs, FeedCommand, FeedForm, FeedInArgs, FeedOutArgs};
pub(crate) use orders::{OrderArgs, OrdersCommand};
pub(crate) use sync::{SecretsArgs, SyncArgs, SyncCommand, secrets_beside};

use crate::database_url::Place;
use crate::logs::LogForm;
use crate::table::TableForm;
use clap::{Args, Parser, Subcommand, ValueEnum};
use domain::day::{Day, Month};
use domain::limits::LimitName;
use domain::people::Role;
use ledger::Ledger;
use ledger::books::BooksBy;
use ledger::sales::TakingsOf;
use std::net::SocketAddr;
use std::path::PathBuf;
use till::{ProxyNet, Site};

/// The shop of a small fiber farm: weigh, price, list, ring up, take online orders, close the month
#[derive(Debug, Parser)]
#[command(version, propagate_version = false, disable_help_subcommand = true)]
#[command(
    after_help = "Exit codes: 0 done, 1 refused because of the shop's data, 2 wrong usage, 3 some rows rejected."
)]
pub(crate) struct Cli {
    #[command(flatten)]
    pub(crate) globals: Globals,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Options that every command has.
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

/// The longest that a token lasts: ten years, for a device that is mounted on a wall.
const MAX_DAYS: i64 = 3650;

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Make an invented shop in demo.db with a pretend online shop beside it, and serve both
    Demo(DemoArgs),
    /// Show or change the shop's settings: name, currency, time zone, unit of weight, ways to pay, fees
    #[command(subcommand)]
    Shop(ShopCommand),
    /// Serve the pages and the API, keep online shops in sync, and watch folders, until stopped
    Serve(ServeArgs),
    /// People who may sign in, and their passwords
    #[command(subcommand)]
    User(UserCommand),
    /// Tokens for programs and devices
    Token(TokenArgs),
    /// What a role or a token may do: channels, discounts, holds, refunds
    #[command(subcommand)]
    Limits(LimitsCommand),
    /// Add styles with their weight rates, or pieces and goods in bulk
    #[command(subcommand)]
    Add(AddCommand),
    /// Write listings, take in orders, and compare with what the online shop lists
    #[command(subcommand)]
    Feed(FeedCommand),
    /// Online shops that are kept up to date over the network: connect, test, watch and hurry them
    Sync(SyncArgs),
    /// Online orders: list those that need attention, and settle an unknown status
    #[command(subcommand)]
    Orders(OrdersCommand),
    /// Customers: find, add and change them, export or erase what is kept about one
    #[command(subcommand)]
    Customer(CustomerCommand),
    /// Gift certificates: list them, bring old ones in, give one another number, end one
    #[command(subcommand)]
    Certificate(CertificateCommand),
    /// Stock by style, size and color
    Shelf(ShelfArgs),
    /// Sales by month and channel
    Books(BooksArgs),
    /// Money by tender for a day, a month or a drawer, to set beside the card terminal's sum
    Tenders(TendersArgs),
    /// Check that stock, money and books add up; exits with 1 and a list if they do not
    Check,
    /// Write the whole shop to a file; the shop may stay open
    Backup(BackupArgs),
    /// Restore a backup to a place where there is no shop
    Restore(RestoreArgs),
    /// Bring the shop's tables up to date for this version, and do nothing else
    Upgrade,
    /// Print a completion script for a shell
    Completions {
        /// The shell
        #[arg(value_enum)]
        shell: clap_complete::Shell,
    },
    /// Write the manual pages: fleecefold.1 and one for each command
    Manual {
        /// Folder to write into; it is created if missing
        #[arg(long, value_name = "DIR")]
        to: PathBuf,
    },
}

impl Command {
    /// Whether it runs until it is stopped.
    pub(crate) fn is_service(&self) -> bool {
        matches!(self, Self::Serve(_) | Self::Demo(_))
    }
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    #[command(flatten)]
    pub(crate) listen: ListenArgs,
    /// Address of the pretend online shop, on this machine [default: 127.0.0.1:8441, or any free port]
    #[arg(long, value_name = "ADDR:PORT")]
    pub(crate) shop_listen: Option<SocketAddr>,
    /// The day after the last one of its eighteen months; the same day makes the same shop [default: today]
    #[arg(long, value_name = "DATE", value_parser = Day::parse)]
    pub(crate) as_of: Option<Day>,
    #[command(flatten)]
    pub(crate) keys: KeysArgs,
}

#[derive(Debug, Args)]
pub(crate) struct ListenArgs {
    /// Address to listen on: this machine only, or any with --site; port 0 takes any free port
    #[arg(long, value_name = "ADDR:PORT", default_value = "127.0.0.1:8440")]
    pub(crate) listen: SocketAddr,
}

#[derive(Debug, Args)]
pub(crate) struct KeysArgs {
    /// File with the keys that sign tokens; created if missing [default: FILE.keys beside a SQLite file]
    #[arg(long, global = true, value_name = "FILE", env = "FLEECEFOLD_KEYS")]
    pub(crate) keys: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum UserCommand {
    /// Add a person; you are asked for the password, or it is read from standard input
    Add {
        /// The person's name
        name: String,
        /// counter, maker or owner; the first person must be an owner
        #[arg(long, value_name = "ROLE", value_parser = role)]
        role: Role,
    },
    /// List everybody who may sign in
    List,
    /// Set a new password, for example after a restore; you are asked for it, or it is read from standard
    /// input
    Password {
        /// The person's name
        name: String,
    },
    /// End a person's access and sign them out at once
    End {
        /// The person's name
        name: String,
    },
    /// Turn off two-step sign-in for somebody who lost their phone and their recovery codes
    ResetSecondFactor {
        /// The person's name
        name: String,
    },
}

#[derive(Debug, Subcommand)]
pub(crate) enum LimitsCommand {
    /// Show the limits in force; owners have none
    Show {
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Change some limits and keep the others
    Set(LimitsSet),
}

#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("whose").required(true).args(["role", "token"]))]
pub(crate) struct LimitsSet {
    /// Limits for everybody with this role: counter or maker
    #[arg(long, value_name = "ROLE", value_parser = role)]
    pub(crate) role: Option<Role>,
    /// Limits for this token; they take precedence over its role's
    #[arg(long, value_name = "NAME")]
    pub(crate) token: Option<String>,
    #[arg(
        help = "One or more of channels, discount (percent), backdate_days, open_holds, hold_days, tax_by_hand (yes or \
                    no), refund (an amount) and refund_tender (yes or no). Write none for no limit, and default to go back to the default",
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

#[derive(Debug, Args)]
pub(crate) struct TokenArgs {
    #[command(flatten)]
    pub(crate) keys: KeysArgs,
    #[command(subcommand)]
    pub(crate) command: TokenCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum TokenCommand {
    /// Make a token and print it, and nothing else, on standard output
    Add {
        /// What it is for; the activity log shows this name
        name: String,
        /// The role whose permissions it has: counter, maker or owner
        #[arg(long, value_name = "ROLE", value_parser = role)]
        role: Role,
        /// How many days it lasts
        #[arg(long = "for", value_name = "DAYS", value_parser = days, default_value = "365d")]
        days: i64,
    },
    /// List the tokens that have not been ended
    List,
    /// End a token at once
    End {
        /// Its name
        name: String,
    },
    /// Make a new signing key; tokens signed with older keys stay valid
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

#[derive(Debug, Subcommand)]
pub(crate) enum ShopCommand {
    /// Show every setting
    Show,
    /// Change one setting
    Set {
        #[arg(
            help = "One of name, currency, zone, unit, image_base, color, address, receipt_note, return_policy, cash_rounding, tenders, blank_orders_after, channel.CODE, fee.CODE"
        )]
        key: String,
        /// The new value
        #[arg(allow_hyphen_values = true)]
        value: String,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Only {
    /// The pages and the API only
    Till,
    /// The online shops and the watched folders only
    Sync,
}

#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// Run only one of the two parts
    #[arg(long, value_enum, value_name = "PART")]
    pub(crate) only: Option<Only>,
    #[command(flatten)]
    pub(crate) listen: ListenArgs,
    /// The shop's public address, such as `https://shop.example`, where a proxy speaks TLS for it
    #[arg(long, value_name = "URL")]
    pub(crate) site: Option<Site>,
    /// Address or network of a trusted proxy, such as 127.0.0.1 or 10.0.0.0/24; may be given several times.
    /// Its X-Forwarded-For or Forwarded header tells who is asking. Without this option the header is
    /// ignored, and everybody behind the proxy counts as one address
    #[arg(long = "proxy", value_name = "NET")]
    pub(crate) proxies: Vec<ProxyNet>,
    #[command(flatten)]
    pub(crate) keys: KeysArgs,
    /// Folder to take files from: orders/, items/, styles/, or any with a layout beside the file
    #[arg(long, value_name = "DIR")]
    pub(crate) in_folder: Option<PathBuf>,
    /// Folder to write changed listings to
    #[arg(long, value_name = "DIR")]
    pub(crate) out_folder: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
    #[command(flatten)]
    pub(crate) secrets: SecretsArgs,
}

#[derive(Debug, Args)]
pub(crate) struct PicturesArgs {
    /// Folder of the shop's photographs [default: images beside a SQLite file]
    #[arg(long = "pictures", value_name = "DIR")]
    pub(crate) folder: Option<PathBuf>,
}

impl PicturesArgs {
    pub(crate) fn tell(self, ledger: &Ledger) {
        if let Some(folder) = self.folder {
            ledger.keep_pictures_in(folder);
        }
    }
}

#[derive(Debug, Subcommand)]
pub(crate) enum AddCommand {
    /// Add styles with their weight rates
    Styles(AddArgs),
    /// Add pieces, counted goods and goods by weight
    Items(AddArgs),
}

#[derive(Debug, Args)]
pub(crate) struct AddArgs {
    /// Layout that says which column is which
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
    /// Take the file in again, even if the same one was taken in before
    #[arg(long)]
    pub(crate) again: bool,
    /// CSV, JSON or JSON Lines, by the file's name; - for standard input
    pub(crate) file: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct ShelfArgs {
    /// Only what has sold out
    #[arg(long)]
    pub(crate) sold_out: bool,
    /// Output format
    #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
    pub(crate) format: TableForm,
}

#[derive(Debug, Args)]
pub(crate) struct BooksArgs {
    /// First month, such as 2026-01
    #[arg(long, value_name = "MONTH", value_parser = month)]
    pub(crate) from: Option<Month>,
    /// Last month, such as 2026-12
    #[arg(long, value_name = "MONTH", value_parser = month)]
    pub(crate) to: Option<Month>,
    /// What to group by: day, month, channel, separated by commas
    #[arg(long, value_name = "GROUPS", value_parser = groups, default_value = "month,channel")]
    pub(crate) by: BooksBy,
    /// Output format
    #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
    pub(crate) format: TableForm,
}

#[derive(Debug, Args)]
pub(crate) struct TendersArgs {
    /// A day such as 2026-05-17, a month such as 2026-05, or drawer:NUMBER with the number in its page's address
    #[arg(value_name = "PERIOD", value_parser = period)]
    pub(crate) of: TakingsOf,
    /// Output format
    #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
    pub(crate) format: TableForm,
}

fn period(text: &str) -> Result<TakingsOf, String> {
    if let Some(number) = text.strip_prefix("drawer:") {
        return number
            .parse()
            .map(TakingsOf::Turn)
            .map_err(|_| format!("{number} is not the number of a drawer's count"));
    }
    let day = Day::parse(text).map(TakingsOf::Day);
    day.or_else(|_| Month::parse(text).map(TakingsOf::Month))
        .map_err(|_| "write a day as 2026-05-17, a month as 2026-05, a drawer as drawer:NUMBER".to_owned())
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

#[derive(Debug, Args)]
pub(crate) struct BackupArgs {
    /// File to write
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) pictures: PicturesArgs,
}

#[derive(Debug, Args)]
pub(crate) struct RestoreArgs {
    /// Backup to restore
    pub(crate) file: PathBuf,
    /// Customers who were erased since, as `customer erased` prints them; they stay erased
    #[arg(long, value_name = "FILE")]
    pub(crate) erased: Option<PathBuf>,
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
