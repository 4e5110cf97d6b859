//! Giving back: a line, a part of it, or a whole sale; never more than was sold (law 9).

use crate::booking::{BookLine, LineKind};
use crate::books;
use crate::command::{Command, Tx};
use crate::entries::{book_line, put_back, refunded};
use crate::error::{Failure, Naming, Stored};
use crate::payments;
use crate::refusal::Refusal;
use crate::sql::insert_rows;
use crate::stock::{self, Because};
use domain::basket::{Given, TenderKind};
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{ItemId, RefundId, RefundLineId, SaleId, SaleLineId};
use domain::money::{Currency, Money};
use domain::quantity::{Asked, Quantity};
use domain::refund::{Part, RefundError, Sold, next_part};
use domain::revenue::Figures;
use domain::stock::{Fate, Why};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// A line, or a part of it, that is given back.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RefundLine {
    /// Which line of the sale.
    pub line: SaleLineId,
    /// How much; all that is left if not said.
    pub quantity: Option<Asked>,
    /// What becomes of the goods.
    pub fate: Fate,
}

/// How the money is given back.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum RefundTender {
    /// All of it this way; cash is rounded as the shop rounds cash.
    All(TenderKind),
    /// In these parts, which add up to it.
    Parts(Vec<Given>),
}

/// A refund about to be made.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewRefund {
    /// Of which sale.
    pub sale: SaleId,
    /// Which lines; none means all that is left, shipping too, with the fate given.
    pub lines: Vec<RefundLine>,
    /// What becomes of the goods of a whole refund.
    pub fate: Fate,
    /// Shipping given back with the lines.
    pub shipping: Money,
    /// How the money goes.
    pub tender: RefundTender,
    /// Why.
    pub reason: String,
    /// Who.
    pub who: String,
}

/// A refund that was made.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefundDone {
    /// Its identifier.
    pub id: RefundId,
    /// Of which sale.
    pub sale: SaleId,
    /// What each line gave back.
    pub lines: Vec<(RefundLineId, SaleLineId, Part)>,
    /// Shipping given back.
    pub shipping: Money,
    /// What cash rounding added.
    pub rounding: Money,
    /// What went to the customer.
    pub given: Money,
}

/// A line of the sale as it stands in the books.
pub(crate) struct SoldLine {
    pub(crate) id: SaleLineId,
    pub(crate) item: Option<ItemId>,
    pub(crate) title: String,
    pub(crate) book: BookLine,
}

/// The sale that a refund is of.
struct OfSale {
    channel: Channel,
    shipping: Money,
}

impl Command for NewRefund {
    type Answer = RefundDone;

    async fn run(&self, tx: &mut Tx) -> Result<RefundDone, Failure> {
        let reason = text::note(&self.reason).field("reason")?;
        let who = text::short(&self.who).field("who")?;
        let at = tx.now();
        refund(tx, self, RefundNote { reason: &reason, who: &who, at }).await
    }
}

/// The words and the moment of a refund.
#[derive(Clone, Copy)]
pub(crate) struct RefundNote<'a> {
    pub(crate) reason: &'a str,
    pub(crate) who: &'a str,
    pub(crate) at: Moment,
}

