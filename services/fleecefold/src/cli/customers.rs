//! Arguments of `customer`.

use crate::table::TableForm;
use clap::{Args, Subcommand};
use domain::customer::BasisPoints;
use domain::day::Day;
use domain::ids::CustomerId;

#[derive(Debug, Subcommand)]
pub(crate) enum CustomerCommand {
    /// List customers, added last first, or those who match
    List {
        /// Parts of a name or an email address, or digits of a phone number
        words: Vec<String>,
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Add a customer and print the ID, and nothing else, on standard output
    Add {
        /// Name
        name: String,
        #[command(flatten)]
        reach: ReachArgs,
    },
    /// Change how a customer can be reached; what is left out stays as it is
    Change {
        #[command(flatten)]
        customer: CustomerArg,
        /// New name
        #[arg(long)]
        name: Option<String>,
        #[command(flatten)]
        reach: ReachArgs,
    },
    /// Set the terms on which a customer buys; what is left out stays as it is
    Terms {
        #[command(flatten)]
        customer: CustomerArg,
        #[command(flatten)]
        terms: TermsArgs,
    },
    /// Print everything that is kept about a customer as JSON
    Export {
        #[command(flatten)]
        customer: CustomerArg,
    },
    /// Erase a customer's data for good; sales keep their sums
    Erase {
        #[command(flatten)]
        customer: CustomerArg,
        /// Confirm that this cannot be undone
        #[arg(long, required = true)]
        yes: bool,
    },
    /// Print the IDs of everybody who was erased, for `restore --erased`
    Erased,
    /// Blank buyers of orders that are older than the setting `blank_orders_after`, as `serve` does by itself
    Blank,
}

#[derive(Debug, Args)]
pub(crate) struct CustomerArg {
    /// ID, as `customer list` shows it
    #[arg(value_name = "ID", value_parser = customer)]
    pub(crate) id: CustomerId,
}

#[derive(Debug, Args)]
pub(crate) struct ReachArgs {
    /// Email address; empty for none
    #[arg(long, value_name = "ADDRESS")]
    pub(crate) email: Option<String>,
    /// Phone number; empty for none
    #[arg(long, value_name = "NUMBER", allow_hyphen_values = true)]
    pub(crate) phone: Option<String>,
    /// Note; empty for none
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct TermsArgs {
    /// Whether they buy to sell again
    #[arg(long, value_name = "YES-OR-NO", value_parser = yes_or_no)]
    pub(crate) wholesale: Option<bool>,
    /// Default discount in percent, or none
    #[arg(long, value_name = "PERCENT", value_parser = discount)]
    pub(crate) discount: Option<NewDiscount>,
    /// Number of the certificate of a tax exemption; empty to end it
    #[arg(long, value_name = "NUMBER")]
    pub(crate) certificate: Option<String>,
    /// Last day on which the certificate must be kept
    #[arg(long, value_name = "DAY", value_parser = day)]
    pub(crate) keep_until: Option<Day>,
}

/// A default discount; none ends it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NewDiscount(pub(crate) Option<BasisPoints>);

fn customer(text: &str) -> Result<CustomerId, String> {
    text.parse().map_err(|error: domain::ids::NotAnId| error.to_string())
}

fn yes_or_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err("write yes or no".to_owned()),
    }
}

fn discount(text: &str) -> Result<NewDiscount, String> {
    if text == "none" {
        return Ok(NewDiscount(None));
    }
    BasisPoints::parse(text).map(|points| NewDiscount(Some(points))).map_err(|error| error.to_string())
}

fn day(text: &str) -> Result<Day, String> {
    Day::parse(text).map_err(|error| error.to_string())
}
