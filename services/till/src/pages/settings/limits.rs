//! GET /settings/limits and POST /settings/limits/{role}: how far each role may go before somebody else has to approve.

use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::limits::{LimitName, Limits, NO_LIMIT};
use domain::people::Role;
use ledger::Shop;
use ledger::people::{LimitsOf, SetLimits};
use serde::Deserialize;

/// Owners have none.
const ROLES: [Role; 2] = [Role::Counter, Role::Maker];
/// The limits that are a box to tick.
const BOXES: [LimitName; 2] = [LimitName::TaxByHand, LimitName::RefundTender];
/// The limits that are typed; an empty field is no limit.
const TYPED: [LimitName; 5] = [
    LimitName::Discount,
    LimitName::Refund,
    LimitName::BackdateDays,
    LimitName::OpenHolds,
    LimitName::HoldDays,
];

struct Field {
    name: &'static str,
    label: &'static str,
    value: String,
    mode: &'static str,
}

struct Tick {
    name: String,
    label: String,
    is_on: bool,
}

struct Of {
    role: Role,
    fields: Vec<Field>,
    channels: Vec<Tick>,
    boxes: Vec<Tick>,
    faults: Faults,
}

#[derive(Template)]
#[template(path = "settings/limits.html")]
pub(crate) struct Page {
    frame: Frame,
    roles: Vec<Of>,
    kept: String,
}

#[derive(Debug, Default, Deserialize)]
pub(crate) struct Query {
    #[serde(default)]
    kept: String,
}

fn label(name: LimitName) -> &'static str {
    match name {
        LimitName::Channels => "Sells on",
        LimitName::Discount => "Largest discount, in percent",
        LimitName::BackdateDays => "Days that a sale may be dated back",
        LimitName::OpenHolds => "Holds open at the same time",
        LimitName::HoldDays => "Days that a hold may last",
        LimitName::TaxByHand => "May enter sales tax by hand",
        LimitName::Refund => "Largest refund of one sale",
        LimitName::RefundTender => "May refund in another way than the sale was paid",
    }
}

fn mode(name: LimitName) -> &'static str {
    match name {
        LimitName::Discount | LimitName::Refund => "decimal",
        _ => "numeric",
    }
}

/// What a form says of a limit, as the ledger writes it.
fn wanted(name: LimitName, form: &Form, shop: &Shop) -> String {
    match name {
        LimitName::Channels => {
            let all = form.all("channel");
            if all.len() == shop.channels.len() { NO_LIMIT.to_owned() } else { all.join(",") }
        }
        LimitName::TaxByHand | LimitName::RefundTender => {
            if form.has(name.code()) { "yes" } else { "no" }.to_owned()
        }
        _ if form.text(name.code()).is_empty() => NO_LIMIT.to_owned(),
        _ => form.text(name.code()).to_owned(),
    }
}

impl Of {
    fn new(role: Role, shop: &Shop, value: impl Fn(LimitName) -> String) -> Self {
        let field = |name: LimitName| {
            let value = Some(value(name)).filter(|value| value != NO_LIMIT).unwrap_or_default();
            Field { name: name.code(), label: label(name), value, mode: mode(name) }
        };
        let on = value(LimitName::Channels);
        let on: Vec<&str> = on.split(',').collect();
        let channel = |(code, name): (&domain::channel::Channel, &String)| Tick {
            is_on: on == [NO_LIMIT] || on.contains(&code.as_str()),
            name: code.to_string(),
            label: if name.is_empty() { code.to_string() } else { name.clone() },
        };
        let tick = |name: LimitName| Tick {
            is_on: value(name) == "yes",
            name: name.code().to_owned(),
            label: label(name).to_owned(),
        };
        Self {
            role,
            fields: TYPED.map(field).into_iter().collect(),
            channels: shop.channels.iter().map(channel).collect(),
            boxes: BOXES.map(tick).into_iter().collect(),
            faults: Faults::default(),
        }
    }
}

async fn read(app: &App, caller: &Caller, kept: String) -> Result<Page, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let mut roles = Vec::with_capacity(ROLES.len());
    for role in ROLES {
        let limits = app.ledger.limits(role, None).await?;
        roles.push(Of::new(role, &shop, |name| limits.written(name)));
    }
    Ok(Page { frame: Frame::new(app, caller, Room::Settings), roles, kept })
}

