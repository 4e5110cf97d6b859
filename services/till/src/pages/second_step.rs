//! Checking a code of two-step sign-in, for signing in, confirming and approving.

use crate::app::App;
use crate::problem::Problem;
use crate::security::second_factor::{recovery_code, step_of};
use domain::ids::PersonId;
use ledger::people::{CountCode, SecondFactor, SecondProof, SecretHash};

/// The proof in a code, if it can be right; a recovery code is looked up when it is used.
pub(crate) async fn check_code(
    app: &App,
    person: PersonId,
    factor: &SecondFactor,
    code: &str,
) -> Result<Option<SecondProof>, Problem> {
    if let Some(code) = recovery_code(code) {
        return Ok(Some(SecondProof::Recovery(SecretHash::of(&code))));
    }
    if !app.ledger.execute(None, &CountCode { person }).await?.answer {
        return Ok(None);
    }
    let step = step_of(&factor.secret, code, app.ledger.now());
    Ok(step.map(|step| SecondProof::Code { step }))
}
