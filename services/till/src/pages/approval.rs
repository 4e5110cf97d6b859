//! “Ask someone with more rights”: a form that a limit refused is shown with a small form in its place, in which
//! another person approves it with their own PIN or password. Everything that was typed is kept in it and sent on,
//! so that no handler has to know about it. The approver is not signed in by it.

use crate::app::App;
use crate::pages::form::Form;
use crate::pages::mask::masked;
use crate::pages::second_step::check_code;
use crate::pages::shown::{channel_name, sentence};
use crate::problem::Problem;
use crate::security::secrets::{Lane, MOST_BYTES, is_long_enough};
use domain::channel::Channel;
use domain::ids::{ApprovalId, PersonId};
use domain::limits::{AboveLimit, LimitName};
use ledger::people::{Approve, Approver, By, CountTry, MAX_APPROVALS, Phc, SecondProof, TryOf};
use ledger::{CommandError, Rejection};

/// The fields of the small form; no other form uses these names.
const APPROVER: &str = "_approver";
const SECRET: &str = "_approval";
const CODE: &str = "_approval_code";
const ACT: &str = "_act";
const ASKED: &str = "_asked";
/// What was approved for the same form before: it may be above two limits.
const APPROVED: &str = "_approved";
/// Of a script that wants a part of the page: the small form asks for all of it.
const PART: &str = "part";

const WRONG: &str = "the PIN, password or code is incorrect";

/// What a form brings of approvals.
#[derive(Default)]
pub(crate) struct Given {
    /// Who approves, and with which secret; none if nobody was asked.
    typed: Option<Typed>,
    approved: Vec<ApprovalId>,
    /// Why it was not approved.
    fault: Option<String>,
}

struct Typed {
    approver: String,
    secret: String,
    code: String,
    above: Option<AboveLimit>,
}

impl std::fmt::Debug for Given {
    /// Without the secret.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Given").field("approved", &self.approved).finish_non_exhaustive()
    }
}

impl Given {
    /// Takes these fields out of a form, so that neither its handler nor its page ever has them.
    pub(crate) fn take(pairs: &mut Vec<(String, String)>) -> Self {
        let mut given = Self::default();
        let approved = pairs.iter().filter(|(name, _)| name == APPROVED).take(MAX_APPROVALS);
        given.approved = approved.filter_map(|(_, id)| id.parse().ok()).collect();
        let text = |name: &str| pairs.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
        if let Some(approver) = text(APPROVER) {
            let (secret, code) = (text(SECRET).unwrap_or_default(), text(CODE).unwrap_or_default());
            let limit = text(ACT).and_then(|act| LimitName::from_code(&act));
            let asked = text(ASKED).unwrap_or_default();
            let above = limit.map(|limit| AboveLimit { limit, asked, allowed: String::new() });
            given.typed = Some(Typed { approver, secret, code, above });
        }
        pairs.retain(|(name, _)| ![APPROVER, SECRET, CODE, ACT, ASKED, APPROVED].contains(&name.as_str()));
        given
    }
}

/// The small form.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Ask {
    pub(crate) action: String,
    pub(crate) seal: String,
    pub(crate) key: String,
    /// What was typed, and what it is above.
    pub(crate) kept: Vec<(String, String)>,
    /// What is approved, in words.
    pub(crate) act: String,
    /// Who may: identifier and name.
    pub(crate) people: Vec<(String, String)>,
    /// Whether a PIN works on this device.
    pub(crate) takes_pin: bool,
    /// Whether somebody among them uses two-step sign-in.
    pub(crate) takes_code: bool,
    pub(crate) fault: Option<String>,
}

/// The small form for what a limit refused; none if nobody may approve it.
pub(crate) async fn ask(app: &App, form: &Form, rejection: &Rejection) -> Result<Option<Box<Ask>>, Problem> {
    let (Rejection::AboveLimit(above), Some(person)) = (rejection, form.caller.person) else {
        return Ok(None);
    };
    let people: Vec<Approver> = app.ledger.approvers(above, person.id).await?;
    if people.is_empty() || form.path.is_empty() {
        return Ok(None);
    }
    let mut kept = form.kept(PART);
    kept.push((ACT.to_owned(), above.limit.code().to_owned()));
    kept.push((ASKED.to_owned(), above.asked.clone()));
    kept.extend(form.approval.approved.iter().map(|id| (APPROVED.to_owned(), id.to_string())));
    let takes_pin = is_device(app, form).await? && people.iter().any(|one| one.has_pin);
    Ok(Some(Box::new(Ask {
        action: form.path.clone(),
        seal: masked(&form.caller.form_token),
        key: crate::security::random::text(),
        kept,
        act: words(app, above),
        takes_pin,
        takes_code: people.iter().any(|one| one.has_second_factor),
        people: people.into_iter().map(|one| (one.id.to_string(), one.name)).collect(),
        fault: form.approval.fault.clone(),
    })))
}

