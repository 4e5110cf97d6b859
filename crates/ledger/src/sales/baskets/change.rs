//! Adds and changes the lines of the current sale.

use super::content::{Content, What};
use super::{approved, insert, take_open, undo};
use crate::customers::person_data;
use crate::sales::accounts::{self, NewCertificate};
use crate::sales::limits;
use crate::sales::{custom_orders, party, ring_up};
use crate::shelf::holds::expire_of_item;
use crate::shelf::lookup::{self, Found};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{CustomersReason, Rejection, SalesReason, ShelfReason, Thing};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::account::DepositFor;
use domain::basket::LineKind;
use domain::channel::Channel;
use domain::codes::Code;
use domain::discount::Off;
use domain::ids::{BasketId, CustomerId};
use domain::money::Money;
use domain::quantity::{Asked, Measure, Quantity};
use domain::stock::ItemKind;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// A change to the current sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum BasketChange {
    /// Goods are added: scanned or picked.
    Add {
        /// A SKU, an in-store code or a GTIN.
        code: Code,
        /// None means one, for counted goods.
        quantity: Option<Asked>,
    },
    /// A deposit for what is on hold or made for a customer, which makes it their sale.
    AddDeposit {
        /// The hold or the custom order.
        of: DepositFor,
        /// How much.
        amount: Money,
    },
    /// A gift certificate.
    AddPaper {
        /// That of gift certificates.
        kind: LineKind,
        /// The text on the receipt.
        title: String,
        /// How much.
        amount: Money,
        /// The gift certificate that is issued.
        certificate: Option<NewCertificate>,
    },
    /// A line's quantity and discount are changed.
    Line {
        /// Which line.
        line: u32,
        /// None leaves it as it is.
        quantity: Option<Asked>,
        /// None removes the discount.
        off: Option<Off>,
        /// Required with a discount.
        reason: String,
    },
    /// The discount on the whole sale is changed.
    Discount {
        /// None removes the discount.
        off: Option<Off>,
        /// Required with a discount.
        reason: String,
    },
    /// A line is removed.
    Remove {
        /// Which line.
        line: u32,
    },
    /// The customer is changed, and with them the discount that they have by their terms.
    Customer {
        /// None for no particular customer.
        customer: Option<CustomerId>,
    },
}

/// Begins a sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct OpenBasket {
    /// Where.
    pub channel: Channel,
    /// The first thing that is added.
    pub first: Option<BasketChange>,
    /// Who rings it up.
    pub who: String,
}

#[async_trait]
impl Command for OpenBasket {
    type Answer = BasketId;

    async fn run(&self, tx: &mut Tx) -> Result<BasketId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        tx.shop().known_channel(&self.channel)?;
        limits::allow_channel(tx, &self.channel).await?;
        let mut content = Content::default();
        if let Some(first) = &self.first {
            apply(tx, &mut content, first).await?;
            approved::check_discounts(tx, &content, first).await?;
        }
        let basket = insert(tx, &self.channel, &content, &who).await?;
        if self.first.is_some() {
            undo::keep_start(tx, basket, &self.channel).await?;
        }
        Ok(basket)
    }
}

/// Changes the current sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ChangeBasket {
    /// Which.
    pub basket: BasketId,
    /// The revision on which the change is based; adding needs none.
    pub revision: Option<i64>,
    /// What is done.
    pub change: BasketChange,
}

/// The result of a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Changed {
    /// The slip's revision now.
    pub revision: i64,
    /// The line that it was about.
    pub line: Option<u32>,
}

#[async_trait]
impl Command for ChangeBasket {
    type Answer = Changed;

    async fn run(&self, tx: &mut Tx) -> Result<Changed, CommandError> {
        let mut slip = take_open(tx, self.basket, self.revision).await?;
        slip.refuse_if_paying()?;
        undo::keep_step(tx, &slip).await?;
        slip.content.undone = None;
        let line = apply(tx, &mut slip.content, &self.change).await?;
        approved::check_discounts(tx, &slip.content, &self.change).await?;
        slip.write(tx).await?;
        Ok(Changed { revision: slip.revision, line })
    }
}

