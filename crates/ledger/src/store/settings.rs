//! The shop's settings.

use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{CustomersReason, Rejection, ShopReason};
use crate::store::storage_error::StorageError;
use domain::basket::{CashRounding, TenderKind, Tie};
use domain::channel::Channel;
use domain::day::Zone;
use domain::fee::FeeRule;
use domain::money::{Currency, Money};
use domain::shop_color::ShopColor;
use domain::text;
use domain::weight::WeightUnit;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use std::collections::BTreeMap;

/// Ways to pay at a counter: everything but `online`, which is how orders are paid.
pub const COUNTER_TENDERS: [TenderKind; 6] = [
    TenderKind::Cash,
    TenderKind::Card,
    TenderKind::Check,
    TenderKind::GiftCertificate,
    TenderKind::OnAccount,
    TenderKind::Other,
];
/// The value that removes a channel's fee.
const NO_FEE: &str = "none";
/// The value with which orders keep their buyers' names.
const NEVER: &str = "never";
/// The fewest days after which orders are blanked: while goods may come back, the shop has to know whose they are.
const LEAST_ORDER_DAYS: i64 = 7;
/// The most: a hundred years.
const MOST_ORDER_DAYS: i64 = 36_500;

/// What a shop prints on every receipt; each may be empty and may have several lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReceiptTexts {
    /// Where the shop is, below its name.
    pub address: String,
    /// Words for every customer, such as thanks and opening hours.
    pub note: String,
    /// What can be returned, how and until when.
    pub return_policy: String,
}

/// What the owner has set; a new shop starts with US dollars, UTC, ounces and no cash rounding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shop {
    /// Its name.
    pub name: String,
    /// Fixed once money is booked.
    pub currency: Currency,
    /// Its time zone.
    pub zone: Zone,
    /// The unit of weight unless another one is given.
    pub unit: WeightUnit,
    /// Where pictures of listings can be fetched; without it they are put beside the feed.
    pub image_base: Option<String>,
    /// How cash totals are rounded.
    pub cash_rounding: CashRounding,
    /// What stands on every receipt.
    pub receipt: ReceiptTexts,
    /// Of the rule on printed tags.
    pub color: ShopColor,
    /// The ways to pay that the counter offers, in their order.
    pub tenders: Vec<TenderKind>,
    /// After how many days orders no longer say who bought; never if none.
    pub order_days: Option<i64>,
    /// Channels by code, with their names.
    pub channels: BTreeMap<Channel, String>,
    /// The fees of channels that have any.
    pub fees: BTreeMap<Channel, FeeRule>,
    /// Counts the changes.
    pub(crate) revision: i64,
}

impl Shop {
    /// The keys for `shop set`.
    pub const KEYS: [&'static str; 14] = [
        "name",
        "currency",
        "zone",
        "unit",
        "image_base",
        "color",
        "address",
        "receipt_note",
        "return_policy",
        "cash_rounding",
        "tenders",
        "blank_orders_after",
        "channel.CODE",
        "fee.CODE",
    ];

    fn new(revision: i64) -> Self {
        Self {
            name: "Our farm".to_owned(),
            currency: Currency::USD,
            zone: Zone::utc(),
            unit: WeightUnit::Ounce,
            image_base: None,
            receipt: ReceiptTexts::default(),
            color: ShopColor::MADDER,
            cash_rounding: CashRounding::NONE,
            tenders: COUNTER_TENDERS.to_vec(),
            order_days: None,
            channels: BTreeMap::new(),
            fees: BTreeMap::new(),
            revision,
        }
    }

    /// Rejects a channel that the shop does not have.
    pub(crate) fn known_channel(&self, channel: &Channel) -> Result<(), Rejection> {
        if self.channels.contains_key(channel) {
            return Ok(());
        }
        Err(Rejection::invalid("channel", ShopReason::UnknownChannel { channel: channel.clone() }))
    }

    /// The fee of a channel for a sale of which this much was paid, unless the sale has its own.
    pub(crate) fn fee(&self, channel: &Channel, said: Money, paid: Money) -> Result<Money, CommandError> {
        match self.fees.get(channel) {
            Some(rule) if said.is_zero() => rule.of(paid).field("fee"),
            _ => Ok(said),
        }
    }

    /// Whether nobody has changed anything yet.
    pub fn is_untouched(&self) -> bool {
        self.revision == 0
    }

