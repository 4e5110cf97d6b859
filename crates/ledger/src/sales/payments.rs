//! Open balances, which are paid later.

use crate::sales::accounts::{self, Cause, Change};
use crate::sales::drawer::{self, Cash, Drawer};
use crate::sales::refunds;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::basket::TenderKind;
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::day::Day;
use domain::ids::{CustomerId, SaleId, TenderId};
use domain::money::{Currency, Money};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// Pays an open balance or a part of it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Pay {
    /// The payment on account.
    pub tender: TenderId,
    /// How it is paid now.
    pub kind: TenderKind,
    /// How much.
    pub amount: Money,
    /// The gift certificate that pays; only for those.
    #[serde(default)]
    pub certificate: Option<CertificateNumber>,
    /// Who received it.
    pub who: String,
}

/// The result of a payment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Paid {
    /// What is still due.
    pub left: Money,
}

#[async_trait]
impl Command for Pay {
    type Answer = Paid;

    async fn run(&self, tx: &mut Tx) -> Result<Paid, CommandError> {
        let who = text::short(&self.who).field("who")?;
        own_money("amount", self.amount, tx.shop().currency)?;
        if matches!(self.kind, TenderKind::OnAccount | TenderKind::Exchange | TenderKind::Deposit)
            || self.amount.minor() <= 0
        {
            return Err(Rejection::invalid("amount", SalesReason::NotAPayment).into());
        }
        accounts::refuse_without_number(accounts::AT_ITSELF, self.kind, self.certificate)?;
        let (sale, channel) = self.claim_sale(tx).await?;
        let row = sqlx::query(
            "UPDATE open_balance SET paid = paid + $2 WHERE tender_id = $1 AND paid + $2 <= amount RETURNING amount - paid AS left_to_pay",
        )
        .bind(self.tender.raw())
        .bind(self.amount.minor())
        .fetch_optional(tx.db())
        .await?;
        let Some(row) = row else { return Err(too_much(tx, self).await?.into()) };
        self.spend(tx, sale, &who).await?;
        let id = write(tx, self.tender.raw(), self.kind, self.amount, &who).await?;
        if self.kind == TenderKind::Cash {
            let kind = drawer::EntryKind::Payment;
            let cash = Cash { kind, amount: self.amount, source: id, who: &who };
            drawer::book(tx, &channel, Drawer::OwnOrStore, cash).await?;
        }
        let left = Money::from_minor(row.try_get("left_to_pay")?, self.amount.currency())
            .stored("open_balance.paid")?;
        Ok(Paid { left })
    }
}

impl Pay {
    /// Takes what a gift certificate pays; its balance changes only while the shop's row is locked.
    async fn spend(&self, tx: &mut Tx, sale: SaleId, who: &str) -> Result<(), CommandError> {
        let Some(number) = self.certificate else { return Ok(()) };
        tx.lock_shop_state(0).await?;
        let account = accounts::take_of_number(tx, accounts::AT_ITSELF, number, self.amount).await?;
        let change = Change { account, amount: self.amount.negated(), cause: Cause::Spent(sale) };
        accounts::enter(tx, &[change], ("", who)).await
    }

    /// Either void or payment: both claim the row beside the sale, as void and refund do. Returns the sale and its
    /// channel.
    async fn claim_sale(&self, tx: &mut Tx) -> Result<(SaleId, Channel), CommandError> {
        let row = sqlx::query(
            "SELECT s.id, s.shipping, s.channel FROM open_balance o JOIN sale s ON s.id = o.sale_id WHERE o.tender_id = $1",
        )
        .bind(self.tender.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::OpenBalance, self.tender))?;
        let sale = SaleId::from_raw(row.try_get("id")?);
        let shipping =
            Money::from_minor(row.try_get("shipping")?, self.amount.currency()).stored("sale.shipping")?;
        refunds::open_sale_refunded(tx, sale, shipping).await?;
        let claimed =
            sqlx::query("UPDATE sale_refunded SET refunds = refunds WHERE sale_id = $1 AND voided = 0")
                .bind(sale.raw())
                .execute(tx.db())
                .await?;
        if claimed.rows_affected() == 0 {
            return Err(Rejection::invalid("tender", SalesReason::BalanceVoided).into());
        }
        let channel = Channel::parse(&row.try_get::<String, _>("channel")?).stored("sale.channel")?;
        Ok((sale, channel))
    }
}

async fn too_much(tx: &mut Tx, pay: &Pay) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT amount - paid AS left_to_pay FROM open_balance WHERE tender_id = $1")
        .bind(pay.tender.raw())
        .fetch_optional(tx.db())
        .await?;
    let Some(row) = row else { return Ok(Rejection::no_such(Thing::OpenBalance, pay.tender)) };
    let left =
        Money::from_minor(row.try_get("left_to_pay")?, pay.amount.currency()).stored("open_balance.paid")?;
    let reason = SalesReason::OverBalance { balance: left, given: pay.amount };
    Ok(Rejection::invalid("amount", reason))
}

