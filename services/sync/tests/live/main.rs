//! The exchange with an online shop over the network, with a server on loopback that stands for it, on the
//! program's own clock.

mod answers;
mod ground;
mod messages;
mod orders;
mod processes;
