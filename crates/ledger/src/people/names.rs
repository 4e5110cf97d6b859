//! Names in the activity log: a person and a token never share one, and neither has the program's own.

use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{PeopleReason, Rejection};
use domain::text;

/// The names for what the program does when nobody is signed in.
const OF_THE_PROGRAM: [&str; 3] = ["command line", "in-folder", "fleecefold"];

/// Whom a name is for.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum NameOf {
    Person,
    Token,
}

/// Rejects a name that somebody of the other kind has or had: what they did is recorded under it. One
/// at a time, so that two people with the same name cannot both pass.
pub(super) async fn refuse_taken(tx: &mut Tx, name: &str, of: NameOf) -> Result<(), CommandError> {
    tx.wait_for_others().await?;
    let folded = text::fold(name);
    if OF_THE_PROGRAM.contains(&folded.as_str()) {
        return Err(Rejection::invalid("name", PeopleReason::NameReserved { name: name.to_owned() }).into());
    }
    let name = name.to_owned();
    let (statement, reason) = match of {
        NameOf::Person => {
            ("SELECT folded FROM api_token WHERE folded = $1 LIMIT 1", PeopleReason::NameOfToken { name })
        }
        NameOf::Token => {
            ("SELECT folded FROM person WHERE folded = $1 LIMIT 1", PeopleReason::NameOfPerson { name })
        }
    };
    if sqlx::query(statement).bind(folded).fetch_optional(tx.db()).await?.is_none() {
        return Ok(());
    }
    Err(Rejection::invalid("name", reason).into())
}
