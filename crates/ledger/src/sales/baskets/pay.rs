//! Paying: first all lines are held, or none; then what is received is recorded, and with the last
//! payment the sale is rung up, once.

use super::{NotOpen, Slip, approved, exchange, take, take_open, undo};
use crate::customers::person_data;
use crate::sales::accounts;
use crate::sales::limits;
use crate::sales::party::with_payer;
use crate::sales::ring_up::{self, NewSale, TenderIn};
use crate::shelf::holds::{self, HoldLine, NewHold, Purpose};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::basket::{self, BasketError, LineMoney, TenderKind};
use domain::codes::Code;
use domain::ids::{BasketId, HoldGroupId, ItemId, SaleId};
use domain::money::Money;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// A way to pay was chosen: holds every line, all or none, for [`BASKET_MS`](crate::shelf::BASKET_MS).
/// Money is received only after that.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct HoldBasket {
    /// Which slip.
    pub basket: BasketId,
    /// The revision that the person saw.
    pub revision: i64,
    /// Lines that the person saw as gone, which are removed first.
    pub without: Vec<u32>,
    /// Who rings it up.
    pub who: String,
}

#[async_trait]
impl Command for HoldBasket {
    /// The revision now.
    type Answer = i64;

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let mut slip = take_open(tx, self.basket, Some(self.revision)).await?;
        if !slip.content.paying && slip.content.lines.iter().any(|line| self.without.contains(&line.number)) {
            undo::keep_step(tx, &slip).await?;
            slip.content.lines.retain(|line| !self.without.contains(&line.number));
        }
        slip.content.undone = None;
        if slip.content.lines.is_empty() {
            return Err(Rejection::invalid("slip", SalesReason::NothingToPay).into());
        }
        slip.lock_customer(tx).await?;
        // Whatever would reject the sale rejects it now, before money is received.
        exact(tx, &slip).await?;
        if let Some(returns) = &mut slip.content.returns {
            returns.look(tx).await?;
        }
        hold(tx, &mut slip, &who).await?;
        slip.content.paying = true;
        slip.write(tx).await?;
        Ok(slip.revision)
    }
}

/// Holds the goods; what is held already stays.
async fn hold(tx: &mut Tx, slip: &mut Slip, who: &str) -> Result<(), CommandError> {
    if let Some(group) = slip.hold {
        if is_open(tx, group).await? {
            return Ok(());
        }
        slip.hold = None;
    }
    let lines: Vec<HoldLine> =
        slip.content.goods().map(|(_, code, quantity)| HoldLine { code: code.clone(), quantity }).collect();
    if lines.is_empty() {
        return Ok(());
    }
    let for_whom = if who.is_empty() { String::new() } else { format!("a customer of {who}") };
    let new = NewHold { lines, purpose: Purpose::Basket, for_whom, customer: None, until: None };
    slip.hold = Some(new.run(tx).await?.id);
    Ok(())
}

async fn is_open(tx: &mut Tx, group: HoldGroupId) -> Result<bool, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COUNT(*) AS BIGINT) AS count, CAST(COUNT(CASE WHEN state = 'open' AND until_ms > $2 THEN 1 END) AS BIGINT) AS open \
         FROM hold WHERE group_id = $1",
    )
    .bind(group.raw())
    .bind(tx.now().millis())
    .fetch_one(tx.db())
    .await?;
    let (all, open): (i64, i64) = (row.try_get("count")?, row.try_get("open")?);
    Ok(all > 0 && all == open)
}

/// Ends the hold, if there is one.
pub(super) async fn let_go(tx: &mut Tx, slip: &mut Slip) -> Result<(), CommandError> {
    let Some(group) = slip.hold.take() else { return Ok(()) };
    holds::end_group(tx, group).await?;
    Ok(())
}

/// A sale as it would be, its lines' money, and the total.
pub(super) type Exact = (NewSale, Vec<LineMoney>, Money);

