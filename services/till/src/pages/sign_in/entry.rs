//! Checking what somebody typed: where it comes from, whose account it is, whether it is right.

use super::device_of;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::cookies::Cookie;
use crate::security::secrets::{Lane, is_long_enough};
use crate::traffic::visit::Visit;
use axum::http::HeaderMap;
use domain::ids::PersonId;
use ledger::people::{By, CountTry, DeviceView, Phc, SecretHash, TryFrom, TryOf, TryPin};

pub(super) struct Origin {
    /// The registered device, if it is one.
    pub(super) device: Option<DeviceView>,
    /// The browser's cookie, if this account was signed in there before.
    known: Option<SecretHash>,
    network: String,
}

impl Origin {
    pub(super) async fn of(
        app: &App,
        visit: &Visit,
        headers: &HeaderMap,
        name: &str,
    ) -> Result<Self, Problem> {
        let device = device_of(app, visit, headers).await?;
        let known = match Cookie::Known.read(visit.via, headers) {
            Some(cookie) => {
                let cookie = SecretHash::of(&cookie);
                app.ledger.knows_browser(&cookie, name).await?.then_some(cookie)
            }
            None => None,
        };
        Ok(Self { device, known, network: visit.address.network().to_string() })
    }

    /// The origin, as attempts are counted.
    pub(super) fn from(&self) -> TryFrom<'_> {
        match (&self.device, &self.known) {
            (Some(device), _) => TryFrom::Device(device.id),
            (None, Some(browser)) => TryFrom::Known(browser),
            (None, None) => TryFrom::Stranger(&self.network),
        }
    }

    fn lane(&self) -> Lane {
        if self.device.is_some() || self.known.is_some() { Lane::Known } else { Lane::Stranger }
    }
}

pub(super) enum Found {
    Right(Box<Right>),
    Wrong(By),
}

pub(super) struct Right {
    pub(super) person: PersonId,
    pub(super) by: By,
    pub(super) checked: Phc,
    pub(super) stronger: Option<Phc>,
    pub(super) device: Option<DeviceView>,
    pub(super) tried: TryOf,
}

/// Counts the attempt, then checks it.
pub(super) async fn look(app: &App, origin: &Origin, form: &Form) -> Result<Found, Problem> {
    let lane = origin.lane();
    app.secrets.require_room(lane)?;
    let (by, secret) =
        if form.has("pin") { (By::Pin, form.text("pin")) } else { (By::Password, form.raw("password")) };
    let (tried, known) = match by {
        By::Pin => by_pin(app, origin, form).await?,
        By::Password => by_password(app, origin, form).await?,
    };
    let checked = app.secrets.check(secret, known.as_ref().map(|(_, phc)| phc), lane).await?;
    let Some((person, phc)) = known.filter(|_| checked.right) else { return Ok(Found::Wrong(by)) };
    let (stronger, device) = (checked.stronger, origin.device.clone());
    Ok(Found::Right(Box::new(Right { person, by, checked: phc, stronger, device, tried })))
}

/// What a secret is checked against, and whose it is.
type Known = (TryOf, Option<(PersonId, Phc)>);

async fn by_password(app: &App, origin: &Origin, form: &Form) -> Result<Known, Problem> {
    let name = form.text("name");
    let tried = TryOf::password(name, &origin.from());
    app.ledger.execute(None, &CountTry { of: tried.clone() }).await?;
    Ok((tried, app.ledger.password_of(name).await?))
}

/// A PIN works only on a registered device. The person is the number after parsing, however it was written.
async fn by_pin(app: &App, origin: &Origin, form: &Form) -> Result<Known, Problem> {
    let person = form.text("person").parse::<PersonId>().ok();
    let (Some(person), Some(device)) = (person, &origin.device) else {
        let tried = TryOf::pin_of_nobody(&origin.from());
        app.ledger.execute(None, &CountTry { of: tried.clone() }).await?;
        return Ok((tried, None));
    };
    let tried = TryOf::pin(person, device.id);
    let kept = app.ledger.execute(None, &TryPin { person, of: tried.clone() }).await?.answer;
    let kept = kept.filter(|kept| is_long_enough(form.text("pin"), kept.role));
    Ok((tried, kept.map(|kept| (person, kept.pin))))
}
