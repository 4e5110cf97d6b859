//! The exchange with an online shop over the network, with a loopback server in its place, on the
//! program's own clock.

mod answers;
mod clocks;
mod each;
mod ground;
mod hands;
mod hooks;
mod ids;
mod keys;
mod lists;
mod messages;
mod orders;
mod processes;
mod rates;
mod raw;
mod ties;
mod tls;
mod walks;
