//! Tries to sign in: each is counted before its password is even looked at, so that a hundred at
//! once count as a hundred, and a success takes its count away again.
//!
//! The waits are NIST SP 800-63B revision 3, 5.2.2's, and the OWASP Authentication cheat sheet's: count by
//! account, wait longer with each failure. Who tries again during the wait is refused even with the
//! right password, so that nothing is learned from it.

use crate::answer_key::hex_hash;
use crate::command::{Command, Tx};
use crate::error::Failure;
use crate::refusal::Refusal;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::DeviceId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Failures of one account after which there is a wait.
const FREE_BY_ACCOUNT: i64 = 5;
/// Failures of one address after which there is a wait: a family shares one, and somebody's fingers
/// must not keep the others out.
const FREE_BY_ADDRESS: i64 = 20;
/// The first wait; each failure doubles it.
const FIRST_WAIT_MS: i64 = 1000;
/// The longest wait.
const LONGEST_WAIT_MS: i64 = 15 * 60 * 1000;
/// Doublings after which the longest wait is reached.
const MAX_DOUBLINGS: i64 = 10;
/// Failures are forgotten after a day without another.
const FORGOTTEN_MS: i64 = 24 * 60 * 60 * 1000;

/// What a try is counted by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TryOf {
    account: String,
    address: String,
}

impl TryOf {
    /// A try for a name, from an address. On an enrolled device it has a count of its own: whoever
    /// guesses from elsewhere cannot keep its owner out there.
    pub fn new(name: &str, device: Option<DeviceId>, address: &str) -> Self {
        let device = device.map(|d| d.to_string()).unwrap_or_default();
        let account = hex_hash(format!("{device} {}", text::fold(name.trim())).as_bytes());
        Self { account, address: address.to_owned() }
    }

    fn rows(&self) -> [(&'static str, &str, i64); 2] {
        [("address", &self.address, FREE_BY_ADDRESS), ("account", &self.account, FREE_BY_ACCOUNT)]
    }

    /// Forgets the failures, after a success.
    pub(super) async fn clear(&self, tx: &mut Tx) -> Result<(), Failure> {
        for (kind, what, _) in self.rows() {
            sqlx::query("DELETE FROM sign_in_try WHERE kind = $1 AND what = $2")
                .bind(kind.to_owned())
                .bind(what.to_owned())
                .execute(tx.db())
                .await?;
        }
        Ok(())
    }
}

/// Counts a try, or refuses it while there is a wait.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct CountTry {
    /// Whose.
    pub of: TryOf,
}

#[async_trait]
impl Command for CountTry {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), Failure> {
        let now = tx.now();
        sqlx::query("DELETE FROM sign_in_try WHERE last_ms < $1 AND until_ms < $1")
            .bind(now.millis() - FORGOTTEN_MS)
            .execute(tx.db())
            .await?;
        for (kind, what, free) in self.of.rows() {
            count(tx, (kind, what), free, now).await?;
        }
        Ok(())
    }
}

async fn count(tx: &mut Tx, (kind, what): (&str, &str), free: i64, now: Moment) -> Result<(), Failure> {
    let row = sqlx::query(
        "INSERT INTO sign_in_try (kind, what, failures, until_ms, last_ms) VALUES ($1, $2, 1, 0, $3) \
         ON CONFLICT (kind, what) DO UPDATE SET failures = sign_in_try.failures + 1, last_ms = excluded.last_ms \
         WHERE sign_in_try.until_ms <= excluded.last_ms RETURNING failures",
    )
    .bind(kind.to_owned())
    .bind(what.to_owned())
    .bind(now.millis())
    .fetch_optional(tx.db())
    .await?;
    let until = match row {
        None => return Err(waiting(tx, (kind, what), now).await?.into()),
        Some(row) => now.plus_millis(wait(row.try_get(0)?, free)),
    };
    sqlx::query("UPDATE sign_in_try SET until_ms = $3 WHERE kind = $1 AND what = $2")
        .bind(kind.to_owned())
        .bind(what.to_owned())
        .bind(until.millis())
        .execute(tx.db())
        .await?;
    Ok(())
}

async fn waiting(tx: &mut Tx, (kind, what): (&str, &str), now: Moment) -> Result<Refusal, Failure> {
    let row = sqlx::query("SELECT until_ms FROM sign_in_try WHERE kind = $1 AND what = $2")
        .bind(kind.to_owned())
        .bind(what.to_owned())
        .fetch_optional(tx.db())
        .await?;
    let until = row.map_or(Ok(now.millis()), |row| row.try_get::<i64, _>(0))?;
    // Never more than the longest wait, whatever a clock was set to since.
    let seconds = ((until - now.millis()).clamp(1, LONGEST_WAIT_MS) + 999).div_euclid(1000);
    Ok(Refusal::TooOften { seconds })
}

/// How long nothing may be tried after so many failures.
fn wait(failures: i64, free: i64) -> i64 {
    if failures < free {
        return 0;
    }
    let doublings = u32::try_from((failures - free).min(MAX_DOUBLINGS)).unwrap_or(0);
    (FIRST_WAIT_MS << doublings).min(LONGEST_WAIT_MS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_from_a_second_to_a_quarter_of_an_hour() {
        let check = |failures: i64, seconds: i64| assert_eq!(wait(failures, 5), seconds * 1000, "{failures}");
        check(1, 0);
        check(4, 0);
        check(5, 1);
        check(6, 2);
        check(7, 4);
        check(14, 512);
        check(15, 900);
        check(1_000_000_000, 900);
    }

    #[test]
    fn a_name_is_kept_as_a_hash_and_found_without_case() {
        let of = |name: &str, device| TryOf::new(name, device, "::1").account;
        assert_eq!(of("Ada ", None), of("ada", None));
        assert_ne!(of("ada", None), of("ada", Some(DeviceId::from_raw(7))));
        assert!(!format!("{:?}", TryOf::new("secret", None, "::1")).contains("secret"));
    }
}
