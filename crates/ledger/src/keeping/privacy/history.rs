//! What a customer bought, has on hold and ordered, as their page shows it.

use crate::customers::person_data;
use crate::shelf::Hold;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::sql::{in_text, padded};
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{CustomerId, OrderId, SaleId};
use domain::money::Money;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// The most orders on a customer's page.
const MOST_ORDERS: i64 = 50;

/// A sale to a customer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CustomerSale {
    /// The identifier.
    pub id: SaleId,
    /// None for a past sale.
    pub receipt: Option<i64>,
    /// When.
    pub at: Moment,
    /// Where.
    pub channel: Channel,
    /// What was paid, or is to be paid.
    pub paid: Money,
    /// Whether it was voided.
    pub voided: bool,
}

/// An order with a customer's e-mail address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CustomerOrder {
    /// The identifier.
    pub id: OrderId,
    /// The number in the online shop.
    pub number: String,
    /// When.
    pub at: Moment,
}

/// Sales for which somebody is named: the sale's customer, who pays on account, or the buyer of the order. The people
/// are given twice.
pub(super) const SALES_OF: &str = "SELECT id FROM sale WHERE customer_id";

/// The identifiers of all sales of these rows of personal data, in order.
pub(super) async fn sale_ids(
    connection: &mut AnyConnection,
    people: &[i64],
) -> Result<Vec<i64>, CommandError> {
    const ON_ACCOUNT: &str = "SELECT sale_id AS id FROM open_balance WHERE customer_id";
    const ORDERED: &str =
        "SELECT s.id FROM customer_order o JOIN sale s ON s.order_id = o.id WHERE o.customer_id";
    let mut ids = Vec::new();
    for head in [SALES_OF, ON_ACCOUNT, ORDERED] {
        for row in all_of(connection, head, people, "").await? {
            ids.push(row.try_get("id")?);
        }
    }
    ids.sort_unstable();
    ids.dedup();
    Ok(ids)
}

/// The rows of a statement about some people, a few at a time.
pub(super) async fn all_of(
    connection: &mut AnyConnection,
    head: &str,
    people: &[i64],
    tail: &str,
) -> Result<Vec<AnyRow>, CommandError> {
    let mut rows = Vec::new();
    for chunk in people.chunks(crate::store::sql::MAX_ROWS) {
        let mut statement = sqlx::query(AssertSqlSafe(in_text(head, 1, chunk.len(), tail)));
        for id in padded(chunk) {
            statement = statement.bind(id);
        }
        rows.extend(statement.fetch_all(&mut *connection).await?);
    }
    Ok(rows)
}

/// A customer's own row, and those of what else names them.
pub(super) async fn rows_of(
    connection: &mut AnyConnection,
    customer: CustomerId,
) -> Result<Vec<i64>, CommandError> {
    let others = person_data::same_person(connection, customer).await?;
    Ok(others.into_iter().chain([customer.raw()]).collect())
}

impl Ledger {
    /// What a customer bought, latest first, at most `limit`.
    pub async fn sales_to(
        &self,
        customer: CustomerId,
        limit: usize,
    ) -> Result<Vec<CustomerSale>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let people = rows_of(&mut connection, customer).await?;
        let mut ids = sale_ids(&mut connection, &people).await?;
        ids.reverse();
        ids.truncate(limit);
        let head = "SELECT s.id, s.receipt, s.at_ms, s.channel, s.tendered - s.change_given AS paid, v.sale_id AS voided \
            FROM sale s LEFT JOIN sale_void v ON v.sale_id = s.id WHERE s.id";
        let read = |row: &AnyRow| {
            Ok(CustomerSale {
                id: SaleId::from_raw(row.try_get("id")?),
                receipt: row.try_get("receipt")?,
                at: Moment::from_millis(row.try_get("at_ms")?),
                channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("sale.channel")?,
                paid: Money::from_minor(row.try_get("paid")?, currency).stored("sale.tendered")?,
                voided: row.try_get::<Option<i64>, _>("voided")?.is_some(),
            })
        };
        let rows = all_of(&mut connection, head, &ids, "").await?;
        let mut sales = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        sales.sort_by_key(|sale| std::cmp::Reverse(sale.id));
        Ok(sales)
    }

    /// What is on hold for a customer, latest first.
    pub async fn holds_for(&self, customer: CustomerId) -> Result<Vec<Hold>, CommandError> {
        let mut connection = self.reader().await?;
        let people = rows_of(&mut connection, customer).await?;
        crate::shelf::holds_for(&mut connection, &people).await
    }

    /// Orders with a customer's e-mail address, latest first.
    pub async fn orders_of(&self, customer: CustomerId) -> Result<Vec<CustomerOrder>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT o.id, o.number, o.ordered_ms FROM person_data own JOIN person_data p ON p.email_key = own.email_key \
             AND p.email_key <> '' JOIN customer_order o ON o.customer_id = p.id WHERE own.id = $1 \
             ORDER BY o.ordered_ms DESC, o.id DESC LIMIT $2",
        )
        .bind(customer.raw())
        .bind(MOST_ORDERS)
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &AnyRow| {
            Ok(CustomerOrder {
                id: OrderId::from_raw(row.try_get("id")?),
                number: row.try_get("number")?,
                at: Moment::from_millis(row.try_get("ordered_ms")?),
            })
        };
        rows.iter().map(read).collect()
    }
}
