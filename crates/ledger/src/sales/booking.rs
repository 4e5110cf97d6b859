//! Writes sales into the books: the sale, its lines and payments, and the day's totals.
//!
//! Stock was taken before, and nothing here decides anything. A sale at the counter and a thousand past
//! ones from a file are written in the same way.

use crate::books;
use crate::books::figures::{BookLine, sale_figures};
use crate::sales::accounts::Opens;
use crate::sales::party::Party;
use crate::sales::ring_up::TenderIn;
use crate::shelf::weighed::{self, Weighed};
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use crate::store::sql::Statement;
use crate::store::tables;
use domain::basket::{LineKind, LineMoney, TenderKind, Totals};
use domain::channel::Channel;
use domain::day::{Day, Moment};
use domain::ids::{CustomerId, ItemId, OrderId, SaleId, SaleLineId};
use domain::money::{Currency, Money, MoneyError};
use domain::quantity::{Measure, Quantity};
use domain::revenue::Figures;
use std::collections::BTreeMap;

/// A line about to be booked.
#[derive(Clone, Debug)]
pub(crate) struct DraftLine {
    pub(crate) kind: LineKind,
    pub(crate) item: Option<ItemId>,
    pub(crate) code: String,
    pub(crate) title: String,
    pub(crate) quantity: Quantity,
    pub(crate) price: Money,
    pub(crate) money: LineMoney,
    pub(crate) cost: Option<Money>,
    pub(crate) weighed: Option<Weighed>,
    /// The gift certificate or the deposit that it sells.
    pub(crate) opens: Option<Opens>,
}

/// A sale about to be booked.
#[derive(Clone, Debug)]
pub(crate) struct Draft {
    pub(crate) id: SaleId,
    /// None for a past sale.
    pub(crate) receipt: Option<i64>,
    pub(crate) channel: Channel,
    pub(crate) at: Moment,
    pub(crate) order: Option<OrderId>,
    /// Whether its order was sold before and already counts in the books.
    pub(crate) further: bool,
    pub(crate) lines: Vec<DraftLine>,
    pub(crate) totals: Totals,
    pub(crate) fee: Money,
    pub(crate) tenders: Vec<TenderIn>,
    pub(crate) party: Party,
    pub(crate) note: String,
    pub(crate) who: String,
}

impl Draft {
    /// The cash that stays in the drawer: what was received, less the change.
    pub(crate) fn cash(&self) -> Result<Money, MoneyError> {
        let given = self.tenders.iter().filter(|t| t.kind == TenderKind::Cash).map(|t| t.amount);
        Money::sum(given, self.totals.due.currency())?.minus(self.totals.change)
    }
}

/// Books the sales. The caller has taken the stock and called [`Tx::lock_shop_state`]. Returns the identifiers
/// of each sale's lines.
pub(crate) async fn write(tx: &mut Tx, drafts: &[Draft]) -> Result<Vec<Vec<SaleLineId>>, CommandError> {
    let mut bundle = Bundle::default();
    let ids = add(tx, drafts, &mut bundle)?;
    tx.write(bundle).await?;
    Ok(ids)
}

/// The same, as the last parts of a bundle.
pub(crate) fn add(
    tx: &Tx,
    drafts: &[Draft],
    bundle: &mut Bundle,
) -> Result<Vec<Vec<SaleLineId>>, CommandError> {
    for draft in drafts {
        assert_law_4(draft)?;
    }
    bundle.insert(&tables::SALE, "", drafts, bind_sale);
    let ids = add_lines(tx, drafts, bundle)?;
    add_tenders(tx, drafts, bundle)?;
    let shop = tx.shop();
    let mut days: BTreeMap<(Day, Channel), Figures> = BTreeMap::new();
    for draft in drafts {
        let day = (shop.zone.day_of(draft.at), draft.channel.clone());
        let sum = days.entry(day).or_insert_with(|| Figures::none(shop.currency));
        *sum = sum.plus(&figures(draft, shop.currency)?).field("total")?;
    }
    books::add_to(bundle, &days)?;
    Ok(ids)
}

/// Law 4, before the schema checks it again.
fn assert_law_4(draft: &Draft) -> Result<(), CommandError> {
    let t = &draft.totals;
    let left =
        t.lines.minor() - t.discounts.minor() + t.tax.minor() + t.shipping.minor() + t.rounding.minor();
    let tenders: i64 = draft.tenders.iter().map(|t| t.amount.minor()).sum();
    if left != t.tendered.minor() - t.change.minor() || tenders != t.tendered.minor() {
        return Err(Rejection::invalid("tenders", SalesReason::Unbalanced).into());
    }
    Ok(())
}

/// The sum of lines that are not goods.
fn not_revenue(draft: &Draft) -> i64 {
    draft.lines.iter().filter(|l| l.kind != LineKind::Goods).map(|l| l.money.amount.minor()).sum()
}

