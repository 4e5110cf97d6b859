//! Forms: accepted only from this shop's own pages, and done only once.

use crate::app::App;
use crate::pages::approval::{self, Ask};
use crate::pages::mask;
use crate::pages::shown::{label, sentence};
use crate::problem::{Fault, Kind, Problem};
use crate::request::body::{BULK_LIMIT, read};
use crate::request::caller::Caller;
use crate::request::cookies::Cookie;
use crate::traffic::visit::Visit;
use axum::RequestExt;
use axum::extract::{FromRequest, Request};
use axum::http::header;
use domain::people::Role;
use ledger::Key;
use ledger::people::SecretHash;
use std::collections::BTreeMap;

/// The field that proves that the form is from our own page ([`Caller::form_token`], masked).
const SEAL: &str = "_seal";
/// The field that identifies the form, so that it is done once however often it is sent.
const KEY: &str = "_key";
/// The most fields: a sheet of twenty pieces has a tenth of it.
pub(crate) const MAX_FIELDS: usize = 2000;

/// The largest form of a stranger: a name, and a password of 1024 bytes, each escaped as three.
const OUTSIDE_LIMIT: usize = 16 * 1024;

#[derive(Debug)]
pub(crate) struct Form {
    /// The key to run its command with.
    pub(crate) key: Key,
    pub(crate) caller: Caller,
    /// Where it was sent; empty where nothing is ever asked to be approved.
    pub(crate) path: String,
    /// The secret of a registered device, if it was sent from one.
    pub(crate) device: Option<SecretHash>,
    pub(crate) approval: approval::Given,
    pairs: Vec<(String, String)>,
}

impl Form {
    /// A field's text, trimmed; empty if it is missing.
    pub(crate) fn text(&self, name: &str) -> &str {
        self.raw(name).trim()
    }

    /// A field's text exactly as sent.
    pub(crate) fn raw(&self, name: &str) -> &str {
        self.all(name).first().copied().unwrap_or_default()
    }

    /// Every value of a field that occurs several times.
    pub(crate) fn all(&self, name: &str) -> Vec<&str> {
        self.pairs.iter().filter(|(n, _)| n == name).map(|(_, value)| value.as_str()).collect()
    }

    /// All fields but one, for sending them again.
    pub(crate) fn kept(&self, without: &str) -> Vec<(String, String)> {
        self.pairs.iter().filter(|(name, _)| name != without).cloned().collect()
    }

    /// Whether a box was ticked, or a button of this name pressed.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.pairs.iter().any(|(n, _)| n == name)
    }
}

impl FromRequest<App> for Form {
    type Rejection = Problem;

    async fn from_request(mut request: Request, app: &App) -> Result<Self, Problem> {
        let visit: Visit = request.extract_parts().await?;
        let caller = request.extensions().get::<Caller>().cloned();
        let caller =
            caller.ok_or_else(|| Problem::new(Kind::StorageError, "a form was reached by nobody"))?;
        let path = request.uri().path().to_owned();
        let device = Cookie::Device.read(visit.via, request.headers()).map(|secret| SecretHash::of(&secret));
        let mut form = Self { path, device, ..read_form(request, caller, BULK_LIMIT).await? };
        approval::give(app, &mut form).await?;
        Ok(form)
    }
}

async fn read_form(request: Request, caller: Caller, limit: usize) -> Result<Form, Problem> {
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok());
    let essence = kind.unwrap_or_default().split(';').next().unwrap_or_default().trim();
    if !essence.eq_ignore_ascii_case("application/x-www-form-urlencoded") {
        return Err(Problem::new(
            Kind::UnsupportedMediaType,
            "the request is not a form of this page; reload the page and send it from there",
        ));
    }
    let scope = format!("{} POST {}", caller.who, request.uri().path());
    let bytes = read(request, limit).await?;
    Form::of(&bytes, caller, &scope)
}

/// The form of somebody who is not signed in: its token is the cookie that the page set.
#[derive(Debug)]
pub(crate) struct OutsideForm(pub(crate) Form);

