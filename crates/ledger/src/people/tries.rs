//! Sign-in attempts. Each is counted before its password is compared, so that a hundred at once count
//! as a hundred; a success takes its own count back.
//!
//! Strangers are counted by account and network, so that nobody can lock out an owner from elsewhere.
//! Browsers in which the person was signed in before, and registered devices, are counted separately.
//! Waits double (NIST SP 800-63B revision 3, 5.2.2; OWASP Authentication cheat sheet) and end within a
//! minute. During a wait even the right password is refused, so that nothing is learned from it. A name
//! that nobody has waits like any other.

use super::secret::SecretHash;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::idempotency_key::hex_hash;
use crate::store::rejection::Rejection;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{DeviceId, PersonId, SessionId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

const SECOND_MS: i64 = 1000;
/// The first wait; each failure doubles it.
const FIRST_WAIT_MS: i64 = SECOND_MS;
/// Doublings until the longest wait of every kind is reached.
const MAX_DOUBLINGS: i64 = 17;
/// Failures are forgotten after a day without another.
const FORGOTTEN_MS: i64 = 24 * 60 * 60 * 1000;

/// A counted attempt succeeded: the count is as before, and so is the wait, which had ended.
const NO_FAILURE: &str = "UPDATE sign_in_try SET failures = failures - 1, until_ms = 0 \
    WHERE kind = $1 AND what = $2 AND failures > 0";

/// What is counted together. Rows are written in this order, so that two attempts never wait for each
/// other in a circle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Kind {
    /// All attempts on a registered device.
    Device,
    /// All attempts from a stranger's network.
    Address,
    /// All of strangers' attempts on an account, from anywhere.
    Everywhere,
    /// Attempts on an account in one network, on one device, or in one browser.
    Account,
    /// What one person asked others to approve.
    Approval,
}

impl Kind {
    fn code(self) -> &'static str {
        match self {
            Self::Device => "device",
            Self::Address => "address",
            Self::Everywhere => "everywhere",
            Self::Account => "account",
            Self::Approval => "approval",
        }
    }

    /// The failures before the first wait.
    const fn free(self) -> i64 {
        match self {
            Self::Account | Self::Approval => 5,
            // A family shares a network, and one person's typing errors must not lock out the others.
            Self::Device | Self::Address => 20,
            // “No more than 100” consecutive failures on one account: NIST SP 800-63B revision 3,
            // 5.2.2.
            Self::Everywhere => 100,
        }
    }

    /// The longest wait. A minute allows 1,440 attempts a day, and none of the common passwords.
    const fn longest_ms(self) -> i64 {
        match self {
            Self::Device | Self::Address | Self::Account => 60 * SECOND_MS,
            // Many networks can cause it, so it must not lock out an owner with a new browser for long.
            Self::Everywhere => 10 * SECOND_MS,
            // Only asking waits, so this locks nobody out. It leaves about twenty guesses a day at a PIN whose own
            // count stays as it is, because whoever asks could stop it otherwise.
            Self::Approval => FORGOTTEN_MS,
        }
    }
}

/// Where an attempt comes from, for counting.
#[derive(Clone, Debug)]
pub enum TryFrom<'a> {
    /// From a network, in a browser that is not known.
    Stranger(&'a str),
    /// In a browser in which this account was signed in before.
    Known(&'a SecretHash),
    /// On a registered device.
    Device(DeviceId),
}

/// How an attempt is counted. Names are hashed, because people sometimes type the password into the
/// name field.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TryOf {
    rows: Vec<(Kind, String)>,
}

impl TryOf {
    /// An attempt with the password of a name.
    pub fn password(name: &str, from: &TryFrom<'_>) -> Self {
        Self::of(&format!("password {}", text::fold(name.trim())), from)
    }

    /// An attempt with a person's code or recovery code, after their password was right.
    pub fn code(person: PersonId, from: &TryFrom<'_>) -> Self {
        Self::of(&format!("code {person}"), from)
    }

    /// An attempt with a person's PIN on a registered device.
    pub fn pin(person: PersonId, device: DeviceId) -> Self {
        Self::of(&format!("PIN {person}"), &TryFrom::Device(device))
    }

    /// An attempt with a PIN for nobody, or without a registered device: only its origin is known.
    pub fn pin_of_nobody(from: &TryFrom<'_>) -> Self {
        let mut tried = Self::of("", from);
        tried.rows.retain(|(kind, _)| matches!(kind, Kind::Device | Kind::Address));
        tried
    }

    /// An attempt with one's own password within a session, for confirmation.
    pub fn confirm(session: SessionId) -> Self {
        Self { rows: vec![(Kind::Account, hex_hash(format!("confirm {session}").as_bytes()))] }
    }

    /// An attempt to have something approved. It counts against the person who asks, never against the approver.
    pub fn approval(asker: PersonId) -> Self {
        Self { rows: vec![(Kind::Approval, hex_hash(format!("approval {asker}").as_bytes()))] }
    }

    fn of(account: &str, from: &TryFrom<'_>) -> Self {
        let hash = |text: String| hex_hash(text.as_bytes());
        let rows = match from {
            TryFrom::Stranger(network) => vec![
                (Kind::Address, (*network).to_owned()),
                (Kind::Everywhere, hash(account.to_owned())),
                (Kind::Account, hash(format!("network {network} {account}"))),
            ],
            TryFrom::Known(browser) => {
                vec![(Kind::Account, hash(format!("browser {} {account}", browser.as_str())))]
            }
            TryFrom::Device(device) => vec![
                (Kind::Device, device.to_string()),
                (Kind::Account, hash(format!("device {device} {account}"))),
            ],
        };
        Self { rows }
    }