    /// Every setting with its written value.
    pub fn rows(&self) -> Vec<(String, String)> {
        let mut rows = vec![
            ("name".to_owned(), self.name.clone()),
            ("currency".to_owned(), self.currency.to_string()),
            ("zone".to_owned(), self.zone.name().to_owned()),
            ("unit".to_owned(), self.unit.code().to_owned()),
            ("image_base".to_owned(), self.image_base.clone().unwrap_or_default()),
            ("color".to_owned(), self.color.to_string()),
            ("address".to_owned(), self.receipt.address.clone()),
            ("receipt_note".to_owned(), self.receipt.note.clone()),
            ("return_policy".to_owned(), self.receipt.return_policy.clone()),
            ("cash_rounding".to_owned(), rounding_text(self.cash_rounding)),
            ("tenders".to_owned(), tenders_text(&self.tenders)),
            (
                "blank_orders_after".to_owned(),
                self.order_days.map_or(NEVER.to_owned(), |days| days.to_string()),
            ),
        ];
        rows.extend(self.channels.iter().map(|(code, name)| (format!("channel.{code}"), name.clone())));
        rows.extend(self.fees.iter().map(|(code, rule)| (format!("fee.{code}"), rule.to_string())));
        rows
    }

    pub(crate) fn apply(&mut self, key: &str, value: &str) -> Result<(), Rejection> {
        match key {
            "name" => self.name = text::name(value).named(key)?,
            "currency" => self.currency = Currency::from_code(value).named(key)?,
            "zone" => self.zone = Zone::from_name(value).named(key)?,
            "unit" => self.unit = WeightUnit::from_code(value).named(key)?,
            "image_base" => self.image_base = image_base(value)?,
            "color" => self.color = color(value)?,
            "address" => self.receipt.address = text::printed(value).named(key)?,
            "receipt_note" => self.receipt.note = text::printed(value).named(key)?,
            "return_policy" => self.receipt.return_policy = text::printed(value).named(key)?,
            "cash_rounding" => self.cash_rounding = rounding(value)?,
            "tenders" => self.tenders = tenders(value)?,
            "blank_orders_after" => self.order_days = order_days(value)?,
            other => match other.split_once('.') {
                Some(("channel", code)) => {
                    let code = Channel::parse(code).named(key)?;
                    self.channels.insert(code, text::name(value).named(key)?);
                }
                Some(("fee", code)) => self.set_fee(code, value)?,
                _ => return Err(no_such_key(other)),
            },
        }
        Ok(())
    }

    fn set_fee(&mut self, code: &str, value: &str) -> Result<(), Rejection> {
        let key = format!("fee.{code}");
        let channel = Channel::parse(code).named(&key)?;
        // Settings are read before the channels: those that were kept are not asked again.
        if !self.channels.is_empty() && !self.channels.contains_key(&channel) {
            return Err(Rejection::invalid(key, ShopReason::FeeWithoutChannel { channel }));
        }
        if ["", NO_FEE].contains(&value.trim()) {
            self.fees.remove(&channel);
            return Ok(());
        }
        let rule = FeeRule::parse(value, self.currency).named(&key)?;
        self.fees.insert(channel, rule);
        Ok(())
    }

    /// The amount of a fee is in the currency in which it was set.
    pub(crate) fn refuse_old_fees(&self) -> Result<(), Rejection> {
        let is_old = |rule: &FeeRule| !rule.fixed().is_zero() && rule.fixed().currency() != self.currency;
        let Some((channel, rule)) = self.fees.iter().find(|(_, rule)| is_old(rule)) else { return Ok(()) };
        let reason = ShopReason::FeeInOldCurrency {
            channel: channel.clone(),
            fee: rule.to_string(),
            currency: rule.fixed().currency(),
            no_fee: NO_FEE.to_owned(),
        };
        Err(Rejection::invalid("currency", reason))
    }
}

/// Money from a caller must be in the shop's currency, not below 0, and not beyond the limit.
pub(crate) fn own_money(field: &str, amount: Money, currency: Currency) -> Result<(), Rejection> {
    if amount.currency() != currency {
        let reason = ShopReason::OtherCurrency { given: amount.currency(), own: currency };
        return Err(Rejection::invalid(field, reason));
    }
    if amount.is_negative() {
        return Err(Rejection::invalid(field, ShopReason::Negative));
    }
    amount.within_limit().map_err(|over| Rejection::invalid(field, over))?;
    Ok(())
}

/// Nothing stands for the color with which a new shop starts.
fn color(value: &str) -> Result<ShopColor, Rejection> {
    if value.trim().is_empty() { Ok(ShopColor::MADDER) } else { ShopColor::parse(value).named("color") }
}