/// GET /settings/limits
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<Query>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(read(&app, &caller, query.kept).await?))
}

/// What the form changes; what stays as it is, is not recorded.
fn changes(limits: &Limits, form: &Form, shop: &Shop) -> Vec<(LimitName, String)> {
    let all = LimitName::ALL.into_iter().map(|name| (name, wanted(name, form, shop)));
    all.filter(|(name, value)| limits.written(*name) != *value).collect()
}

/// POST /settings/limits/{role}
pub(crate) async fn keep(
    State(app): State<App>,
    PathParam(role): PathParam<Role>,
    form: Form,
) -> Result<Response, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let values = changes(&app.ledger.limits(role, None).await?, &form, &shop);
    let set = SetLimits { of: LimitsOf::Role(role), values, who: form.caller.who.clone() };
    let faults = match app.run(&form.key, &set).await {
        Ok(_) => return Ok(see_other(&format!("/settings/limits?kept={role}#{role}"))),
        Err(problem) => Faults::of(problem)?,
    };
    let mut page = read(&app, &form.caller, String::new()).await?;
    if let Some(of) = page.roles.iter_mut().find(|of| of.role == role) {
        *of = Of { faults, ..Of::new(role, &shop, |name| wanted(name, &form, &shop)) };
    }
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::{Reply, TestShop};
    use axum::body::Body;
    use axum::http::Method;
    use domain::limits::LimitName;
    use domain::people::Role;

    const FORM: &[(&str, &str)] = &[("content-type", "application/x-www-form-urlencoded")];

    async fn send(shop: &TestShop, role: &str, body: &str) -> Reply {
        shop.ask(Method::POST, &format!("/settings/limits/{role}"), FORM, Body::from(body.to_owned())).await
    }

    #[tokio::test]
    async fn the_owner_sets_how_far_a_role_may_go() {
        let shop = TestShop::open().await;
        let page = shop.get("/settings/limits").await;
        assert_eq!(page.status, 200, "{}", page.text());
        assert!(page.text().contains("value=\"25\""), "the counter clerk's discount: {}", page.text());
        let body =
            "channel=store&discount=10&refund=40.00&backdate_days=&open_holds=50&hold_days=92&tax_by_hand=on";
        let done = send(&shop, "counter", body).await;
        assert_eq!(done.header("location"), Some("/settings/limits?kept=counter#counter"), "{}", done.text());
        let limits = shop.ledger().limits(Role::Counter, None).await.expect("limits");
        let written = LimitName::ALL.map(|name| limits.written(name));
        assert_eq!(written, ["store", "10", "none", "50", "92", "yes", "40.00", "no"]);
        let maker = shop.ledger().limits(Role::Maker, None).await.expect("limits");
        assert_eq!(maker.written(LimitName::Discount), "none");
        // What did not change is not in the activity log.
        let log = shop.get("/settings/activity").await;
        assert!(!log.text().contains("open_holds") && log.text().contains("10"), "{}", log.text());
    }

    #[tokio::test]
    async fn a_wrong_limit_is_named_beside_its_field_and_nothing_is_kept() {
        let shop = TestShop::open().await;
        let refused = send(&shop, "counter", "channel=store&discount=much&refund=5.00&tax_by_hand=on").await;
        assert_eq!(refused.status, 422, "{}", refused.text());
        assert!(refused.text().contains("value=\"much\""), "{}", refused.text());
        assert!(refused.text().contains("fault-discount"), "{}", refused.text());
        let none = send(&shop, "counter", "discount=10").await;
        assert_eq!(none.status, 422, "no channel: {}", none.text());
        assert_eq!(send(&shop, "owner", "channel=store").await.status, 422);
        let limits = shop.ledger().limits(Role::Counter, None).await.expect("limits");
        assert_eq!(
            (limits.written(LimitName::Discount), limits.written(LimitName::Refund)),
            ("25".into(), "none".into())
        );
        let maker = shop.as_role(Role::Maker).get("/settings/limits").await;
        assert_eq!(maker.status, 403);
    }
}
