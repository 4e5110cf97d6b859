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
    #[error("{address} is taken; close what listens there, or name another port, or 0 for any free one")]
    PortTaken {
        address: SocketAddr,
        #[source]
        source: std::io::Error,
    },
    /// The system does not allow listening there.
    #[error("it cannot listen at {address}")]
    Listen {
        address: SocketAddr,
        #[source]
        source: std::io::Error,
    },
    /// The address for hooks cannot be used.
    #[error(transparent)]
    HooksTo(NotAnAddress),
}