fn words(app: &App, above: &AboveLimit) -> String {
    match (above.limit, Channel::parse(&above.asked)) {
        (LimitName::Channels, Ok(channel)) => {
            format!("a sale at {}", channel_name(&app.ledger.shop(), &channel))
        }
        _ => above.act(),
    }
}

async fn is_device(app: &App, form: &Form) -> Result<bool, Problem> {
    match &form.device {
        Some(secret) => Ok(app.ledger.device(secret).await?.is_some()),
        None => Ok(false),
    }
}

/// Checks who approves, and lets the form's command use what they approved. If they do not, the command is refused
/// again, and the page says why.
pub(crate) async fn give(app: &App, form: &mut Form) -> Result<(), Problem> {
    let Some(person) = form.caller.person else { return Ok(()) };
    if let Some(typed) = form.approval.typed.take() {
        match approve(app, form, &typed).await? {
            Ok(id) => form.approval.approved.push(id),
            Err(fault) => {
                tracing::warn!(who = form.caller.who, "an approval was refused");
                form.approval.fault = Some(sentence(&fault));
            }
        }
    }
    if !form.approval.approved.is_empty() {
        form.key = form.key.clone().approved(person.session, form.approval.approved.clone());
    }
    Ok(())
}

/// The approval, or why there is none, in words.
async fn approve(app: &App, form: &Form, typed: &Typed) -> Result<Result<ApprovalId, String>, Problem> {
    let wrong = || Ok(Err(WRONG.to_owned()));
    let Some(asker) = form.caller.person else { return wrong() };
    let Some(above) = typed.above.clone() else { return wrong() };
    app.secrets.require_room(Lane::Known)?;
    let tried = TryOf::approval(asker.id);
    if let Err(failure) = app.ledger.execute(None, &CountTry { of: tried.clone() }).await {
        return said(failure);
    }
    let Some((approver, by, checked)) = proved(app, form, &above, asker.id, typed).await? else {
        return wrong();
    };
    let Ok(second) = second(app, approver, by, &typed.code).await? else { return wrong() };
    let command = Approve {
        above,
        request_hash: form.key.request_hash(),
        session: asker.session,
        asker: asker.id,
        approver,
        by,
        checked,
        second,
        tried,
    };
    match app.ledger.execute(None, &command).await {
        Ok(done) => Ok(Ok(done.answer)),
        Err(failure) => said(failure),
    }
}

fn said(failure: CommandError) -> Result<Result<ApprovalId, String>, Problem> {
    match failure {
        CommandError::Rejected(rejection) => Ok(Err(::words::rejection(&rejection))),
        trouble @ CommandError::Storage(_) => Err(trouble.into()),
    }
}

/// Who approves, and the hash that their secret was compared with.
async fn proved(
    app: &App,
    form: &Form,
    above: &AboveLimit,
    asker: PersonId,
    typed: &Typed,
) -> Result<Option<(PersonId, By, Phc)>, Problem> {
    let people = app.ledger.approvers(above, asker).await?;
    let found = people.into_iter().find(|one| one.id.to_string() == typed.approver);
    if typed.secret.len() > MOST_BYTES {
        return Ok(None);
    }
    let known = match &found {
        Some(one) if is_pin(&typed.secret) && one.has_pin && is_device(app, form).await? => {
            let kept = app.ledger.pin_of(one.id).await?;
            let kept = kept.filter(|kept| is_long_enough(&typed.secret, kept.role));
            kept.map(|kept| (one.id, By::Pin, kept.pin))
        }
        Some(one) => {
            let kept = app.ledger.password_of(&one.name).await?.filter(|(id, _)| *id == one.id);
            kept.map(|(id, phc)| (id, By::Password, phc))
        }
        None => None,
    };
    // Checked even for nobody, so that it takes as long.
    let checked = app.secrets.check(&typed.secret, known.as_ref().map(|(.., phc)| phc), Lane::Known).await?;
    Ok(known.filter(|_| checked.right))
}

/// A password has at least eight characters and seldom only digits; a PIN has only digits.
fn is_pin(secret: &str) -> bool {
    !secret.is_empty() && secret.bytes().all(|byte| byte.is_ascii_digit())
}

/// The proof of the second factor, if they have one. It is checked only after the password was right, so nobody can
/// use up the codes of somebody else.
async fn second(
    app: &App,
    approver: PersonId,
    by: By,
    code: &str,
) -> Result<Result<Option<SecondProof>, ()>, Problem> {
    match app.ledger.second_factor(approver).await? {
        Some(factor) if by == By::Password && factor.is_on => {
            Ok(check_code(app, approver, &factor, code).await?.map(Some).ok_or(()))
        }
        _ => Ok(Ok(None)),
    }
}
