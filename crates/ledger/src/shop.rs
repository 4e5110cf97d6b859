//! The shop's settings.

use crate::books;
use crate::command::{Command, Tx};
use crate::error::{Failure, Naming, Stored};
use crate::refusal::Refusal;
use domain::basket::{CashRounding, Tie};
use domain::channel::Channel;
use domain::day::Zone;
use domain::money::{Currency, Money};
use domain::text;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, Row};
use std::collections::BTreeMap;

/// What the owner has set, or a new shop starts with: US dollars, UTC, ounces, no cash rounding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shop {
    /// Its name.
    pub name: String,
    /// Its currency, fixed once money is booked.
    pub currency: Currency,
    /// Its time zone.
    pub zone: Zone,
    /// The unit that it weighs in where nothing else is said.
    pub unit: WeightUnit,
    /// Where the pictures of listings can be fetched; none means that they go beside the feed.
    pub image_base: Option<String>,
    /// How cash totals are rounded.
    pub cash_rounding: CashRounding,
    /// Channels by code, with their names.
    pub channels: BTreeMap<Channel, String>,
    /// Counts the changes.
    pub(crate) revision: i64,
}

impl Shop {
    /// The keys of `shop set`.
    pub const KEYS: [&'static str; 7] =
        ["name", "currency", "zone", "unit", "image_base", "cash_rounding", "channel.CODE"];

    fn new(revision: i64) -> Self {
        Self {
            name: "Our farm".to_owned(),
            currency: Currency::USD,
            zone: Zone::utc(),
            unit: WeightUnit::Ounce,
            image_base: None,
            cash_rounding: CashRounding::NONE,
            channels: BTreeMap::new(),
            revision,
        }
    }

    /// Refuses a channel that the shop does not have.
    pub(crate) fn known_channel(&self, channel: &Channel) -> Result<(), Refusal> {
        if self.channels.contains_key(channel) {
            return Ok(());
        }
        Err(Refusal::invalid(
            "channel",
            format!(
                "the shop has no channel {channel}; make it with `fleecefold shop set channel.{channel} NAME`"
            ),
        ))
    }

    /// Each setting as it is written.
    pub fn rows(&self) -> Vec<(String, String)> {
        let mut rows = vec![
            ("name".to_owned(), self.name.clone()),
            ("currency".to_owned(), self.currency.to_string()),
            ("zone".to_owned(), self.zone.name().to_owned()),
            ("unit".to_owned(), self.unit.code().to_owned()),
            ("image_base".to_owned(), self.image_base.clone().unwrap_or_default()),
            ("cash_rounding".to_owned(), rounding_text(self.cash_rounding)),
        ];
        rows.extend(self.channels.iter().map(|(code, name)| (format!("channel.{code}"), name.clone())));
        rows
    }

    fn apply(&mut self, key: &str, value: &str) -> Result<(), Refusal> {
        let wrong = |e: &dyn std::fmt::Display| Refusal::invalid(key, e);
        match key {
            "name" => self.name = text::name(value).map_err(|e| wrong(&e))?,
            "currency" => self.currency = Currency::from_code(value).map_err(|e| wrong(&e))?,
            "zone" => self.zone = Zone::from_name(value).map_err(|e| wrong(&e))?,
            "unit" => self.unit = WeightUnit::from_code(value).map_err(|e| wrong(&e))?,
            "image_base" => self.image_base = image_base(value)?,
            "cash_rounding" => self.cash_rounding = rounding(value)?,
            other => return Err(no_such_key(other)),
        }
        Ok(())
    }
}

/// Money that a caller gives must be of the shop's currency, and none of it is below nothing.
pub(crate) fn own_money(field: &str, amount: Money, currency: Currency) -> Result<(), Refusal> {
    if amount.currency() != currency {
        let reason = format!("{} is not the shop's currency, which is {currency}", amount.currency());
        return Err(Refusal::invalid(field, reason));
    }
    if amount.is_negative() {
        return Err(Refusal::invalid(field, "this may not be below 0"));
    }
    Ok(())
}

fn no_such_key(key: &str) -> Refusal {
    Refusal::invalid(key, format!("there is no such setting; there are {}", Shop::KEYS.join(", ")))
}

fn image_base(value: &str) -> Result<Option<String>, Refusal> {
    if value.is_empty() {
        return Ok(None);
    }
    let plain = value.chars().all(|c| c.is_ascii_graphic());
    if !plain || !(value.starts_with("https://") || value.starts_with("http://")) {
        return Err(Refusal::invalid("image_base", "write an address that begins with https://"));
    }
    Ok(Some(value.trim_end_matches('/').to_owned()))
}

/// `none`, or the smallest coin in minor units and where a tie goes: `5 up`, `10 down`.
fn rounding(value: &str) -> Result<CashRounding, Refusal> {
    let wrong = || {
        Refusal::invalid(
            "cash_rounding",
            "write none, or the smallest coin in minor units and a tie, such as 5 up",
        )
    };
    if value == "none" {
        return Ok(CashRounding::NONE);
    }
    let (step, tie) = value.split_once(' ').unwrap_or((value, "up"));
    let tie = match tie {
        "up" => Tie::Up,
        "down" => Tie::Down,
        _ => return Err(wrong()),
    };
    let step = step.parse().map_err(|_| wrong())?;
    CashRounding::to_step(step, tie).ok_or_else(wrong)
}

fn rounding_text(rule: CashRounding) -> String {
    let tie = match rule.tie() {
        Tie::Up => "up",
        Tie::Down => "down",
    };
    if rule.step_minor() == 1 { "none".to_owned() } else { format!("{} {tie}", rule.step_minor()) }
}

pub(crate) async fn load(connection: &mut AnyConnection) -> Result<Shop, Failure> {
    let row = sqlx::query("SELECT settings_revision FROM shop_state WHERE id = 1")
        .fetch_one(&mut *connection)
        .await?;
    let mut shop = Shop::new(row.try_get(0)?);
    for row in sqlx::query("SELECT name, value FROM setting").fetch_all(&mut *connection).await? {
        let (key, value): (String, String) = (row.try_get(0)?, row.try_get(1)?);
        shop.apply(&key, &value).stored("setting")?;
    }
    for row in sqlx::query("SELECT code, name FROM channel").fetch_all(&mut *connection).await? {
        let code = Channel::parse(&row.try_get::<String, _>(0)?).stored("channel.code")?;
        shop.channels.insert(code, row.try_get(1)?);
    }
    Ok(shop)
}

/// Sets one setting. A new time zone rebuilds the day totals in the same transaction.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetShop {
    /// Which, as in [`Shop::KEYS`].
    pub key: String,
    /// To what.
    pub value: String,
}

