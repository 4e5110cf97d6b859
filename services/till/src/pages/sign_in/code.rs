//! The second step of signing in: a code from the app, or a recovery code.

use super::entry::Origin;
use super::{SignInQuery, before, let_in, new_session, own_path, with_before};
use crate::app::App;
use crate::pages::form::{Faults, Form, OutsideForm};
use crate::pages::frame::{Frame, HtmlPage, see_other};
use crate::pages::second_step::check_code;
use crate::problem::{BEARER, Kind, Problem};
use crate::request::cookies::Cookie;
use crate::request::query::QueryParam;
use crate::traffic::visit::Visit;
use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ledger::people::{By, CountTry, SecretHash, SignIn, StepView, TryOf};

/// For every code that does not work, so that nothing can be learned from it.
const WRONG: &str = "this code is incorrect or was already used. Enter the code that your app shows now, or a recovery \
    code; after many wrong codes only a recovery code works";

#[derive(Template)]
#[template(path = "sign_in/code.html")]
struct Page {
    frame: Frame,
    faults: Faults,
    then: String,
}

async fn step(app: &App, visit: &Visit, headers: &HeaderMap) -> Result<Option<StepView>, Problem> {
    match Cookie::Step.read(visit.via, headers) {
        Some(cookie) => Ok(app.ledger.sign_in_step(&SecretHash::of(&cookie)).await?),
        None => Ok(None),
    }
}

/// GET /sign-in/code
pub(super) async fn page(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    QueryParam(asked): QueryParam<SignInQuery>,
) -> Result<Response, Problem> {
    if step(&app, &visit, &headers).await?.is_none() {
        return Ok(see_other("/sign-in"));
    }
    let token = before(&visit, &headers);
    let then = own_path(&asked.then).to_owned();
    let page = Page { frame: Frame::outside(&app, &token), faults: Faults::default(), then };
    Ok(with_before(&visit, &token, HtmlPage(page).into_response()))
}

/// POST /sign-in/code
pub(super) async fn verify(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    OutsideForm(form): OutsideForm,
) -> Result<Response, Problem> {
    let Some(step) = step(&app, &visit, &headers).await? else { return Ok(see_other("/sign-in")) };
    match enter(&app, &visit, &headers, &step, &form).await? {
        Ok(entered) => Ok(entered),
        Err(problem) => redisplay(&app, &visit, &step, &form, problem),
    }
}

/// Signs in whoever gave the code, or says why the code does not.
async fn enter(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    step: &StepView,
    form: &Form,
) -> Result<Result<Response, Problem>, Problem> {
    let sign_in = match sign_in(app, visit, headers, step, form.text("code")).await {
        Ok(sign_in) => sign_in,
        Err(problem) => return Ok(Err(problem)),
    };
    match let_in(app, visit, headers, sign_in, own_path(form.text("then"))).await {
        Err(problem) if problem.kind() == Kind::Invalid => Ok(Err(wrong())),
        entered => entered.map(Ok),
    }
}

fn wrong() -> Problem {
    Problem::invalid("#/", WRONG)
}

/// The page again, with its faults or how long to wait.
fn redisplay(
    app: &App,
    visit: &Visit,
    step: &StepView,
    form: &Form,
    problem: Problem,
) -> Result<Response, Problem> {
    let status =
        if problem.kind() == Kind::Invalid { StatusCode::UNAUTHORIZED } else { problem.kind().status() };
    tracing::warn!(account = %step.person, from = %visit.address, %status, "a code did not sign in");
    let wait = problem.retry_after();
    let faults = Faults::of(problem)?;
    let then = own_path(form.text("then")).to_owned();
    let page = Page { frame: Frame::outside(app, &form.caller.form_token), faults, then };
    let mut response = (status, HtmlPage(page)).into_response();
    if status == StatusCode::UNAUTHORIZED {
        response.headers_mut().insert(header::WWW_AUTHENTICATE, BEARER);
    } else {
        response.headers_mut().insert(header::RETRY_AFTER, wait.into());
    }
    Ok(response)
}

async fn sign_in(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    step: &StepView,
    code: &str,
) -> Result<SignIn, Problem> {
    let origin = Origin::of(app, visit, headers, &step.name).await?;
    let tried = TryOf::code(step.person, &origin.from());
    app.ledger.execute(None, &CountTry { of: tried.clone() }).await?;
    let factor = app.ledger.second_factor(step.person).await?.filter(|factor| factor.is_on);
    let second = match factor {
        // Turned off meanwhile by another owner.
        None => None,
        Some(factor) => Some(check_code(app, step.person, &factor, code).await?.ok_or_else(wrong)?),
    };
    let device = origin.device.as_ref().map(|d| d.id);
    let new = new_session(step.person, By::Password, step.checked.clone(), tried);
    Ok(SignIn { second, device, ..new })
}
