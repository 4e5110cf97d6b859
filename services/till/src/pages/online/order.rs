//! GET /online/orders/{id} and POST /online/orders/{id}/lines/{line}

use super::orders::status_words;
use super::pieces::Piece;
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown::{self, channel_name};
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use crate::request::query::{CLOSEST_SHOWN, OrderLinePath};
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::channel::Channel;
use domain::codes::Code;
use domain::color_difference::Apart;
use domain::day::Zone;
use domain::ids::{OrderId, OrderLineId};
use domain::order::{OrderStatus, Standing};
use ledger::orders::{
    BlockingHold, Chosen, Closest, DecideLine, LineChoice, OrderDetail, OrderLineState, SettleStatus,
    SettledStatus, WaitingLine,
};
use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct OrderQuery {
    done: Option<String>,
}

/// An order, and the choices for its lines.
#[derive(Template)]
#[template(path = "online/order.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    faults: Faults,
    said: Option<String>,
    id: String,
    number: String,
    channel: String,
    status: &'static str,
    status_by: String,
    asks_status: bool,
    /// Whether a sale may still come of it.
    awaits_sale: bool,
    status_reason: String,
    placed: String,
    modified: Option<String>,
    buyer: String,
    email: String,
    shipping: String,
    sales: Vec<String>,
    lines: Vec<Line>,
}

pub(crate) struct Line {
    id: String,
    code: String,
    title: String,
    quantity: String,
    paid: String,
    state: &'static str,
    chosen: Option<String>,
    waits: bool,
    fillable: Option<&'static str>,
    holds: Vec<Blocker>,
    closest: Vec<Tag>,
    reason: String,
}

/// A hold that could be released for a line.
pub(crate) struct Blocker {
    id: String,
    words: String,
}

/// A piece that could be substituted.
pub(crate) struct Tag {
    piece: Piece,
    like: Vec<String>,
}

impl Tag {
    fn of(one: &Closest) -> Self {
        let mut like = Vec::new();
        like.push(if one.same_style { "same style".to_owned() } else { "different style".to_owned() });
        if one.same_size && !one.item.text.size.is_empty() {
            like.push("same size".to_owned());
        }
        if let Some(apart) = one.apart {
            like.push(Apart::words(apart).to_owned());
        }
        Self { piece: Piece::of(&one.item), like }
    }
}

impl Blocker {
    fn of(hold: &BlockingHold, zone: &Zone) -> Self {
        let whom = match hold.for_whom.as_str() {
            "" => shown::held_for(hold.purpose),
            name => name,
        };
        let until = hold.until.map(|until| format!(" {}", zone.until(until)));
        let words = format!("{} held for {whom}{}", hold.quantity, until.unwrap_or_default());
        Self { id: hold.id.to_string(), words }
    }
}

fn chosen_words(chosen: &Chosen, zone: &Zone) -> String {
    let what = match (chosen.choice.as_str(), &chosen.sold) {
        ("refunded", _) => format!("{} refunded", shown::money(chosen.back)),
        ("substituted", Some(sold)) => format!("substituted by {} ({})", sold.title, sold.code),
        ("released", _) => "filled from a released hold".to_owned(),
        _ => "filled from stock".to_owned(),
    };
    let by = if chosen.who.is_empty() { String::new() } else { format!(" by {}", chosen.who) };
    let why = if chosen.reason.is_empty() { String::new() } else { format!(": {}", chosen.reason) };
    format!("{what}{by} on {}{why}", shown::moment(zone, chosen.at))
}

impl Line {
    fn of(line: &WaitingLine, closest: &[Closest], status: OrderStatus, zone: &Zone) -> Self {
        let fillable = match line.line.state {
            OrderLineState::Held => Some("Fill from its hold"),
            OrderLineState::Short if line.is_free => Some("Fill from stock"),
            _ => None,
        };
        Self {
            id: line.line.id.to_string(),
            code: line.line.code.clone(),
            title: line.line.title.clone(),
            quantity: line.line.quantity.to_string(),
            paid: line.paid().map(shown::money).unwrap_or_default(),
            state: match line.line.state {
                OrderLineState::Held => "On hold",
                OrderLineState::Filled => "Sold",
                OrderLineState::Short => "Out of stock",
                OrderLineState::Undone if line.chosen.is_some() => "Resolved",
                OrderLineState::Undone if status.standing() == Standing::Undone => status_words(status),
                OrderLineState::Undone => "Resolved",
            },
            chosen: line.chosen.as_ref().map(|chosen| chosen_words(chosen, zone)),
            waits: line.waits,
            fillable: fillable.filter(|_| line.waits),
            holds: line.holds.iter().map(|hold| Blocker::of(hold, zone)).collect(),
            closest: closest.iter().map(Tag::of).collect(),
            reason: String::new(),
        }
    }
}

