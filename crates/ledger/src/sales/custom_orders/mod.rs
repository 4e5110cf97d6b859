//! Custom orders: a piece that is made for one customer, held for them, and collected.
//!
//! Each step is a conditional update of the order's row, made while the shop's row is locked: so a sale, a void and a
//! cancellation never wait for each other's orders.

mod make;
mod of_sales;
mod view;

pub use make::{HoldOrderedPiece, MakeOrderedPiece, ReopenCustomOrder};
pub use view::{CustomOrderView, OrderedPiece};

pub(crate) use of_sales::{add_collected, made_of, reopen};
pub(crate) use view::title_of;

use crate::customers::{self, person_data};
use crate::people::activity_log::{self, Activity};
use crate::shelf::{holds, styles};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{CustomersReason, Rejection, SalesReason, ShelfReason, Thing};
use crate::store::settings::own_money;
use crate::store::sql::insert_rows;
use crate::store::tables;
use async_trait::async_trait;
use domain::custom_order::CustomOrderState;
use domain::customer::Contact;
use domain::day::Day;
use domain::ids::{CustomOrderId, CustomerId, HoldGroupId, StyleId};
use domain::money::Money;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Takes a custom order.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewCustomOrder {
    /// Whose it is; none for somebody new, who is added to the customers.
    pub customer: Option<CustomerId>,
    /// Somebody new. Not looked at for a customer.
    pub contact: Contact,
    /// The name of a style; none if the note says what is wanted.
    pub style: Option<String>,
    /// May be empty.
    pub size: String,
    /// The colors, in words; may be empty.
    pub color: String,
    /// Words.
    pub note: String,
    /// When the customer is to have it.
    pub due: Day,
    /// What it may cost. The piece's own price decides.
    pub estimate: Option<Money>,
    /// Who takes it.
    pub who: String,
}

#[async_trait]
impl Command for NewCustomOrder {
    type Answer = CustomOrderId;

    async fn run(&self, tx: &mut Tx) -> Result<CustomOrderId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let (size, color) =
            (text::short(&self.size).field("size")?, text::short(&self.color).field("color")?);
        let note = text::note(&self.note).field("note")?;
        if let Some(estimate) = self.estimate {
            own_money("estimate", estimate, tx.shop().currency)?;
            if estimate.minor() <= 0 {
                return Err(Rejection::invalid("estimate", SalesReason::NoAmount).into());
            }
        }
        if self.due < tx.shop().zone.day_of(tx.now()) {
            return Err(Rejection::invalid("due", SalesReason::OrderDueInPast).into());
        }
        let style = self.style_of(tx).await?;
        if style.is_none() && note.trim().is_empty() {
            return Err(Rejection::invalid("style", SalesReason::OrderOfNothing).into());
        }
        let customer = self.customer(tx, &who).await?;
        let id = CustomOrderId::from_raw(tx.next_id()?);
        let texts = [size, color, note];
        self.insert(tx, id, (customer, style), (texts, &who)).await?;
        let detail = format!("order {id} taken, due {}", self.due.shown());
        activity_log::note_customer(tx, &who, Activity::CustomOrder, customer, &detail).await?;
        Ok(id)
    }
}

impl NewCustomOrder {
    async fn style_of(&self, tx: &mut Tx) -> Result<Option<StyleId>, CommandError> {
        let Some(name) = self.style.as_deref().map(str::trim).filter(|name| !name.is_empty()) else {
            return Ok(None);
        };
        let currency = tx.shop().currency;
        let styles = styles::by_folded_name(tx.db(), currency).await?;
        let unknown = || Rejection::invalid("style", ShelfReason::UnknownStyle { name: name.to_owned() });
        Ok(Some(styles.get(&text::fold(name)).ok_or_else(unknown)?.id))
    }

