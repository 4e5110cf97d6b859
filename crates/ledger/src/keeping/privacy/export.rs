//! Everything that the shop keeps about one customer, from one snapshot, to be handed to them.

use super::history::{all_of, rows_of, sale_ids};
use super::promised::{self, ExportedCustomOrder, ExportedDeposit};
use crate::customers::view;
use crate::people::activity_log::{self, Activity};
use crate::sales::sale_view::SALE;
use crate::sales::{RefundView, SaleView, SoldLine, Tender};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use async_trait::async_trait;
use domain::certificate::CertificateNumber;
use domain::day::{Day, Moment};
use domain::ids::CustomerId;
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::text;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// Everything about one customer. Money is in decimals of the currency, times are UTC.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct CustomerExport {
    /// Who gives it.
    pub shop: String,
    /// When.
    pub made: String,
    /// Of all amounts.
    pub price_currency: String,
    /// The customer's own entry.
    pub customer: ExportedContact,
    /// Whether they buy to sell again.
    pub wholesale: bool,
    /// The number of their tax exemption's certificate.
    pub certificate: Option<String>,
    /// The last day on which the shop has to keep it.
    pub certificate_kept_until: Option<String>,
    /// In percent.
    pub default_discount: Option<String>,
    /// Names typed exactly like theirs, without choosing them.
    pub typed_names: Vec<ExportedContact>,
    /// Oldest first.
    pub sales: Vec<ExportedSale>,
    /// Payments of what was on account, oldest first.
    pub payments: Vec<ExportedPayment>,
    /// Gift certificates that are for them, oldest first.
    pub gift_certificates: Vec<ExportedCertificate>,
    /// What they paid toward something that is held or made for them, oldest first.
    pub deposits: Vec<ExportedDeposit>,
    /// What is made for them, oldest first.
    pub custom_orders: Vec<ExportedCustomOrder>,
    /// Oldest first.
    pub holds: Vec<ExportedHold>,
    /// Oldest first.
    pub orders: Vec<ExportedOrder>,
    /// What was done with their entry, oldest first.
    pub activity: Vec<ExportedEntry>,
}

/// How somebody can be reached.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedContact {
    /// One line.
    pub name: String,
    /// May be empty.
    pub email: String,
    /// May be empty.
    pub telephone: String,
    /// May be empty.
    pub note: String,
}

/// A sale.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedSale {
    /// None for a past sale.
    pub receipt: Option<i64>,
    /// When.
    pub date: String,
    /// Its code.
    pub channel: String,
    /// The order that it came in as.
    pub order_number: Option<String>,
    /// Whether it was voided.
    pub voided: bool,
    /// What was bought.
    pub lines: Vec<ExportedLine>,
    /// Tax included.
    pub total: String,
    /// Of it.
    pub tax: String,
    /// How it was paid.
    pub tenders: Vec<ExportedPayment>,
    /// What was given back.
    pub refunds: Vec<ExportedRefund>,
    /// Words.
    pub note: String,
}

/// A line of a sale, an order or a hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedLine {
    /// The code at the time.
    pub sku: String,
    /// The name at the time.
    pub name: String,
    /// With its unit.
    pub quantity: String,
    /// Before its discount; none for a hold.
    pub amount: Option<String>,
    /// None for a hold.
    pub discount: Option<String>,
}

/// Money that was received, or is to be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedPayment {
    /// None for the payments of a sale, which have its date.
    pub date: Option<String>,
    /// The code of the tender.
    pub kind: String,
    /// How much.
    pub amount: String,
    /// The due date of what is on account.
    pub due: Option<String>,
    /// What is still due of it.
    pub still_owed: Option<String>,
}

/// A gift certificate, without the number that spends it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedCertificate {
    /// When it was issued.
    pub date: String,
    /// The last four characters of its number.
    pub last_four: String,
    /// What is left on it.
    pub balance: String,
}

/// Money that was given back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedRefund {
    /// When.
    pub date: String,
    /// How much.
    pub amount: String,
    /// Why.
    pub reason: String,
}

