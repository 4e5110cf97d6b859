//! Reads custom orders.

use crate::sales::accounts::wanted;
use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::account::DepositFor;
use domain::custom_order::CustomOrderState;
use domain::day::{Day, Moment};
use domain::ids::{CustomOrderId, CustomerId, HoldGroupId, SaleId};
use domain::money::{Currency, Money};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

/// The most orders on a customer's page.
const MOST_OF_ONE: usize = 50;

/// A custom order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CustomOrderView {
    /// Its identifier.
    pub id: CustomOrderId,
    /// Whose it is.
    pub customer: CustomerId,
    /// Their name; empty once they are erased.
    pub name: String,
    /// The name of the style; none if the note says what is wanted.
    pub style: Option<String>,
    /// May be empty.
    pub size: String,
    /// May be empty.
    pub color: String,
    /// Style, colors and size, in words.
    pub about: String,
    /// Words.
    pub note: String,
    /// When the customer is to have it.
    pub due: Day,
    /// What it may cost.
    pub estimate: Option<Money>,
    /// How far it is.
    pub state: CustomOrderState,
    /// The piece that was made for it last.
    pub piece: Option<OrderedPiece>,
    /// The sale in which it was collected, and its receipt.
    pub sale: Option<(SaleId, Option<i64>)>,
    /// Why it was canceled; empty if it was not.
    pub reason: String,
    /// Who took it.
    pub who: String,
    /// When it was taken.
    pub taken: Moment,
    /// Who ended it, and when.
    pub ended: Option<(String, Moment)>,
    /// What is left of its deposits.
    pub deposits: Money,
}

/// The piece of a custom order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OrderedPiece {
    /// Its SKU.
    pub sku: String,
    /// Its name.
    pub name: String,
    /// Its price now.
    pub price: Money,
    /// Whether it is in stock.
    pub is_in_stock: bool,
    /// The hold that keeps it for the customer; none if it ended.
    pub hold: Option<HoldGroupId>,
}

const ORDER: &str = "SELECT o.id, o.customer_id, p.name AS customer, y.name AS style, o.size, o.color, o.note, o.due_day, \
    o.estimate, o.state, o.sale_id, s.receipt, o.reason, o.who, o.made_ms, o.ended_by, o.ended_ms, i.sku, i.name AS item, \
    i.price, i.on_hand, h.group_id AS hold_group, CAST((SELECT COALESCE(SUM(a.balance), 0) FROM account a \
    WHERE a.custom_order = o.id) AS BIGINT) AS deposits FROM custom_order o JOIN person_data p ON p.id = o.customer_id \
    LEFT JOIN style y ON y.id = o.style_id LEFT JOIN item i ON i.id = o.item_id LEFT JOIN sale s ON s.id = o.sale_id \
    LEFT JOIN hold h ON h.group_id = o.hold_group AND h.state = 'open'";

impl Ledger {
    /// A custom order by its identifier.
    pub async fn custom_order(&self, id: CustomOrderId) -> Result<CustomOrderView, CommandError> {
        let found = self.read_orders("WHERE o.id = $1", id.raw(), None).await?.pop();
        found.ok_or_else(|| Rejection::no_such(Thing::CustomOrder, id).into())
    }

    /// All custom orders, the latest first, before `before` if given, at most `limit`.
    pub async fn custom_orders(
        &self,
        before: Option<CustomOrderId>,
        limit: usize,
    ) -> Result<Vec<CustomOrderView>, CommandError> {
        let before = before.map_or(i64::MAX, CustomOrderId::raw);
        self.read_orders("WHERE o.id < $1 ORDER BY o.id DESC LIMIT $2", before, Some(limit)).await
    }

    /// Custom orders for which the customer waits and that are due by a day, the first due first, at most `limit`.
    pub async fn custom_orders_due(
        &self,
        until: Option<Day>,
        limit: usize,
    ) -> Result<Vec<CustomOrderView>, CommandError> {
        let until = until.map_or(i64::MAX, Day::number);
        let text = "WHERE o.state IN ('open', 'made') AND o.due_day <= $1 ORDER BY o.due_day, o.id LIMIT $2";
        self.read_orders(text, until, Some(limit)).await
    }