    /// The customer, whose row is locked: nobody erases them meanwhile.
    async fn customer(&self, tx: &mut Tx, who: &str) -> Result<CustomerId, CommandError> {
        let Some(id) = self.customer else {
            let contact = self.contact.clone();
            return customers::AddCustomer { contact, who: who.to_owned() }.run(tx).await;
        };
        let on_file = sqlx::query("SELECT id FROM customer WHERE id = $1").bind(id.raw());
        if on_file.fetch_optional(tx.db()).await?.is_none() {
            return Err(Rejection::no_such(Thing::Customer, id).into());
        }
        if !person_data::lock(tx, id).await? {
            return Err(Rejection::invalid("customer", CustomersReason::NotThere).into());
        }
        Ok(id)
    }

    async fn insert(
        &self,
        tx: &mut Tx,
        id: CustomOrderId,
        (customer, style): (CustomerId, Option<StyleId>),
        ([size, color, note], who): ([String; 3], &str),
    ) -> Result<(), CommandError> {
        let made = tx.now().millis();
        insert_rows(tx.db(), &tables::CUSTOM_ORDER, std::slice::from_ref(self), |statement, order| {
            statement
                .bind(id.raw())
                .bind(customer.raw())
                .bind(style.map(StyleId::raw))
                .bind(size.clone())
                .bind(color.clone())
                .bind(note.clone())
                .bind(order.due.number())
                .bind(order.estimate.map(Money::minor))
                .bind(CustomOrderState::Open.code().to_owned())
                .bind(None::<i64>)
                .bind(None::<i64>)
                .bind(None::<i64>)
                .bind(String::new())
                .bind(who.to_owned())
                .bind(made)
                .bind(String::new())
                .bind(None::<i64>)
        })
        .await?;
        Ok(())
    }
}

/// Cancels a custom order, and frees its piece. What is left of its deposits stays where it is until somebody refunds
/// or forfeits it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct CancelCustomOrder {
    /// Which.
    pub order: CustomOrderId,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for CancelCustomOrder {
    /// What is left of its deposits.
    type Answer = Money;

    async fn run(&self, tx: &mut Tx) -> Result<Money, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::name(&self.reason).field("reason")?;
        let row = Locked::of(tx, self.order).await?;
        if let Some(hold) = row.hold {
            holds::end_group(tx, hold).await?;
        }
        tx.lock_shop_state(0).await?;
        let done = sqlx::query(
            "UPDATE custom_order SET state = 'canceled', reason = $2, ended_by = $3, ended_ms = $4 \
             WHERE id = $1 AND state IN ('open', 'made')",
        )
        .bind(self.order.raw())
        .bind(reason.clone())
        .bind(who.clone())
        .bind(tx.now().millis())
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::invalid("order", SalesReason::OrderEnded).into());
        }
        let detail = format!("order {} canceled; {reason}", self.order);
        activity_log::note_customer(tx, &who, Activity::CustomOrder, row.customer, &detail).await?;
        left_of(tx, self.order).await
    }
}

/// What is left of the deposits for an order.
async fn left_of(tx: &mut Tx, order: CustomOrderId) -> Result<Money, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COALESCE(SUM(balance), 0) AS BIGINT) AS left_of_it FROM account WHERE custom_order = $1",
    )
    .bind(order.raw())
    .fetch_one(tx.db())
    .await?;
    Money::from_minor(row.try_get("left_of_it")?, tx.shop().currency).stored("account.balance")
}

/// An order whose customer's row is locked. Its own row may still change until it is updated by a condition.
struct Locked {
    customer: CustomerId,
    hold: Option<HoldGroupId>,
}

impl Locked {
    /// A customer who was erased has only orders that ended, which the update then finds.
    async fn of(tx: &mut Tx, order: CustomOrderId) -> Result<Self, CommandError> {
        let row = sqlx::query("SELECT customer_id, hold_group FROM custom_order WHERE id = $1")
            .bind(order.raw())
            .fetch_optional(tx.db())
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::CustomOrder, order))?;
        let customer = CustomerId::from_raw(row.try_get("customer_id")?);
        person_data::lock(tx, customer).await?;
        // Read again now that nobody else makes or releases its piece.
        let row = sqlx::query("SELECT hold_group FROM custom_order WHERE id = $1")
            .bind(order.raw())
            .fetch_one(tx.db())
            .await?;
        let hold = row.try_get::<Option<i64>, _>("hold_group")?.map(HoldGroupId::from_raw);
        Ok(Self { customer, hold })
    }
}
