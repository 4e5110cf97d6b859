//! Authentication and authorization: the one place that decides whose request it is, by a program's token or a
//! person's session, and whether they may use the route.

use crate::app::App;
use crate::pages::frame::see_other;
use crate::problem::{Kind, Problem};
use crate::request::caller::{Access, Caller, Person};
use crate::request::cookies::Cookie;
use crate::security::tokens::TokenWrong;
use crate::traffic::guard::is_page;
use crate::traffic::guard::{FETCH_SITE, one};
pub(crate) use crate::traffic::visit::Visit;
use axum::http::request::Parts;
use axum::http::{Method, header};
use axum::response::{IntoResponse, Response};
use domain::people::Permission;
use ledger::people::{By, SecretHash};

/// Only programs and people on this machine may see it.
const OF_THIS_MACHINE: &str = "/metrics";

/// Lets in whoever may use the route, or answers why not. Without a route (`None`) nothing is required; who it
/// is only shapes the page that says so.
pub(crate) async fn admit(
    app: &App,
    access: Option<Access>,
    visit: &Visit,
    parts: &Parts,
) -> Result<Option<Caller>, Box<Response>> {
    let path = parts.uri.path();
    if path == OF_THIS_MACHINE && !visit.is_here {
        let caller = who(app, visit, parts).await?;
        if caller.as_ref().is_some_and(|caller| caller.may(Permission::Run)) {
            return Ok(caller);
        }
        let words = "open this on the server's own computer, or send the token of an owner";
        return Err(Box::from(Problem::new(Kind::NotFound, words)));
    }
    if access == Some(Access::Public) || (access.is_none() && !is_page(path)) {
        return Ok(None);
    }
    let caller = who(app, visit, parts).await?;
    let Some(access) = access else { return Ok(caller) };
    match (&caller, access) {
        (_, Access::Public) | (Some(_), Access::Authenticated) => Ok(caller),
        (Some(known), Access::With(permission)) if known.may(permission) => Ok(caller),
        (Some(known), Access::Password | Access::Confirmed)
            if known.person.is_some_and(|p| p.by == By::Password) =>
        {
            Ok(caller)
        }
        (Some(known), access) => Err(Box::new(not_allowed(known, access, path))),
        (None, _) => Err(Box::new(redirect_to_sign_in(app, parts).await)),
    }
}

/// Why somebody who is signed in may not go on, and what they can do.
fn not_allowed(known: &Caller, access: Access, path: &str) -> Response {
    tracing::info!(who = known.who, path, "somebody was not allowed");
    let words = match access {
        Access::With(permission) if !known.role.may(permission) => {
            format!(
                "your role ({}) does not allow you to {}. Ask an owner",
                known.role.words(),
                permission.words()
            )
        }
        Access::With(permission) if known.is_by_pin() => {
            format!(
                "you signed in with a PIN, which does not allow you to {}. Sign out and sign in with your password",
                permission.words()
            )
        }
        _ if known.is_by_pin() => {
            "you signed in with a PIN. Sign out and sign in with your password to do this".to_owned()
        }
        Access::With(permission) => {
            format!(
                "a program is not allowed to {}; a person who signed in with a password can",
                permission.words()
            )
        }
        _ => "a program has no account; only a person who signed in with a password can do this".to_owned(),
    };
    let mut response = Problem::new(Kind::NotAllowed, words).into_response();
    response.extensions_mut().insert(known.clone());
    response
}

impl From<Problem> for Box<Response> {
    fn from(problem: Problem) -> Self {
        Self::new(problem.into_response())
    }
}

/// Who is asking. A token that is wrong is reported as such, whatever else there is.
async fn who(app: &App, visit: &Visit, parts: &Parts) -> Result<Option<Caller>, Problem> {
    match one(&parts.headers, &header::AUTHORIZATION) {
        Ok(None) => by_session(app, visit, parts).await,
        Ok(Some(value)) => by_token(app, value).await.map(Some),
        Err(()) => Err(wrong_token("send one Authorization header, as text")),
    }
}

fn wrong_token(why: &str) -> Problem {
    Problem::new(Kind::SignInNeeded, format!("{why}; create a token with `fleecefold token add`"))
}

async fn by_token(app: &App, authorization: &str) -> Result<Caller, Problem> {
    let token = match authorization.split_once(' ') {
        Some((scheme, token)) if scheme.eq_ignore_ascii_case("bearer") => token.trim(),
        _ => return Err(wrong_token("the Authorization header must be Bearer followed by a token")),
    };
    let Some(keys) = &app.keys else {
        return Err(wrong_token("this server was started without --keys, so it takes no tokens"));
    };
    let jti =
        keys.read(token, app.ledger.now()).map_err(|wrong: TokenWrong| wrong_token(&wrong.to_string()))?;
    match app.ledger.token(&jti).await? {
        Some(token) => Ok(Caller {
            who: token.name,
            role: token.role,
            token: Some(token.jti),
            form_token: String::new(),
            person: None,
        }),
        None => Err(wrong_token("the token was revoked")),
    }
}

async fn by_session(app: &App, visit: &Visit, parts: &Parts) -> Result<Option<Caller>, Problem> {
    let Some(cookie) = Cookie::Session.read(visit.via, &parts.headers) else { return Ok(None) };
    let Some(session) = app.ledger.session(&SecretHash::of(&cookie)).await? else { return Ok(None) };
    let changes = !matches!(parts.method, Method::GET | Method::HEAD);
    let headers = &parts.headers;
    // A form proves with its token that it is from our page; a script's request, with what browsers say.
    if changes
        && !is_page(parts.uri.path())
        && !headers.contains_key(header::ORIGIN)
        && !headers.contains_key(FETCH_SITE)
    {
        let words =
            "a change made with a cookie must come from a page of this shop; programs send a token instead";
        return Err(Problem::new(Kind::ForeignOrigin, words));
    }
    let person = Person {
        id: session.person,
        session: session.id,
        by: session.by,
        is_fresh: session.is_fresh,
        lasts_seconds: (session.until.millis() - app.ledger.now().millis()).div_euclid(1000),
    };
    let (who, role, form_token) = (session.name, session.role, session.form_token);
    Ok(Some(Caller { who, role, token: None, form_token, person: Some(person) }))
}

/// A person is sent to the sign-in page and from there back to this one; a program is told what is missing.
async fn redirect_to_sign_in(app: &App, parts: &Parts) -> Response {
    if !is_page(parts.uri.path()) {
        let words = "send a token as Authorization: Bearer TOKEN; `fleecefold token add` creates one";
        return Problem::new(Kind::SignInNeeded, words).into_response();
    }
    match app.ledger.has_people().await {
        Err(failure) => Problem::from(failure).into_response(),
        Ok(false) => see_other("/setup"),
        Ok(true) if parts.method == Method::GET => {
            let target = parts.uri.path_and_query().map_or("/", |p| p.as_str());
            let then: String = form_urlencoded::byte_serialize(target.as_bytes()).collect();
            see_other(&format!("/sign-in?then={then}"))
        }
        Ok(true) => see_other("/sign-in"),
    }
}

#[cfg(test)]
mod sessions;
#[cfg(test)]
mod tests;
