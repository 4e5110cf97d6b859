//! How a refund is to be paid: what paid for the sale comes back the way it came. First an open balance is lowered and
//! deposits get back what they paid, which `refunds::settle` does; then what a gift certificate paid goes back on it; the rest goes back in the way
//! that the sale was paid first. Another way turns a card or a certificate into cash, so it is one of the limits.

use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use domain::basket::{Given, TenderKind};
use domain::ids::{RefundId, SaleId};
use domain::money::{Currency, Money};
use sqlx::Row;
use sqlx::any::AnyRow;

/// How many exchanges lead back to a sale that was paid in money: more than anybody makes with one thing.
const MAX_EXCHANGES: usize = 20;

/// How the sale was paid.
struct Way {
    /// What certificates paid, less what was refunded on certificates.
    certificate: Money,
    /// The first other way; none if nothing else paid for it here.
    first: Option<TenderKind>,
}

/// What was refunded.
struct Back {
    /// On a certificate that paid for the sale.
    own_certificate: Money,
    others: Vec<Given>,
}

/// Rejects a refund in another way than the sale was paid, by whoever may not choose. Checked after it was written.
pub(crate) async fn allow(tx: &mut Tx, sale: SaleId, refund: RefundId) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    if limits.allow_refund_tender(String::new(), String::new()).is_ok() {
        return Ok(());
    }
    let way = way(tx, sale, refund).await?;
    let back = back(tx, sale, refund).await?;
    match other_way(&way, &back).field("tender")? {
        Some((asked, expected)) => tx.within(limits.allow_refund_tender(asked, expected)).await,
        None => Ok(()),
    }
}

/// What is refunded in another way, and the way that it should be; both in words.
fn other_way(way: &Way, back: &Back) -> Result<Option<(String, String)>, domain::money::MoneyError> {
    let currency = way.certificate.currency();
    let others = Money::sum(back.others.iter().map(|given| given.1), currency)?;
    let total = back.own_certificate.plus(others)?;
    let first = back.others.first().map_or(TenderKind::Other, |given| given.0);
    if back.own_certificate.minor() < way.certificate.minor().min(total.minor()) {
        return Ok(Some((words(others, first), "the gift certificate that paid for it".to_owned())));
    }
    let Some(expected) = way.first else { return Ok(None) };
    let other = back.others.iter().find(|given| given.0 != expected);
    Ok(other.map(|(kind, amount)| (words(*amount, *kind), name(expected).to_owned())))
}

fn words(amount: Money, kind: TenderKind) -> String {
    format!("{} by {}", amount.shown(), name(kind))
}

fn name(kind: TenderKind) -> &'static str {
    match kind {
        TenderKind::GiftCertificate => "new gift certificate",
        TenderKind::OnAccount => "open balance",
        TenderKind::Other => "other means",
        kind => kind.code(),
    }
}

async fn way(tx: &mut Tx, sale: SaleId, refund: RefundId) -> Result<Way, CommandError> {
    let currency = tx.shop().currency;
    let paid =
        tendered(tx, "SELECT kind, amount FROM tender WHERE sale_id = $1 ORDER BY id", sale.raw()).await?;
    let earlier = sqlx::query(
        "SELECT CAST(COALESCE(SUM(t.amount), 0) AS BIGINT) AS back FROM refund r JOIN tender t ON t.refund_id = r.id \
         WHERE r.sale_id = $1 AND r.id <> $2 AND t.kind = 'gift-certificate'",
    )
    .bind(sale.raw())
    .bind(refund.raw())
    .fetch_one(tx.db())
    .await?;
    let earlier = Money::from_minor(earlier.try_get("back")?, currency).stored("tender.amount")?;
    let by_certificate =
        paid.iter().filter(|given| given.0 == TenderKind::GiftCertificate).map(|given| given.1);
    let certificate =
        Money::sum(by_certificate, currency).and_then(|sum| sum.minus(earlier)).field("tender")?;
    let certificate = if certificate.is_negative() { Money::zero(currency) } else { certificate };
    Ok(Way { certificate, first: first(tx, sale, paid).await? })
}

