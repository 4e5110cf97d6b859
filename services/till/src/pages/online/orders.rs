//! GET /online/orders

use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::Count;
use crate::pages::shown::{self, channel_name};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{Page as Part, QueryParam};
use askama::Template;
use axum::extract::State;
use domain::channel::Channel;
use domain::ids::OrderId;
use domain::order::{OrderStatus, Standing};
use ledger::Shop;
use ledger::orders::{OrderLineState, OrderView};
use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct OrdersQuery {
    waiting: Option<String>,
    cursor: Option<String>,
}

/// Orders: those that need attention, or all.
#[derive(Template)]
#[template(path = "online/orders.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    only_waiting: bool,
    rows: Vec<Row>,
    next: Option<String>,
    waiting: Count,
}

pub(crate) struct Row {
    id: String,
    number: String,
    channel: String,
    placed: String,
    status: &'static str,
    asks_status: bool,
    waits: usize,
    lines: Vec<String>,
    /// Whether a sale may still come of it, and has not.
    lacks_sale: bool,
}

/// schema.org's status in words.
pub(crate) fn status_words(status: OrderStatus) -> &'static str {
    match status {
        OrderStatus::OrderPaymentDue => "Not paid yet",
        OrderStatus::Unknown => "Unknown status; its stock stays on hold",
        OrderStatus::OrderProcessing => "Paid",
        OrderStatus::OrderInTransit => "Shipped",
        OrderStatus::OrderPickupAvailable => "Ready for pickup",
        OrderStatus::OrderDelivered => "Delivered",
        OrderStatus::OrderProblem => "Problem",
        OrderStatus::OrderCancelled => "Canceled",
        OrderStatus::OrderReturned => "Returned",
    }
}

/// Whether a line waits for a person, and not only for its payment.
pub(crate) fn waits(state: OrderLineState, status: OrderStatus) -> bool {
    let is_open = matches!(state, OrderLineState::Short | OrderLineState::Held);
    is_open && status.standing() == Standing::Sold
}

impl Row {
    fn of(order: &OrderView, shop: &Shop) -> Self {
        let line = |line: &ledger::orders::OrderLineView| match line.quantity.to_string().as_str() {
            "1" => line.title.clone(),
            quantity => format!("{quantity} {}", line.title),
        };
        // Of an order that was canceled, every line is undone.
        let is_undone = order.status.standing() == Standing::Undone;
        let shown = |l: &&ledger::orders::OrderLineView| is_undone || l.state != OrderLineState::Undone;
        Self {
            id: order.id.to_string(),
            number: order.number.clone(),
            channel: if order.channel == Channel::online() {
                String::new()
            } else {
                channel_name(shop, &order.channel)
            },
            placed: shown::moment(&shop.zone, order.ordered),
            status: status_words(order.status),
            asks_status: order.status == OrderStatus::Unknown,
            waits: order.lines.iter().filter(|l| waits(l.state, order.status)).count(),
            lines: order.lines.iter().filter(shown).map(line).collect(),
            lacks_sale: order.sale.is_none() && !is_undone,
        }
    }
}

/// GET /online/orders
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<OrdersQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let only_waiting = match asked.waiting.as_deref() {
        None => true,
        Some("no") => false,
        Some(_) => return Err(Problem::invalid_parameter("waiting", "use no, or leave it out")),
    };
    let part = Part::<OrderId>::read(asked.cursor.as_deref(), None)?;
    let mut orders = app.ledger.orders(part.after, only_waiting, part.and_one()).await?;
    let found = orders.len();
    let next = part.cut(&mut orders, |order| order.id.to_string());
    let shop = app.ledger.shop();
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Online),
        lane: "orders",
        only_waiting,
        rows: orders.iter().map(|order| Row::of(order, &shop)).collect(),
        next,
        waiting: Count::of(found, part.rows),
    }))
}
