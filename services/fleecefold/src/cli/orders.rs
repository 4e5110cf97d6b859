//! Arguments of `orders`.

use crate::table::TableForm;
use clap::{Args, Subcommand};
use domain::channel::Channel;
use domain::order::OrderNumber;

#[derive(Debug, Subcommand)]
pub(crate) enum OrdersCommand {
    /// List orders, newest first
    List {
        /// Only orders that need attention: out of stock, or with an unknown status
        #[arg(long)]
        attention: bool,
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Mark an order with an unknown status as paid, and sell what is on hold for it
    Paid(OrderArgs),
    /// Mark an order with an unknown status as canceled, and release what is on hold for it
    Canceled(OrderArgs),
}

#[derive(Debug, Args)]
pub(crate) struct OrderArgs {
    /// Order number
    #[arg(value_parser = number)]
    pub(crate) number: OrderNumber,
    /// Channel it came in on
    #[arg(long, value_name = "CHANNEL", value_parser = channel, default_value = "online")]
    pub(crate) channel: Channel,
    /// Reason, for the activity log
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) reason: String,
}

fn number(text: &str) -> Result<OrderNumber, String> {
    OrderNumber::parse(text).map_err(|error| error.to_string())
}

fn channel(text: &str) -> Result<Channel, String> {
    Channel::parse(text).map_err(|error| error.to_string())
}