/// The first way in which money came in for the sale, perhaps later, or for what was exchanged for it. What an
/// online shop was paid is refunded there, so the counter is free to choose.
async fn first(
    tx: &mut Tx,
    mut sale: SaleId,
    mut paid: Vec<Given>,
) -> Result<Option<TenderKind>, CommandError> {
    for _ in 0..MAX_EXCHANGES {
        if paid.iter().any(|given| given.0 == TenderKind::Online) {
            return Ok(None);
        }
        let later = tendered(
            tx,
            "SELECT p.kind, p.amount FROM open_balance b JOIN payment p ON p.tender_id = b.tender_id \
             WHERE b.sale_id = $1 ORDER BY p.id",
            sale.raw(),
        )
        .await?;
        let money = |kind: TenderKind| {
            !matches!(
                kind,
                TenderKind::GiftCertificate
                    | TenderKind::Deposit
                    | TenderKind::OnAccount
                    | TenderKind::Exchange
            )
        };
        if let Some(found) = paid.iter().chain(&later).map(|given| given.0).find(|kind| money(*kind)) {
            return Ok(Some(found));
        }
        let Some(before) = exchanged(tx, sale).await? else { return Ok(None) };
        sale = before;
        paid = tendered(tx, "SELECT kind, amount FROM tender WHERE sale_id = $1 ORDER BY id", sale.raw())
            .await?;
    }
    Ok(None)
}

/// The sale whose goods were brought back for this one.
async fn exchanged(tx: &mut Tx, sale: SaleId) -> Result<Option<SaleId>, CommandError> {
    let row = sqlx::query("SELECT sale_id FROM refund WHERE paid_sale = $1 ORDER BY id LIMIT 1")
        .bind(sale.raw())
        .fetch_optional(tx.db())
        .await?;
    Ok(row.map(|row| row.try_get("sale_id")).transpose()?.map(SaleId::from_raw))
}

async fn back(tx: &mut Tx, sale: SaleId, refund: RefundId) -> Result<Back, CommandError> {
    let currency = tx.shop().currency;
    let given =
        tendered(tx, "SELECT kind, amount FROM tender WHERE refund_id = $1 ORDER BY id", refund.raw())
            .await?;
    let own = sqlx::query(
        "SELECT CAST(COALESCE(SUM(e.amount), 0) AS BIGINT) AS own FROM account_entry e WHERE e.refund_id = $1 \
         AND e.reason = 'refund' AND e.account_id IN (SELECT s.account_id FROM account_entry s \
         WHERE s.sale_id = $2 AND s.reason = 'spent')",
    )
    .bind(refund.raw())
    .bind(sale.raw())
    .fetch_one(tx.db())
    .await?;
    let own = Money::from_minor(own.try_get("own")?, currency).stored("account_entry.amount")?;
    let is_own = |kind: TenderKind| kind == TenderKind::GiftCertificate && !own.is_zero();
    let others = given
        .into_iter()
        .filter(|(kind, amount)| {
            !amount.is_zero()
                && !is_own(*kind)
                && !matches!(kind, TenderKind::Deposit | TenderKind::OnAccount | TenderKind::Exchange)
        })
        .collect();
    Ok(Back { own_certificate: own, others })
}

async fn tendered(tx: &mut Tx, text: &'static str, id: i64) -> Result<Vec<Given>, CommandError> {
    let currency = tx.shop().currency;
    let rows = sqlx::query(text).bind(id).fetch_all(tx.db()).await?;
    rows.iter().map(|row| given(row, currency)).collect()
}

fn given(row: &AnyRow, currency: Currency) -> Result<Given, CommandError> {
    let kind: String = row.try_get("kind")?;
    let kind = TenderKind::from_code(&kind).ok_or(kind).stored("tender.kind")?;
    Ok((kind, Money::from_minor(row.try_get("amount")?, currency).stored("tender.amount")?))
}