async fn apply(
    tx: &mut Tx,
    content: &mut Content,
    change: &BasketChange,
) -> Result<Option<u32>, CommandError> {
    match change {
        BasketChange::Add { code, quantity } => add(tx, content, code, *quantity).await.map(Some),
        BasketChange::AddDeposit { of, amount } => add_deposit(tx, content, *of, *amount).await.map(Some),
        BasketChange::AddPaper { kind, title, amount, certificate } => {
            own_money("amount", *amount, tx.shop().currency)?;
            if *kind == LineKind::Goods || amount.is_zero() {
                return Err(Rejection::invalid("amount", SalesReason::CertificateOfNothing).into());
            }
            let title = text::name(title).field("title")?;
            let certificate = match ring_up::issued(*kind, certificate.as_ref())? {
                Some(certificate) => Some(certificate.filed(tx).await?),
                None => None,
            };
            content.add(What::Paper { kind: *kind, title, amount: *amount, certificate }).map(Some)
        }
        BasketChange::Line { line, quantity, off, reason } => {
            if let Some(asked) = quantity {
                set_quantity(tx, content, *line, *asked).await?;
            }
            let line = content.line(*line)?;
            if off.is_some() && !matches!(line.what, What::Goods { .. }) {
                return Err(Rejection::invalid("off", SalesReason::CertificateDiscounted).into());
            }
            (line.off, line.reason) = (*off, reason_of(*off, reason)?);
            let number = line.number;
            if let (Some(_), What::Goods { code, .. }) = (off, &line.what) {
                let found = lookup::find_all(tx, std::slice::from_ref(code)).await?.remove(0);
                line.refuse_large_off(&found, tx.shop().currency)?;
            }
            Ok(Some(number))
        }
        BasketChange::Discount { off, reason } => {
            (content.off, content.off_reason) = (*off, reason_of(*off, reason)?);
            content.is_granted = false;
            if off.is_some() {
                let codes: Vec<Code> = content.goods().map(|(_, code, _)| code.clone()).collect();
                let found = lookup::find_all(tx, &codes).await?;
                content.refuse_large_off(&found, tx.shop().currency)?;
            }
            Ok(None)
        }
        BasketChange::Remove { line } => {
            if let Some(holder) = content.line(*line)?.holder() {
                person_data::forget_name(tx, holder).await?;
            }
            content.lines.retain(|l| l.number != *line);
            Ok(None)
        }
        BasketChange::Customer { customer } => {
            set_customer(tx, content, *customer).await?;
            Ok(None)
        }
    }
}

/// Adds a deposit. Who pays it is known, so the sale becomes theirs.
async fn add_deposit(
    tx: &mut Tx,
    content: &mut Content,
    of: DepositFor,
    amount: Money,
) -> Result<u32, CommandError> {
    own_money("amount", amount, tx.shop().currency)?;
    if amount.minor() <= 0 {
        return Err(Rejection::invalid("amount", SalesReason::CertificateOfNothing).into());
    }
    let owner = accounts::owner_of(tx, of).await?;
    match content.customer {
        Some(own) if own != owner => {
            return Err(Rejection::invalid("lines", SalesReason::DepositOfAnother).into());
        }
        Some(_) => {}
        None if party::terms(tx.db(), owner).await?.is_some() => {
            set_customer(tx, content, Some(owner)).await?;
        }
        None => content.customer = Some(owner),
    }
    let title = custom_orders::title_of(tx, of).await?;
    content.add(What::Deposit { of, title, amount })
}

/// Makes it a sale for somebody on file, or for nobody in particular. The default discount is on the whole sale,
/// unless there is one already.
pub(super) async fn set_customer(
    tx: &mut Tx,
    content: &mut Content,
    customer: Option<CustomerId>,
) -> Result<(), CommandError> {
    if content.is_granted {
        (content.off, content.is_granted) = (None, false);
        content.off_reason.clear();
    }
    content.customer = customer;
    let Some(id) = customer else { return Ok(()) };
    let on_file = party::terms(tx.db(), id).await?;
    let terms = on_file.ok_or_else(|| Rejection::no_such(Thing::Customer, id))?;
    if !person_data::is_there(tx.db(), id).await? {
        return Err(Rejection::invalid("customer", CustomersReason::NotThere).into());
    }
    if let (None, Some(discount)) = (content.off, terms.discount) {
        (content.off, content.is_granted) = (Some(discount.off()), true);
        CUSTOMER_DISCOUNT.clone_into(&mut content.off_reason);
    }
    Ok(())
}