    /// A customer's orders, the latest first.
    pub async fn custom_orders_of(&self, customer: CustomerId) -> Result<Vec<CustomOrderView>, CommandError> {
        let text = "WHERE o.customer_id = $1 ORDER BY o.id DESC LIMIT $2";
        self.read_orders(text, customer.raw(), Some(MOST_OF_ONE)).await
    }

    async fn read_orders(
        &self,
        rest: &str,
        first: i64,
        limit: Option<usize>,
    ) -> Result<Vec<CustomOrderView>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let mut statement = sqlx::query(AssertSqlSafe(format!("{ORDER} {rest}"))).bind(first);
        if let Some(limit) = limit {
            statement = statement.bind(i64::try_from(limit).unwrap_or(i64::MAX));
        }
        let rows = statement.fetch_all(&mut *connection).await?;
        rows.iter().map(|row| order(row, currency)).collect()
    }
}

fn order(row: &AnyRow, currency: Currency) -> Result<CustomOrderView, CommandError> {
    let state = CustomOrderState::from_code(&row.try_get::<String, _>("state")?);
    let estimate: Option<i64> = row.try_get("estimate")?;
    let ended: Option<i64> = row.try_get("ended_ms")?;
    let sale: Option<i64> = row.try_get("sale_id")?;
    Ok(CustomOrderView {
        id: CustomOrderId::from_raw(row.try_get("id")?),
        customer: CustomerId::from_raw(row.try_get("customer_id")?),
        name: row.try_get("customer")?,
        style: row.try_get("style")?,
        size: row.try_get("size")?,
        color: row.try_get("color")?,
        about: wanted(row)?,
        note: row.try_get("note")?,
        due: Day::from_number(row.try_get("due_day")?),
        estimate: estimate
            .map(|minor| Money::from_minor(minor, currency))
            .transpose()
            .stored("custom_order.estimate")?,
        state: state.ok_or("unknown").stored("custom_order.state")?,
        piece: piece(row, currency)?,
        sale: match sale {
            Some(sale) => Some((SaleId::from_raw(sale), row.try_get("receipt")?)),
            None => None,
        },
        reason: row.try_get("reason")?,
        who: row.try_get("who")?,
        taken: Moment::from_millis(row.try_get("made_ms")?),
        ended: match ended {
            Some(ms) => Some((row.try_get("ended_by")?, Moment::from_millis(ms))),
            None => None,
        },
        deposits: Money::from_minor(row.try_get("deposits")?, currency).stored("account.balance")?,
    })
}

fn piece(row: &AnyRow, currency: Currency) -> Result<Option<OrderedPiece>, CommandError> {
    let Some(sku) = row.try_get::<Option<String>, _>("sku")? else { return Ok(None) };
    Ok(Some(OrderedPiece {
        sku,
        name: row.try_get("item")?,
        price: Money::from_minor(row.try_get("price")?, currency).stored("item.price")?,
        is_in_stock: row.try_get::<i64, _>("on_hand")? > 0,
        hold: row.try_get::<Option<i64>, _>("hold_group")?.map(HoldGroupId::from_raw),
    }))
}

/// What a receipt calls a deposit.
pub(crate) async fn title_of(tx: &mut Tx, of: DepositFor) -> Result<String, CommandError> {
    let about = match of {
        DepositFor::Order(order) => {
            let row = sqlx::query(
                "SELECT y.name AS style, o.size, o.color FROM custom_order o LEFT JOIN style y ON y.id = o.style_id \
                 WHERE o.id = $1",
            )
            .bind(order.raw())
            .fetch_optional(tx.db())
            .await?;
            row.as_ref().map(wanted).transpose()?
        }
        DepositFor::Hold(hold) => {
            let row = sqlx::query(
                "SELECT i.name FROM hold h JOIN item i ON i.id = h.item_id WHERE h.group_id = $1 ORDER BY h.id LIMIT 1",
            )
            .bind(hold.raw())
            .fetch_optional(tx.db())
            .await?;
            row.map(|row| row.try_get("name")).transpose()?
        }
    };
    let title = about.map_or("Deposit".to_owned(), |about| format!("Deposit for {about}"));
    Ok(title.chars().take(domain::text::MAX_NAME_CHARS).collect())
}
