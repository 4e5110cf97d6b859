//! Who may enter: people and their passwords, devices, sessions, tokens, and tries that failed.
//!
//! Hashing and randomness happen outside; what comes in here is what may be kept: a [`Phc`] of a
//! password, a [`SecretHash`] of a cookie. None of them shows itself in a log.

mod begin;
mod devices;
mod names;
mod persons;
mod secret;
mod sessions;
mod tokens;
mod tries;

pub use begin::BeginShop;
pub use devices::{DeviceView, EndDevice, EnrolDevice};
pub(crate) use persons::NO_PASSWORD;
pub use persons::{AddPerson, EditPerson, EndPerson, PersonView, PinChange};
pub use secret::{Phc, SecretHash};
pub use sessions::{By, SessionView, SignIn, SignOut};
pub use tokens::{AddToken, EndToken, TokenView};
pub use tries::{CountTry, TryOf};
