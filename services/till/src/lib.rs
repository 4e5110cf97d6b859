//! The shop's pages and its HTTP API.
//!
//! A handler parses the request, calls one function of the ledger and renders the result. What all requests share
//! (request checks, sign-in, limits, headers, metrics, catching a panic) is in one layer of [`router`]. People sign
//! in with a password and get a session; programs use a token. A request whose Host is not this server, or which a
//! page on another site made a browser send, is refused before anybody is identified.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod answer;
mod api;
mod app;
mod auth;
mod barcode;
mod body;
mod caller;
mod client_address;
mod compression;
mod connection_adapter;
mod connection_meters;
mod cookies;
mod digest;
mod edge;
mod etag;
mod feed_adapter;
mod gates;
mod guard;
mod health;
mod hooks;
mod limits;
mod meters;
mod paced_body;
mod pages;
mod pictures;
mod problem;
mod query;
mod random;
mod request_id;
mod routes;
mod second_factor;
mod secrets;
mod serve;
mod shown;
#[cfg(test)]
mod testing;
mod tokens;
mod values;
mod visit;
mod watchers;

pub use app::App;
pub use client_address::{NotAProxyNet, ProxyNet};
pub use connection_adapter::{
    ConnectionAdapter, ConnectionFault, Hook, HookAnswer, HookCheck, HookWork, NamedSecret, ReadConnection,
    Reconciled, Tried,
};
pub use feed_adapter::{
    AdapterFuture, Compared, Drift, FeedAdapter, FeedFuture, FeedTrouble, GivenFile, LayoutFault, Outgoing,
    Previewed, PreviewedRow, PutOut, WentOut,
};
pub use guard::{NotASite, Site};
pub use pages::FIRST_CONNECTION;
pub use random::text as random_text;
pub use routes::router;
pub use secrets::{WeakSecret, check_password, hash as hash_secret, is_hash_of as is_hash_of_secret};
pub use serve::{ServeError, may_listen, serve};
pub use tokens::{KeysError, TokenKeys};