/// Books a refund; an order's own refunds come this way too.
pub(crate) async fn refund(
    tx: &mut Tx,
    new: &NewRefund,
    note: RefundNote<'_>,
) -> Result<RefundDone, Failure> {
    let currency = tx.shop().currency;
    let sale = read_sale(tx, new.sale, currency).await?;
    let sold = read_lines(tx, new.sale, currency).await?;
    let shipping = claim_sale(tx, new, &sale).await?;
    let mut parts = Vec::new();
    for (line, asked, fate) in wanted(new, &sold)? {
        if let Some(part) = claim_part(tx, line, asked).await? {
            parts.push((RefundLineId::from_raw(tx.next_id()?), line, part, fate));
        }
    }
    if parts.is_empty() && shipping.is_zero() {
        return Err(Refusal::invalid("lines", "nothing is left of this sale to give back").into());
    }
    let id = RefundId::from_raw(tx.next_id()?);
    let given = settle(tx, &parts, shipping, &new.tender)?;
    for (_, line, part, fate) in &parts {
        if *fate == Fate::Shelf {
            back_on_shelf(tx, line, part.steps, id, note).await?;
        }
    }
    tx.open_books(0).await?;
    write(tx, id, new.sale, &sale.channel, &given, note).await?;
    write_lines(tx, id, &parts, note).await?;
    write_tenders(tx, id, new.sale, &given.tenders, note).await?;
    add_to_books(tx, &sale.channel, &parts, &given, note.at).await?;
    Ok(RefundDone {
        id,
        sale: new.sale,
        lines: parts.into_iter().map(|(id, line, part, _)| (id, line.id, part)).collect(),
        shipping,
        rounding: given.rounding,
        given: given.total,
    })
}

async fn read_sale(tx: &mut Tx, sale: SaleId, currency: Currency) -> Result<OfSale, Failure> {
    let row = sqlx::query("SELECT channel, shipping FROM sale WHERE id = $1")
        .bind(sale.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Refusal::no_such("sale", sale))?;
    Ok(OfSale {
        channel: Channel::parse(&row.try_get::<String, _>(0)?).stored("sale.channel")?,
        shipping: Money::from_minor(row.try_get(1)?, currency).stored("sale.shipping")?,
    })
}

pub(crate) async fn read_lines(
    tx: &mut Tx,
    sale: SaleId,
    currency: Currency,
) -> Result<Vec<SoldLine>, Failure> {
    let rows = sqlx::query(
        "SELECT id, item_id, title, kind, steps, unit, amount, discount, tax, cost FROM sale_line \
         WHERE sale_id = $1 ORDER BY position",
    )
    .bind(sale.raw())
    .fetch_all(tx.db())
    .await?;
    let line = |row: &sqlx::any::AnyRow| {
        Ok(SoldLine {
            id: SaleLineId::from_raw(row.try_get(0)?),
            item: row.try_get::<Option<i64>, _>(1)?.map(ItemId::from_raw),
            title: row.try_get(2)?,
            book: book_line(row, 3, currency)?,
        })
    };
    rows.iter().map(line).collect()
}

/// Counts this refund and its shipping beside the sale. From here on this sale's row is locked, so
/// that its lines' counters cannot move under us; the conditions are checked again all the same.
async fn claim_sale(tx: &mut Tx, new: &NewRefund, sale: &OfSale) -> Result<Money, Failure> {
    open_sale_back(tx, new.sale, sale.shipping).await?;
    let row = sqlx::query(
        "UPDATE sale_back SET refunds = refunds + 1 WHERE sale_id = $1 AND voided = 0 RETURNING shipping",
    )
    .bind(new.sale.raw())
    .fetch_optional(tx.db())
    .await?
    .ok_or_else(|| Refusal::invalid("sale", "this sale was voided; nothing is left to give back"))?;
    let before = Money::from_minor(row.try_get(0)?, sale.shipping.currency()).stored("sale_back.shipping")?;
    let left = sale.shipping.minus(before).field("shipping")?;
    let shipping = if new.lines.is_empty() && new.shipping.is_zero() { left } else { new.shipping };
    if shipping.is_negative() {
        return Err(Refusal::invalid("shipping", "shipping given back may not be below 0").into());
    }
    let done = sqlx::query(
        "UPDATE sale_back SET shipping = shipping + $2 WHERE sale_id = $1 AND shipping + $2 <= shipping_sold",
    )
    .bind(new.sale.raw())
    .bind(shipping.minor())
    .execute(tx.db())
    .await?;
    if done.rows_affected() == 0 {
        let (asked, left) = (shipping.to_string(), left.to_string());
        return Err(Refusal::MoreThanSold { title: "shipping".to_owned(), asked, left }.into());
    }
    Ok(shipping)
}