async fn exact(tx: &mut Tx, slip: &Slip) -> Result<Exact, CommandError> {
    let content = &slip.content;
    let shop = tx.shop();
    let none = Money::zero(shop.currency);
    let codes: Vec<Code> = content.goods().map(|(_, code, _)| code.clone()).collect();
    let found = crate::shelf::lookup::find_all(tx, &codes).await?;
    let (lines, discount) = content.sale_lines(&found, shop.currency)?;
    accounts::customer_of(tx, &lines, content.customer).await?;
    // The same search as by the sale, with the same rejections.
    let found = ring_up::find(tx, &lines).await?;
    let drafts = ring_up::priced(&lines, &found, discount)?;
    let limited = if content.is_granted { &ring_up::priced(&lines, &found, none)? } else { &drafts };
    let is_spread = !content.is_granted && !discount.is_zero();
    approved::recall(tx, content)?;
    limits::allow_sale(tx, &slip.channel, None, limited, is_spread).await?;
    let titles: Vec<String> = drafts.iter().map(|draft| draft.title.clone()).collect();
    let money: Vec<LineMoney> = drafts.iter().map(|draft| draft.money).collect();
    let due = money.iter().try_fold(none, |sum, line| sum.plus(line.amount)?.minus(line.discount));
    let sale = NewSale {
        channel: domain::channel::Channel::store(),
        lines,
        discount,
        shipping: none,
        tenders: Vec::new(),
        customer: content.customer,
        is_granted: content.is_granted,
        hold: None,
        at: None,
        note: content.note(&titles),
        who: String::new(),
    };
    Ok((sale, money, due.field("lines")?))
}

/// Records a payment for a sale whose lines are held. The last payment rings it up. If it is repeated
/// after that, under any key, the answer is the existing sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PayBasket {
    /// Which slip.
    pub basket: BasketId,
    /// The total that the page showed, before cash rounding.
    pub due: Money,
    /// What was left of it by the page, before cash rounding, and below 0 if it was to be paid back. Another
    /// device may have taken a payment since.
    pub left: Option<Money>,
    /// The payment.
    pub tender: TenderIn,
    /// Who received it.
    pub who: String,
}

/// The result of a payment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BasketPaid {
    /// The sale, if that was the last payment.
    pub sale: Option<SaleId>,
    /// Whether this call rang it up.
    pub rung_up: bool,
    /// Whether nothing was taken because what is brought back is worth something else by now, as the sale says
    /// from now on.
    #[serde(default)]
    pub credit_changed: bool,
}

impl BasketPaid {
    pub(super) const NOT_YET: Self = Self { sale: None, rung_up: false, credit_changed: false };
}

#[async_trait]
impl Command for PayBasket {
    type Answer = BasketPaid;

    async fn run(&self, tx: &mut Tx) -> Result<BasketPaid, CommandError> {
        own_money("amount", self.tender.amount, tx.shop().currency)?;
        let mut slip = match take(tx, self.basket).await? {
            Ok(slip) => slip,
            Err(NotOpen::Paid(sale)) => return Ok(BasketPaid { sale: Some(sale), ..BasketPaid::NOT_YET }),
            Err(NotOpen::Other(rejection)) => return Err(rejection.into()),
        };
        if !slip.content.paying {
            return Err(Rejection::invalid("slip", SalesReason::NotPaying).into());
        }
        slip.lock_customer(tx).await?;
        let (sale, money, due) = exact(tx, &slip).await?;
        if due != self.due {
            let reason = SalesReason::TotalChanged { now: due, shown: self.due };
            return Err(Rejection::invalid("due", reason).into());
        }
        if self.tender.kind == TenderKind::Exchange {
            return Err(Rejection::invalid("tender", SalesReason::NotAPayment).into());
        }
        if exchange::is_worth_something_else(tx, &mut slip).await? {
            slip.write(tx).await?;
            return Ok(BasketPaid { credit_changed: true, ..BasketPaid::NOT_YET });
        }
        self.refuse_other_left(&slip, due)?;
        if let Some(returns) = slip.content.returns.clone() {
            let exact = (sale, money, due);
            return exchange::settle(tx, &mut slip, &returns, exact, (&self.tender, &self.who)).await;
        }
        slip.content.tenders.push(with_payer(tx, &self.tender, slip.content.customer).await?);
        refuse_more_than_is_left(tx, &slip).await?;
        accounts::refuse_bought_with_another(&sale.lines, &slip.content.tenders, due)?;
        let given: Vec<_> = slip.content.tenders.iter().map(|t| (t.kind, t.amount)).collect();
        let rule = tx.shop().cash_rounding;
        match basket::settle(&money, sale.shipping, &given, rule) {
            Ok(_) => {
                let tenders = slip.content.tenders.clone();
                ring_up(tx, &mut slip, NewSale { tenders, who: self.who.clone(), ..sale }).await
            }
            Err(BasketError::Underpaid { .. }) if !self.tender.amount.is_zero() => {
                slip.write(tx).await?;
                Ok(BasketPaid::NOT_YET)
            }
            Err(wrong) => Err(Rejection::invalid("amount", wrong).into()),
        }
    }
}