    /// Counts an attempt in all of its rows, or rejects it during a wait.
    pub(super) async fn count(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let now = tx.now();
        sqlx::query("DELETE FROM sign_in_try WHERE last_ms < $1 AND until_ms < $1")
            .bind(now.millis() - FORGOTTEN_MS)
            .execute(tx.db())
            .await?;
        for (kind, what) in &self.rows {
            count(tx, *kind, what, now).await?;
        }
        Ok(())
    }

    /// After a success: forgets this account's failures from here. Of the shared counts only this
    /// attempt is taken back, so that whoever guesses cannot clear a count by signing in themselves.
    pub(super) async fn clear(&self, tx: &mut Tx) -> Result<(), CommandError> {
        for (kind, what) in &self.rows {
            let cleared = match kind {
                Kind::Account | Kind::Approval => {
                    sqlx::query("DELETE FROM sign_in_try WHERE kind = $1 AND what = $2")
                }
                Kind::Device | Kind::Address | Kind::Everywhere => sqlx::query(NO_FAILURE),
            };
            cleared.bind(kind.code().to_owned()).bind(what.to_owned()).execute(tx.db()).await?;
        }
        Ok(())
    }
}

/// Counts an attempt, or rejects it during a wait.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct CountTry {
    /// How it is counted.
    pub of: TryOf,
}

#[async_trait]
impl Command for CountTry {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        self.of.count(tx).await
    }
}

async fn count(tx: &mut Tx, kind: Kind, what: &str, now: Moment) -> Result<(), CommandError> {
    let row = sqlx::query(
        "INSERT INTO sign_in_try (kind, what, failures, until_ms, last_ms) VALUES ($1, $2, 1, 0, $3) \
         ON CONFLICT (kind, what) DO UPDATE SET failures = sign_in_try.failures + 1, last_ms = excluded.last_ms \
         WHERE sign_in_try.until_ms <= excluded.last_ms RETURNING failures",
    )
    .bind(kind.code().to_owned())
    .bind(what.to_owned())
    .bind(now.millis())
    .fetch_optional(tx.db())
    .await?;
    let until = match row {
        None => return Err(waiting(tx, kind, what, now).await?.into()),
        Some(row) => match wait(row.try_get("failures")?, kind) {
            0 => return Ok(()),
            wait => now.plus_millis(wait),
        },
    };
    sqlx::query("UPDATE sign_in_try SET until_ms = $3 WHERE kind = $1 AND what = $2")
        .bind(kind.code().to_owned())
        .bind(what.to_owned())
        .bind(until.millis())
        .execute(tx.db())
        .await?;
    Ok(())
}

async fn waiting(tx: &mut Tx, kind: Kind, what: &str, now: Moment) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT until_ms FROM sign_in_try WHERE kind = $1 AND what = $2")
        .bind(kind.code().to_owned())
        .bind(what.to_owned())
        .fetch_optional(tx.db())
        .await?;
    let until = row.map_or(Ok(now.millis()), |row| row.try_get::<i64, _>("until_ms"))?;
    // Never more than the longest wait, whatever a clock was set to since.
    let seconds = ((until - now.millis()).clamp(1, kind.longest_ms()) + SECOND_MS - 1).div_euclid(SECOND_MS);
    Ok(Rejection::TooOften { seconds })
}

/// How long nothing may be tried after this many failures.
fn wait(failures: i64, kind: Kind) -> i64 {
    if failures < kind.free() {
        return 0;
    }
    let doublings = u32::try_from((failures - kind.free()).min(MAX_DOUBLINGS)).unwrap_or(0);
    (FIRST_WAIT_MS << doublings).min(kind.longest_ms())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_from_a_second_to_a_minute() {
        let check = |kind: Kind, failures: i64, seconds: i64| {
            assert_eq!(wait(failures, kind), seconds * 1000, "{kind:?} {failures}");
        };
        check(Kind::Account, 1, 0);
        check(Kind::Account, 4, 0);
        check(Kind::Account, 5, 1);
        check(Kind::Account, 6, 2);
        check(Kind::Account, 10, 32);
        check(Kind::Account, 11, 60);
        check(Kind::Account, 1_000_000_000, 60);
        check(Kind::Address, 19, 0);
        check(Kind::Address, 20, 1);
        check(Kind::Device, 1000, 60);
        check(Kind::Everywhere, 99, 0);
        check(Kind::Everywhere, 100, 1);
        check(Kind::Everywhere, 1000, 10);
        check(Kind::Approval, 4, 0);
        check(Kind::Approval, 5, 1);
        check(Kind::Approval, 15, 1024);
        check(Kind::Approval, 1000, 24 * 60 * 60);
    }

    #[test]
    fn a_name_is_kept_as_a_hash_and_found_without_case() {
        let of = |name: &str, from: &TryFrom<'_>| TryOf::password(name, from);
        let (here, there) = (TryFrom::Stranger("::1"), TryFrom::Device(DeviceId::from_raw(7)));
        assert_eq!(of("Ada ", &here), of("ada", &here));
        assert_ne!(of("ada", &here), of("ada", &there));
        assert!(!format!("{:?}", of("secret", &here)).contains("secret"));
        assert_ne!(of("PIN 7", &there), TryOf::pin(PersonId::from_raw(7), DeviceId::from_raw(7)));
    }
}
