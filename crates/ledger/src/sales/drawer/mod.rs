//! The cash drawer: a period from the opening count to the closing count, and every entry of cash in
//! between. The cash of a sale, refund, payment or void is booked in its own transaction.

mod view;

pub use view::{Closed, DrawerEntry, Turn};

use crate::store::bundle::{Bundle, Returned};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::settings::own_money;
use crate::store::storage_error::StorageError;
use crate::store::tables;
use async_trait::async_trait;
use domain::cash::{Count, counted};
use domain::channel::Channel;
use domain::ids::TurnId;
use domain::money::{MAX_DRAWER, Money};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// What an entry of the drawer is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EntryKind {
    /// Opening cash.
    Float,
    /// Pay in, with a reason.
    PutIn,
    /// Pay out, with a reason.
    TakenOut,
    /// Cash of a sale, less its change.
    Sale,
    /// Cash refunded.
    Refund,
    /// Cash received for an open balance.
    Payment,
    /// Cash of a sale that was voided.
    Void,
}

impl EntryKind {
    const ALL: [Self; 7] =
        [Self::Float, Self::PutIn, Self::TakenOut, Self::Sale, Self::Refund, Self::Payment, Self::Void];

    /// The code in the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::Float => "float",
            Self::PutIn => "put-in",
            Self::TakenOut => "taken-out",
            Self::Sale => "sale",
            Self::Refund => "refund",
            Self::Payment => "payment",
            Self::Void => "void",
        }
    }

    pub(crate) fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }
}

/// Which drawer cash goes through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Drawer {
    /// That of the sale's channel: a market's cash does not go through the store's drawer.
    Own,
    /// That of the sale's channel or, if none is open there, the store's: an online order that is
    /// refunded at the counter is paid out of it.
    OwnOrStore,
}

/// Cash received, or paid out if below 0.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cash<'a> {
    pub(crate) kind: EntryKind,
    pub(crate) amount: Money,
    pub(crate) source: i64,
    pub(crate) who: &'a str,
}

/// Books cash if a drawer is open; otherwise nobody counts one.
pub(crate) async fn book(
    tx: &mut Tx,
    channel: &Channel,
    drawer: Drawer,
    cash: Cash<'_>,
) -> Result<(), CommandError> {
    if cash.amount.is_zero() || book_on(tx, channel, cash).await? {
        return Ok(());
    }
    if drawer == Drawer::OwnOrStore && *channel != Channel::store() {
        book_on(tx, &Channel::store(), cash).await?;
    }
    Ok(())
}

async fn book_on(tx: &mut Tx, channel: &Channel, cash: Cash<'_>) -> Result<bool, CommandError> {
    let mut bundle = Bundle::default();
    add_cash(&mut bundle, channel, cash.amount);
    let returned = tx.write(bundle).await?;
    let mut entries = Bundle::default();
    let is_open = add_booked(tx, cash, &returned, &mut entries)?;
    tx.write(entries).await?;
    Ok(is_open)
}

const TURN: &str = "turn";

/// Cash of a channel's open drawer, as part of a bundle; [`add_booked`] writes its entry.
pub(crate) fn add_cash(bundle: &mut Bundle, channel: &Channel, amount: Money) {
    if amount.is_zero() {
        return;
    }
    let text = "UPDATE drawer_turn SET expected = expected + ? WHERE channel = ? AND closed_ms IS NULL \
        RETURNING 'turn' AS part, id, expected AS value";
    bundle.add(text.to_owned(), 2, |statement| {
        statement.bind(amount.minor()).bind(channel.as_str().to_owned())
    });
}

/// Looks for an open drawer once more, if [`add_cash`] found none while it waited for the shop's row: on
/// PostgreSQL that statement sees the drawers of the moment when it began.
pub(crate) async fn look_again(
    tx: &mut Tx,
    channel: &Channel,
    amount: Money,
    returned: &mut Returned,
) -> Result<(), CommandError> {
    if amount.is_zero() || tx.has_the_only_writer() || returned.of(TURN).next().is_some() {
        return Ok(());
    }
    let mut bundle = Bundle::default();
    add_cash(&mut bundle, channel, amount);
    returned.extend(tx.write(bundle).await?);
    Ok(())
}