/// Refuses payments that their certificates or deposits cannot make.
pub(super) async fn refuse_more_than_is_left(tx: &mut Tx, slip: &Slip) -> Result<(), CommandError> {
    let items: Vec<ItemId> = slip.content.items().collect();
    let sale = (slip.content.customer, items.as_slice());
    accounts::refuse_more_than_is_left(tx, &slip.content.tenders, sale).await
}

impl PayBasket {
    /// An amount that was left out means what was left by the page, and money was taken by it.
    fn refuse_other_left(&self, slip: &Slip, due: Money) -> Result<(), CommandError> {
        let Some(shown) = self.left else { return Ok(()) };
        let taken = slip.content.tenders.iter().map(|tender| tender.amount);
        let credit = slip.content.returns.iter().map(|returns| returns.credit);
        let sum = Money::sum(taken.chain(credit), due.currency()).field("left")?;
        let now = due.minus(sum).field("left")?;
        if now == shown {
            return Ok(());
        }
        Err(Rejection::invalid("left", SalesReason::LeftChanged { now, shown }).into())
    }
}

pub(super) async fn ring_up(tx: &mut Tx, slip: &mut Slip, sale: NewSale) -> Result<BasketPaid, CommandError> {
    let sale = NewSale { channel: slip.channel.clone(), hold: slip.hold, ..sale };
    let (done, bundle) = sale.ring_up(tx).await?;
    tx.write(bundle).await?;
    undo::forget_steps(tx, slip.id).await?;
    sqlx::query("UPDATE basket SET content = $2, state = 'paid', sale_id = $3 WHERE id = $1")
        .bind(slip.id.raw())
        .bind(approved::kept(tx, &slip.content)?)
        .bind(done.id.raw())
        .execute(tx.db())
        .await?;
    Ok(BasketPaid { sale: Some(done.id), rung_up: true, credit_changed: false })
}

/// Goes back from paying to the lines: the hold ends, and what was received is handed back.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct StopPaying {
    /// Which slip.
    pub basket: BasketId,
}

#[async_trait]
impl Command for StopPaying {
    /// The payments to hand back.
    type Answer = Vec<TenderIn>;

    async fn run(&self, tx: &mut Tx) -> Result<Vec<TenderIn>, CommandError> {
        let mut slip = take_open(tx, self.basket, None).await?;
        let_go(tx, &mut slip).await?;
        slip.content.paying = false;
        let back = std::mem::take(&mut slip.content.tenders);
        let customer = slip.content.customer;
        slip.write(tx).await?;
        for payer in back.iter().filter_map(|tender| tender.on_file).filter(|payer| Some(*payer) != customer)
        {
            person_data::forget_name(tx, payer).await?;
        }
        // Answers are stored, and a certificate's number need not be.
        Ok(back.into_iter().map(|tender| TenderIn { certificate: None, ..tender }).collect())
    }
}

/// Closes a sale unpaid, and releases its hold.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct LeaveBasket {
    /// Which slip.
    pub basket: BasketId,
}

#[async_trait]
impl Command for LeaveBasket {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let mut slip = take_open(tx, self.basket, None).await?;
        if !slip.content.tenders.is_empty() {
            let taken = Money::sum(slip.content.tenders.iter().map(|t| t.amount), tx.shop().currency);
            let taken = taken.stored("basket.content")?;
            return Err(Rejection::invalid("slip", SalesReason::AlreadyPaid { taken }).into());
        }
        let_go(tx, &mut slip).await?;
        slip.content.paying = false;
        slip.leave(tx).await
    }
}
