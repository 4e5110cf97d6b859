//! GET /api/orders

pub(crate) mod lines;
pub(crate) mod status;

use crate::api::shown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{Page, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::OrderId;
use ledger::orders::{OrderLineState, OrderLineView, OrderView};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Which orders.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OrdersQuery {
    /// `next` from the previous answer; the first rows if left out.
    cursor: Option<String>,
    /// How many rows, 1 to 200; 50 if left out.
    limit: Option<String>,
    /// `true`, or without a value: only orders that need attention, with out-of-stock lines or an unknown
    /// status.
    short: Option<String>,
}

impl OrdersQuery {
    fn read(&self) -> Result<(Page<OrderId>, bool), Problem> {
        let short = match self.short.as_deref() {
            Some("" | "true") => true,
            None | Some("false") => false,
            Some(_) => return Err(Problem::invalid_parameter("short", "write true or false")),
        };
        Ok((Page::read(self.cursor.as_deref(), self.limit.as_deref())?, short))
    }
}

/// Some of the orders, the latest taken in first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OrdersShown {
    orders: Vec<OrderShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// An order as it is now. A past order's lines are those of its sale.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct OrderShown {
    id: String,
    channel: String,
    order_number: String,
    /// schema.org's `OrderStatus`.
    order_status: &'static str,
    order_date: String,
    past: bool,
    /// The sale of its filled lines; null if no line was filled, or it is not paid.
    sale: Option<String>,
    lines: Vec<OrderLineShown>,
}

/// A line of an order.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct OrderLineShown {
    id: String,
    sku: String,
    name: String,
    quantity: String,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
    amount: String,
    /// held, filled, short (out of stock) or undone.
    state: &'static str,
}

impl From<OrderView> for OrderShown {
    fn from(order: OrderView) -> Self {
        Self {
            id: order.id.to_string(),
            channel: order.channel.to_string(),
            order_number: order.number,
            order_status: order.status.code(),
            order_date: order.ordered.to_string(),
            past: order.past,
            sale: order.sale.map(|sale| sale.to_string()),
            lines: order.lines.into_iter().map(OrderLineShown::from).collect(),
        }
    }
}

impl From<OrderLineView> for OrderLineShown {
    fn from(line: OrderLineView) -> Self {
        Self {
            id: line.id.to_string(),
            sku: line.code,
            name: line.title,
            quantity: shown::quantity(line.quantity),
            unit_code: shown::unit_code(line.quantity.measure()),
            amount: line.amount.to_string(),
            state: match line.state {
                OrderLineState::Held => "held",
                OrderLineState::Filled => "filled",
                OrderLineState::Short => "short",
                OrderLineState::Undone => "undone",
            },
        }
    }
}

/// Orders, with the state of each line.
#[utoipa::path(get, path = "/api/orders", tag = "online", params(OrdersQuery),
    responses((status = 200, description = "Some of the orders.", body = OrdersShown), ReadProblems))]
pub(crate) async fn list_orders(
    State(app): State<App>,
    QueryParam(asked): QueryParam<OrdersQuery>,
) -> Result<Json<OrdersShown>, Problem> {
    let (page, short) = asked.read()?;
    let mut orders = app.ledger.orders(page.after, short, page.and_one()).await?;
    let next = page.cut(&mut orders, |order| order.id.to_string());
    Ok(Json(OrdersShown { orders: orders.into_iter().map(OrderShown::from).collect(), next }))
}

#[cfg(test)]
pub(crate) mod tests {
    use crate::testing::TestShop;
    use domain::channel::Channel;
    use domain::codes::Code;
    use domain::money::{Currency, Money};
    use domain::order::{Customer, IncomingLine, IncomingOrder, LinePrice, OrderNumber, OrderStatus};
    use domain::quantity::Asked;
    use ledger::orders::TakeOrders;
    use serde_json::{Value, json};

    pub(crate) fn incoming(shop: &TestShop, number: &str, sku: &str) -> IncomingOrder {
        let zero = Money::zero(Currency::USD);
        let line = IncomingLine {
            code: Some(Code::parse(sku).expect("a code")),
            name: String::new(),
            quantity: Asked::ONE,
            price: LinePrice::Each(Money::from_minor(4800, Currency::USD).expect("an amount")),
            discount: zero,
            tax: zero,
        };
        IncomingOrder {
            channel: Channel::online(),
            number: OrderNumber::parse(number).expect("a number"),
            ordered: shop.ledger().now(),
            modified: None,
            status: OrderStatus::OrderProcessing,
            lines: vec![line],
            refunds: Vec::new(),
            discount: zero,
            shipping: Money::from_minor(600, Currency::USD).expect("an amount"),
            fee: zero,
            customer: Customer { name: "Ann Example".to_owned(), email: String::new() },
        }
    }

    /// Takes in an order with one line; returns the order and its line.
    pub(crate) async fn order(shop: &TestShop, number: &str, sku: &str) -> (String, String) {
        take(shop, incoming(shop, number, sku)).await
    }

    /// Takes in an order; returns the order and its first line.
    pub(crate) async fn take(shop: &TestShop, order: IncomingOrder) -> (String, String) {
        let batch = TakeOrders { orders: vec![order], past: false, who: String::new() };
        shop.ledger().take_orders(&batch).await.expect("taken");
        let order = shop.ledger().orders(None, false, 1).await.expect("orders").remove(0);
        (order.id.to_string(), order.lines[0].id.to_string())
    }

    /// An order with one out-of-stock line: another order got the piece first.
    pub(crate) async fn short_line(shop: &TestShop) -> (String, String) {
        order(shop, "H-1", "COWL").await;
        order(shop, "H-2", "COWL").await
    }

    #[tokio::test]
    async fn orders_say_how_each_line_stands() {
        let shop = TestShop::open().await;
        let orders = vec![incoming(&shop, "H-1", "COWL"), incoming(&shop, "H-2", "COWL")];
        let batch = TakeOrders { orders, past: false, who: String::new() };
        shop.ledger().take_orders(&batch).await.expect("taken");
        let told = |reply: &Value| -> Vec<Value> {
            let orders = reply["orders"].as_array().expect("orders");
            orders
                .iter()
                .map(|o| json!([o["orderNumber"], o["lines"][0]["state"], o["sale"].is_null()]))
                .collect()
        };
        let all = shop.get("/api/orders").await;
        assert_eq!(told(&all.json()), [json!(["H-2", "short", true]), json!(["H-1", "filled", false])]);
        assert!(!all.text().contains("Ann"), "who bought is not answered where nobody asks for it");
        assert_eq!(told(&shop.get("/api/orders?short").await.json()), [json!(["H-2", "short", true])]);
        let first = shop.get("/api/orders?limit=1").await.json();
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/orders?limit=1&cursor={next}")).await.json();
        assert_eq!((told(&rest).len(), &rest["next"]), (1, &json!(null)));
        shop.get("/api/orders?short=perhaps").await.expect_problem("invalid", 422);
    }
}
