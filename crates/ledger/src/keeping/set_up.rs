//! The first setup: the shop's first settings and its first owner in one transaction.

use super::change_settings;
use crate::people::activity_log::{self, Activity};
use crate::people::persons::{self, AddPerson};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShopReason};
use async_trait::async_trait;
use domain::ids::PersonId;
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};

/// Sets up the shop. Rejected once there is a person: from then on its owner changes it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BeginShop {
    /// Keys and values, as for `SetShop`.
    pub settings: Vec<(String, String)>,
    /// The first person.
    pub owner: AddPerson,
}

#[async_trait]
impl Command for BeginShop {
    type Answer = PersonId;
    const CHANGES_SETTINGS: bool = true;

    async fn run(&self, tx: &mut Tx) -> Result<PersonId, CommandError> {
        let who = text::name(&self.owner.name).field("owner")?;
        change_settings::change(tx, &self.settings, &who).await?;
        if sqlx::query("SELECT id FROM person LIMIT 1").fetch_optional(tx.db()).await?.is_some() {
            return Err(Rejection::invalid("name", ShopReason::AlreadySetUp).into());
        }
        activity_log::note(tx, &who, Activity::Begun, "the shop", "").await?;
        persons::add(tx, &AddPerson { role: Role::Owner, who, ..self.owner.clone() }).await
    }
}