impl FromRequest<App> for OutsideForm {
    type Rejection = Problem;

    async fn from_request(mut request: Request, _: &App) -> Result<Self, Problem> {
        let visit: Visit = request.extract_parts().await?;
        let Some(form_token) = Cookie::Before.read(visit.via, request.headers()) else {
            let words = "your browser did not keep the cookie of this page. Allow cookies for this site and reload the page";
            return Err(Problem::new(Kind::ForeignOrigin, words));
        };
        let nobody =
            Caller { who: String::new(), role: Role::Counter, token: None, form_token, person: None };
        Ok(Self(read_form(request, nobody, OUTSIDE_LIMIT).await?))
    }
}

impl Form {
    fn of(bytes: &[u8], caller: Caller, scope: &str) -> Result<Self, Problem> {
        let pairs = form_urlencoded::parse(bytes)
            .take(MAX_FIELDS + 1)
            .map(|(n, v)| (n.into_owned(), v.into_owned()))
            .collect();
        Self::of_pairs(pairs, caller, scope)
    }

    /// From its fields, however they were sent.
    pub(crate) fn of_pairs(
        mut pairs: Vec<(String, String)>,
        caller: Caller,
        scope: &str,
    ) -> Result<Self, Problem> {
        if pairs.len() > MAX_FIELDS {
            return Err(Problem::new(Kind::TooLarge, format!("the form has more than {MAX_FIELDS} fields")));
        }
        let token = take(&mut pairs, SEAL);
        if !mask::is_of(&token, &caller.form_token) {
            let words = "this form has expired. Reload the page and send it again";
            return Err(Problem::new(Kind::ForeignOrigin, words));
        }
        let given = take(&mut pairs, KEY);
        let approval = approval::Given::take(&mut pairs);
        let given = if given.is_empty() { crate::security::random::text() } else { given };
        // Without the seal: the form is the same if its sender signed in again before sending it once more.
        let body = serde_json::to_vec(&pairs).unwrap_or_default();
        let key = Key::new(scope, &given, &body)
            .map_err(|rejection| Problem::new(Kind::Malformed, words::rejection(&rejection)))?
            .sent_by(caller.actor());
        Ok(Self { key, caller, path: String::new(), device: None, approval, pairs })
    }
}

fn take(pairs: &mut Vec<(String, String)>, name: &str) -> String {
    let at = pairs.iter().position(|(n, _)| n == name);
    at.map(|at| pairs.remove(at).1).unwrap_or_default()
}

/// The faults of a form that is shown again, by field.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Faults(BTreeMap<String, String>, Option<Box<Ask>>);

impl Faults {
    /// From a problem: each fault at the last part of its pointer; without pointers, at the whole form, which
    /// is the field with an empty name. A failure of our own remains a problem.
    pub(crate) fn of(problem: Problem) -> Result<Self, Problem> {
        if problem.kind().status().is_server_error() {
            return Err(problem);
        }
        let words = problem.page_words().to_owned();
        let document = problem.into_document();
        let field = |fault: Fault| {
            (fault.pointer.unwrap_or_default().trim_start_matches("#/").replace('/', "."), fault.detail)
        };
        let mut faults = Self::default();
        for (field, words) in document.errors.into_iter().map(field) {
            faults.add(&field, words);
        }
        if faults.is_empty() {
            faults.add("", words);
        }
        Ok(faults)
    }

    /// Like [`Self::of`], for an edit of a `what`. If someone else changed it meanwhile: also the revision that it has
    /// now, with which the form can be saved when it is shown again.
    pub(crate) fn of_edit(problem: Problem, what: &str) -> Result<(Self, Option<String>), Problem> {
        if problem.kind() != Kind::Stale {
            return Ok((Self::of(problem)?, None));
        }
        let words = format!("someone else changed this {what}. Check it and save again");
        Ok((Self::one("", words), problem.into_document().revision))
    }

    pub(crate) fn one(field: &str, words: impl Into<String>) -> Self {
        Self(BTreeMap::from([(field.to_owned(), sentence(&words.into()))]), None)
    }

