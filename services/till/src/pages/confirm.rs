//! “Confirm it’s you”: a guarded change waits until its person has typed their password again (OWASP ASVS
//! 5.0.0, 7.5.1). The form that was sent is kept within the page that asks, and is sent on from there: nothing
//! typed is lost, and no handler has to know about it.

use crate::app::App;
use crate::pages::form::Faults;
use crate::pages::frame::{Frame, HtmlPage};
use crate::pages::mask;
use crate::pages::sign_in::check_code;
use crate::problem::{Kind, Problem};
use crate::request::body::{BULK_LIMIT, read};
use crate::request::caller::{Caller, Person};
use crate::request::cookies::Cookie;
use crate::security::secrets::Lane;
use crate::traffic::guard::is_page;
use crate::traffic::visit::Visit;
use askama::Template;
use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ledger::people::{CONFIRMED_FOR_MS, Confirm, CountTry, SecretHash, TryOf};

/// The fields of the page that asks; no other form uses these names.
const PASSWORD: &str = "_confirm";
const CODE: &str = "_code";
const SEAL: &str = "_seal";
/// Secrets that a form may contain, and how they are asked for again: none is ever written into a page.
const SECRETS: [(&str, &str); 2] = [("password", "New password, again"), ("pin", "New PIN, again")];

#[derive(Template)]
#[template(path = "confirm/room.html")]
struct Page {
    frame: Frame,
    faults: Faults,
    /// Where the form is sent on to.
    action: String,
    kept: Vec<(String, String)>,
    /// The secrets that it contained, by field and label.
    secrets: Vec<(&'static str, &'static str)>,
    asks_code: bool,
    back: String,
    minutes: i64,
    password_field: &'static str,
    code_field: &'static str,
}

/// The result for a guarded change.
pub(crate) enum Outcome {
    /// It goes on, and the session has a new cookie.
    Confirmed(Box<Request>, HeaderValue),
    Answered(Box<Response>),
}

/// Asks for the password, or checks the one that was sent.
pub(crate) async fn ask(
    app: &App,
    visit: &Visit,
    caller: &Caller,
    request: Request,
) -> Result<Outcome, Problem> {
    let person = caller.person()?;
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    if !is_page(request.uri().path()) || !kind.starts_with("application/x-www-form-urlencoded") {
        let words =
            "this change requires your password. Sign in again and repeat the change within 10 minutes";
        return Err(Problem::new(Kind::NotAllowed, words));
    }
    let (parts, body) = request.into_parts();
    let back = back(&parts.headers);
    let bytes = read(Request::new(body), BULK_LIMIT).await?;
    let mut pairs: Vec<(String, String)> =
        form_urlencoded::parse(&bytes).map(|(n, v)| (n.into_owned(), v.into_owned())).collect();
    let token = pairs.iter().find(|(n, _)| n == SEAL).map(|(_, v)| v.as_str()).unwrap_or_default();
    if !mask::is_of(token, &caller.form_token) {
        let words = "this form has expired. Reload the page and send it again";
        return Err(Problem::new(Kind::ForeignOrigin, words));
    }
    let (password, code) = (take(&mut pairs, PASSWORD), take(&mut pairs, CODE).unwrap_or_default());
    let faults = match &password {
        None => Faults::default(),
        Some(password) => match confirm(app, (caller, person), password, &code).await {
            Ok(cookie) => {
                let cookie = Cookie::Session.set(visit.via, &cookie, person.lasts_seconds);
                let body = form_urlencoded::Serializer::new(String::new()).extend_pairs(&pairs).finish();
                return Ok(Outcome::Confirmed(
                    Box::new(Request::from_parts(parts, Body::from(body))),
                    cookie,
                ));
            }
            Err(problem) if problem.kind() == Kind::Invalid || problem.kind() == Kind::TooOften => {
                tracing::warn!(who = caller.who, from = %visit.address, "a try to confirm went wrong");
                Faults::of(problem)?
            }
            Err(problem) => return Err(problem),
        },
    };
    pairs.retain(|(name, _)| name != SEAL);
    let secrets =
        SECRETS.into_iter().filter(|(name, _)| pairs.iter().any(|(n, v)| n == name && !v.is_empty()));
    let secrets: Vec<_> = secrets.collect();
    pairs.retain(|(name, _)| SECRETS.iter().all(|(secret, _)| secret != name));
    let action = parts.uri.path_and_query().map_or("/", |p| p.as_str()).to_owned();
    let factor = app.ledger.second_factor(person.id).await?;
    let page = Page {
        frame: Frame::beside(app, caller),
        faults,
        action,
        kept: pairs,
        secrets,
        asks_code: factor.is_some_and(|f| f.is_on),
        back,
        minutes: CONFIRMED_FOR_MS / 60_000,
        password_field: PASSWORD,
        code_field: CODE,
    };
    Ok(Outcome::Answered(Box::new((StatusCode::FORBIDDEN, HtmlPage(page)).into_response())))
}

fn take(pairs: &mut Vec<(String, String)>, name: &str) -> Option<String> {
    let at = pairs.iter().position(|(n, _)| n == name)?;
    Some(pairs.remove(at).1)
}

/// The page with the form, if the browser says so; never another site's.
fn back(headers: &axum::http::HeaderMap) -> String {
    let from = headers.get(header::REFERER).and_then(|v| v.to_str().ok());
    let uri = from.and_then(|text| text.parse::<axum::http::Uri>().ok());
    let path = uri.as_ref().map_or("/", axum::http::Uri::path);
    if path.starts_with("//") { "/".to_owned() } else { path.to_owned() }
}

/// Checks the password, and the code if there is a second factor; returns the session's new cookie.
async fn confirm(
    app: &App,
    (caller, person): (&Caller, Person),
    password: &str,
    code: &str,
) -> Result<String, Problem> {
    let wrong = || Problem::invalid("#/", "the password or code is incorrect");
    let tried = TryOf::confirm(person.session);
    app.ledger.execute(None, &CountTry { of: tried.clone() }).await?;
    let known = app.ledger.password_of(&caller.who).await?.filter(|(id, _)| *id == person.id);
    let checked = app.secrets.check(password, known.as_ref().map(|(_, phc)| phc), Lane::Known).await?;
    let Some((_, phc)) = known.filter(|_| checked.right) else { return Err(wrong()) };
    let second = match app.ledger.second_factor(person.id).await? {
        Some(factor) if factor.is_on => {
            Some(check_code(app, person.id, &factor, code).await?.ok_or_else(wrong)?)
        }
        _ => None,
    };
    let cookie = crate::security::random::text();
    let confirm = Confirm {
        session: person.session,
        person: person.id,
        cookie: SecretHash::of(&cookie),
        checked: phc,
        second,
        tried,
    };
    app.run_unkept(&confirm).await?;
    tracing::info!(who = caller.who, "somebody gave their password again");
    Ok(cookie)
}

#[cfg(test)]
mod tests;
