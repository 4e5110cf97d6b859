//! The pages and the HTTP API of the store, the workroom and the books.
//!
//! A handler parses, calls one function of the ledger, and renders; everything that all requests
//! share (the guard, limits, headers, counting, the last resort against a panic) is in [`router`]'s
//! one layer. Until tokens exist, the API asks for none: it is served on loopback addresses alone
//! and refuses a foreign Host or Origin, so that neither another machine nor a web page that the
//! same person has open can ring anything up.

mod answer;
mod api;
mod app;
mod barcode;
mod body;
mod caller;
mod chance;
mod digest;
mod edge;
mod feed_desk;
mod guard;
mod health;
mod meters;
mod pages;
mod pictures;
mod problem;
mod query;
mod routes;
mod serve;
mod shown;
mod tags;
#[cfg(test)]
mod testing;
mod values;

pub use app::App;
pub use feed_desk::{
    Compared, Deskwork, Drift, FeedDesk, FeedFuture, FeedTrouble, GivenFile, LayoutFault, Outgoing,
    Previewed, PreviewedRow, PutOut, WentOut,
};
pub use routes::router;
pub use serve::{ServeError, only_this_machine, serve};