    /// Adds a fault. A field's first fault is the one that is shown.
    pub(crate) fn add(&mut self, field: &str, words: impl std::fmt::Display) {
        self.0.entry(field.to_owned()).or_insert_with(|| sentence(&words.to_string()));
    }

    /// Says what is saved by now in a field where something else was typed.
    pub(crate) fn note_saved(&mut self, field: &str, typed: &str, saved: &str) {
        match saved {
            saved if saved == typed => (),
            "" => self.add(field, "it is saved empty"),
            saved => self.add(field, format!("“{saved}” is saved")),
        }
    }

    /// Lets somebody with more rights approve what was refused.
    pub(crate) fn with_ask(self, ask: Option<Box<Ask>>) -> Self {
        Self(self.0, ask)
    }

    /// Who could approve what was refused.
    pub(crate) fn ask(&self) -> Option<&Ask> {
        self.1.as_deref()
    }

    /// Adds the faults of another part of the same form.
    pub(crate) fn join(&mut self, more: Self) {
        for (field, words) in more.0 {
            self.add(&field, words);
        }
    }

    /// The same faults, where the form has another name for a field than the ledger.
    pub(crate) fn renamed(self, names: &[(&str, &str)]) -> Self {
        let name = |field: String| {
            let other = names.iter().find(|(own, _)| *own == field);
            other.map_or(field, |(_, other)| (*other).to_owned())
        };
        Self(self.0.into_iter().map(|(field, words)| (name(field), words)).collect(), self.1)
    }

    /// A field's fault, to be shown next to it.
    pub(crate) fn at(&self, field: &str) -> Option<&str> {
        self.0.get(field).map(String::as_str)
    }

    /// All faults, to be shown at the head of the form.
    pub(crate) fn all(&self) -> impl Iterator<Item = (String, &str)> {
        self.0.iter().map(|(field, words)| (label(field), words.as_str()))
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(body: &str) -> Result<Form, Kind> {
        let caller = Caller {
            who: "Ada".to_owned(),
            role: Role::Maker,
            token: None,
            form_token: "t0ken".to_owned(),
            person: None,
        };
        Form::of(body.as_bytes(), caller, "Ada POST /x").map_err(|problem| problem.kind())
    }

    #[test]
    fn a_form_brings_the_token_of_its_page() {
        let check = |body: &str, expected: Option<Kind>| assert_eq!(form(body).err(), expected, "{body}");
        let token = mask::masked("t0ken");
        check(&format!("_seal={token}&name=Moor"), None);
        check(&format!("name=Moor&_seal={token}"), None);
        check("name=Moor", Some(Kind::ForeignOrigin));
        check("_seal=&name=Moor", Some(Kind::ForeignOrigin));
        check("_seal=t0ken", Some(Kind::ForeignOrigin));
        check(&format!("_seal={}", mask::masked("t0keN")), Some(Kind::ForeignOrigin));
        check(&format!("_seal={token}{}", "&a=b".repeat(MAX_FIELDS)), Some(Kind::TooLarge));
    }

    #[test]
    fn fields_are_read_as_they_came_or_trimmed() {
        let token = mask::masked("t0ken");
        let form = form(&format!("_seal={token}&a=+Moor%20&b=1&b=2&c")).expect("a form");
        assert_eq!((form.text("a"), form.raw("a"), form.text("nothing")), ("Moor", " Moor ", ""));
        assert_eq!((form.all("b"), form.has("c"), form.has("d")), (vec!["1", "2"], true, false));
        assert!(!form.has(SEAL));
    }

    #[test]
    fn the_same_form_is_the_same_under_another_token() {
        let of = |token: &str| {
            let (who, form_token) = ("Ada".to_owned(), token.to_owned());
            let caller = Caller { who, role: Role::Maker, token: None, form_token, person: None };
            let body = format!("_seal={}&_key=k&a=1", mask::masked(token));
            Form::of(body.as_bytes(), caller, "s").expect("a form").key
        };
        assert_eq!(format!("{:?}", of("one")), format!("{:?}", of("two")));
    }
}
