//! What handlers read of a request: who calls, path, query, cookies and body; and the routes that lead to them.

pub(crate) mod body;
pub(crate) mod caller;
pub(crate) mod cookies;
pub(crate) mod query;
pub(crate) mod route;
pub(crate) mod values;
