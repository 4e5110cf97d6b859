//! Reads deposits, and what the shop earned by those that were forfeited.

use super::deposits::stored_for;
use super::view::CertificateEntry;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::account::DepositFor;
use domain::custom_order::CustomOrderState;
use domain::day::Moment;
use domain::ids::{AccountId, CustomerId, SaleId, SaleLineId};
use domain::money::{Currency, Money};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// A deposit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DepositView {
    /// Its identifier.
    pub id: AccountId,
    /// Whose it is; empty once they are erased.
    pub customer: String,
    /// The same, if they are on file.
    pub on_file: Option<CustomerId>,
    /// What it is for.
    pub of: DepositFor,
    /// The same in words: the items that are on hold, or what is to be made.
    pub about: String,
    /// Whether that has ended, so that nothing is left to pay for with it.
    pub is_over: bool,
    /// What is left.
    pub balance: Money,
    /// When it was taken.
    pub taken: Moment,
    /// By whom.
    pub who: String,
    /// The sale in which it was taken.
    pub sale: SaleId,
    /// The line of that sale, by which it is refunded.
    pub line: SaleLineId,
    /// The receipt of that sale.
    pub receipt: Option<i64>,
}

/// A deposit that a customer lost.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Forfeited {
    /// Which.
    pub deposit: AccountId,
    /// When.
    pub at: Moment,
    /// How much.
    pub amount: Money,
    /// Why.
    pub reason: String,
    /// By whom.
    pub who: String,
}

const DEPOSIT: &str = "SELECT a.id, p.name AS customer, c.id AS on_file, a.hold_group, a.custom_order, a.balance, a.who, \
    a.opened_ms, e.sale_id, e.sale_line_id, s.receipt, o.state, o.size, o.color, y.name AS style, \
    (SELECT MIN(i.name) FROM hold h JOIN item i ON i.id = h.item_id WHERE h.group_id = a.hold_group) AS held, \
    CAST((SELECT COUNT(*) FROM hold h WHERE h.group_id = a.hold_group) AS BIGINT) AS held_lines, \
    CAST((SELECT COUNT(*) FROM hold h WHERE h.group_id = a.hold_group AND h.state = 'open') AS BIGINT) AS open_lines \
    FROM account a JOIN person_data p ON p.id = a.customer_id LEFT JOIN customer c ON c.id = a.customer_id \
    JOIN account_entry e ON e.account_id = a.id AND e.reason = 'sold' JOIN sale s ON s.id = e.sale_id \
    LEFT JOIN custom_order o ON o.id = a.custom_order LEFT JOIN style y ON y.id = o.style_id WHERE a.kind = 'deposit'";

/// With something left, although what it is for has ended.
const OVER: &str = "AND a.balance > 0 AND (o.state IN ('collected', 'canceled') OR (a.hold_group IS NOT NULL \
    AND NOT EXISTS (SELECT 1 FROM hold h WHERE h.group_id = a.hold_group AND h.state = 'open')))";

impl Ledger {
    /// A deposit by its identifier.
    pub async fn deposit(&self, id: AccountId) -> Result<DepositView, CommandError> {
        let found = self.read_deposits("AND a.id = $1", Some(id.raw()), None).await?.pop();
        found.ok_or_else(|| Rejection::no_such(Thing::Deposit, id).into())
    }

    /// Deposits, the latest first, before `before` if given, at most `limit`.
    pub async fn deposits(
        &self,
        before: Option<AccountId>,
        limit: usize,
    ) -> Result<Vec<DepositView>, CommandError> {
        let before = before.map_or(i64::MAX, AccountId::raw);
        self.read_deposits("AND a.id < $1 ORDER BY a.id DESC LIMIT $2", Some(before), Some(limit)).await
    }

    /// Deposits of which something is left, although what they are for has ended; the oldest first, at most `limit`.
    pub async fn deposits_left_over(&self, limit: usize) -> Result<Vec<DepositView>, CommandError> {
        let text = format!("{OVER} AND a.id > $1 ORDER BY a.id LIMIT $2");
        self.read_deposits(&text, Some(0), Some(limit)).await
    }

    /// The deposits for a hold or a custom order, oldest first.
    pub async fn deposits_for(&self, of: DepositFor) -> Result<Vec<DepositView>, CommandError> {
        match of {
            DepositFor::Hold(hold) => {
                self.read_deposits("AND a.hold_group = $1 ORDER BY a.id", Some(hold.raw()), None).await
            }
            DepositFor::Order(order) => {
                self.read_deposits("AND a.custom_order = $1 ORDER BY a.id", Some(order.raw()), None).await
            }
        }
    }

    /// A customer's deposits of which something is left, oldest first.
    pub async fn deposits_of(&self, customer: CustomerId) -> Result<Vec<DepositView>, CommandError> {
        let text = "AND a.customer_id = $1 AND a.balance > 0 ORDER BY a.id";
        self.read_deposits(text, Some(customer.raw()), None).await
    }

    /// The deposits that a sale took or was paid with, oldest first.
    pub async fn deposits_in(&self, sale: SaleId) -> Result<Vec<DepositView>, CommandError> {
        let text =
            "AND a.id IN (SELECT x.account_id FROM account_entry x WHERE x.sale_id = $1) ORDER BY a.id";
        self.read_deposits(text, Some(sale.raw()), None).await
    }

