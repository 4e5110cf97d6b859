//! Names by which it is written down who did what: a person's is no token's, and neither is the program's own.

use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::Rejection;
use domain::text;

/// What the program writes down for what nobody did who was let in.
const OF_THE_PROGRAM: [&str; 3] = ["command line", "in-folder", "fleecefold"];

/// Whose name it is to be.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum NameOf {
    Person,
    Token,
}

/// Refuses the name of somebody of the other kind, those included who are here no longer: what they did
/// stands under it. One at a time, so that two of a name cannot pass each other.
pub(super) async fn refuse_taken(tx: &mut Tx, name: &str, of: NameOf) -> Result<(), CommandError> {
    tx.wait_for_others().await?;
    let folded = text::fold(name);
    if OF_THE_PROGRAM.contains(&folded.as_str()) {
        let reason = format!("the name {name} is reserved for the program; choose another name");
        return Err(Rejection::invalid("name", reason).into());
    }
    let (statement, whose) = match of {
        NameOf::Person => ("SELECT folded FROM api_token WHERE folded = $1 LIMIT 1", "a token"),
        NameOf::Token => ("SELECT folded FROM person WHERE folded = $1 LIMIT 1", "a person"),
    };
    if sqlx::query(statement).bind(folded).fetch_optional(tx.db()).await?.is_none() {
        return Ok(());
    }
    let reason = format!("{whose} already has the name {name}; choose another name");
    Err(Rejection::invalid("name", reason).into())
}
