//! A piece that is made for one customer.

use serde::{Deserialize, Serialize};

/// How soon a custom order needs attention, in days before it is due. Our own bound: a week of knitting.
pub const DUE_SOON_DAYS: i32 = 7;

/// How far a custom order is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CustomOrderState {
    /// The piece is not made yet.
    Open,
    /// The piece is made, and on hold for the customer.
    Made,
    /// The customer bought the piece.
    Collected,
    /// Nothing is made for it any more.
    Canceled,
}

impl CustomOrderState {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Open, Self::Made, Self::Collected, Self::Canceled];

    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Made => "made",
            Self::Collected => "collected",
            Self::Canceled => "canceled",
        }
    }

    /// The state with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.code() == code)
    }

    /// Whether the customer still waits for it.
    pub fn is_open(self) -> bool {
        matches!(self, Self::Open | Self::Made)
    }
}