/// Returns the payment's identifier.
async fn write(
    tx: &mut Tx,
    tender: i64,
    kind: TenderKind,
    amount: Money,
    who: &str,
) -> Result<i64, CommandError> {
    let id = tx.next_id()?;
    sqlx::query(
        "INSERT INTO payment (id, tender_id, kind, amount, at_ms, who) VALUES ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(tender)
    .bind(kind.code().to_owned())
    .bind(amount.minor())
    .bind(tx.now().millis())
    .bind(who.to_owned())
    .execute(tx.db())
    .await?;
    Ok(id)
}

/// What is still due for a sale.
pub(crate) async fn open_debt(tx: &mut Tx, sale: SaleId, currency: Currency) -> Result<Money, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COALESCE(SUM(amount - paid), 0) AS BIGINT) AS left_to_pay FROM open_balance WHERE sale_id = $1",
    )
    .bind(sale.raw())
    .fetch_one(tx.db())
    .await?;
    Money::from_minor(row.try_get("left_to_pay")?, currency).stored("open_balance.paid")
}

/// A refund that lowers open balances: those of the sale, oldest first.
pub(crate) async fn forgive(tx: &mut Tx, sale: SaleId, amount: Money, who: &str) -> Result<(), CommandError> {
    let rows = sqlx::query(
        "SELECT tender_id, amount - paid AS left_to_pay FROM open_balance WHERE sale_id = $1 ORDER BY tender_id",
    )
    .bind(sale.raw())
    .fetch_all(tx.db())
    .await?;
    let mut left = amount.minor();
    for row in &rows {
        let (tender, open): (i64, i64) = (row.try_get("tender_id")?, row.try_get("left_to_pay")?);
        let part = open.min(left);
        if part == 0 {
            continue;
        }
        let done = sqlx::query(
            "UPDATE open_balance SET paid = paid + $2 WHERE tender_id = $1 AND paid + $2 <= amount",
        )
        .bind(tender)
        .bind(part)
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 0 {
            continue;
        }
        let part_money = Money::from_minor(part, amount.currency()).field("tender")?;
        write(tx, tender, TenderKind::Other, part_money, who).await?;
        left -= part;
    }
    if left == 0 {
        return Ok(());
    }
    Err(Rejection::invalid("tender", SalesReason::RefundOverBalance).into())
}

/// An open balance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Debt {
    /// The payment on account, by which it is paid.
    pub tender: TenderId,
    /// For which sale.
    pub sale: SaleId,
    /// Who; empty once they are erased.
    pub customer: String,
    /// The same, if they are on file.
    pub on_file: Option<CustomerId>,
    /// The due date.
    pub due: Day,
    /// What is still due.
    pub left: Money,
}

/// Of voided sales nothing is due.
const DEBTS: &str = "SELECT o.tender_id, o.sale_id, p.name AS customer, c.id AS on_file, o.due_day, \
    o.amount - o.paid AS left_to_pay FROM open_balance o JOIN person_data p ON p.id = o.customer_id \
    LEFT JOIN customer c ON c.id = o.customer_id LEFT JOIN sale_void v ON v.sale_id = o.sale_id \
    WHERE o.paid < o.amount AND v.sale_id IS NULL";

impl Ledger {
    /// Open balances, the first due first, at most `limit`. Voided sales have none.
    pub async fn debts(&self, limit: usize) -> Result<Vec<Debt>, CommandError> {
        let mut connection = self.reader().await?;
        let text = format!("{DEBTS} ORDER BY o.due_day, o.tender_id LIMIT $1");
        let rows = sqlx::query(AssertSqlSafe(text))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        rows.iter().map(|row| debt(row, self.shop().currency)).collect()
    }

    /// A customer's open balances, the first due first.
    pub async fn debts_of(&self, customer: CustomerId) -> Result<Vec<Debt>, CommandError> {
        let mut connection = self.reader().await?;
        debts_of(&mut connection, customer, self.shop().currency).await
    }
}

pub(crate) async fn debts_of(
    connection: &mut AnyConnection,
    customer: CustomerId,
    currency: Currency,
) -> Result<Vec<Debt>, CommandError> {
    let text = format!("{DEBTS} AND o.customer_id = $1 ORDER BY o.due_day, o.tender_id");
    let rows = sqlx::query(AssertSqlSafe(text)).bind(customer.raw()).fetch_all(connection).await?;
    rows.iter().map(|row| debt(row, currency)).collect()
}

fn debt(row: &AnyRow, currency: Currency) -> Result<Debt, CommandError> {
    Ok(Debt {
        tender: TenderId::from_raw(row.try_get("tender_id")?),
        sale: SaleId::from_raw(row.try_get("sale_id")?),
        customer: row.try_get("customer")?,
        on_file: row.try_get::<Option<i64>, _>("on_file")?.map(CustomerId::from_raw),
        due: Day::from_number(row.try_get("due_day")?),
        left: Money::from_minor(row.try_get("left_to_pay")?, currency).stored("open_balance.paid")?,
    })
}