/// The entry of [`add_cash`], as part of a later bundle. Returns whether a drawer is open.
pub(crate) fn add_booked(
    tx: &Tx,
    cash: Cash<'_>,
    returned: &Returned,
    bundle: &mut Bundle,
) -> Result<bool, CommandError> {
    let Some((turn, expected)) = returned.of(TURN).next() else { return Ok(false) };
    refuse_too_much(expected)?;
    let entry = Entry { kind: cash.kind, amount: cash.amount, source: Some(cash.source), reason: "" };
    add_entry(tx, turn, entry, cash.who, bundle)?;
    Ok(true)
}

/// The expected cash stays far within its column: the sale that would exceed the limit is rejected.
fn refuse_too_much(expected: i64) -> Result<(), Rejection> {
    if expected.abs() <= MAX_DRAWER {
        return Ok(());
    }
    Err(Rejection::invalid("amount", SalesReason::DrawerFull))
}

#[derive(Clone, Copy)]
struct Entry<'a> {
    kind: EntryKind,
    amount: Money,
    source: Option<i64>,
    reason: &'a str,
}

async fn enter(tx: &mut Tx, turn: i64, entry: Entry<'_>, who: &str) -> Result<(), CommandError> {
    let mut bundle = Bundle::default();
    add_entry(tx, turn, entry, who, &mut bundle)?;
    tx.write(bundle).await?;
    Ok(())
}

fn add_entry(
    tx: &Tx,
    turn: i64,
    entry: Entry<'_>,
    who: &str,
    bundle: &mut Bundle,
) -> Result<(), CommandError> {
    let row = (tx.next_id()?, tx.now().millis());
    bundle.insert(&tables::DRAWER_ENTRY, "", &[row], |statement, (id, now)| {
        statement
            .bind(*id)
            .bind(turn)
            .bind(entry.kind.code().to_owned())
            .bind(entry.amount.minor())
            .bind(entry.source)
            .bind(entry.reason.to_owned())
            .bind(who.to_owned())
            .bind(*now)
    });
    Ok(())
}

/// Opens a drawer with its opening cash.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct OpenDrawer {
    /// Whose drawer.
    pub channel: Channel,
    /// The opening cash, by bills and coins.
    pub counts: Vec<Count>,
    /// Who counted it.
    pub who: String,
}

#[async_trait]
impl Command for OpenDrawer {
    type Answer = TurnId;

    async fn run(&self, tx: &mut Tx) -> Result<TurnId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let shop = tx.shop();
        shop.known_channel(&self.channel)?;
        let float = counted(&self.counts, shop.currency).field("counts")?;
        let id = TurnId::from_raw(tx.next_id()?);
        let opened = sqlx::query(
            "INSERT INTO drawer_turn (id, channel, opened_ms, opened_by, opening_cash, expected, closed_by, counts, note) \
             VALUES ($1, $2, $3, $4, $5, $5, '', '', '') ON CONFLICT DO NOTHING",
        )
        .bind(id.raw())
        .bind(self.channel.as_str().to_owned())
        .bind(tx.now().millis())
        .bind(who.clone())
        .bind(float.minor())
        .execute(tx.db())
        .await?;
        if opened.rows_affected() == 0 {
            return Err(Rejection::invalid("channel", SalesReason::DrawerOpen).into());
        }
        let entry = Entry { kind: EntryKind::Float, amount: float, source: None, reason: "" };
        enter(tx, id.raw(), entry, &who).await?;
        Ok(id)
    }
}

/// Pays cash into an open drawer.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PutIn {
    /// Which turn.
    pub turn: TurnId,
    /// How much.
    pub amount: Money,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for PutIn {
    /// The cash that should now be in the drawer.
    type Answer = Money;

    async fn run(&self, tx: &mut Tx) -> Result<Money, CommandError> {
        by_hand(tx, self.turn, EntryKind::PutIn, self.amount, &self.reason, &self.who).await
    }
}

/// Pays cash out of an open drawer.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TakeOut {
    /// Which turn.
    pub turn: TurnId,
    /// How much.
    pub amount: Money,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for TakeOut {
    /// The cash that should now be in the drawer.
    type Answer = Money;

    async fn run(&self, tx: &mut Tx) -> Result<Money, CommandError> {
        by_hand(tx, self.turn, EntryKind::TakenOut, self.amount, &self.reason, &self.who).await
    }
}