/// Something held.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedHold {
    /// When it was made.
    pub date: String,
    /// When it ends; never if none.
    pub until: Option<String>,
    /// open, taken, ended or expired.
    pub state: String,
    /// What.
    pub line: ExportedLine,
}

/// An online order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedOrder {
    /// In the online shop.
    pub order_number: String,
    /// The channel's code.
    pub channel: String,
    /// When.
    pub date: String,
    /// schema.org's word.
    pub status: String,
    /// As the order says.
    pub name: String,
    /// As the order says.
    pub email: String,
    /// What was ordered.
    pub lines: Vec<ExportedLine>,
}

/// An entry of the activity log.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedEntry {
    /// When.
    pub date: String,
    /// By whom.
    pub who: String,
    /// What.
    pub act: String,
    /// More of it.
    pub detail: String,
}

/// Says in the activity log that the data was given out. The export itself is no command: its answer would be
/// kept by its key.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct NoteExport {
    customer: CustomerId,
    who: String,
}

#[async_trait]
impl Command for NoteExport {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        view::read(tx.db(), self.customer).await?;
        activity_log::note_customer(tx, &who, Activity::CustomerExported, self.customer, "").await
    }
}

impl Ledger {
    /// Everything that is kept about a customer; the activity log says who took it.
    pub async fn export_customer(
        &self,
        customer: CustomerId,
        who: &str,
    ) -> Result<CustomerExport, CommandError> {
        self.execute(None, &NoteExport { customer, who: who.to_owned() }).await?;
        let mut snapshot = self.snapshot().await?;
        let export = self.read_export(&mut snapshot, customer).await?;
        snapshot.rollback().await?;
        Ok(export)
    }

    async fn read_export(
        &self,
        snapshot: &mut AnyConnection,
        id: CustomerId,
    ) -> Result<CustomerExport, CommandError> {
        let shop = self.shop();
        let customer = view::read(snapshot, id).await?;
        let people = rows_of(snapshot, id).await?;
        let (contact, terms) = (customer.contact, customer.terms);
        Ok(CustomerExport {
            shop: shop.name.clone(),
            made: self.now().to_string(),
            price_currency: shop.currency.to_string(),
            customer: ExportedContact {
                name: contact.name,
                email: contact.email,
                telephone: contact.phone,
                note: contact.note,
            },
            wholesale: terms.wholesale,
            certificate: terms.exemption.as_ref().map(|exemption| exemption.certificate.clone()),
            certificate_kept_until: terms.exemption.map(|exemption| exemption.keep_until.to_string()),
            default_discount: terms.discount.map(|discount| discount.to_string()),
            typed_names: typed_names(snapshot, &people, id).await?,
            sales: self.exported_sales(snapshot, &people).await?,
            payments: payments(snapshot, &people, shop.currency).await?,
            gift_certificates: certificates(snapshot, &people, shop.currency).await?,
            deposits: promised::deposits(snapshot, &people, shop.currency).await?,
            custom_orders: promised::orders(snapshot, &people, shop.currency).await?,
            holds: holds(snapshot, &people).await?,
            orders: orders(snapshot, &people, shop.currency).await?,
            activity: activity(snapshot, id).await?,
        })
    }

    async fn exported_sales(
        &self,
        snapshot: &mut AnyConnection,
        people: &[i64],
    ) -> Result<Vec<ExportedSale>, CommandError> {
        let mut sales = Vec::new();
        for id in sale_ids(snapshot, people).await? {
            let row = sqlx::query(AssertSqlSafe(format!("{SALE} WHERE s.id = $1")))
                .bind(id)
                .fetch_one(&mut *snapshot)
                .await?;
            sales.push(exported_sale(self.view(snapshot, &row).await?));
        }
        Ok(sales)
    }
}