pub(crate) async fn open_sale_back(tx: &mut Tx, sale: SaleId, shipping: Money) -> Result<(), Failure> {
    sqlx::query(
        "INSERT INTO sale_back (sale_id, shipping_sold, shipping, refunds, voided) VALUES ($1, $2, 0, 0, 0) \
         ON CONFLICT DO NOTHING",
    )
    .bind(sale.raw())
    .bind(shipping.minor())
    .execute(tx.db())
    .await?;
    Ok(())
}

type Wanted<'a> = (&'a SoldLine, Option<Asked>, Fate);

/// The lines asked for, each once; all of them if none is named.
fn wanted<'a>(new: &NewRefund, sold: &'a [SoldLine]) -> Result<Vec<Wanted<'a>>, Failure> {
    if new.lines.is_empty() && new.shipping.is_zero() {
        let fate = |line: &SoldLine| if line.item.is_some() { new.fate } else { Fate::Open };
        return Ok(sold.iter().map(|line| (line, None, fate(line))).collect());
    }
    let mut wanted: Vec<Wanted<'a>> = Vec::with_capacity(new.lines.len());
    for asked in &new.lines {
        let line = sold
            .iter()
            .find(|l| l.id == asked.line)
            .ok_or_else(|| Refusal::no_such("line of this sale", asked.line))?;
        if wanted.iter().any(|(l, ..)| l.id == line.id) {
            return Err(Refusal::invalid(
                "lines",
                format!("{} stands on two lines of the refund", line.title),
            )
            .into());
        }
        if line.item.is_none() && asked.fate == Fate::Shelf {
            let reason = format!("{} is no item of this shelf; it cannot be put back on it", line.title);
            return Err(Refusal::invalid("fate", reason).into());
        }
        wanted.push((line, asked.quantity, asked.fate));
    }
    Ok(wanted)
}

/// Moves the line's counters by the next part; nothing if the whole is asked for and nothing is left.
async fn claim_part(tx: &mut Tx, line: &SoldLine, asked: Option<Asked>) -> Result<Option<Part>, Failure> {
    let sold = Sold {
        steps: line.book.quantity.steps(),
        amount: line.book.amount,
        discount: line.book.discount,
        tax: line.book.tax,
        cost: line.book.cost,
    };
    let before = given_before(tx, line, &sold).await?;
    let steps = match asked {
        Some(asked) => Quantity::resolve(asked, line.book.quantity.measure()).field("quantity")?.steps(),
        None if before.steps == sold.steps => return Ok(None),
        None => sold.steps - before.steps,
    };
    let part = next_part(&sold, &before, steps).map_err(|error| more_than_sold(line, error))?;
    let done = sqlx::query(
        "UPDATE line_back SET steps = steps + $2, amount = amount + $3, discount = discount + $4, tax = tax + $5, \
         cost = cost + $6 WHERE sale_line_id = $1 AND steps + $2 <= steps_sold AND amount + $3 <= amount_sold \
         AND discount + $4 <= discount_sold AND tax + $5 <= tax_sold",
    )
    .bind(line.id.raw())
    .bind(part.steps)
    .bind(part.amount.minor())
    .bind(part.discount.minor())
    .bind(part.tax.minor())
    .bind(part.cost.minor())
    .execute(tx.db())
    .await?;
    if done.rows_affected() == 0 {
        let left = sold.steps - before.steps;
        return Err(more_than_sold(line, RefundError::MoreThanSold { asked: steps, left, sold: sold.steps }));
    }
    Ok(Some(part))
}

fn more_than_sold(line: &SoldLine, error: RefundError) -> Failure {
    let shown = |steps| {
        Quantity::from_steps(steps, line.book.quantity.measure()).map(|q| q.to_string()).unwrap_or_default()
    };
    match error {
        RefundError::MoreThanSold { asked, left, .. } => {
            Refusal::MoreThanSold { title: line.title.clone(), asked: shown(asked), left: shown(left) }.into()
        }
        other => Refusal::invalid("quantity", other).into(),
    }
}

