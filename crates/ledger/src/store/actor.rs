//! Who is acting: limits and holds are looked up by it.

use domain::people::Role;

/// Somebody who is signed in, with what their limits are found by. The command line and the program's
/// own work have none, and therefore no limits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Actor {
    /// A person's or token's name, by which their holds are counted; the two never share one.
    pub who: String,
    /// Their role, which has limits.
    pub role: Role,
    /// The identifier of the token, for a program.
    pub token: Option<String>,
}
