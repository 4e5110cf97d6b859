//! Why the shop could not open.

use crate::hooks::NotAnAddress;
use std::net::SocketAddr;

/// Why the shop could not open.
#[derive(Debug, thiserror::Error)]
pub enum PretendError {
    /// An address that others could reach.
    #[error(
        "{0} is not a loopback address: a pretend shop is for this machine alone; write 127.0.0.1 or [::1]"
    )]
    NotLoopback(SocketAddr),
    /// Somebody else listens there.
    #[error("{address} is taken; close what listens there, or name another port, or 0 for any free one")]
    PortTaken {
        /// Where.
        address: SocketAddr,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// The system does not let us listen.
    #[error("it cannot listen at {address}")]
    Listen {
        /// Where.
        address: SocketAddr,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// Hooks cannot go where they are to go.
    #[error(transparent)]
    HooksTo(NotAnAddress),
}
