//! Reads periods of the cash drawer.

use super::EntryKind;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::cash::Count;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{SaleId, TurnId};
use domain::money::{Currency, Money};
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

/// A period of a cash drawer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Turn {
    /// Its identifier.
    pub id: TurnId,
    /// Whose drawer.
    pub channel: Channel,
    /// When it was counted in.
    pub opened: Moment,
    /// Who counted it in.
    pub opened_by: String,
    /// Opening cash.
    pub float: Money,
    /// The cash that should be there.
    pub expected: Money,
    /// The closing count, if it is closed.
    pub closed: Option<Closed>,
}

/// The end of a period.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Closed {
    /// When.
    pub at: Moment,
    /// Who counted it out.
    pub by: String,
    /// The counted cash, by bills and coins.
    pub counts: Vec<Count>,
    /// The total of the count.
    pub counted: Money,
    /// Over, or short if below 0.
    pub difference: Money,
    /// A note about a difference.
    pub note: String,
}

/// One entry of a period.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DrawerEntry {
    /// What it is.
    pub kind: EntryKind,
    /// Received, or paid out if below 0.
    pub amount: Money,
    /// The sale that it is of, or that its refund or payment is of.
    pub sale: Option<SaleId>,
    /// The receipt of that sale.
    pub receipt: Option<i64>,
    /// Why.
    pub reason: String,
    /// Who.
    pub who: String,
    /// When.
    pub at: Moment,
}

const TURN: &str = "SELECT id, channel, opened_ms, opened_by, opening_cash, expected, closed_ms, closed_by, counts, \
    counted, difference, note FROM drawer_turn";

fn turn(row: &AnyRow, currency: Currency) -> Result<Turn, CommandError> {
    let money = |minor: i64| Money::from_minor(minor, currency).stored("drawer_turn");
    let closed = match row.try_get::<Option<i64>, _>("closed_ms")? {
        None => None,
        Some(at) => {
            let counts: Vec<(i64, i64)> =
                serde_json::from_str(&row.try_get::<String, _>("counts")?).stored("drawer_turn.counts")?;
            let counts = counts.into_iter().map(|(minor, count)| Ok((money(minor)?, count)));
            Some(Closed {
                at: Moment::from_millis(at),
                by: row.try_get("closed_by")?,
                counts: counts.collect::<Result<_, CommandError>>()?,
                counted: money(row.try_get("counted")?)?,
                difference: money(row.try_get("difference")?)?,
                note: row.try_get("note")?,
            })
        }
    };
    Ok(Turn {
        id: TurnId::from_raw(row.try_get("id")?),
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("drawer_turn.channel")?,
        opened: Moment::from_millis(row.try_get("opened_ms")?),
        opened_by: row.try_get("opened_by")?,
        float: money(row.try_get("opening_cash")?)?,
        expected: money(row.try_get("expected")?)?,
        closed,
    })
}

impl Ledger {
    /// The periods that are open now, at most one per channel.
    pub async fn open_turns(&self) -> Result<Vec<Turn>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let text = format!("{TURN} WHERE closed_ms IS NULL ORDER BY id");
        let rows = sqlx::query(AssertSqlSafe(text)).fetch_all(&mut *connection).await?;
        rows.iter().map(|row| turn(row, currency)).collect()
    }

    /// The open period of a channel's drawer.
    pub async fn open_turn(&self, channel: &Channel) -> Result<Option<Turn>, CommandError> {
        Ok(self.open_turns().await?.into_iter().find(|turn| turn.channel == *channel))
    }

    /// Whether cash of this sale went into a drawer; without one nobody counts it.
    pub async fn is_in_a_drawer(&self, sale: SaleId) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        let entry = sqlx::query("SELECT id FROM drawer_entry WHERE source_id = $1 LIMIT 1")
            .bind(sale.raw())
            .fetch_optional(&mut *connection)
            .await?;
        Ok(entry.is_some())
    }

    /// A turn by its identifier.
    pub async fn turn(&self, id: TurnId) -> Result<Turn, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(AssertSqlSafe(format!("{TURN} WHERE id = $1")))
            .bind(id.raw())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::DrawerTurn, id))?;
        turn(&row, self.shop().currency)
    }

    /// Periods, latest first, before `before` if given, at most `limit`.
    pub async fn turns(&self, before: Option<TurnId>, limit: usize) -> Result<Vec<Turn>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let rows = sqlx::query(AssertSqlSafe(format!("{TURN} WHERE id < $1 ORDER BY id DESC LIMIT $2")))
            .bind(before.map_or(i64::MAX, TurnId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        rows.iter().map(|row| turn(row, currency)).collect()
    }

    /// The entries of a period, latest first, at most `limit`.
    pub async fn drawer_entries(&self, id: TurnId, limit: usize) -> Result<Vec<DrawerEntry>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let rows = sqlx::query(
            "SELECT e.kind, e.amount, s.id AS sale_id, s.receipt, e.reason, e.who, e.at_ms FROM drawer_entry e \
             LEFT JOIN refund r ON r.id = e.source_id LEFT JOIN payment p ON p.id = e.source_id \
             LEFT JOIN open_balance o ON o.tender_id = p.tender_id \
             LEFT JOIN sale s ON s.id = COALESCE(r.sale_id, o.sale_id, e.source_id) \
             WHERE e.turn_id = $1 ORDER BY e.id DESC LIMIT $2",
        )
        .bind(id.raw())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let entry = |row: &AnyRow| {
            Ok(DrawerEntry {
                kind: EntryKind::from_code(&row.try_get::<String, _>("kind")?)
                    .ok_or("unknown")
                    .stored("drawer_entry.kind")?,
                amount: Money::from_minor(row.try_get("amount")?, currency).stored("drawer_entry.amount")?,
                sale: row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw),
                receipt: row.try_get("receipt")?,
                reason: row.try_get("reason")?,
                who: row.try_get("who")?,
                at: Moment::from_millis(row.try_get("at_ms")?),
            })
        };
        rows.iter().map(entry).collect()
    }
}