    /// What changed a deposit, the latest first, at most `limit` changes.
    pub async fn deposit_history(
        &self,
        id: AccountId,
        limit: usize,
    ) -> Result<Vec<CertificateEntry>, CommandError> {
        self.certificate_history(id, limit).await
    }

    /// What customers have left on all deposits, and how many have something left.
    pub async fn deposits_owed(&self) -> Result<(Money, i64), CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COALESCE(SUM(balance), 0) AS BIGINT) AS owed, CAST(COUNT(*) AS BIGINT) AS deposits \
             FROM account WHERE balance > 0 AND kind = 'deposit'",
        )
        .fetch_one(&mut *connection)
        .await?;
        let owed = Money::from_minor(row.try_get("owed")?, self.shop().currency).stored("account.balance")?;
        Ok((owed, row.try_get("deposits")?))
    }

    /// Deposits that were forfeited from one moment to before another, oldest first, at most `limit`, and what all of
    /// them come to. It is other income, and in no figure of sales.
    pub async fn forfeited(
        &self,
        (from, to): (Moment, Moment),
        limit: usize,
    ) -> Result<(Vec<Forfeited>, Money), CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT account_id, at_ms, -amount AS amount, note, who FROM account_entry \
             WHERE reason = 'forfeited' AND at_ms >= $1 AND at_ms < $2 ORDER BY at_ms, id LIMIT $3",
        )
        .bind(from.millis())
        .bind(to.millis())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let one = |row: &AnyRow| {
            Ok(Forfeited {
                deposit: AccountId::from_raw(row.try_get("account_id")?),
                at: Moment::from_millis(row.try_get("at_ms")?),
                amount: Money::from_minor(row.try_get("amount")?, currency).stored("account_entry.amount")?,
                reason: row.try_get("note")?,
                who: row.try_get("who")?,
            })
        };
        let all = rows.iter().map(one).collect::<Result<_, CommandError>>()?;
        Ok((all, sum_of(&mut connection, (from, to), currency).await?))
    }

    async fn read_deposits(
        &self,
        rest: &str,
        first: Option<i64>,
        limit: Option<usize>,
    ) -> Result<Vec<DepositView>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let mut statement = sqlx::query(AssertSqlSafe(format!("{DEPOSIT} {rest}")));
        if let Some(first) = first {
            statement = statement.bind(first);
        }
        if let Some(limit) = limit {
            statement = statement.bind(i64::try_from(limit).unwrap_or(i64::MAX));
        }
        let rows = statement.fetch_all(&mut *connection).await?;
        rows.iter().map(|row| deposit(row, currency)).collect()
    }
}

async fn sum_of(
    connection: &mut AnyConnection,
    (from, to): (Moment, Moment),
    currency: Currency,
) -> Result<Money, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COALESCE(-SUM(amount), 0) AS BIGINT) AS amount FROM account_entry \
         WHERE reason = 'forfeited' AND at_ms >= $1 AND at_ms < $2",
    )
    .bind(from.millis())
    .bind(to.millis())
    .fetch_one(connection)
    .await?;
    Money::from_minor(row.try_get("amount")?, currency).stored("account_entry.amount")
}

fn deposit(row: &AnyRow, currency: Currency) -> Result<DepositView, CommandError> {
    let of = stored_for(row)?;
    let is_over = match of {
        DepositFor::Hold(_) => row.try_get::<i64, _>("open_lines")? == 0,
        DepositFor::Order(_) => !CustomOrderState::from_code(&row.try_get::<String, _>("state")?)
            .ok_or("unknown")
            .stored("custom_order.state")?
            .is_open(),
    };
    Ok(DepositView {
        id: AccountId::from_raw(row.try_get("id")?),
        customer: row.try_get("customer")?,
        on_file: row.try_get::<Option<i64>, _>("on_file")?.map(CustomerId::from_raw),
        about: match of {
            DepositFor::Hold(_) => held(row)?,
            DepositFor::Order(_) => wanted(row)?,
        },
        of,
        is_over,
        balance: Money::from_minor(row.try_get("balance")?, currency).stored("account.balance")?,
        taken: Moment::from_millis(row.try_get("opened_ms")?),
        who: row.try_get("who")?,
        sale: SaleId::from_raw(row.try_get("sale_id")?),
        line: SaleLineId::from_raw(row.try_get("sale_line_id")?),
        receipt: row.try_get("receipt")?,
    })
}

fn held(row: &AnyRow) -> Result<String, CommandError> {
    let first = row.try_get::<Option<String>, _>("held")?.unwrap_or_default();
    Ok(match row.try_get::<i64, _>("held_lines")? {
        0 | 1 => first,
        lines => format!("{first} and {} more", lines - 1),
    })
}

/// What is to be made, in words, from the columns `style`, `color` and `size`.
pub(crate) fn wanted(row: &AnyRow) -> Result<String, CommandError> {
    let style: Option<String> = row.try_get("style")?;
    let (color, size): (String, String) = (row.try_get("color")?, row.try_get("size")?);
    let parts = [style.unwrap_or_default(), color, size];
    let words: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    Ok(if words.is_empty() { "a piece to order".to_owned() } else { words.join(", ") })
}
