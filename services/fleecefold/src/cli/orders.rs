//! What is said of online orders on the command line.

use crate::table::TableForm;
use clap::{Args, Subcommand};
use domain::channel::Channel;
use domain::order::OrderNumber;

/// What is done about orders.
#[derive(Debug, Subcommand)]
pub(crate) enum OrdersCommand {
    /// Orders, the latest first
    List {
        /// Only those that need attention: out of stock, or with an unknown status
        #[arg(long)]
        attention: bool,
        /// How they are printed
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Marks an order with an unknown status as paid: what is on hold for it is sold
    Paid(OrderArgs),
    /// Marks an order with an unknown status as canceled: what is on hold for it is free
    Canceled(OrderArgs),
}

/// An order, and why.
#[derive(Debug, Args)]
pub(crate) struct OrderArgs {
    /// Its number
    #[arg(value_parser = number)]
    pub(crate) number: OrderNumber,
    /// The channel it came in on
    #[arg(long, value_name = "CHANNEL", value_parser = channel, default_value = "online")]
    pub(crate) channel: Channel,
    /// Why; kept in the activity log
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) reason: String,
}

fn number(text: &str) -> Result<OrderNumber, String> {
    OrderNumber::parse(text).map_err(|error| error.to_string())
}

fn channel(text: &str) -> Result<Channel, String> {
    Channel::parse(text).map_err(|error| error.to_string())
}
