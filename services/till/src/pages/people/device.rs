//! Enrolling the device that the owner has in hand, and ending one.

use super::{PATH, Undone, again};
use crate::app::App;
use crate::cookies::Cookie;
use crate::door::Visit;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::go;
use crate::problem::Problem;
use crate::query::At;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::Response;
use domain::ids::DeviceId;
use ledger::people::{EndDevice, EnrolDevice, SecretHash};

/// How long a device stays enrolled without being enrolled anew: the longest that browsers keep a
/// cookie (RFC 6265bis, 5.5).
const SECONDS: i64 = 400 * 24 * 60 * 60;

/// POST /settings/devices
pub(super) async fn enrol(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    form: Form,
) -> Result<Response, Problem> {
    let secret = crate::chance::text();
    let (name, who) = (form.text("name").to_owned(), form.caller.who.clone());
    let enrol = EnrolDevice { name, secret: SecretHash::of(&secret), who };
    if let Err(problem) = app.run_unkept(&enrol).await {
        let undone = Undone::Device(Faults::of(problem)?);
        return again(&app, &visit, &headers, &form, undone).await;
    }
    let mut response = go(PATH);
    response.headers_mut().append(header::SET_COOKIE, Cookie::Device.set(visit.via, &secret, SECONDS));
    Ok(response)
}

/// POST /settings/devices/{id}/end
pub(super) async fn end(
    State(app): State<App>,
    At(device): At<DeviceId>,
    form: Form,
) -> Result<Response, Problem> {
    app.run(&form.key, &EndDevice { device, who: form.caller.who.clone() }).await?;
    Ok(go(PATH))
}
