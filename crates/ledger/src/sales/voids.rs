//! Voids a sale that was rung up by mistake: on the same day it is undone as if it had not been made.

use crate::books;
use crate::books::figures::sale_figures;
use crate::people::activity_log::{self, Activity};
use crate::sales::drawer::{self, Cash, Drawer};
use crate::sales::{accounts, custom_orders, limits, refunds};
use crate::shelf::stock::{self, EntryReason};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{NotVoidable, Rejection, Thing};
use async_trait::async_trait;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::SaleId;
use domain::money::{Currency, Money};
use domain::stock::StockReason;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use std::collections::BTreeMap;

/// Who voided a sale, when and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Voided {
    /// When.
    pub at: Moment,
    /// By whom.
    pub who: String,
    /// Why.
    pub reason: String,
}

impl Ledger {
    /// Who voided this sale, and why; none if nobody did.
    pub async fn void_of(&self, sale: SaleId) -> Result<Option<Voided>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT at_ms, who, reason FROM sale_void WHERE sale_id = $1")
            .bind(sale.raw())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| {
            let at = Moment::from_millis(row.try_get("at_ms")?);
            Ok(Voided { at, who: row.try_get("who")?, reason: row.try_get("reason")? })
        })
        .transpose()
    }
}

/// Voids a sale of today that was neither refunded nor paid since.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct VoidSale {
    /// Which.
    pub sale: SaleId,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for VoidSale {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let reason = text::note(&self.reason).field("reason")?;
        let who = text::short(&self.who).field("who")?;
        let shop = tx.shop();
        let row = sqlx::query(
            "SELECT channel, at_ms, shipping, fee, rounding, order_id, backfilled FROM sale WHERE id = $1",
        )
        .bind(self.sale.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Sale, self.sale))?;
        let money = |column: &str| Money::from_minor(row.try_get(column)?, shop.currency).stored("sale");
        let (shipping, fee, rounding) = (money("shipping")?, money("fee")?, money("rounding")?);
        let at = Moment::from_millis(row.try_get("at_ms")?);
        self.refuse_if_late(
            tx,
            at,
            row.try_get::<Option<i64>, _>("order_id")?.is_some(),
            row.try_get("backfilled")?,
        )?;
        self.claim(tx, shipping).await?;
        limits::allow_void(tx, self.sale).await?;
        let lines = refunds::read_lines(tx, self.sale, shop.currency).await?;
        let mut back: BTreeMap<_, i64> = BTreeMap::new();
        for line in &lines {
            if let Some(item) = line.item {
                *back.entry(item).or_default() += line.book.quantity.stock_units();
            }
        }
        for (item, stock_units) in back {
            let because = EntryReason {
                why: StockReason::Voided,
                source: Some(self.sale.raw()),
                note: &reason,
                who: &who,
            };
            stock::add(tx, item, stock_units, because).await?;
        }
        tx.lock_shop_state(0).await?;
        if let Some(spent) = accounts::voided(tx, self.sale, (&reason, &who)).await? {
            return Err(self.rejection(spent).into());
        }
        custom_orders::reopen(tx, self.sale).await?;
        sqlx::query("INSERT INTO sale_void (sale_id, at_ms, reason, who) VALUES ($1, $2, $3, $4)")
            .bind(self.sale.raw())
            .bind(tx.now().millis())
            .bind(reason.clone())
            .bind(who.clone())
            .execute(tx.db())
            .await?;
        let lines: Vec<_> = lines.iter().map(|l| l.book).collect();
        let figures = sale_figures(&lines, shipping, fee, rounding)?.negated();
        let channel = Channel::parse(&row.try_get::<String, _>("channel")?).stored("sale.channel")?;
        books::add_one(tx, shop.zone.day_of(at), &channel, &figures).await?;
        let amount = self.cash(tx, shop.currency).await?.negated();
        let source = Cash { kind: drawer::EntryKind::Void, amount, source: self.sale.raw(), who: &who };
        drawer::book(tx, &channel, Drawer::Own, source).await?;
        activity_log::note(tx, &who, Activity::Void, &self.sale.to_string(), &reason).await
    }
}

impl VoidSale {
    /// The cash that the sale had left in the drawer.
    async fn cash(&self, tx: &mut Tx, currency: Currency) -> Result<Money, CommandError> {
        let row = sqlx::query(
            "SELECT CAST(COALESCE(SUM(t.amount), 0) AS BIGINT) AS cash, CAST(MAX(s.change_given) AS BIGINT) AS change_given FROM sale s \
             LEFT JOIN tender t ON t.sale_id = s.id AND t.kind = 'cash' WHERE s.id = $1",
        )
        .bind(self.sale.raw())
        .fetch_one(tx.db())
        .await?;
        let (given, change): (i64, i64) = (row.try_get("cash")?, row.try_get("change_given")?);
        Money::from_minor(given - change, currency).stored("tender.amount")
    }

    fn refuse_if_late(&self, tx: &Tx, at: Moment, of_order: bool, past: i64) -> Result<(), Rejection> {
        let zone = &tx.shop().zone;
        let reason = if past == 1 {
            NotVoidable::Past
        } else if of_order {
            NotVoidable::OfOrder
        } else if zone.day_of(at) != zone.day_of(tx.now()) {
            NotVoidable::NotToday
        } else {
            return Ok(());
        };
        Err(self.rejection(reason))
    }

    fn rejection(&self, reason: NotVoidable) -> Rejection {
        Rejection::NotVoidable { id: self.sale.to_string(), reason }
    }

    /// Either void or refund: both claim the row beside the sale.
    async fn claim(&self, tx: &mut Tx, shipping: Money) -> Result<(), CommandError> {
        refunds::open_sale_refunded(tx, self.sale, shipping).await?;
        let done = sqlx::query(
            "UPDATE sale_refunded SET voided = 1 WHERE sale_id = $1 AND voided = 0 AND refunds = 0",
        )
        .bind(self.sale.raw())
        .execute(tx.db())
        .await?;
        // Checked only once the row is ours: a payment that came first is finished, and a later one
        // waits.
        let paid = sqlx::query("SELECT tender_id FROM open_balance WHERE sale_id = $1 AND paid > 0 LIMIT 1")
            .bind(self.sale.raw())
            .fetch_optional(tx.db())
            .await?;
        // What was brought back in exchange is in stock again, and its refund stays, even if it lowered an open
        // balance and paid nothing of this sale.
        let exchanged = sqlx::query("SELECT id FROM refund WHERE paid_sale = $1 LIMIT 1")
            .bind(self.sale.raw())
            .fetch_optional(tx.db())
            .await?;
        if done.rows_affected() == 0 || paid.is_some() || exchanged.is_some() {
            return Err(self.rejection(NotVoidable::Settled).into());
        }
        Ok(())
    }
}
