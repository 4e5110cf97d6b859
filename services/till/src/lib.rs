//! The shop's pages and its HTTP API.
//!
//! A handler parses the request, calls one function of the ledger and renders the result. What all requests share
//! (request checks, sign-in, limits, headers, metrics, catching a panic) is in one layer of [`router`]. People sign
//! in with a password and get a session; programs use a token. A request whose Host is not this server, or which a
//! page on another site made a browser send, is refused before anybody is identified.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod api;
mod app;
mod connection_adapter;
mod edge;
mod feed_adapter;
mod health;
mod hooks;
mod images;
mod meters;
mod pages;
mod problem;
mod request;
mod security;
#[cfg(test)]
mod testing;
mod traffic;

pub use app::App;
pub use connection_adapter::{
    ConnectionAdapter, ConnectionFault, Hook, HookAnswer, HookCheck, HookWork, NamedSecret, ReadConnection,
    Reconciled, Tried,
};
pub use edge::routes::router;
pub use edge::serve::{ServeError, may_listen, serve};
pub use feed_adapter::{
    AdapterFuture, Compared, FeedAdapter, FeedFuture, FeedTrouble, GivenFile, LayoutFault, ListingDifference,
    OrderFileRun, OrdersTaken, Outgoing, Previewed, PreviewedRow, PutOut, WentOut,
};
pub use images::pictures::{NoPhotograph, Photograph};
pub use pages::FIRST_CONNECTION;
pub use security::random::{certificate_number as random_certificate_number, text as random_text};
pub use security::secrets::{
    WeakSecret, check_password, hash as hash_secret, is_hash_of as is_hash_of_secret,
};
pub use security::tokens::{KeysError, TokenKeys};
pub use traffic::client_address::{NotAProxyNet, ProxyNet};
pub use traffic::guard::{NotASite, Site};