/// The most similar pieces for a short line.
pub(crate) async fn closest(app: &App, line: &WaitingLine) -> Result<Vec<Closest>, Problem> {
    if !line.waits {
        return Ok(Vec::new());
    }
    let code = Code::parse(&line.line.code)
        .map_err(|error| Problem::new(Kind::StorageError, "an order line has no code").because(&error))?;
    Ok(app.ledger.closest(&code, line.line.quantity, CLOSEST_SHOWN).await?)
}

async fn page(app: &App, caller: &Caller, id: OrderId) -> Result<Page, Problem> {
    let detail = app.ledger.order(id).await?;
    let shop = app.ledger.shop();
    let mut lines = Vec::with_capacity(detail.lines.len());
    for line in &detail.lines {
        // A substitute is shown with its line.
        let is_instead = detail
            .lines
            .iter()
            .filter_map(|l| l.chosen.as_ref()?.sold.as_ref())
            .any(|sold| sold.line == line.line.id && line.line.state == OrderLineState::Filled);
        if !is_instead || line.chosen.is_some() {
            lines.push(Line::of(line, &closest(app, line).await?, detail.order.status, &shop.zone));
        }
    }
    let is_undone = detail.order.status.standing() == Standing::Undone;
    let OrderDetail { order, customer, modified, status_by, shipping, sales, .. } = detail;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "orders",
        faults: Faults::default(),
        said: None,
        id: id.to_string(),
        number: order.number,
        channel: if order.channel == Channel::online() {
            String::new()
        } else {
            channel_name(&shop, &order.channel)
        },
        status: status_words(order.status),
        status_by,
        asks_status: order.status == OrderStatus::Unknown,
        awaits_sale: !is_undone,
        status_reason: String::new(),
        placed: shown::moment(&shop.zone, order.ordered),
        modified: modified.map(|at| shown::moment(&shop.zone, at)),
        buyer: customer.name,
        email: customer.email,
        shipping: if shipping.is_zero() { String::new() } else { shown::money(shipping) },
        sales: sales.iter().map(ToString::to_string).collect(),
        lines,
    })
}

/// GET /online/orders/{id}
pub(crate) async fn show(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<OrderId>,
    QueryParam(asked): QueryParam<OrderQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let mut page = page(&app, &caller, id).await?;
    page.said = match asked.done {
        Some(line) => said(&app, id, &line).await?,
        None => None,
    };
    Ok(HtmlPage(page))
}

/// What to do next about a line that was just decided.
async fn said(app: &App, id: OrderId, line: &str) -> Result<Option<String>, Problem> {
    let detail = app.ledger.order(id).await?;
    if line == "status" {
        return Ok(Some(format!("Order status: {}.", status_words(detail.order.status))));
    }
    let Ok(line) = line.parse::<OrderLineId>() else { return Ok(None) };
    let Some(chosen) = detail.line(line).and_then(|line| line.chosen.as_ref()) else { return Ok(None) };
    Ok(Some(match &chosen.sold {
        None => format!(
            "Refund {} to the buyer in the online shop. It is already recorded here.",
            shown::money(chosen.back)
        ),
        Some(sold) => {
            format!(
                "Sold: {} ({}). Pack it, and tell the buyer if it is a substitute.",
                sold.title, sold.code
            )
        }
    }))
}

