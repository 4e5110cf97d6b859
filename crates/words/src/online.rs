//! What is wrong with layouts, connections and what is exchanged with an online shop.

use ledger::rejection::OnlineReason;

pub(crate) fn words(reason: &OnlineReason) -> String {
    match reason {
        OnlineReason::TooManyLayouts { limit } => {
            format!("a shop has at most {limit} layouts; delete one first")
        }
        OnlineReason::OrderTooLong { number, limit } => {
            format!("order {number} is too long to be kept; it may have at most {limit} bytes of text")
        }
        OnlineReason::TooManyDeferred { limit } => {
            format!("{limit} orders of this connection are already waiting; resolve them first")
        }
        OnlineReason::TooManyAtOnce { limit } => format!("at most {limit} are taken at once; send fewer"),
        OnlineReason::SinceInFuture => {
            "this date is in the future; choose the date to import orders from".to_owned()
        }
        OnlineReason::ConnectionName { limit } => {
            format!("use lowercase letters, digits and hyphens, at most {limit}, such as village")
        }
        OnlineReason::ReservedName { name } => {
            format!("{name} is the name of the connection for files; choose another")
        }
        OnlineReason::TextTooLarge { limit } => format!("this has more than {limit} bytes; shorten it"),
        OnlineReason::OrdersTaken { connection, channel } => format!(
            "the connection {connection} already imports the orders of {channel}, and two online shops may use the \
             same order number. Use another channel, or leave out [orders] and [hooks]"
        ),
        OnlineReason::TooManyConnections { limit } => {
            format!("a shop has at most {limit} connections; end one first")
        }
        OnlineReason::NoOrders { connection } => {
            format!("{connection} does not import orders; add [orders] to its text first")
        }
        OnlineReason::NoItemHere { sku } => {
            format!("there is no item {sku} here; ignore it, or remove it from the online shop")
        }
        OnlineReason::NotAnId { limit } => {
            format!("enter the ID as the online shop shows it, 1 to {limit} printable characters")
        }
        OnlineReason::IdNotInAddress { id } => {
            format!("“{id}” cannot be used in a web address; check the ID")
        }
        OnlineReason::IdTaken { id, sku } => format!("{id} is already the ID of {sku}; check it again"),
    }
}