impl Command for SetShop {
    type Answer = ();
    const CHANGES_SETTINGS: bool = true;

    async fn run(&self, tx: &mut Tx) -> Result<(), Failure> {
        let mut shop = Shop::clone(&tx.shop());
        // Taken first, so that bookings under the old settings end before and later ones wait.
        tx.open_books(0).await?;
        sqlx::query("UPDATE shop_state SET settings_revision = settings_revision + 1 WHERE id = 1")
            .execute(tx.db())
            .await?;
        if let Some(code) = self.key.strip_prefix("channel.") {
            return set_channel(tx, code, &self.value).await;
        }
        let before = shop.clone();
        shop.apply(&self.key, &self.value)?;
        if shop.currency != before.currency {
            refuse_new_currency(tx, before.currency).await?;
        }
        sqlx::query(
            "INSERT INTO setting (name, value) VALUES ($1, $2) \
             ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        )
        .bind(self.key.clone())
        .bind(self.value.clone())
        .execute(tx.db())
        .await?;
        if shop.zone != before.zone {
            books::rebuild(tx, &shop).await?;
        }
        Ok(())
    }
}

async fn set_channel(tx: &mut Tx, code: &str, name: &str) -> Result<(), Failure> {
    let code = Channel::parse(code).field("channel")?;
    let name = text::name(name).field("channel name")?;
    sqlx::query(
        "INSERT INTO channel (code, name) VALUES ($1, $2) ON CONFLICT (code) DO UPDATE SET name = excluded.name",
    )
    .bind(code.as_str().to_owned())
    .bind(name)
    .execute(tx.db())
    .await?;
    Ok(())
}

/// One currency per shop: with any price or sale in the old one, a new one would change its worth.
async fn refuse_new_currency(tx: &mut Tx, current: Currency) -> Result<(), Failure> {
    let row = sqlx::query(
        "SELECT CAST((SELECT COUNT(*) FROM sale) + (SELECT COUNT(*) FROM item) + (SELECT COUNT(*) FROM style) AS BIGINT)",
    )
    .fetch_one(tx.db())
    .await?;
    if row.try_get::<i64, _>(0)? == 0 {
        return Ok(());
    }
    Err(Refusal::invalid(
        "currency",
        format!("prices and sales are kept in {current}; a shop's currency is fixed once there are any"),
    )
    .into())
}
