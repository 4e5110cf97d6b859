//! Reads sales.

use crate::sales::ring_up::{SaleLine, TenderIn};
use crate::shelf::weighed::Weighed;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::basket::{Given, LineKind, LineMoney, TenderKind, Totals};
use domain::channel::Channel;
use domain::day::{Day, Moment};
use domain::ids::{CustomerId, RefundId, RefundLineId, SaleId, SaleLineId, TenderId};
use domain::money::{Currency, Money};
use domain::quantity::Quantity;
use domain::stock::ReturnDisposition;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

/// A sale, as booked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SaleView {
    /// Its identifier.
    pub id: SaleId,
    /// None for a past sale.
    pub receipt: Option<i64>,
    /// Where.
    pub channel: Channel,
    /// When.
    pub at: Moment,
    /// The order that it came in as.
    pub order: Option<String>,
    /// Whether it was voided.
    pub voided: bool,
    /// Its figures.
    pub totals: Totals,
    /// The fee that its channel kept.
    pub fee: Money,
    /// For whom it was rung up.
    pub customer: Option<SaleCustomer>,
    /// Words.
    pub note: String,
    /// Who rang it up.
    pub who: String,
    /// Each with what was refunded of it.
    pub lines: Vec<SoldLine>,
    /// How it was paid.
    pub tenders: Vec<Tender>,
    /// What was given back.
    pub refunds: Vec<RefundView>,
}

/// Whom a sale was rung up for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SaleCustomer {
    /// If they are on file.
    pub on_file: Option<CustomerId>,
    /// Empty once they are erased.
    pub name: String,
    /// Whether they bought to sell again.
    pub is_wholesale: bool,
    /// Whether they were exempt from sales tax.
    pub is_tax_exempt: bool,
}

/// A line of a sale, and what was refunded of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SoldLine {
    /// The line.
    pub line: SaleLine,
    /// What it cost at the time; none if not known.
    pub cost: Option<Money>,
    /// The weight of a piece at the time; none for anything else, and for past sales.
    pub weighed: Option<Weighed>,
    /// The refunded quantity.
    pub given_back: Quantity,
}

/// A payment, as booked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tender {
    /// The identifier for paying an open balance.
    pub id: TenderId,
    /// Its kind and amount.
    pub tender: TenderIn,
    /// What is still due of it.
    pub still_owed: Option<Money>,
}

/// A refund, as booked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefundView {
    /// Its identifier.
    pub id: RefundId,
    /// When.
    pub at: Moment,
    /// What the customer got back.
    pub given: Money,
    /// How the money was returned.
    pub tenders: Vec<Given>,
    /// Why.
    pub reason: String,
    /// Lines with refunded goods, and what became of those.
    pub lines: Vec<(RefundLineId, SaleLineId, ReturnDisposition)>,
}

pub(crate) const SALE: &str = "SELECT s.id, s.receipt, s.channel, s.at_ms, o.number AS order_number, v.sale_id AS voided_sale, s.goods + s.not_revenue AS lines, s.discounts, \
    s.tax, s.shipping, s.rounding, s.tendered, s.change_given, s.note, s.who, s.fee, \
    s.customer_id, s.wholesale, s.tax_exempt, p.name AS customer_name, k.id AS on_file FROM sale s \
    LEFT JOIN person_data p ON p.id = s.customer_id LEFT JOIN customer k ON k.id = s.customer_id \
    LEFT JOIN customer_order o ON o.id = s.order_id LEFT JOIN sale_void v ON v.sale_id = s.id";

