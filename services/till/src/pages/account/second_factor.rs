//! Two-step sign-in for one's own account: turning it on and off, and new recovery codes. The key and the codes
//! are shown once, in the answer to a form, and have no address.

use super::PATH;
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, see_other};
use crate::problem::{Kind, Problem};
use crate::security::second_factor::{
    Picture, address, grouped, new_key, new_recovery_codes, picture, recovery_code, step_of,
};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::day::{Moment, Zone};
use ledger::people::{
    OfferSecondFactor, RenewRecoveryCodes, SecretHash, TurnOffSecondFactor, TurnOnSecondFactor,
};

/// The page with a new key, and the form for its first code.
#[derive(Template)]
#[template(path = "account/key.html")]
struct KeyPage {
    frame: Frame,
    faults: Faults,
    key: String,
    picture: Option<Picture>,
    clock: String,
}

/// The page that shows recovery codes once.
#[derive(Template)]
#[template(path = "account/codes.html")]
struct CodesPage {
    frame: Frame,
    codes: Vec<String>,
}

fn key_page(app: &App, form: &Form, key: &str, faults: Faults) -> HtmlPage<KeyPage> {
    let shop = app.ledger.shop();
    HtmlPage(KeyPage {
        frame: Frame::beside(app, &form.caller),
        faults,
        key: grouped(key),
        picture: picture(&address(key, &shop.name, &form.caller.who)),
        clock: clock(&shop.zone, app.ledger.now()),
    })
}

/// The time of day to the second in the shop's zone, to compare with a phone's: `3:05:09 PM`.
fn clock(zone: &Zone, now: Moment) -> String {
    let (clock, seconds) = (zone.clock(now), now.millis().div_euclid(1000).rem_euclid(60));
    let (time, half) = clock.split_once(' ').unwrap_or((&clock, ""));
    format!("{time}:{seconds:02} {half}")
}

/// POST /account/second-factor
pub(super) async fn offer(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let person = form.caller.person()?;
    let key = new_key();
    app.run_unkept(&OfferSecondFactor { person: person.id, secret: key.clone() }).await?;
    Ok(key_page(&app, &form, &key, Faults::default()).into_response())
}

/// POST /account/second-factor/on
pub(super) async fn turn_on(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let person = form.caller.person()?;
    let offered = app.ledger.second_factor(person.id).await?.filter(|factor| !factor.is_on);
    let Some(offered) = offered else { return Ok(see_other(PATH)) };
    let Some(step) = step_of(&offered.secret, form.text("code"), app.ledger.now()) else {
        let faults = Faults::one("code", "this code is incorrect. Enter the code that the app shows now");
        let page = key_page(&app, &form, &offered.secret, faults);
        return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
    };
    let (codes, hashes) = recovery_codes();
    let turn_on = TurnOnSecondFactor {
        person: person.id,
        secret: offered.secret,
        step,
        codes: hashes,
        keep: Some(person.session),
        who: form.caller.who.clone(),
    };
    app.run_unkept(&turn_on).await?;
    Ok(HtmlPage(CodesPage { frame: Frame::beside(&app, &form.caller), codes }).into_response())
}

/// New recovery codes, as they are shown and as they are stored.
fn recovery_codes() -> (Vec<String>, Vec<SecretHash>) {
    let codes = new_recovery_codes();
    let hashes =
        codes.iter().filter_map(|code| recovery_code(code)).map(|code| SecretHash::of(&code)).collect();
    (codes, hashes)
}

/// POST /account/second-factor/off
pub(super) async fn turn_off(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let person = form.caller.person()?;
    let turn_off = TurnOffSecondFactor { person: person.id, who: form.caller.who.clone() };
    match app.run_unkept(&turn_off).await {
        // Pressed twice.
        Err(problem) if problem.kind() != Kind::Invalid => Err(problem),
        _ => Ok(see_other(PATH)),
    }
}

/// POST /account/recovery-codes
pub(super) async fn renew_codes(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let person = form.caller.person()?;
    let (codes, hashes) = recovery_codes();
    let renew = RenewRecoveryCodes { person: person.id, codes: hashes, who: form.caller.who.clone() };
    app.run_unkept(&renew).await?;
    Ok(HtmlPage(CodesPage { frame: Frame::beside(&app, &form.caller), codes }).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_is_that_of_the_shop() {
        let zone = Zone::from_name("America/New_York").expect("a zone");
        let noon = Moment::parse_rfc3339("2026-05-17T16:05:09Z").expect("a moment");
        assert_eq!(clock(&zone, noon), "12:05:09 PM");
    }
}
