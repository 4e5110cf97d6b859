//! Refunds: of a line, a part of one, or a whole sale; never more than was sold (law 9).

mod claim;
mod fate;
mod preview;
mod settle;
mod waiting;
mod write;

pub use fate::DecideReturn;
pub use waiting::OpenReturn;

pub(crate) use claim::open_sale_refunded;
pub(crate) use preview::preview;

use crate::books::figures::{BookLine, book_line};
use crate::people::activity_log::{self, Activity};
use crate::sales::drawer::{self, Cash, Drawer};
use crate::sales::{accounts, limits, payments, refund_way};
use crate::shelf::stock::{self, EntryReason};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use async_trait::async_trait;
use claim::{claim_part, claim_sale, wanted};
use domain::basket::{Given, TenderKind};
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{ItemId, RefundId, RefundLineId, SaleId, SaleLineId};
use domain::money::{Currency, Money, MoneyError};
use domain::quantity::Asked;
use domain::refund::Part;
use domain::stock::{ReturnDisposition, StockReason};
use domain::text;
use serde::{Deserialize, Serialize};
use settle::settle;
use sqlx::Row;
use write::{add_to_books, write, write_lines, write_tenders};

/// What is refunded of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum RefundOf {
    /// Everything that is left.
    Rest,
    /// A quantity of the goods, with its share of the money.
    Goods(Asked),
    /// Only money, tax included: the customer keeps the goods.
    Money(Money),
}

/// A line, or a part of it, to be refunded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefundLine {
    /// Which line of the sale.
    pub line: SaleLineId,
    /// How much of the line.
    pub what: RefundOf,
    /// What becomes of the goods; open for money alone.
    pub fate: ReturnDisposition,
}

/// How the money is returned.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum RefundTender {
    /// All of it in this way; cash is rounded as usual.
    All(TenderKind),
    /// In these parts, which add up to it.
    Parts(Vec<Given>),
    /// In an exchange: so much of it pays another sale, and the rest is returned in this way, where that sale is.
    Exchange {
        /// The other sale.
        pays: SaleId,
        /// Where it is.
        at: Channel,
        /// What pays the other sale.
        amount: Money,
        /// How the rest is returned.
        rest: TenderKind,
    },
}

/// A refund to be made.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewRefund {
    /// Of which sale.
    pub sale: SaleId,
    /// None means everything that is left, shipping included, with the given disposition.
    pub lines: Vec<RefundLine>,
    /// What becomes of the goods in a refund of everything.
    pub fate: ReturnDisposition,
    /// Shipping that is refunded with the lines.
    pub shipping: Money,
    /// How the money is returned.
    pub tender: RefundTender,
    /// The gift certificate that gets what is returned in that way: one that exists, or the number of a new one.
    #[serde(default)]
    pub certificate: Option<CertificateNumber>,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

/// A refund that was made.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefundDone {
    /// Its identifier.
    pub id: RefundId,
    /// Of which sale.
    pub sale: SaleId,
    /// What was refunded of each line.
    pub lines: Vec<(RefundLineId, SaleLineId, Part)>,
    /// Shipping that was refunded.
    pub shipping: Money,
    /// What cash rounding added, or took if below 0.
    pub rounding: Money,
    /// What the customer got back: handed out, or taken off an open balance.
    pub given: Money,
    /// How the money was returned.
    #[serde(default)]
    pub tenders: Vec<Given>,
}

/// A line of the sale, as booked.
pub(crate) struct SoldLine {
    pub(crate) id: SaleLineId,
    pub(crate) item: Option<ItemId>,
    pub(crate) title: String,
    pub(crate) book: BookLine,
}

/// The sale that is refunded.
struct OfSale {
    channel: Channel,
    shipping: Money,
}

#[async_trait]
impl Command for NewRefund {
    type Answer = RefundDone;

    async fn run(&self, tx: &mut Tx) -> Result<RefundDone, CommandError> {
        let reason = text::note(&self.reason).field("reason")?;
        let who = text::short(&self.who).field("who")?;
        let at = tx.now();
        book_noted(tx, self, RefundNote { reason: &reason, who: &who, at }).await
    }
}

/// A refund from an order; its reason is the order's own text.
pub(crate) async fn of_order(tx: &mut Tx, new: &NewRefund, at: Moment) -> Result<RefundDone, CommandError> {
    book_noted(tx, new, RefundNote { reason: &new.reason, who: &new.who, at }).await
}

/// Books a refund and records it in the activity log.
async fn book_noted(tx: &mut Tx, new: &NewRefund, note: RefundNote<'_>) -> Result<RefundDone, CommandError> {
    let done = refund(tx, new, note).await?;
    limits::allow_refund(tx, new.sale).await?;
    refund_way::allow(tx, new.sale, done.id).await?;
    let detail = format!("{} refunded; {}", done.given.shown(), note.reason);
    activity_log::note(tx, note.who, Activity::Refund, &new.sale.to_string(), &detail).await?;
    Ok(done)
}

/// The reason and the time of a refund.
#[derive(Clone, Copy)]
struct RefundNote<'a> {
    reason: &'a str,
    who: &'a str,
    at: Moment,
}

