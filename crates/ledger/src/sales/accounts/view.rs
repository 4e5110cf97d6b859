//! Reads gift certificates. Numbers are told by their last four digits, except where one is printed.

use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::account::AccountReason;
use domain::certificate::CertificateNumber;
use domain::day::Moment;
use domain::ids::{AccountId, RefundId, SaleId, SaleLineId};
use domain::money::{Currency, Money};
use sqlx::Row;
use sqlx::any::AnyRow;

/// A gift certificate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CertificateView {
    /// Its identifier.
    pub id: AccountId,
    /// The whole number, which a page shows only where it is printed.
    pub number: CertificateNumber,
    /// Whom it is for; may be empty.
    pub holder: String,
    /// What is left on it.
    pub balance: Money,
    /// When it was issued.
    pub issued: Moment,
    /// Such as an older number.
    pub note: String,
    /// Who issued it.
    pub who: String,
}

/// A change of what a gift certificate is worth.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CertificateEntry {
    /// Why.
    pub reason: AccountReason,
    /// How much; below 0 it was taken.
    pub amount: Money,
    /// The sale that it was sold in, paid for, or whose refund it got.
    pub sale: Option<SaleId>,
    /// The receipt of that sale.
    pub receipt: Option<i64>,
    /// Words.
    pub note: String,
    /// By whom.
    pub who: String,
    /// When.
    pub at: Moment,
}

/// A gift certificate that a sale issued or was paid with, or that got what was refunded of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CertificateOfSale {
    /// The certificate.
    pub certificate: CertificateView,
    /// What the sale did to it.
    pub reason: AccountReason,
    /// How much; below 0 it was taken.
    pub amount: Money,
    /// The line that sold it.
    pub line: Option<SaleLineId>,
    /// The refund that changed it.
    pub refund: Option<RefundId>,
}

const CERTIFICATE: &str = "SELECT a.id, a.number, p.name AS holder, a.balance, a.note, a.who, a.opened_ms FROM account a \
    LEFT JOIN person_data p ON p.id = a.customer_id";

impl Ledger {
    /// The gift certificate with this number, if there is one.
    pub async fn certificate_by_number(
        &self,
        number: CertificateNumber,
    ) -> Result<Option<CertificateView>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(sqlx::AssertSqlSafe(format!("{CERTIFICATE} WHERE a.number = $1")))
            .bind(number.to_string())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| certificate(&row, self.shop().currency)).transpose()
    }

    /// A gift certificate by its identifier.
    pub async fn certificate(&self, id: AccountId) -> Result<CertificateView, CommandError> {
        let mut connection = self.reader().await?;
        let text = format!("{CERTIFICATE} WHERE a.id = $1 AND a.kind = 'gift-certificate'");
        let row = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(id.raw())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::Certificate, id))?;
        certificate(&row, self.shop().currency)
    }

    /// Gift certificates, the latest first, before `before` if given, at most `limit`.
    pub async fn certificates(
        &self,
        before: Option<AccountId>,
        limit: usize,
    ) -> Result<Vec<CertificateView>, CommandError> {
        let mut connection = self.reader().await?;
        let text = format!(
            "{CERTIFICATE} WHERE a.kind = 'gift-certificate' AND a.id < $1 ORDER BY a.id DESC LIMIT $2"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(before.map_or(i64::MAX, AccountId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        rows.iter().map(|row| certificate(row, self.shop().currency)).collect()
    }

    /// What changed a gift certificate, the latest first, at most `limit` changes.
    pub async fn certificate_history(
        &self,
        id: AccountId,
        limit: usize,
    ) -> Result<Vec<CertificateEntry>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT e.reason, e.amount, e.note, e.who, e.at_ms, s.id AS sale, s.receipt FROM account_entry e \
             LEFT JOIN refund r ON r.id = e.refund_id LEFT JOIN sale s ON s.id = COALESCE(e.sale_id, r.sale_id) \
             WHERE e.account_id = $1 ORDER BY e.id DESC LIMIT $2",
        )
        .bind(id.raw())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let entry = |row: &AnyRow| {
            Ok(CertificateEntry {
                reason: reason(row)?,
                amount: Money::from_minor(row.try_get("amount")?, currency).stored("account_entry.amount")?,
                sale: row.try_get::<Option<i64>, _>("sale")?.map(SaleId::from_raw),
                receipt: row.try_get("receipt")?,
                note: row.try_get("note")?,
                who: row.try_get("who")?,
                at: Moment::from_millis(row.try_get("at_ms")?),
            })
        };
        rows.iter().map(entry).collect()
    }

    /// The gift certificates of a sale and of its refunds, in the order of what happened.
    pub async fn certificates_of(&self, sale: SaleId) -> Result<Vec<CertificateOfSale>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT a.id, a.number, w.name AS holder, a.balance, a.note, a.who, a.opened_ms, e.reason, e.amount, e.sale_line_id, \
             e.refund_id FROM (SELECT id, account_id, reason, amount, sale_line_id, refund_id FROM account_entry \
             WHERE sale_id = $1 UNION ALL \
             SELECT x.id, x.account_id, x.reason, x.amount, x.sale_line_id, x.refund_id FROM refund r \
             JOIN account_entry x ON x.refund_id = r.id WHERE r.sale_id = $1) e \
             JOIN account a ON a.id = e.account_id AND a.kind = 'gift-certificate' \
             LEFT JOIN person_data w ON w.id = a.customer_id ORDER BY e.id",
        )
        .bind(sale.raw())
        .fetch_all(&mut *connection)
        .await?;
        let of_sale = |row: &AnyRow| {
            Ok(CertificateOfSale {
                certificate: certificate(row, currency)?,
                reason: reason(row)?,
                amount: Money::from_minor(row.try_get("amount")?, currency).stored("account_entry.amount")?,
                line: row.try_get::<Option<i64>, _>("sale_line_id")?.map(SaleLineId::from_raw),
                refund: row.try_get::<Option<i64>, _>("refund_id")?.map(RefundId::from_raw),
            })
        };
        rows.iter().map(of_sale).collect()
    }

    /// What the shop owes on all gift certificates, and how many have something left.
    pub async fn certificates_owed(&self) -> Result<(Money, i64), CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COALESCE(SUM(balance), 0) AS BIGINT) AS owed, CAST(COUNT(*) AS BIGINT) AS certificates \
             FROM account WHERE balance > 0 AND kind = 'gift-certificate'",
        )
        .fetch_one(&mut *connection)
        .await?;
        let owed = Money::from_minor(row.try_get("owed")?, self.shop().currency).stored("account.balance")?;
        Ok((owed, row.try_get("certificates")?))
    }
}

fn reason(row: &AnyRow) -> Result<AccountReason, CommandError> {
    AccountReason::from_code(&row.try_get::<String, _>("reason")?)
        .ok_or("unknown")
        .stored("account_entry.reason")
}

fn certificate(row: &AnyRow, currency: Currency) -> Result<CertificateView, CommandError> {
    Ok(CertificateView {
        id: AccountId::from_raw(row.try_get("id")?),
        number: stored_number(row)?,
        holder: row.try_get::<Option<String>, _>("holder")?.unwrap_or_default(),
        balance: Money::from_minor(row.try_get("balance")?, currency).stored("account.balance")?,
        issued: Moment::from_millis(row.try_get("opened_ms")?),
        note: row.try_get("note")?,
        who: row.try_get("who")?,
    })
}

pub(super) fn stored_number(row: &AnyRow) -> Result<CertificateNumber, CommandError> {
    CertificateNumber::parse(&row.try_get::<String, _>("number")?).stored("account.number")
}
