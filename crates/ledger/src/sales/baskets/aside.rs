//! Puts the current sale on hold for a customer, and gets it back.

use super::change::set_customer;
use super::content::{Content, What};
use super::pay::let_go;
use super::{insert, take_open};
use crate::customers::person_data;
use crate::sales::{limits, party};
use crate::shelf::holds::{self, HoldLine, NewHold, Purpose};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::channel::Channel;
use domain::codes::Code;
use domain::day::Moment;
use domain::ids::{BasketId, CustomerId, HoldGroupId, ItemId};
use domain::quantity::{Asked, Measure, Quantity};
use domain::text;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Holds the goods of a sale for a customer, and closes the sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetBasketAside {
    /// Which slip.
    pub basket: BasketId,
    /// The revision that the person saw.
    pub revision: i64,
    /// The customer's name; if it is empty or the one of the sale's customer, it is them.
    pub for_whom: String,
    /// The end of the hold; none if it has no end.
    pub until: Option<Moment>,
}

#[async_trait]
impl Command for SetBasketAside {
    type Answer = HoldGroupId;

    async fn run(&self, tx: &mut Tx) -> Result<HoldGroupId, CommandError> {
        let for_whom = text::short(&self.for_whom).field("forWhom")?;
        let mut slip = take_open(tx, self.basket, Some(self.revision)).await?;
        slip.refuse_if_paying()?;
        slip.lock_customer(tx).await?;
        let customer = own(tx, slip.content.customer, &for_whom).await?;
        if customer.is_none() {
            text::name(&for_whom).field("forWhom")?;
        }
        if slip.content.returns.is_some() {
            return Err(Rejection::invalid("slip", SalesReason::ExchangeNotHeld).into());
        }
        let_go(tx, &mut slip).await?;
        let lines: Vec<HoldLine> = slip
            .content
            .goods()
            .map(|(_, code, quantity)| HoldLine { code: code.clone(), quantity })
            .collect();
        if lines.is_empty() {
            return Err(Rejection::invalid("slip", SalesReason::NothingToHold).into());
        }
        let new = NewHold { lines, purpose: Purpose::Customer, for_whom, customer, until: self.until };
        let hold = new.run(tx).await?;
        slip.hold = Some(hold.id);
        slip.leave(tx).await?;
        Ok(hold.id)
    }
}

/// The sale's own customer, unless another name was typed.
async fn own(
    tx: &mut Tx,
    customer: Option<CustomerId>,
    for_whom: &str,
) -> Result<Option<CustomerId>, CommandError> {
    match customer {
        Some(id) if for_whom.is_empty() || party::is_named(tx.db(), id, for_whom).await? => Ok(Some(id)),
        _ => Ok(None),
    }
}

/// Makes a new sale of what is on hold, and ends the hold.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BasketFromHold {
    /// Everything that was held together.
    pub hold: HoldGroupId,
    /// Where it is rung up.
    pub channel: Channel,
    /// Who rings it up.
    pub who: String,
}

#[async_trait]
impl Command for BasketFromHold {
    type Answer = BasketId;

    async fn run(&self, tx: &mut Tx) -> Result<BasketId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        tx.shop().known_channel(&self.channel)?;
        limits::allow_channel(tx, &self.channel).await?;
        let row =
            sqlx::query("SELECT customer_id, purpose FROM hold WHERE group_id = $1 ORDER BY id LIMIT 1")
                .bind(self.hold.raw())
                .fetch_optional(tx.db())
                .await?
                .ok_or_else(|| Rejection::no_such(Thing::Hold, self.hold))?;
        let purpose = Purpose::from_code(&row.try_get::<String, _>("purpose")?);
        if !matches!(purpose, Some(Purpose::Customer | Purpose::Market)) {
            return Err(Rejection::invalid("hold", SalesReason::HoldOfAnother).into());
        }
        let ended = holds::end_group(tx, self.hold).await?;
        if ended.is_empty() {
            return Err(holds::over(tx, self.hold).await?.into());
        }
        let mut content = Content::default();
        if let Some(customer) = row.try_get::<Option<i64>, _>("customer_id")?.map(CustomerId::from_raw) {
            set_customer_of_hold(tx, &mut content, customer).await?;
        }
        for row in ended {
            let what = goods(tx, row.item, row.stock_units).await?;
            content.add(what)?;
        }
        insert(tx, &self.channel, &content, &who).await
    }
}

/// As if they had been chosen; of a name that was typed, and of nobody else, there are no terms.
async fn set_customer_of_hold(
    tx: &mut Tx,
    content: &mut Content,
    customer: CustomerId,
) -> Result<(), CommandError> {
    if !person_data::is_there(tx.db(), customer).await? {
        return Ok(());
    }
    if party::terms(tx.db(), customer).await?.is_some() {
        return set_customer(tx, content, Some(customer)).await;
    }
    content.customer = Some(customer);
    Ok(())
}

async fn goods(tx: &mut Tx, item: ItemId, stock_units: i64) -> Result<What, CommandError> {
    let row = sqlx::query("SELECT sku, stock_unit FROM item WHERE id = $1")
        .bind(item.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| StorageError::impossible("a hold of no item"))?;
    let unit: Option<String> = row.try_get("stock_unit")?;
    let measure = match unit {
        Some(code) => Measure::Thousandths(WeightUnit::from_code(&code).stored("item.stock_unit")?),
        None => Measure::Units,
    };
    let value = Quantity::from_stock_units(stock_units, measure).stored("hold.stock_units")?.value();
    let code = Code::parse(&row.try_get::<String, _>("sku")?).stored("item.sku")?;
    Ok(What::Goods { item, code, quantity: Asked { value, unit: None } })
}