async fn given_before(tx: &mut Tx, line: &SoldLine, sold: &Sold) -> Result<Part, Failure> {
    sqlx::query(
        "INSERT INTO line_back (sale_line_id, steps_sold, amount_sold, discount_sold, tax_sold, steps, amount, \
         discount, tax, cost) VALUES ($1, $2, $3, $4, $5, 0, 0, 0, 0, 0) ON CONFLICT DO NOTHING",
    )
    .bind(line.id.raw())
    .bind(sold.steps)
    .bind(sold.amount.minor())
    .bind(sold.discount.minor())
    .bind(sold.tax.minor())
    .execute(tx.db())
    .await?;
    let row = sqlx::query("SELECT steps, amount, discount, tax, cost FROM line_back WHERE sale_line_id = $1")
        .bind(line.id.raw())
        .fetch_one(tx.db())
        .await?;
    let money = |at: usize| Money::from_minor(row.try_get(at)?, sold.amount.currency()).stored("line_back");
    Ok(Part {
        steps: row.try_get(0)?,
        amount: money(1)?,
        discount: money(2)?,
        tax: money(3)?,
        cost: money(4)?,
    })
}

type RefundPart<'a> = (RefundLineId, &'a SoldLine, Part, Fate);

/// The refund's own figures: law 4 with every sign turned.
struct Settled {
    goods: Money,
    discounts: Money,
    tax: Money,
    shipping: Money,
    rounding: Money,
    total: Money,
    tenders: Vec<Given>,
}

