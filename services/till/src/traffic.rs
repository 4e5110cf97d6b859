//! What holds requests within bounds before anybody reads them: where they come from, how many at once, how long.

pub(crate) mod client_address;
pub(crate) mod gates;
pub(crate) mod guard;
pub(crate) mod limits;
pub(crate) mod visit;
pub(crate) mod watchers;
