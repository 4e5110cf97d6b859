//! Who acts: limits are found by it, and holds are counted by it.

use domain::people::Role;

/// Somebody who has been let in, with what their limits are found by. Without one (the command line, the
/// program's own work) there are none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Actor {
    /// Their name, by which their holds are counted: a person's and a token's never are the same.
    pub who: String,
    /// What they are to the shop.
    pub role: Role,
    /// The identifier of the token by which they came, if it is a program.
    pub token: Option<String>,
}