/// Why there is the discount of a customer's terms.
const CUSTOMER_DISCOUNT: &str = "customer discount";

/// A discount needs a reason, and there is no reason without one.
fn reason_of(off: Option<Off>, reason: &str) -> Result<String, CommandError> {
    if off.is_some() { text::name(reason).field("reason") } else { Ok(String::new()) }
}

async fn set_quantity(
    tx: &mut Tx,
    content: &mut Content,
    line: u32,
    asked: Asked,
) -> Result<(), CommandError> {
    let What::Goods { code, quantity, .. } = &mut content.line(line)?.what else {
        return Err(Rejection::invalid("quantity", SalesReason::CertificateQuantity).into());
    };
    let found = lookup::find_all(tx, std::slice::from_ref(code)).await?.remove(0);
    // Typed without a unit, it is in the line's unit.
    let asked = Asked { unit: asked.unit.or(quantity.unit), ..asked };
    let stock_units = Quantity::resolve_line(asked, found.measure).field("quantity")?.stock_units();
    refuse_two_of_a_piece(found.kind, stock_units)?;
    *quantity = asked;
    Ok(())
}

fn refuse_two_of_a_piece(kind: ItemKind, stock_units: i64) -> Result<(), CommandError> {
    if kind == ItemKind::Piece && stock_units > 1 {
        return Err(Rejection::invalid("quantity", ShelfReason::OnlyOne).into());
    }
    Ok(())
}

/// Adds goods. What is gone already is rejected, with who has it; scanning again adds one more, if
/// there can be more than one.
async fn add(
    tx: &mut Tx,
    content: &mut Content,
    code: &Code,
    quantity: Option<Asked>,
) -> Result<u32, CommandError> {
    let found = lookup::find_all(tx, std::slice::from_ref(code)).await?.remove(0);
    if found.sold_in_past {
        return Err(lookup::sold_in_past(tx, &found).await?.into());
    }
    let asked = match (quantity, found.measure) {
        (Some(asked), _) => asked,
        (None, Measure::Units) => Asked::ONE,
        (None, Measure::Thousandths(unit)) => {
            let reason = SalesReason::WeightMissing { title: found.title, unit };
            return Err(Rejection::invalid("quantity", reason).into());
        }
    };
    let stock_units = Quantity::resolve_line(asked, found.measure).field("quantity")?.stock_units();
    refuse_two_of_a_piece(found.kind, stock_units)?;
    let here = content.lines.iter_mut().find_map(|line| match &mut line.what {
        What::Goods { item, quantity, .. } if *item == found.id => Some((line.number, quantity)),
        _ => None,
    });
    if let Some((number, quantity)) = here {
        if found.kind == ItemKind::Piece {
            let reason = SalesReason::AlreadyInSale { title: found.title, sku: found.sku };
            return Err(Rejection::invalid("code", reason).into());
        }
        if found.measure == Measure::Units {
            let more = Asked { value: quantity.value + asked.value, ..*quantity };
            let stock_units = Quantity::resolve_line(more, found.measure).field("quantity")?.stock_units();
            refuse_if_gone(tx, &found, stock_units).await?;
            *quantity = more;
            return Ok(number);
        }
    }
    refuse_if_gone(tx, &found, stock_units).await?;
    let code = Code::parse(&found.sku).field("code")?;
    content.add(What::Goods { item: found.id, code, quantity: asked })
}

/// A first check; what decides is the hold before payment.
async fn refuse_if_gone(tx: &mut Tx, found: &Found, stock_units: i64) -> Result<(), CommandError> {
    for last_look in [false, true] {
        let row = sqlx::query("SELECT on_hand - held AS free FROM item WHERE id = $1")
            .bind(found.id.raw())
            .fetch_one(tx.db())
            .await?;
        if row.try_get::<i64, _>("free")? >= stock_units {
            return Ok(());
        }
        if last_look || !expire_of_item(tx, found.id).await? {
            break;
        }
    }
    Err(lookup::explain(tx, found.id, stock_units).await?.into())
}
