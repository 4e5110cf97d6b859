//! Devices that the owner registered, on which PINs work.

use super::secret::SecretHash;
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{PeopleReason, Rejection, Thing};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::DeviceId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// Registers a device.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EnrolDevice {
    /// What it is called.
    pub name: String,
    /// The hash of the secret in its cookie.
    pub secret: SecretHash,
    /// For the activity log.
    pub who: String,
}

/// A registered device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceView {
    /// Its identifier.
    pub id: DeviceId,
    /// What it is called.
    pub name: String,
    /// When it was registered.
    pub made: Moment,
}

#[async_trait]
impl Command for EnrolDevice {
    type Answer = DeviceId;

    async fn run(&self, tx: &mut Tx) -> Result<DeviceId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let name = text::name(&self.name).field("name")?;
        let id = tx.next_id()?;
        let now = tx.now().millis();
        let added = sqlx::query(
            "INSERT INTO device (id, name, folded, secret_hash, made_ms, ended_ms) \
             VALUES ($1, $2, $3, $4, $5, NULL) ON CONFLICT (folded) WHERE ended_ms IS NULL DO NOTHING",
        )
        .bind(id)
        .bind(name.clone())
        .bind(text::fold(&name))
        .bind(self.secret.as_str().to_owned())
        .bind(now)
        .execute(tx.db())
        .await?;
        if added.rows_affected() == 0 {
            return Err(Rejection::invalid("name", PeopleReason::DeviceExists { name }).into());
        }
        activity_log::note(tx, &who, Activity::DeviceEnrolled, &name, "").await?;
        Ok(DeviceId::from_raw(id))
    }
}

/// Removes a device, and signs out whoever is signed in on it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndDevice {
    /// Which.
    pub device: DeviceId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for EndDevice {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let now = tx.now().millis();
        let row =
            sqlx::query("UPDATE device SET ended_ms = $2 WHERE id = $1 AND ended_ms IS NULL RETURNING name")
                .bind(self.device.raw())
                .bind(now)
                .fetch_optional(tx.db())
                .await?
                .ok_or_else(|| Rejection::no_such(Thing::Device, self.device))?;
        let name: String = row.try_get("name")?;
        sqlx::query("DELETE FROM session WHERE device_id = $1")
            .bind(self.device.raw())
            .execute(tx.db())
            .await?;
        activity_log::note(tx, &who, Activity::DeviceEnded, &name, "").await
    }
}

fn read(row: &AnyRow) -> Result<DeviceView, CommandError> {
    Ok(DeviceView {
        id: DeviceId::from_raw(row.try_get("id")?),
        name: row.try_get("name")?,
        made: Moment::from_millis(row.try_get("made_ms")?),
    })
}

impl Ledger {
    /// All devices, by name.
    pub async fn devices(&self) -> Result<Vec<DeviceView>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query("SELECT id, name, made_ms FROM device WHERE ended_ms IS NULL")
            .fetch_all(&mut *connection)
            .await?;
        let mut devices = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        devices.sort_by_cached_key(|d| text::fold(&d.name));
        Ok(devices)
    }

    /// The device whose cookie has this secret.
    pub async fn device(&self, secret: &SecretHash) -> Result<Option<DeviceView>, CommandError> {
        let mut connection = self.reader().await?;
        let row =
            sqlx::query("SELECT id, name, made_ms FROM device WHERE secret_hash = $1 AND ended_ms IS NULL")
                .bind(secret.as_str().to_owned())
                .fetch_optional(&mut *connection)
                .await?;
        row.as_ref().map(read).transpose()
    }
}