fn settle(
    tx: &Tx,
    parts: &[RefundPart<'_>],
    shipping: Money,
    tender: &RefundTender,
) -> Result<Settled, Failure> {
    let shop = tx.shop();
    let mut sum = Part::none(shipping);
    for (_, _, part, _) in parts {
        sum = sum.plus(part).field("lines")?;
    }
    let due = sum.given_back().and_then(|d| d.plus(shipping)).field("lines")?;
    let (rounding, tenders) = match tender {
        RefundTender::All(kind) => {
            let given =
                if *kind == TenderKind::Cash { shop.cash_rounding.round(due).field("tender")? } else { due };
            (given.minus(due).field("tender")?, vec![(*kind, given)])
        }
        RefundTender::Parts(parts) => {
            let other: Vec<Money> = parts.iter().filter(|p| p.0 != TenderKind::Cash).map(|p| p.1).collect();
            let other = Money::sum(other, shop.currency).field("tender")?;
            let for_cash = due.minus(other).field("tender")?;
            let rounded = shop.cash_rounding.round(for_cash).field("tender")?;
            (rounded.minus(for_cash).field("tender")?, parts.clone())
        }
    };
    let total = due.plus(rounding).field("tender")?;
    let given = Money::sum(tenders.iter().map(|t| t.1), shop.currency).field("tender")?;
    if given != total || tenders.iter().any(|t| t.1.is_negative()) {
        let reason = format!("{total} is given back, and the tenders come to {given}");
        return Err(Refusal::invalid("tender", reason).into());
    }
    Ok(Settled {
        goods: sum.amount,
        discounts: sum.discount,
        tax: sum.tax,
        shipping,
        rounding,
        total,
        tenders,
    })
}

async fn back_on_shelf(
    tx: &mut Tx,
    line: &SoldLine,
    steps: i64,
    source: RefundId,
    note: RefundNote<'_>,
) -> Result<(), Failure> {
    let Some(item) = line.item else {
        let reason = format!("{} is no item of this shelf; it cannot be put back on it", line.title);
        return Err(Refusal::invalid("fate", reason).into());
    };
    let because = Because { why: Why::PutBack, source: Some(source.raw()), note: note.reason, who: note.who };
    stock::add(tx, item, steps, because).await
}

const REFUND: &str = "INSERT INTO refund (id, sale_id, channel, at_ms, goods, discounts, tax, shipping, rounding, tendered, reason, who)";
const REFUND_LINE: &str =
    "INSERT INTO refund_line (id, refund_id, sale_line_id, steps, units, amount, discount, tax, cost)";
const CAME_BACK: &str = "INSERT INTO came_back (refund_line_id, fate, at_ms, who)";
const TENDER: &str = "INSERT INTO tender (id, sale_id, refund_id, kind, amount, customer, due_day)";

async fn write(
    tx: &mut Tx,
    id: RefundId,
    sale: SaleId,
    channel: &Channel,
    given: &Settled,
    note: RefundNote<'_>,
) -> Result<(), Failure> {
    insert_rows(tx.db(), REFUND, 12, std::slice::from_ref(given), |statement, given| {
        statement
            .bind(id.raw())
            .bind(sale.raw())
            .bind(channel.as_str().to_owned())
            .bind(note.at.millis())
            .bind(given.goods.minor())
            .bind(given.discounts.minor())
            .bind(given.tax.minor())
            .bind(given.shipping.minor())
            .bind(given.rounding.minor())
            .bind(given.total.minor())
            .bind(note.reason.to_owned())
            .bind(note.who.to_owned())
    })
    .await?;
    Ok(())
}

/// The units that a part takes out of the books: see [`refunded`].
async fn units(tx: &mut Tx, line: &SoldLine, part: &Part) -> Result<i64, Failure> {
    if line.book.kind != LineKind::Goods {
        return Ok(0);
    }
    let row = sqlx::query("SELECT steps, steps_sold FROM line_back WHERE sale_line_id = $1")
        .bind(line.id.raw())
        .fetch_one(tx.db())
        .await?;
    let complete = row.try_get::<i64, _>(0)? == row.try_get::<i64, _>(1)?;
    Ok(match line.book.quantity.measure() {
        domain::quantity::Measure::Units => part.steps,
        domain::quantity::Measure::Thousandths(_) => i64::from(complete),
    })
}

async fn write_lines(
    tx: &mut Tx,
    id: RefundId,
    parts: &[RefundPart<'_>],
    note: RefundNote<'_>,
) -> Result<(), Failure> {
    let mut rows = Vec::with_capacity(parts.len());
    for (line_id, line, part, _) in parts {
        rows.push((line_id.raw(), line.id.raw(), units(tx, line, part).await?, *part));
    }
    insert_rows(tx.db(), REFUND_LINE, 9, &rows, |statement, (line_id, sale_line, units, part)| {
        statement
            .bind(*line_id)
            .bind(id.raw())
            .bind(*sale_line)
            .bind(part.steps)
            .bind(*units)
            .bind(part.amount.minor())
            .bind(part.discount.minor())
            .bind(part.tax.minor())
            .bind(part.cost.minor())
    })
    .await?;
    let fates: Vec<(i64, Fate)> =
        parts.iter().filter(|p| p.3 != Fate::Open).map(|p| (p.0.raw(), p.3)).collect();
    insert_rows(tx.db(), CAME_BACK, 4, &fates, |statement, (line_id, fate)| {
        statement.bind(*line_id).bind(fate.code().to_owned()).bind(note.at.millis()).bind(note.who.to_owned())
    })
    .await?;
    Ok(())
}

async fn write_tenders(
    tx: &mut Tx,
    id: RefundId,
    sale: SaleId,
    tenders: &[Given],
    note: RefundNote<'_>,
) -> Result<(), Failure> {
    let rows = tenders
        .iter()
        .map(|(kind, amount)| Ok((tx.next_id()?, *kind, *amount)))
        .collect::<Result<Vec<_>, Failure>>()?;
    insert_rows(tx.db(), TENDER, 7, &rows, |statement, (tender, kind, amount)| {
        statement
            .bind(*tender)
            .bind(None::<i64>)
            .bind(id.raw())
            .bind(kind.code().to_owned())
            .bind(amount.minor())
            .bind(String::new())
            .bind(None::<i64>)
    })
    .await?;
    for (kind, amount) in tenders {
        if *kind == TenderKind::Owed && !amount.is_zero() {
            payments::forgive(tx, sale, *amount, note.who).await?;
        }
    }
    Ok(())
}

async fn add_to_books(
    tx: &mut Tx,
    channel: &Channel,
    parts: &[RefundPart<'_>],
    given: &Settled,
    at: Moment,
) -> Result<(), Failure> {
    let shop = tx.shop();
    let mut sum = Figures {
        shipping: given.shipping.negated(),
        rounding: given.rounding.negated(),
        ..Figures::none(shop.currency)
    };
    for (_, line, part, fate) in parts {
        let units = units(tx, line, part).await?;
        let quantity = Quantity::from_steps(part.steps, line.book.quantity.measure()).field("quantity")?;
        let given =
            BookLine { quantity, amount: part.amount, discount: part.discount, tax: part.tax, ..line.book };
        sum = sum.plus(&refunded(&given, units)?).field("total")?;
        if *fate == Fate::Shelf {
            sum = sum.plus(&put_back(part.cost, line.book.cost.is_some(), units)).field("total")?;
        }
    }
    books::add_one(tx, shop.zone.day_of(at), channel, &sum).await
}

/// Says what becomes of refunded goods on which nobody had decided.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DecideFate {
    /// Which line of a refund.
    pub line: RefundLineId,
    /// Back on the shelf, or written off.
    pub fate: Fate,
    /// Who says so.
    pub who: String,
}

impl Command for DecideFate {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), Failure> {
        if self.fate == Fate::Open {
            return Err(Refusal::invalid("fate", "say shelf or written-off").into());
        }
        let who = text::short(&self.who).field("who")?;
        let shop = tx.shop();
        let row = sqlx::query(
            "SELECT l.id, l.item_id, l.title, l.kind, l.steps, l.unit, l.amount, l.discount, l.tax, l.cost, \
             rl.steps, rl.units, rl.cost, r.channel, r.id FROM refund_line rl JOIN sale_line l ON l.id = rl.sale_line_id \
             JOIN refund r ON r.id = rl.refund_id WHERE rl.id = $1",
        )
        .bind(self.line.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Refusal::no_such("line of a refund", self.line))?;
        let line = SoldLine {
            id: SaleLineId::from_raw(row.try_get(0)?),
            item: row.try_get::<Option<i64>, _>(1)?.map(ItemId::from_raw),
            title: row.try_get(2)?,
            book: book_line(&row, 3, shop.currency)?,
        };
        let claimed = sqlx::query(
            "INSERT INTO came_back (refund_line_id, fate, at_ms, who) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
        )
        .bind(self.line.raw())
        .bind(self.fate.code().to_owned())
        .bind(tx.now().millis())
        .bind(who.clone())
        .execute(tx.db())
        .await?;
        if claimed.rows_affected() == 0 {
            return Err(Refusal::invalid("fate", "it was decided before what becomes of these goods").into());
        }
        if self.fate == Fate::WrittenOff {
            return Ok(());
        }
        let note = RefundNote { reason: "", who: &who, at: tx.now() };
        back_on_shelf(tx, &line, row.try_get(10)?, RefundId::from_raw(row.try_get(14)?), note).await?;
        tx.open_books(0).await?;
        let cost = Money::from_minor(row.try_get(12)?, shop.currency).stored("refund_line.cost")?;
        let sum = put_back(cost, line.book.cost.is_some(), row.try_get(11)?);
        let channel = Channel::parse(&row.try_get::<String, _>(13)?).stored("refund.channel")?;
        books::add_one(tx, shop.zone.day_of(note.at), &channel, &sum).await
    }
}
