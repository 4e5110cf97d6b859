//! Registering the device that the owner is using, and ending a registration.

use super::{PATH, Undone, redisplay};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::see_other;
use crate::problem::Problem;
use crate::request::cookies::Cookie;
use crate::request::query::PathParam;
use crate::traffic::visit::Visit;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::Response;
use domain::ids::DeviceId;
use ledger::people::{EndDevice, EnrolDevice, SecretHash};

/// How long a registration lasts: the longest that browsers keep a cookie (RFC 6265bis, 5.5).
const SECONDS: i64 = 400 * 24 * 60 * 60;

/// POST /settings/devices
pub(super) async fn enrol(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    form: Form,
) -> Result<Response, Problem> {
    let secret = crate::security::random::text();
    let (name, who) = (form.text("name").to_owned(), form.caller.who.clone());
    let enrol = EnrolDevice { name, secret: SecretHash::of(&secret), who };
    if let Err(problem) = app.run_unkept(&enrol).await {
        let undone = Undone::Device(Faults::of(problem)?);
        return redisplay(&app, &visit, &headers, &form, undone).await;
    }
    let mut response = see_other(PATH);
    response.headers_mut().append(header::SET_COOKIE, Cookie::Device.set(visit.via, &secret, SECONDS));
    Ok(response)
}

/// POST /settings/devices/{id}/end
pub(super) async fn end(
    State(app): State<App>,
    PathParam(device): PathParam<DeviceId>,
    form: Form,
) -> Result<Response, Problem> {
    app.run(&form.key, &EndDevice { device, who: form.caller.who.clone() }).await?;
    Ok(see_other(PATH))
}