fn exported_sale(sale: SaleView) -> ExportedSale {
    let line = |sold: SoldLine| ExportedLine {
        sku: sold.line.code,
        name: sold.line.title,
        quantity: sold.line.quantity.to_string(),
        amount: Some(sold.line.money.amount.to_string()),
        discount: Some(sold.line.money.discount.to_string()),
    };
    let tender = |tender: Tender| ExportedPayment {
        date: None,
        kind: tender.tender.kind.code().to_owned(),
        amount: tender.tender.amount.to_string(),
        due: tender.tender.due.map(|due| due.to_string()),
        still_owed: tender.still_owed.map(|owed| owed.to_string()),
    };
    let refund = |refund: RefundView| ExportedRefund {
        date: refund.at.to_string(),
        amount: refund.given.to_string(),
        reason: refund.reason,
    };
    ExportedSale {
        receipt: sale.receipt,
        date: sale.at.to_string(),
        channel: sale.channel.as_str().to_owned(),
        order_number: sale.order,
        voided: sale.voided,
        lines: sale.lines.into_iter().map(line).collect(),
        total: sale.totals.due.to_string(),
        tax: sale.totals.tax.to_string(),
        tenders: sale.tenders.into_iter().map(tender).collect(),
        refunds: sale.refunds.into_iter().map(refund).collect(),
        note: sale.note,
    }
}

pub(super) fn time(row: &AnyRow, column: &str) -> Result<String, CommandError> {
    Ok(Moment::from_millis(row.try_get(column)?).to_string())
}

async fn typed_names(
    snapshot: &mut AnyConnection,
    people: &[i64],
    customer: CustomerId,
) -> Result<Vec<ExportedContact>, CommandError> {
    const TYPED: &str = "SELECT p.id, p.name, p.email, p.phone, p.note FROM person_data p WHERE NOT EXISTS \
        (SELECT 1 FROM customer_order o WHERE o.customer_id = p.id) AND p.id";
    let mut names = Vec::new();
    for row in all_of(snapshot, TYPED, people, "ORDER BY p.id").await? {
        if row.try_get::<i64, _>("id")? != customer.raw() {
            names.push(ExportedContact {
                name: row.try_get("name")?,
                email: row.try_get("email")?,
                telephone: row.try_get("phone")?,
                note: row.try_get("note")?,
            });
        }
    }
    Ok(names)
}

async fn certificates(
    snapshot: &mut AnyConnection,
    people: &[i64],
    currency: Currency,
) -> Result<Vec<ExportedCertificate>, CommandError> {
    const FOR_THEM: &str = "SELECT a.number, a.balance, a.opened_ms FROM account a \
        WHERE a.kind = 'gift-certificate' AND a.customer_id";
    let rows = all_of(snapshot, FOR_THEM, people, "ORDER BY a.id").await?;
    let certificate = |row: &AnyRow| {
        let number =
            CertificateNumber::parse(&row.try_get::<String, _>("number")?).stored("account.number")?;
        let balance = Money::from_minor(row.try_get("balance")?, currency).stored("account.balance")?;
        let (date, last_four) = (time(row, "opened_ms")?, number.last_four());
        Ok(ExportedCertificate { date, last_four, balance: balance.to_string() })
    };
    rows.iter().map(certificate).collect()
}

async fn payments(
    snapshot: &mut AnyConnection,
    people: &[i64],
    currency: Currency,
) -> Result<Vec<ExportedPayment>, CommandError> {
    const PAID: &str = "SELECT p.kind, p.amount, p.at_ms, o.due_day FROM open_balance o \
        JOIN payment p ON p.tender_id = o.tender_id WHERE o.customer_id";
    let mut payments = Vec::new();
    for row in all_of(snapshot, PAID, people, "ORDER BY p.id").await? {
        let amount = Money::from_minor(row.try_get("amount")?, currency).stored("payment.amount")?;
        payments.push(ExportedPayment {
            date: Some(time(&row, "at_ms")?),
            kind: row.try_get("kind")?,
            amount: amount.to_string(),
            due: Some(Day::from_number(row.try_get("due_day")?).to_string()),
            still_owed: None,
        });
    }
    Ok(payments)
}