/// POST /online/orders/{id}/status
pub(crate) async fn settle_status(
    State(app): State<App>,
    PathParam(order): PathParam<OrderId>,
    form: Form,
) -> Result<Response, Problem> {
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    let is = match form.text("choice") {
        "paid" => Ok(SettledStatus::Paid),
        "canceled" => Ok(SettledStatus::Canceled),
        _ => Err(Problem::invalid("#/choice", "choose whether the order is paid or canceled")),
    };
    let done = match is {
        Ok(is) => {
            let command = SettleStatus { order, is, reason: reason.clone(), who };
            app.run(&form.key, &command).await.map(drop)
        }
        Err(problem) => Err(problem),
    };
    match done {
        Ok(()) => Ok(see_other(&format!("/online/orders/{order}?done=status"))),
        Err(problem) => {
            let mut page = page(&app, &form.caller, order).await?;
            page.faults = Faults::of(problem)?;
            page.status_reason = reason;
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

/// The value of a button of the form: `refund`, `fill`, `hold 123` or `take SKU`.
fn choice(text: &str) -> Result<LineChoice, Problem> {
    let (word, rest) = text.split_once(' ').unwrap_or((text, ""));
    match word {
        "refund" => Ok(LineChoice::Refund),
        "fill" => Ok(LineChoice::Fill),
        "hold" => Ok(LineChoice::Release(rest.parse().map_err(|e| Problem::invalid("#/hold", e))?)),
        "take" => Ok(LineChoice::Substitute(Code::parse(rest).map_err(|e| Problem::invalid("#/sku", e))?)),
        _ => Err(Problem::invalid("#/choice", "choose one of the actions for this line")),
    }
}

/// POST /online/orders/{id}/lines/{line}
pub(crate) async fn decide(
    State(app): State<App>,
    OrderLinePath { order, line }: OrderLinePath,
    form: Form,
) -> Result<Response, Problem> {
    let typed = form.text("sku");
    // The button next to the field for another code, and the contents of that field.
    let asked =
        if form.text("choice") == "take" { format!("take {typed}") } else { form.text("choice").to_owned() };
    let reason = form.text("reason").to_owned();
    let who = form.caller.who.clone();
    let done = match choice(&asked) {
        Ok(choice) => {
            let command = DecideLine { order, line, choice, reason: reason.clone(), who };
            app.run(&form.key, &command).await
        }
        Err(problem) => Err(problem),
    };
    match done {
        Ok(_) => Ok(see_other(&format!("/online/orders/{order}?done={line}"))),
        Err(problem) => {
            let mut page = page(&app, &form.caller, order).await?;
            page.faults = Faults::of(problem)?;
            let typed = page.lines.iter_mut().filter(|l| l.id == line.to_string());
            typed.for_each(|l| l.reason.clone_from(&reason));
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{add_pieces, send};
    use crate::api::orders::tests::{incoming, order, short_line, take};
    use crate::testing::TestShop;
    use domain::channel::Channel;
    use domain::order::{IncomingOrder, OrderStatus};
    use serde_json::json;

    #[tokio::test]
    async fn a_line_that_waits_shows_the_closest_and_is_settled_by_one_press() {
        let shop = TestShop::open().await;
        add_pieces(&shop, 3).await;
        let (id, line) = short_line(&shop).await;
        let list = shop.get("/online/orders").await;
        assert!(list.text().contains("1 order needs"), "{}", list.text());
        let page = shop.get(&format!("/online/orders/{id}")).await;
        for part in ["Moor cowl", "New cowl 3", "same style", "Refund this line", "Ann Example"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        let to = format!("/online/orders/{id}/lines/{line}");
        let done = send(&shop, &to, &[("choice", "take N3"), ("reason", "agreed by mail")]).await;
        assert_eq!(done.status, 303, "{}", done.text());
        let place = done.header("location").expect("a place").to_owned();
        let page = shop.get(&place).await;
        for part in ["Sold: New cowl 3 (N3)", "substituted by", "agreed by mail"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        assert!(shop.get("/online/orders").await.text().contains("No orders need attention"));
    }

    #[tokio::test]
    async fn an_order_of_unknown_status_is_marked_by_one_press() {
        let shop = TestShop::open().await;
        let unknown =
            |number, sku| IncomingOrder { status: OrderStatus::Unknown, ..incoming(&shop, number, sku) };
        let (cowl, _) = take(&shop, unknown("H-1", "COWL")).await;
        let (spindle, _) = take(&shop, unknown("H-2", "SPINDLE")).await;
        assert!(shop.get("/today").await.text().contains("2 online orders have an unknown status"));
        let list = shop.get("/online/orders").await;
        assert_eq!(list.text().matches("Mark as paid or as canceled").count(), 2, "{}", list.text());
        let to = format!("/online/orders/{cowl}/status");
        let wrong = send(&shop, &to, &[("choice", "perhaps"), ("reason", "because")]).await;
        assert!(wrong.status == 422 && wrong.text().contains("value=\"because\""), "{}", wrong.text());
        let done = send(&shop, &to, &[("choice", "paid"), ("reason", "seen on the account")]).await;
        assert_eq!(done.status, 303, "{}", done.text());
        let place = done.header("location").expect("a place").to_owned();
        let page = shop.get(&place).await;
        for part in ["Order status: Paid.", "Paid (set by", "sale 1"] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
        assert!(!page.text().contains("Is this order paid?"), "{}", page.text());
        let again = send(&shop, &to, &[("choice", "canceled")]).await;
        assert!(again.status == 422 && again.text().contains("a known status"), "{}", again.text());
        let to = format!("/online/orders/{spindle}/status");
        assert_eq!(send(&shop, &to, &[("choice", "canceled")]).await.status, 303);
        let canceled = shop.get(&format!("/online/orders/{spindle}")).await;
        assert!(canceled.text().contains("<b class=\"state\">Canceled</b>"), "{}", canceled.text());
        assert!(!canceled.text().contains("no sale yet"), "none will come of it: {}", canceled.text());
        let all = shop.get("/online/orders?waiting=no").await;
        assert!(all.text().contains("Drop spindle") && !all.text().contains("no sale"), "{}", all.text());
        let shelf = |item: serde_json::Value| (item["onHand"].clone(), item["held"].clone());
        let item = shop.get("/api/items/SPINDLE").await.json();
        assert_eq!(shelf(item), (json!("10"), json!("0")), "nothing on hold any more");
        assert_eq!(shelf(shop.get("/api/items/COWL").await.json()), (json!("0"), json!("0")));
        assert!(!shop.get("/today").await.text().contains("unknown status"));
        let market = Channel::parse("market").expect("a channel");
        let (hat, _) = take(&shop, IncomingOrder { channel: market, ..incoming(&shop, "H-3", "HAT") }).await;
        for path in [format!("/online/orders/{hat}"), "/online/orders?waiting=no".to_owned()] {
            let page = shop.get(&path).await;
            assert!(page.text().contains("Market stall"), "a channel by its name: {}", page.text());
        }
    }

    #[tokio::test]
    async fn a_line_of_the_order_itself_is_not_taken_for_what_was_sold_instead_of_another() {
        let shop = TestShop::open().await;
        order(&shop, "H-1", "COWL").await;
        let mut both = incoming(&shop, "H-2", "COWL");
        both.lines.extend(incoming(&shop, "H-2", "SPINDLE").lines);
        let (id, line) = take(&shop, both).await;
        let to = format!("/online/orders/{id}/lines/{line}");
        let done = send(&shop, &to, &[("choice", "take"), ("sku", "SPINDLE"), ("reason", "as agreed")]).await;
        assert_eq!(done.status, 303, "{}", done.text());
        let page = shop.get(&format!("/online/orders/{id}")).await;
        assert_eq!(page.text().matches("<small>SPINDLE</small></h2>").count(), 1, "{}", page.text());
        assert!(
            page.text().contains("(SPINDLE)") && page.text().contains("substituted by"),
            "{}",
            page.text()
        );
    }

    #[tokio::test]
    async fn what_cannot_be_chosen_is_said_beside_what_was_typed() {
        let shop = TestShop::open().await;
        let (id, line) = short_line(&shop).await;
        let to = format!("/online/orders/{id}/lines/{line}");
        let check = async |pairs: &[(&str, &str)], words: &str| {
            let reply = send(&shop, &to, pairs).await;
            assert_eq!(reply.status, 422, "{}", reply.text());
            assert!(reply.text().contains(words), "{words} in {}", reply.text());
        };
        check(&[("choice", "")], "Choose one of the actions").await;
        check(&[("choice", "take"), ("sku", "nothing"), ("reason", "because")], "item has the code").await;
        check(&[("choice", "take COWL"), ("reason", "because")], "value=\"because\"").await;
        check(&[("choice", "fill")], "was already sold").await;
        check(&[("choice", "hold 7"), ("reason", "r")], "This hold does not exist").await;
        assert_eq!(shop.get("/online/orders/7").await.status, 404);
    }

    #[tokio::test]
    async fn a_line_is_released_from_a_hold_with_a_reason() {
        let shop = TestShop::open().await;
        let body =
            json!({"lines": [{"sku": "HAT", "quantity": "1"}], "for": "customer", "forWhom": "Linden"});
        let held = shop.post("/api/holds", "h1", body).await;
        assert_eq!(held.status, 201, "{}", held.text());
        let taken = order(&shop, "H-9", "HAT").await;
        let page = shop.get(&format!("/online/orders/{}", taken.0)).await;
        assert!(page.text().contains("held for Linden"), "{}", page.text());
        let hold =
            page.text().split("value=\"hold ").nth(1).and_then(|r| r.split('"').next()).expect("a hold");
        let to = format!("/online/orders/{}/lines/{}", taken.0, taken.1);
        let choice = format!("hold {hold}");
        let refused = send(&shop, &to, &[("choice", &choice)]).await;
        assert!(refused.status == 422 && refused.text().contains("may not be empty"), "{}", refused.text());
        let done = send(&shop, &to, &[("choice", &choice), ("reason", "Linden did not come")]).await;
        assert_eq!(done.status, 303, "{}", done.text());
    }
}