/// Books a refund.
async fn refund(tx: &mut Tx, new: &NewRefund, note: RefundNote<'_>) -> Result<RefundDone, CommandError> {
    let currency = tx.shop().currency;
    let sale = read_sale(tx, new.sale, currency).await?;
    let sold = read_lines(tx, new.sale, currency).await?;
    let shipping = claim_sale(tx, new, &sale).await?;
    let mut parts = Vec::new();
    for (line, what, fate) in wanted(new, &sold)? {
        if let Some(part) = claim_part(tx, line, what).await? {
            parts.push((RefundLineId::from_raw(tx.next_id()?), line, part, fate));
        }
    }
    if parts.is_empty() && shipping.is_zero() {
        return Err(Rejection::invalid("lines", SalesReason::AllRefunded).into());
    }
    let id = RefundId::from_raw(tx.next_id()?);
    // The sale's row has been ours since its claim, so no payment comes in between.
    let debt = payments::open_debt(tx, new.sale, currency).await?;
    let given = settle(tx, new, &parts, shipping, debt).await?;
    for (_, line, part, fate) in &parts {
        if *fate == ReturnDisposition::Shelf {
            back_on_shelf(tx, line, part.stock_units, id, note).await?;
        }
    }
    tx.lock_shop_state(0).await?;
    let (pays, drawer) = match &new.tender {
        RefundTender::Exchange { pays, at, .. } => (Some(*pays), at),
        RefundTender::All(_) | RefundTender::Parts(_) => (None, &sale.channel),
    };
    write(tx, id, (new.sale, pays), &sale.channel, &given, note).await?;
    write_lines(tx, id, &parts, note).await?;
    write_tenders(tx, id, new.sale, &given.tenders, note).await?;
    held_money(tx, (id, new.sale), &parts, (&given.tenders, new.certificate), note).await?;
    add_to_books(tx, &sale.channel, &parts, &given, note.at).await?;
    hand_out(tx, id, drawer, &given.tenders, note.who).await?;
    Ok(RefundDone {
        id,
        sale: new.sale,
        lines: parts.into_iter().map(|(id, line, part, _)| (id, line.id, part)).collect(),
        shipping,
        rounding: given.rounding,
        given: given.total,
        tenders: given.tenders,
    })
}

/// What the refund does to gift certificates and deposits.
async fn held_money(
    tx: &mut Tx,
    of: (RefundId, SaleId),
    parts: &[RefundPart<'_>],
    given: (&[Given], Option<CertificateNumber>),
    note: RefundNote<'_>,
) -> Result<(), CommandError> {
    let back: Vec<_> = parts
        .iter()
        .map(|(_, line, part, _)| Ok((line.id, line.book.kind, part.given_back()?)))
        .collect::<Result<_, MoneyError>>()
        .field("lines")?;
    accounts::refunded(tx, of, &back, given, (note.reason, note.who)).await
}

/// The cash of a refund leaves the drawer.
async fn hand_out(
    tx: &mut Tx,
    id: RefundId,
    channel: &Channel,
    tenders: &[Given],
    who: &str,
) -> Result<(), CommandError> {
    let cash = tenders.iter().filter(|t| t.0 == TenderKind::Cash).map(|t| t.1);
    let amount = Money::sum(cash, tx.shop().currency).field("tender")?.negated();
    let cash = Cash { kind: drawer::EntryKind::Refund, amount, source: id.raw(), who };
    drawer::book(tx, channel, Drawer::OwnOrStore, cash).await
}

async fn read_sale(tx: &mut Tx, sale: SaleId, currency: Currency) -> Result<OfSale, CommandError> {
    let row = sqlx::query("SELECT channel, shipping FROM sale WHERE id = $1")
        .bind(sale.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Sale, sale))?;
    Ok(OfSale {
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("sale.channel")?,
        shipping: Money::from_minor(row.try_get("shipping")?, currency).stored("sale.shipping")?,
    })
}

pub(crate) async fn read_lines(
    tx: &mut Tx,
    sale: SaleId,
    currency: Currency,
) -> Result<Vec<SoldLine>, CommandError> {
    let rows = sqlx::query(
        "SELECT id, item_id, title, kind, stock_units, unit, amount, discount, tax, cost FROM sale_line \
         WHERE sale_id = $1 ORDER BY position",
    )
    .bind(sale.raw())
    .fetch_all(tx.db())
    .await?;
    let line = |row: &sqlx::any::AnyRow| {
        Ok(SoldLine {
            id: SaleLineId::from_raw(row.try_get("id")?),
            item: row.try_get::<Option<i64>, _>("item_id")?.map(ItemId::from_raw),
            title: row.try_get("title")?,
            book: book_line(row, currency)?,
        })
    };
    rows.iter().map(line).collect()
}

type RefundPart<'a> = (RefundLineId, &'a SoldLine, Part, ReturnDisposition);

async fn back_on_shelf(
    tx: &mut Tx,
    line: &SoldLine,
    stock_units: i64,
    source: RefundId,
    note: RefundNote<'_>,
) -> Result<(), CommandError> {
    let Some(item) = line.item else {
        let reason = SalesReason::NotStock { title: line.title.clone() };
        return Err(Rejection::invalid("fate", reason).into());
    };
    let because = EntryReason {
        why: StockReason::PutBack,
        source: Some(source.raw()),
        note: note.reason,
        who: note.who,
    };
    stock::add(tx, item, stock_units, because).await
}