async fn holds(snapshot: &mut AnyConnection, people: &[i64]) -> Result<Vec<ExportedHold>, CommandError> {
    const HELD: &str = "SELECT h.made_ms, h.until_ms, h.state, h.stock_units, i.sku, i.name, i.stock_unit \
        FROM hold h JOIN item i ON i.id = h.item_id WHERE h.customer_id";
    let mut holds = Vec::new();
    for row in all_of(snapshot, HELD, people, "ORDER BY h.id").await? {
        let unit: Option<String> = row.try_get("stock_unit")?;
        let until: Option<i64> = row.try_get("until_ms")?;
        let line = line_of(&row, unit, None)?;
        holds.push(ExportedHold {
            date: time(&row, "made_ms")?,
            until: until.map(|until| Moment::from_millis(until).to_string()),
            state: row.try_get("state")?,
            line,
        });
    }
    Ok(holds)
}

/// A line of goods; the unit is empty or none for what is counted.
fn line_of(
    row: &AnyRow,
    unit: Option<String>,
    currency: Option<Currency>,
) -> Result<ExportedLine, CommandError> {
    let unit = unit.filter(|unit| !unit.is_empty());
    let unit = unit.map(|unit| WeightUnit::from_code(&unit)).transpose().stored("unit")?;
    let measure = unit.map_or(Measure::Units, Measure::Thousandths);
    let quantity = Quantity::from_stock_units(row.try_get("stock_units")?, measure);
    let money = |column: &str| match currency {
        Some(currency) => {
            let money = Money::from_minor(row.try_get(column)?, currency).stored("order_line")?;
            Ok::<_, CommandError>(Some(money.to_string()))
        }
        None => Ok(None),
    };
    Ok(ExportedLine {
        sku: row.try_get("sku")?,
        name: row.try_get("name")?,
        quantity: quantity.stored("stock_units")?.to_string(),
        amount: money("amount")?,
        discount: money("discount")?,
    })
}

async fn orders(
    snapshot: &mut AnyConnection,
    people: &[i64],
    currency: Currency,
) -> Result<Vec<ExportedOrder>, CommandError> {
    const ORDERS: &str = "SELECT o.id, o.number, o.channel, o.ordered_ms, o.status, p.name, p.email FROM customer_order o \
        JOIN person_data p ON p.id = o.customer_id WHERE o.customer_id";
    let mut orders = Vec::new();
    for row in all_of(snapshot, ORDERS, people, "ORDER BY o.id").await? {
        let lines = sqlx::query(
            "SELECT code AS sku, title AS name, stock_units, unit, amount, discount FROM order_line WHERE order_id = $1 \
             ORDER BY position, id",
        )
        .bind(row.try_get::<i64, _>("id")?)
        .fetch_all(&mut *snapshot)
        .await?;
        let line = |row: &AnyRow| line_of(row, Some(row.try_get("unit")?), Some(currency));
        orders.push(ExportedOrder {
            order_number: row.try_get("number")?,
            channel: row.try_get("channel")?,
            date: time(&row, "ordered_ms")?,
            status: row.try_get("status")?,
            name: row.try_get("name")?,
            email: row.try_get("email")?,
            lines: lines.iter().map(line).collect::<Result<_, CommandError>>()?,
        });
    }
    Ok(orders)
}

async fn activity(
    snapshot: &mut AnyConnection,
    customer: CustomerId,
) -> Result<Vec<ExportedEntry>, CommandError> {
    let rows = sqlx::query("SELECT at_ms, who, act, detail FROM activity WHERE customer_id = $1 ORDER BY id")
        .bind(customer.raw())
        .fetch_all(snapshot)
        .await?;
    let entry = |row: &AnyRow| {
        Ok(ExportedEntry {
            date: time(row, "at_ms")?,
            who: row.try_get("who")?,
            act: row.try_get("act")?,
            detail: row.try_get("detail")?,
        })
    };
    rows.iter().map(entry).collect()
}