impl Ledger {
    /// A sale by its identifier.
    pub async fn sale(&self, id: SaleId) -> Result<SaleView, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(sqlx::AssertSqlSafe(format!("{SALE} WHERE s.id = $1")))
            .bind(id.raw())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::Sale, id))?;
        self.view(&mut connection, &row).await
    }

    /// A sale by its receipt number.
    pub async fn sale_by_receipt(&self, receipt: i64) -> Result<SaleView, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(sqlx::AssertSqlSafe(format!("{SALE} WHERE s.receipt = $1")))
            .bind(receipt)
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::Receipt, receipt))?;
        self.view(&mut connection, &row).await
    }

    /// Sales, the latest first, before `before` if given, at most `limit`.
    pub async fn sales(&self, before: Option<SaleId>, limit: usize) -> Result<Vec<SaleView>, CommandError> {
        let mut connection = self.reader().await?;
        let text = format!("{SALE} WHERE s.id < $1 ORDER BY s.id DESC LIMIT $2");
        let rows = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(before.map_or(i64::MAX, SaleId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let mut sales = Vec::with_capacity(rows.len());
        for row in &rows {
            sales.push(self.view(&mut connection, row).await?);
        }
        Ok(sales)
    }

    pub(crate) async fn view(
        &self,
        connection: &mut AnyConnection,
        row: &AnyRow,
    ) -> Result<SaleView, CommandError> {
        let currency = self.shop().currency;
        let id = SaleId::from_raw(row.try_get("id")?);
        Ok(SaleView {
            id,
            receipt: row.try_get("receipt")?,
            channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("sale.channel")?,
            at: Moment::from_millis(row.try_get("at_ms")?),
            order: row.try_get("order_number")?,
            voided: row.try_get::<Option<i64>, _>("voided_sale")?.is_some(),
            totals: totals(row, currency)?,
            fee: Money::from_minor(row.try_get("fee")?, currency).stored("sale.fee")?,
            customer: sale_customer(row)?,
            note: row.try_get("note")?,
            who: row.try_get("who")?,
            lines: lines(connection, id, currency).await?,
            tenders: tenders(connection, id, currency).await?,
            refunds: refunds(connection, id, currency).await?,
        })
    }
}

fn totals(row: &AnyRow, currency: Currency) -> Result<Totals, CommandError> {
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("sale");
    let (tendered, change) = (money("tendered")?, money("change_given")?);
    Ok(Totals {
        lines: money("lines")?,
        discounts: money("discounts")?,
        tax: money("tax")?,
        shipping: money("shipping")?,
        rounding: money("rounding")?,
        due: tendered.minus(change).stored("sale.tendered")?,
        tendered,
        change,
    })
}

async fn lines(
    connection: &mut AnyConnection,
    sale: SaleId,
    currency: Currency,
) -> Result<Vec<SoldLine>, CommandError> {
    let rows = sqlx::query(
        "SELECT l.id, l.code, l.title, l.price, l.kind, l.stock_units, l.unit, l.amount, l.discount, l.tax, l.cost, \
         l.weight, l.weight_unit, l.rate, l.rate_unit, l.ending, l.extras, l.minimum, b.stock_units AS given_back \
         FROM sale_line l LEFT JOIN line_refunded b ON b.sale_line_id = l.id WHERE l.sale_id = $1 ORDER BY l.position",
    )
    .bind(sale.raw())
    .fetch_all(connection)
    .await?;
    let line = |row: &AnyRow| {
        let book = crate::books::figures::book_line(row, currency)?;
        let back: Option<i64> = row.try_get("given_back")?;
        Ok(SoldLine {
            line: SaleLine {
                id: SaleLineId::from_raw(row.try_get("id")?),
                kind: LineKind::from_code(&row.try_get::<String, _>("kind")?).unwrap_or(LineKind::Goods),
                code: row.try_get("code")?,
                title: row.try_get("title")?,
                quantity: book.quantity,
                price: Money::from_minor(row.try_get("price")?, currency).stored("sale_line.price")?,
                money: LineMoney { amount: book.amount, discount: book.discount, tax: book.tax },
            },
            cost: book.cost,
            weighed: Weighed::of_line(row, currency)?,
            given_back: Quantity::from_stock_units(back.unwrap_or(0), book.quantity.measure())
                .stored("line_refunded")?,
        })
    };
    rows.iter().map(line).collect()
}

fn sale_customer(row: &AnyRow) -> Result<Option<SaleCustomer>, CommandError> {
    if row.try_get::<Option<i64>, _>("customer_id")?.is_none() {
        return Ok(None);
    }
    Ok(Some(SaleCustomer {
        on_file: row.try_get::<Option<i64>, _>("on_file")?.map(CustomerId::from_raw),
        name: row.try_get::<Option<String>, _>("customer_name")?.unwrap_or_default(),
        is_wholesale: row.try_get::<i64, _>("wholesale")? == 1,
        is_tax_exempt: row.try_get::<i64, _>("tax_exempt")? == 1,
    }))
}

async fn tenders(
    connection: &mut AnyConnection,
    sale: SaleId,
    currency: Currency,
) -> Result<Vec<Tender>, CommandError> {
    let rows = sqlx::query(
        "SELECT t.id, t.kind, t.amount, p.name AS customer, t.due_day, c.id AS on_file, o.amount - o.paid AS left_to_pay \
         FROM tender t LEFT JOIN open_balance o ON o.tender_id = t.id \
         LEFT JOIN person_data p ON p.id = t.customer_id LEFT JOIN customer c ON c.id = t.customer_id WHERE t.sale_id = $1 ORDER BY t.id",
    )
    .bind(sale.raw())
    .fetch_all(connection)
    .await?;
    let tender = |row: &AnyRow| {
        let owed: Option<i64> = row.try_get("left_to_pay")?;
        Ok(Tender {
            id: TenderId::from_raw(row.try_get("id")?),
            tender: TenderIn {
                kind: TenderKind::from_code(&row.try_get::<String, _>("kind")?)
                    .ok_or("unknown")
                    .stored("tender.kind")?,
                amount: Money::from_minor(row.try_get("amount")?, currency).stored("tender.amount")?,
                customer: row.try_get::<Option<String>, _>("customer")?.unwrap_or_default(),
                on_file: row.try_get::<Option<i64>, _>("on_file")?.map(CustomerId::from_raw),
                due: row.try_get::<Option<i64>, _>("due_day")?.map(Day::from_number),
                certificate: None,
                deposit: None,
            },
            still_owed: owed
                .map(|o| Money::from_minor(o, currency))
                .transpose()
                .stored("open_balance.paid")?,
        })
    };
    rows.iter().map(tender).collect()
}

async fn refunds(
    connection: &mut AnyConnection,
    sale: SaleId,
    currency: Currency,
) -> Result<Vec<RefundView>, CommandError> {
    let rows = sqlx::query("SELECT id, at_ms, tendered, reason FROM refund WHERE sale_id = $1 ORDER BY id")
        .bind(sale.raw())
        .fetch_all(&mut *connection)
        .await?;
    let mut refunds = Vec::with_capacity(rows.len());
    for row in &rows {
        let id: i64 = row.try_get("id")?;
        let lines = sqlx::query(
            "SELECT rl.id, rl.sale_line_id, c.disposition FROM refund_line rl \
             LEFT JOIN return_decision c ON c.refund_line_id = rl.id WHERE rl.refund_id = $1 AND rl.stock_units > 0 ORDER BY rl.id",
        )
        .bind(id)
        .fetch_all(&mut *connection)
        .await?;
        let line = |row: &AnyRow| {
            let fate: Option<String> = row.try_get("disposition")?;
            let fate =
                fate.as_deref().and_then(ReturnDisposition::from_code).unwrap_or(ReturnDisposition::Open);
            Ok((
                RefundLineId::from_raw(row.try_get("id")?),
                SaleLineId::from_raw(row.try_get("sale_line_id")?),
                fate,
            ))
        };
        refunds.push(RefundView {
            id: RefundId::from_raw(id),
            at: Moment::from_millis(row.try_get("at_ms")?),
            given: Money::from_minor(row.try_get("tendered")?, currency).stored("refund.tendered")?,
            tenders: refund_tenders(connection, id, currency).await?,
            reason: row.try_get("reason")?,
            lines: lines.iter().map(line).collect::<Result<_, CommandError>>()?,
        });
    }
    Ok(refunds)
}

pub(crate) async fn refund_tenders(
    connection: &mut AnyConnection,
    refund: i64,
    currency: Currency,
) -> Result<Vec<Given>, CommandError> {
    let rows = sqlx::query("SELECT kind, amount FROM tender WHERE refund_id = $1 ORDER BY id")
        .bind(refund)
        .fetch_all(connection)
        .await?;
    let given = |row: &AnyRow| {
        let kind = TenderKind::from_code(&row.try_get::<String, _>("kind")?);
        let amount = Money::from_minor(row.try_get("amount")?, currency).stored("tender.amount")?;
        Ok((kind.ok_or("unknown").stored("tender.kind")?, amount))
    };
    rows.iter().map(given).collect()
}
