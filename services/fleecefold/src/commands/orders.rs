//! `fleecefold orders list | paid | canceled`

use super::WHO;
use crate::cli::{OrderArgs, OrdersCommand};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::order::OrderStatus;
use ledger::orders::{OrderLineState, OrderView, SettleStatus, SettledStatus};
use ledger::rejection::Thing;
use ledger::{Access, Ledger, Rejection};

/// The most orders that are listed; the pages and the API have the rest.
const MOST: usize = 200;

const COLUMNS: [Column; 6] = [
    Column::words("number"),
    Column::words("channel"),
    Column::words("placed"),
    Column::words("status"),
    Column::words("attention"),
    Column::words("items"),
];

pub(super) async fn run(place: &Place, command: OrdersCommand) -> Result<Ending, CliError> {
    let access = if matches!(command, OrdersCommand::List { .. }) { Access::Read } else { Access::Write };
    let ledger = place.open(access).await?;
    let done = match command {
        OrdersCommand::List { attention, format } => list(&ledger, attention, format).await,
        OrdersCommand::Paid(args) => settle(&ledger, args, SettledStatus::Paid).await,
        OrdersCommand::Canceled(args) => settle(&ledger, args, SettledStatus::Canceled).await,
    };
    ledger.close().await;
    done
}

async fn list(ledger: &Ledger, attention: bool, form: TableForm) -> Result<Ending, CliError> {
    let orders = ledger.orders(None, attention, MOST).await?;
    if orders.is_empty() {
        eprintln!("{}", if attention { "no order needs attention" } else { "no orders yet" });
    }
    let zone = ledger.shop().zone.clone();
    let row = |order: &OrderView| {
        let placed =
            if form == TableForm::Table { zone.shown(order.ordered) } else { order.ordered.to_string() };
        vec![
            Some(order.number.clone()),
            Some(order.channel.to_string()),
            Some(placed),
            Some(order.status.to_string()),
            attention_of(order),
            Some(items(order)).filter(|items| !items.is_empty()),
        ]
    };
    Table { columns: COLUMNS.to_vec(), rows: orders.iter().map(row).collect(), total: None }.print(form)?;
    if orders.len() == MOST {
        eprintln!("only the latest {MOST} are shown");
    }
    Ok(Ending::Done)
}

/// What somebody has to do about it.
fn attention_of(order: &OrderView) -> Option<String> {
    if order.status == OrderStatus::Unknown {
        return Some("mark as paid or as canceled".to_owned());
    }
    let short = order.lines.iter().filter(|line| line.state == OrderLineState::Short).count();
    match short {
        0 => None,
        1 => Some("1 line out of stock".to_owned()),
        lines => Some(format!("{lines} lines out of stock")),
    }
}

fn items(order: &OrderView) -> String {
    let lines = order.lines.iter().filter(|line| line.state != OrderLineState::Undone);
    lines.map(|line| format!("{} × {}", line.quantity, line.code)).collect::<Vec<_>>().join(", ")
}

async fn settle(ledger: &Ledger, args: OrderArgs, is: SettledStatus) -> Result<Ending, CliError> {
    let OrderArgs { number, channel, reason } = args;
    let found = ledger.order_numbered(&channel, &number).await?;
    let named = || Rejection::no_such(Thing::Order, format!("{number} on {channel}"));
    let order = found.ok_or_else(|| CliError::Shop(named().into()))?;
    let command = SettleStatus { order, is, reason, who: WHO.to_owned() };
    let settled = ledger.execute(None, &command).await?.answer;
    match is {
        SettledStatus::Paid => eprintln!("order {number} is marked as paid; what was on hold for it is sold"),
        SettledStatus::Canceled => {
            eprintln!("order {number} is marked as canceled; its holds are released");
        }
    }
    if settled.short > 0 {
        eprintln!(
            "{} of its lines out of stock; `fleecefold orders list --attention` lists it",
            settled.short
        );
    }
    Ok(Ending::Done)
}
