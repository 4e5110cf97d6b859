//! Changes the shop's settings, without changing what was booked under the old ones.

use super::day_sums::sum_by_day;
use crate::books;
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShopReason};
use crate::store::settings::{self, Shop};
use async_trait::async_trait;
use domain::money::Currency;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, AssertSqlSafe};

/// Changes one setting. A new time zone computes the day totals again in the same transaction.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetShop {
    /// One of [`Shop::KEYS`].
    pub key: String,
    /// The new value, as text.
    pub value: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for SetShop {
    type Answer = ();
    const CHANGES_SETTINGS: bool = true;

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        change(tx, &[(self.key.clone(), self.value.clone())], &self.who).await
    }
}

/// Changes several settings, all or none, such as those of one form.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ChangeShop {
    /// Keys from [`Shop::KEYS`] with their new values, applied in this order.
    pub settings: Vec<(String, String)>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for ChangeShop {
    type Answer = ();
    const CHANGES_SETTINGS: bool = true;

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        change(tx, &self.settings, &self.who).await
    }
}

/// Changes settings, and records who changed what.
pub(crate) async fn change(
    tx: &mut Tx,
    settings: &[(String, String)],
    who: &str,
) -> Result<(), CommandError> {
    let who = text::short(who).field("who")?;
    let before = Shop::clone(&tx.shop());
    let mut shop = before.clone();
    tx.count_settings_change().await?;
    for (key, value) in settings {
        shop.apply(key, value)?;
        // A city stands for its zone; the zone is what is stored.
        let value = if key == "zone" { shop.zone.name() } else { value };
        settings::write(tx, key, value).await?;
    }
    if shop.currency != before.currency {
        refuse_new_currency(tx, before.currency).await?;
        shop.refuse_old_fees()?;
    }
    if shop.zone != before.zone {
        let days = sum_by_day(tx.db(), &shop).await?;
        books::replace(tx, &days).await?;
    }
    for (key, _) in settings {
        let of = |shop: &Shop| shop.rows().into_iter().find(|(name, _)| name == key).map(|(_, value)| value);
        let detail = format!("{} → {}", of(&before).unwrap_or_default(), of(&shop).unwrap_or_default());
        activity_log::note(tx, &who, Activity::Setting, key, &detail).await?;
    }
    Ok(())
}

impl Ledger {
    /// Whether anything has a price or was sold, so that the currency can no longer change.
    pub async fn currency_is_fixed(&self) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        is_booked(&mut connection).await
    }
}

async fn is_booked(connection: &mut AnyConnection) -> Result<bool, CommandError> {
    for table in ["sale", "item", "style"] {
        let text = format!("SELECT id FROM {table} LIMIT 1");
        if sqlx::query(AssertSqlSafe(text)).fetch_optional(&mut *connection).await?.is_some() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// A shop has one currency: with any price or sale in the old one, a new one would change its value.
async fn refuse_new_currency(tx: &mut Tx, current: Currency) -> Result<(), CommandError> {
    if !is_booked(tx.db()).await? {
        return Ok(());
    }
    Err(Rejection::invalid("currency", ShopReason::CurrencyInUse { currency: current }).into())
}
