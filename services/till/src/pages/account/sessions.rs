//! Ending one of one's own sessions, or all of them (OWASP ASVS 5.0.0, 7.4.3).

use super::PATH;
use crate::app::App;
use crate::pages::form::Form;
use crate::pages::frame::see_other;
use crate::pages::sign_in::signed_out;
use crate::problem::Problem;
use crate::request::query::PathParam;
use crate::traffic::visit::Visit;
use axum::extract::State;
use axum::response::Response;
use domain::ids::SessionId;
use ledger::people::{EndSession, SignOutEverywhere};

/// POST /account/sessions/{id}/end
pub(super) async fn end(
    State(app): State<App>,
    visit: Visit,
    PathParam(session): PathParam<SessionId>,
    form: Form,
) -> Result<Response, Problem> {
    let person = form.caller.person()?;
    app.run_unkept(&EndSession { person: person.id, session }).await?;
    tracing::info!(account = %person.id, from = %visit.address, "somebody ended one of their sessions");
    Ok(if session == person.session { signed_out(&visit) } else { see_other(PATH) })
}

/// POST /account/sessions/end
pub(super) async fn end_all(State(app): State<App>, visit: Visit, form: Form) -> Result<Response, Problem> {
    let person = form.caller.person()?;
    let ended = app.run_unkept(&SignOutEverywhere { person: person.id }).await?;
    tracing::info!(account = %person.id, from = %visit.address, ended, "somebody signed out everywhere");
    Ok(signed_out(&visit))
}
