//! What is wrong with a person, a device, a token or a second factor.

use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with people and access.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PeopleReason {
    /// The first person of a shop is an owner.
    FirstIsOwner,
    /// A shop has at least one owner.
    LastOwner,
    /// Another person has the name.
    PersonExists {
        /// The name.
        name: String,
    },
    /// Another device has the name.
    DeviceExists {
        /// The name.
        name: String,
    },
    /// Another token has the name.
    TokenExists {
        /// The name.
        name: String,
    },
    /// A token has the name that a person was to get.
    NameOfToken {
        /// The name.
        name: String,
    },
    /// A person has the name that a token was to get.
    NameOfPerson {
        /// The name.
        name: String,
    },
    /// The program writes under this name itself.
    NameReserved {
        /// The name.
        name: String,
    },
    /// Neither the app's code nor a recovery code, or used before.
    WrongCode,
    /// Two-step sign-in is on, so no new key is offered.
    SecondFactorOn,
    /// The key that was offered for two-step sign-in was replaced or is too old.
    SecondFactorKeyExpired,
    /// Two-step sign-in cannot be turned off where it is not on.
    SecondFactorNotOn {
        /// Whose.
        name: String,
    },
    /// There are no recovery codes without two-step sign-in.
    SecondFactorFirst,
    /// A token's end is not after its beginning.
    TokenEndsInPast,
    /// A token with limits of its own wanted to change limits.
    LimitedToken,
    /// Somebody asked themselves.
    ApprovesOwn,
    /// The approver may not do it either.
    ApproverLimited {
        /// Who.
        name: String,
    },
    /// An owner has no limits.
    OwnerHasNoLimits,
    /// A password where its hash belongs.
    NotAHash,
}
