//! Who can sign in: people and their passwords, devices, sessions, tokens, and failed attempts.
//!
//! Hashing and randomness happen outside. What comes in here may be stored: the [`Phc`] of a password,
//! the [`SecretHash`] of a cookie. None of them appears in a log.

pub(crate) mod activity_log;
mod approvals;
mod devices;
mod known;
pub(crate) mod limits;
mod names;
pub(crate) mod persons;
mod second_factor;
mod secret;
mod sessions;
mod tokens;
mod tries;

pub use activity_log::{Activity, ActivityRow};
pub use approvals::{APPROVED_FOR_MS, Approve, Approver, MAX_APPROVALS};
pub use devices::{DeviceView, EndDevice, EnrolDevice};
pub use known::{KNOWN_FOR_MS, Known};
pub use limits::{LimitsOf, SetLimits};
pub(crate) use persons::NO_PASSWORD;
pub use persons::{
    AddPerson, EditPerson, EndPerson, MAX_PIN_FAILURES, PersonView, PinChange, PinKept, TryPin,
};
pub use second_factor::{
    BeginStep, CountCode, MAX_CODE_FAILURES, OfferSecondFactor, RenewRecoveryCodes, STEP_LASTS_MS,
    SecondFactor, SecondProof, StepView, TurnOffSecondFactor, TurnOnSecondFactor,
};
pub use secret::{Phc, SecretHash};
pub use sessions::{
    By, CONFIRMED_FOR_MS, Confirm, EndSession, OpenSession, SessionView, SignIn, SignOut, SignOutEverywhere,
};
pub use tokens::{AddToken, EndToken, TokenView};
pub use tries::{CountTry, TryFrom, TryOf};
