//! After a correct password: the code, if there is a second factor, or else the session.

use super::entry::Right;
use crate::app::App;
use crate::pages::frame::see_other;
use crate::problem::Problem;
use crate::request::cookies::Cookie;
use crate::traffic::visit::Visit;
use axum::http::{HeaderMap, header};
use axum::response::Response;
use domain::ids::PersonId;
use ledger::people::{BeginStep, By, KNOWN_FOR_MS, Known, Phc, STEP_LASTS_MS, SecretHash, SignIn, TryOf};

/// Names of browsers by a part of their User-Agent; the first match counts. A browser that pretends to be
/// another comes before it.
const BROWSERS: [(&str, &str); 6] = [
    ("Edg/", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser/", "Samsung Internet"),
    ("Firefox/", "Firefox"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
];
/// Names of systems, found in the same way.
const MACHINES: [(&str, &str); 6] = [
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Android", "Android"),
    ("Windows", "Windows"),
    ("Mac OS X", "Mac"),
    ("Linux", "Linux"),
];

/// Continues after a correct password or PIN.
pub(super) async fn go_on(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    right: Right,
    then: &str,
) -> Result<Response, Problem> {
    let factor = app.ledger.second_factor(right.person).await?;
    if right.by == By::Password && factor.is_some_and(|factor| factor.is_on) {
        return begin_step(app, visit, right, then).await;
    }
    let device = right.device.as_ref().map(|d| d.id);
    let sign_in = new_session(right.person, right.by, right.checked, right.tried);
    let sign_in = SignIn { stronger: right.stronger, device, ..sign_in };
    let_in(app, visit, headers, sign_in, then).await
}

async fn begin_step(app: &App, visit: &Visit, right: Right, then: &str) -> Result<Response, Problem> {
    let cookie = crate::security::random::text();
    let begin = BeginStep {
        person: right.person,
        checked: right.checked,
        step: SecretHash::of(&cookie),
        tried: right.tried,
    };
    app.run_unkept(&begin).await?;
    let then: String = form_urlencoded::byte_serialize(then.as_bytes()).collect();
    let mut response = see_other(&format!("/sign-in/code?then={then}"));
    let cookie = Cookie::Step.set(visit.via, &cookie, STEP_LASTS_MS / 1000);
    response.headers_mut().append(header::SET_COOKIE, cookie);
    Ok(response)
}

/// The command that signs in a person whose secret was correct; [`let_in`] fills in the session.
pub(crate) fn new_session(person: PersonId, by: By, checked: Phc, tried: TryOf) -> SignIn {
    SignIn {
        person,
        by,
        checked,
        stronger: None,
        second: None,
        session: SecretHash::of(""),
        form_token: String::new(),
        device: None,
        before: None,
        known: None,
        address: String::new(),
        browser: String::new(),
        tried,
    }
}

/// Starts a new session, ends the browser's previous one, and redirects.
pub(crate) async fn let_in(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    sign_in: SignIn,
    then: &str,
) -> Result<Response, Problem> {
    let (cookie, browser) = (crate::security::random::text(), crate::security::random::text());
    let is_known = sign_in.by == By::Password;
    let hash_of = |cookie: Cookie| cookie.read(visit.via, headers).map(|old| SecretHash::of(&old));
    let known = Known { cookie: SecretHash::of(&browser), before: hash_of(Cookie::Known) };
    let sign_in = SignIn {
        session: SecretHash::of(&cookie),
        form_token: crate::security::random::text(),
        before: hash_of(Cookie::Session),
        known: is_known.then_some(known),
        address: visit.address.to_string(),
        browser: browser_of(headers),
        ..sign_in
    };
    app.run_unkept(&sign_in).await?;
    tracing::info!(person = %sign_in.person, by = ?sign_in.by, from = %visit.address, "somebody signed in");
    let mut response = see_other(then);
    let mut cookies = vec![
        Cookie::Session.set(visit.via, &cookie, sign_in.by.lasts_ms() / 1000),
        Cookie::Before.unset(visit.via),
    ];
    if is_known {
        cookies.push(Cookie::Known.set(visit.via, &browser, KNOWN_FOR_MS / 1000));
    }
    if Cookie::Step.read(visit.via, headers).is_some() {
        cookies.push(Cookie::Step.unset(visit.via));
    }
    for cookie in cookies {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
    Ok(response)
}

/// The browser in a few words, for the list of sessions.
fn browser_of(headers: &HeaderMap) -> String {
    let agent = headers.get(header::USER_AGENT).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let find = |kinds: &[(&str, &'static str)]| {
        kinds.iter().find(|(mark, _)| agent.contains(mark)).map(|(_, name)| *name)
    };
    match (find(&BROWSERS), find(&MACHINES)) {
        (Some(browser), Some(machine)) => format!("{browser} on {machine}"),
        (Some(name), None) | (None, Some(name)) => name.to_owned(),
        (None, None) => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    // User-Agents as browsers send them, from memory.
    #[test]
    fn a_browser_is_named_in_a_few_words() {
        let check = |agent: &'static str, expected: &str| {
            let headers = HeaderMap::from_iter([(header::USER_AGENT, HeaderValue::from_static(agent))]);
            assert_eq!(browser_of(&headers), expected, "{agent}");
        };
        check("Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0", "Firefox on Linux");
        check(
            "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0.0.0 \
             Safari/537.36 Edg/140.0.0.0",
            "Edge on Windows",
        );
        check(
            "Mozilla/5.0 (iPad; CPU OS 18_0 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.0 \
             Mobile/15E148 Safari/604.1",
            "Safari on iPad",
        );
        check("curl/8.5.0", "");
        assert_eq!(browser_of(&HeaderMap::new()), "");
    }
}
