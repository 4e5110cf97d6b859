//! The pages and the HTTP API of the store, the workroom and the books.
//!
//! A handler parses, calls one function of the ledger, and renders; everything that all requests
//! share (the guard, who may come in, limits, headers, counting, the last resort against a panic) is in
//! [`router`]'s one layer. People come in by a password and a session, programs by a token; a request
//! whose Host is not this server, or that a page from elsewhere made a browser send, is refused before
//! anybody looks who it is.

mod answer;
mod api;
mod app;
mod barcode;
mod body;
mod caller;
mod chance;
mod client_address;
mod connection_meters;
mod cookies;
mod digest;
mod door;
mod edge;
mod feed_desk;
mod gates;
mod guard;
mod health;
mod hooks;
mod limits;
mod live_desk;
mod meters;
mod paced_body;
mod pages;
mod pictures;
mod problem;
mod query;
mod request_id;
mod routes;
mod second_factor;
mod secrets;
mod serve;
mod shown;
mod smaller;
mod tags;
#[cfg(test)]
mod testing;
mod tokens;
mod values;
mod visit;
mod watchers;

pub use app::App;
pub use chance::text as random_text;
pub use client_address::{NotAProxyNet, ProxyNet};
pub use feed_desk::{
    Compared, Deskwork, Drift, FeedDesk, FeedFuture, FeedTrouble, GivenFile, LayoutFault, Outgoing,
    Previewed, PreviewedRow, PutOut, WentOut,
};
pub use guard::{NotASite, Site};
pub use live_desk::{
    ConnectionFault, Hook, HookAnswer, HookCheck, HookWork, LiveDesk, NamedSecret, ReadConnection,
    Reconciled, Tried,
};
pub use pages::FIRST_CONNECTION;
pub use routes::router;
pub use secrets::{WeakSecret, check_password, hash as hash_secret, is_hash_of as is_hash_of_secret};
pub use serve::{ServeError, may_listen, serve};
pub use tokens::{KeysError, TokenKeys};