async fn by_hand(
    tx: &mut Tx,
    turn: TurnId,
    kind: EntryKind,
    amount: Money,
    reason: &str,
    who: &str,
) -> Result<Money, CommandError> {
    let currency = tx.shop().currency;
    own_money("amount", amount, currency)?;
    if amount.is_zero() {
        return Err(Rejection::invalid("amount", SalesReason::NoAmount).into());
    }
    let reason = text::name(reason).field("reason")?;
    let who = text::short(who).field("who")?;
    let change = if kind == EntryKind::TakenOut { amount.negated() } else { amount };
    let row = sqlx::query(
        "UPDATE drawer_turn SET expected = expected + $2 WHERE id = $1 AND closed_ms IS NULL \
         AND expected + $2 >= $3 RETURNING expected",
    )
    .bind(turn.raw())
    .bind(change.minor())
    // Paying in is never rejected for what is not there.
    .bind(if kind == EntryKind::TakenOut { 0 } else { i64::MIN })
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return Err(why_not(tx, turn, currency).await?.into()) };
    refuse_too_much(row.try_get("expected")?)?;
    enter(tx, turn.raw(), Entry { kind, amount: change, source: None, reason: &reason }, &who).await?;
    Money::from_minor(row.try_get("expected")?, currency).stored("drawer_turn.expected")
}

/// Why there is no open period with that identifier.
async fn why_not(
    tx: &mut Tx,
    turn: TurnId,
    currency: domain::money::Currency,
) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT closed_ms, expected FROM drawer_turn WHERE id = $1")
        .bind(turn.raw())
        .fetch_optional(tx.db())
        .await?;
    let Some(row) = row else { return Ok(Rejection::no_such(Thing::DrawerTurn, turn)) };
    if row.try_get::<Option<i64>, _>("closed_ms")?.is_some() {
        return Ok(Rejection::invalid("turn", SalesReason::DrawerClosed));
    }
    let there = Money::from_minor(row.try_get("expected")?, currency).stored("drawer_turn.expected")?;
    Ok(Rejection::invalid("amount", SalesReason::DrawerHolds { expected: there }))
}

/// Counts the cash and closes the drawer.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct CloseDrawer {
    /// Which turn.
    pub turn: TurnId,
    /// The counted cash, by bills and coins.
    pub counts: Vec<Count>,
    /// A note about a difference.
    pub note: String,
    /// Who counted it.
    pub who: String,
}

/// The result of closing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CountedOut {
    /// The cash that should have been there.
    pub expected: Money,
    /// The cash that was there.
    pub counted: Money,
    /// Over, or short if below 0.
    pub difference: Money,
}

#[async_trait]
impl Command for CloseDrawer {
    type Answer = CountedOut;

    async fn run(&self, tx: &mut Tx) -> Result<CountedOut, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let note = text::note(&self.note).field("note")?;
        let currency = tx.shop().currency;
        let found = counted(&self.counts, currency).field("counts")?;
        let counts: Vec<(i64, i64)> =
            self.counts.iter().filter(|c| c.1 > 0).map(|(amount, count)| (amount.minor(), *count)).collect();
        let counts = serde_json::to_string(&counts).map_err(StorageError::KeptAnswer)?;
        let row = sqlx::query(
            "UPDATE drawer_turn SET closed_ms = $2, closed_by = $3, counts = $4, counted = $5, \
             difference = $5 - expected, note = $6 WHERE id = $1 AND closed_ms IS NULL RETURNING expected",
        )
        .bind(self.turn.raw())
        .bind(tx.now().millis())
        .bind(who)
        .bind(counts)
        .bind(found.minor())
        .bind(note)
        .fetch_optional(tx.db())
        .await?;
        let Some(row) = row else { return Err(why_not(tx, self.turn, currency).await?.into()) };
        let expected =
            Money::from_minor(row.try_get("expected")?, currency).stored("drawer_turn.expected")?;
        let difference = found.minus(expected).field("counts")?;
        Ok(CountedOut { expected, counted: found, difference })
    }
}