/// `cash card owed`: kinds of tender, separated by spaces or commas.
fn tenders(value: &str) -> Result<Vec<TenderKind>, Rejection> {
    let known = || COUNTER_TENDERS.to_vec();
    let wrong = |reason: ShopReason| Rejection::invalid("tenders", reason);
    let mut kinds = Vec::new();
    for code in value.split([' ', ',']).filter(|code| !code.is_empty()) {
        let kind = COUNTER_TENDERS.into_iter().find(|kind| kind.code() == code);
        let unknown = || ShopReason::UnknownTender { code: code.to_owned(), known: known() };
        let kind = kind.ok_or_else(|| wrong(unknown()))?;
        if !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    if kinds.is_empty() {
        return Err(wrong(ShopReason::NoTender { known: known() }));
    }
    Ok(kinds)
}

fn tenders_text(kinds: &[TenderKind]) -> String {
    kinds.iter().map(|kind| kind.code()).collect::<Vec<_>>().join(" ")
}

fn order_days(value: &str) -> Result<Option<i64>, Rejection> {
    if ["", NEVER].contains(&value.trim()) {
        return Ok(None);
    }
    let days = value.trim().parse().ok().filter(|days| (LEAST_ORDER_DAYS..=MOST_ORDER_DAYS).contains(days));
    let reason = CustomersReason::NotOrderDays { least: LEAST_ORDER_DAYS, most: MOST_ORDER_DAYS };
    days.map(Some).ok_or_else(|| Rejection::invalid("blank_orders_after", reason))
}

fn no_such_key(key: &str) -> Rejection {
    let known = Shop::KEYS.iter().map(|key| (*key).to_owned()).collect();
    Rejection::invalid(key, ShopReason::UnknownSetting { known })
}

fn image_base(value: &str) -> Result<Option<String>, Rejection> {
    if value.is_empty() {
        return Ok(None);
    }
    let plain = value.chars().all(|c| c.is_ascii_graphic());
    if !plain || !(value.starts_with("https://") || value.starts_with("http://")) {
        return Err(Rejection::invalid("image_base", ShopReason::NotAWebAddress));
    }
    Ok(Some(value.trim_end_matches('/').to_owned()))
}

/// `none`, or the smallest coin in minor units and where a tie goes: `5 up`, `10 down`.
fn rounding(value: &str) -> Result<CashRounding, Rejection> {
    let wrong = || Rejection::invalid("cash_rounding", ShopReason::NotARounding);
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

pub(crate) async fn load(connection: &mut AnyConnection) -> Result<Shop, CommandError> {
    let row = sqlx::query("SELECT settings_revision FROM shop_state WHERE id = 1")
        .fetch_one(&mut *connection)
        .await?;
    let mut shop = Shop::new(row.try_get("settings_revision")?);
    let rows = sqlx::query("SELECT name, value FROM setting").fetch_all(&mut *connection).await?;
    let pair = |row: &AnyRow| Ok((row.try_get("name")?, row.try_get("value")?));
    let mut settings = rows.iter().map(pair).collect::<Result<Vec<(String, String)>, CommandError>>()?;
    // Fees are money, so the currency comes first.
    settings.sort_by_key(|(key, _)| key != "currency");
    for (key, value) in settings {
        shop.apply(&key, &value).stored("setting")?;
    }
    for row in sqlx::query("SELECT code, name FROM channel").fetch_all(&mut *connection).await? {
        let code = Channel::parse(&row.try_get::<String, _>("code")?).stored("channel.code")?;
        shop.channels.insert(code, row.try_get("name")?);
    }
    Ok(shop)
}

/// Stores a setting that was checked.
pub(crate) async fn write(tx: &mut Tx, key: &str, value: &str) -> Result<(), CommandError> {
    let (text, name) = match key.strip_prefix("channel.") {
        Some(code) => (
            "INSERT INTO channel (code, name) VALUES ($1, $2) ON CONFLICT (code) DO UPDATE SET name = excluded.name",
            code,
        ),
        None => (
            "INSERT INTO setting (name, value) VALUES ($1, $2) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
            key,
        ),
    };
    sqlx::query(text).bind(name.to_owned()).bind(value.trim().to_owned()).execute(tx.db()).await?;
    Ok(())
}

impl Tx {
    /// Counts a change of the settings. It comes first, so that bookings under the old settings end
    /// before it and later ones wait.
    pub(crate) async fn count_settings_change(&mut self) -> Result<(), CommandError> {
        self.lock_shop_state(0).await?;
        sqlx::query("UPDATE shop_state SET settings_revision = settings_revision + 1 WHERE id = 1")
            .execute(self.db())
            .await?;
        Ok(())
    }

    /// Waits for whoever is changing something of a channel, and keeps others from it.
    pub(crate) async fn lock_channel(&mut self, channel: &Channel) -> Result<(), CommandError> {
        sqlx::query("UPDATE channel SET name = name WHERE code = $1")
            .bind(channel.as_str().to_owned())
            .execute(self.db())
            .await?;
        Ok(())
    }

    /// Draws numbers for in-store codes. Returns the last one.
    pub(crate) async fn draw_in_store(&mut self, count: i64) -> Result<i64, CommandError> {
        let row = sqlx::query(
            "UPDATE shop_state SET in_store = in_store + $1 WHERE id = 1 RETURNING in_store, settings_revision",
        )
        .bind(count)
        .fetch_one(self.db())
        .await?;
        if row.try_get::<i64, _>("settings_revision")? != self.shop().revision {
            return Err(StorageError::SettingsChanged.into());
        }
        Ok(row.try_get("in_store")?)
    }
}