fn bind_sale(statement: Statement<'static>, draft: &Draft) -> Statement<'static> {
    let totals = &draft.totals;
    let not_revenue = not_revenue(draft);
    statement
        .bind(draft.id.raw())
        .bind(draft.channel.as_str().to_owned())
        .bind(draft.receipt)
        .bind(draft.at.millis())
        .bind(i64::from(draft.receipt.is_none()))
        .bind(draft.order.map(OrderId::raw))
        .bind(totals.lines.minor() - not_revenue)
        .bind(not_revenue)
        .bind(totals.discounts.minor())
        .bind(totals.tax.minor())
        .bind(totals.shipping.minor())
        .bind(totals.rounding.minor())
        .bind(totals.tendered.minor())
        .bind(totals.change.minor())
        .bind(draft.fee.minor())
        .bind(draft.note.clone())
        .bind(draft.who.clone())
        .bind(draft.party.customer.map(CustomerId::raw))
        .bind(i64::from(draft.party.is_wholesale))
        .bind(i64::from(draft.party.is_tax_exempt))
}

fn add_lines(tx: &Tx, drafts: &[Draft], bundle: &mut Bundle) -> Result<Vec<Vec<SaleLineId>>, CommandError> {
    let mut rows: Vec<(i64, i64, i64, &DraftLine)> = Vec::new();
    let mut ids = Vec::with_capacity(drafts.len());
    for draft in drafts {
        let mut of_sale = Vec::with_capacity(draft.lines.len());
        for (position, line) in (1..).zip(&draft.lines) {
            let id = tx.next_id()?;
            rows.push((id, draft.id.raw(), position, line));
            of_sale.push(SaleLineId::from_raw(id));
        }
        ids.push(of_sale);
    }
    bundle.insert(&tables::SALE_LINE, "", &rows, |statement, (id, sale, position, line)| {
        let statement = statement
            .bind(*id)
            .bind(*sale)
            .bind(*position)
            .bind(line.kind.code().to_owned())
            .bind(line.item.map(ItemId::raw))
            .bind(line.code.clone())
            .bind(line.title.clone())
            .bind(line.quantity.stock_units())
            .bind(unit_code(line.quantity.measure()).to_owned())
            .bind(line.price.minor())
            .bind(line.money.amount.minor())
            .bind(line.money.discount.minor())
            .bind(line.money.tax.minor())
            .bind(line.cost.map(Money::minor));
        weighed::bind(statement, line.weighed)
    });
    Ok(ids)
}

/// How a sale line stores its measure: empty for units.
pub(crate) fn unit_code(measure: Measure) -> &'static str {
    match measure {
        Measure::Units => "",
        Measure::Thousandths(unit) => unit.code(),
    }
}

fn add_tenders(tx: &Tx, drafts: &[Draft], bundle: &mut Bundle) -> Result<(), CommandError> {
    let mut rows: Vec<(i64, i64, &TenderIn)> = Vec::new();
    for draft in drafts {
        for tender in &draft.tenders {
            rows.push((tx.next_id()?, draft.id.raw(), tender));
        }
    }
    bundle.insert(&tables::TENDER, "", &rows, |statement, (id, sale, tender)| {
        statement
            .bind(*id)
            .bind(*sale)
            .bind(None::<i64>)
            .bind(tender.kind.code().to_owned())
            .bind(tender.amount.minor())
            .bind(tender.on_file.map(CustomerId::raw))
            .bind(tender.due.map(Day::number))
    });
    let owed: Vec<(i64, i64, &TenderIn)> =
        rows.into_iter().filter(|(_, _, t)| t.kind == TenderKind::OnAccount && !t.amount.is_zero()).collect();
    bundle.insert(&tables::OPEN_BALANCE, "", &owed, |statement, (id, sale, tender)| {
        statement
            .bind(*id)
            .bind(*sale)
            .bind(tender.on_file.map(CustomerId::raw))
            .bind(tender.due.map_or(0, Day::number))
            .bind(tender.amount.minor())
            .bind(0_i64)
    });
    Ok(())
}

fn figures(draft: &Draft, currency: Currency) -> Result<Figures, CommandError> {
    debug_assert_eq!(currency, draft.totals.lines.currency());
    let lines: Vec<BookLine> = draft
        .lines
        .iter()
        .map(|l| BookLine {
            kind: l.kind,
            quantity: l.quantity,
            amount: l.money.amount,
            discount: l.money.discount,
            tax: l.money.tax,
            cost: l.cost,
        })
        .collect();
    let figures = sale_figures(&lines, draft.totals.shipping, draft.fee, draft.totals.rounding)?;
    Ok(if draft.further { Figures { sales: 0, ..figures } } else { figures })
}
