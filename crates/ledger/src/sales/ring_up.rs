//! Rings up a sale in one transaction.

use crate::sales::accounts::{self, NewCertificate, Opens};
use crate::sales::booking::{self, Draft, DraftLine};
use crate::sales::custom_orders;
use crate::sales::drawer::{self, Cash};
use crate::sales::limits;
use crate::sales::party::{Party, with_payers};
use crate::shelf::holds;
use crate::shelf::lookup::{self, Found};
use crate::shelf::stock::{self, EntryReason, Take, in_order};
use crate::store::bundle::Bundle;
use crate::store::command::{Command, Tx, add_lock};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::account::DepositFor;
use domain::basket::{self, Line, LineKind, LineMoney, TenderKind, Totals};
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::codes::Code;
use domain::day::{Day, Moment};
use domain::ids::{AccountId, CustomerId, HoldGroupId, ItemId, SaleId, SaleLineId};
use domain::money::Money;
use domain::quantity::{Asked, Measure, Quantity};
use domain::stock::{ItemKind, StockReason};
use domain::text;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// A line of a new sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum SaleLineIn {
    /// Goods in stock, at their price.
    Goods {
        /// A SKU, an in-store code or a GTIN.
        code: Code,
        /// How much.
        quantity: Asked,
        /// Off this line.
        discount: Money,
        /// Sales tax of this line, as entered.
        tax: Money,
    },
    /// A gift certificate: money taken that is not revenue yet.
    Paper {
        /// That of gift certificates.
        kind: LineKind,
        /// The text on the receipt.
        title: String,
        /// How much.
        amount: Money,
        /// The gift certificate that is issued.
        certificate: Option<NewCertificate>,
    },
    /// A deposit of the customer for whom something is on hold or made: money taken that is not revenue yet.
    Deposit {
        /// The hold or the custom order, which names the customer.
        of: DepositFor,
        /// The text on the receipt.
        title: String,
        /// How much.
        amount: Money,
    },
}

/// One payment of a sale.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TenderIn {
    /// By what.
    pub kind: TenderKind,
    /// The amount received.
    pub amount: Money,
    /// Who will pay, as typed; only for on account.
    pub customer: String,
    /// Who will pay, if they are known; only for on account.
    #[serde(default)]
    pub on_file: Option<CustomerId>,
    /// The due date; only for on account.
    pub due: Option<Day>,
    /// The gift certificate that pays; only for those.
    #[serde(default)]
    pub certificate: Option<CertificateNumber>,
    /// The deposit that pays; only for those.
    #[serde(default)]
    pub deposit: Option<AccountId>,
}

impl TenderIn {
    /// A payment that needs no customer.
    pub fn plain(kind: TenderKind, amount: Money) -> Self {
        Self {
            kind,
            amount,
            customer: String::new(),
            on_file: None,
            due: None,
            certificate: None,
            deposit: None,
        }
    }

    /// A payment by deposit.
    pub fn by_deposit(deposit: AccountId, amount: Money) -> Self {
        Self { deposit: Some(deposit), ..Self::plain(TenderKind::Deposit, amount) }
    }

    /// A payment by gift certificate.
    pub fn by_certificate(number: CertificateNumber, amount: Money) -> Self {
        Self { certificate: Some(number), ..Self::plain(TenderKind::GiftCertificate, amount) }
    }
}

/// A new sale.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NewSale {
    /// Where.
    pub channel: Channel,
    /// What.
    pub lines: Vec<SaleLineIn>,
    /// The discount on the whole sale, spread over its lines.
    pub discount: Money,
    /// Shipping that the customer pays.
    pub shipping: Money,
    /// How it is paid.
    pub tenders: Vec<TenderIn>,
    /// For whom. What is on account is theirs unless it says otherwise.
    pub customer: Option<CustomerId>,
    /// Whether the discount is the one that the customer has by their terms: then it is no limit's matter who rings
    /// up.
    pub is_granted: bool,
    /// The hold of the current sale, if its lines were held before payment.
    pub hold: Option<HoldGroupId>,
    /// None means now; a market day's slips are rung up in the evening.
    pub at: Option<Moment>,
    /// Words.
    pub note: String,
    /// For the activity log.
    pub who: String,
}

/// A line of a finished sale.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SaleLine {
    /// The identifier for refunds.
    pub id: SaleLineId,
    /// What it is.
    pub kind: LineKind,
    /// The SKU at the time.
    pub code: String,
    /// The name at the time.
    pub title: String,
    /// How much.
    pub quantity: Quantity,
    /// The price of one at the time.
    pub price: Money,
    /// Amount, discount and tax.
    pub money: LineMoney,
}

/// A finished sale.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SaleDone {
    /// Its identifier.
    pub id: SaleId,
    /// Its receipt number.
    pub receipt: i64,
    /// Where.
    pub channel: Channel,
    /// When.
    pub at: Moment,
    /// Its lines.
    pub lines: Vec<SaleLine>,
    /// The totals, with the change.
    pub totals: Totals,
}

#[async_trait]
impl Command for NewSale {
    type Answer = SaleDone;

    async fn run(&self, tx: &mut Tx) -> Result<SaleDone, CommandError> {
        if self.tenders.iter().any(|tender| tender.kind == TenderKind::Exchange) {
            // Only an exchange has the refund that it is paid with.
            return Err(Rejection::invalid("tenders", SalesReason::NotAPayment).into());
        }
        let (done, bundle) = self.ring_up(tx).await?;
        tx.write_last(bundle);
        Ok(done)
    }
}

impl NewSale {
    /// Takes the stock, and returns the sale with what is still to be written.
    pub(crate) async fn ring_up(&self, tx: &mut Tx) -> Result<(SaleDone, Bundle), CommandError> {
        let (mut draft, free) = self.draft(tx).await?;
        let takes = in_order(takes(tx, self.hold, &draft.lines).await?);
        let cash = draft.cash().field("tenders")?;
        let mut bundle = Bundle::default();
        let is_covered = takes.iter().all(|take| take.is_covered_by(free.get(&take.item).copied()));
        if is_covered {
            stock::add_takes(&mut bundle, &takes, StockReason::Sold);
        } else {
            // Expired holds may have to end first, and items are locked before the shop's row.
            stock::take_one_by_one(tx, &takes, StockReason::Sold).await?;
        }
        add_lock(&mut bundle, 1);
        drawer::add_cash(&mut bundle, &draft.channel, cash);
        let mut returned = tx.write(bundle).await?;
        if is_covered {
            stock::all_taken(tx, &takes, &returned).await?;
        }
        let receipt = tx.locked(&returned)?;
        draft.receipt = Some(receipt);
        drawer::look_again(tx, &draft.channel, cash, &mut returned).await?;
        let mut changes = accounts::spend(tx, &draft).await?;
        for line in &mut draft.lines {
            if let Some(Opens::Certificate(certificate)) = &mut line.opens {
                *certificate = certificate.filed(tx).await?;
            }
        }
        let collected = custom_orders::made_of(tx, &draft).await?;

        let (source, who) = (draft.id.raw(), draft.who.as_str());
        let mut bundle = Bundle::default();
        let because = EntryReason { why: StockReason::Sold, source: Some(source), note: "", who };
        stock::add_taken(tx, &takes, because, &mut bundle)?;
        let cash = Cash { kind: drawer::EntryKind::Sale, amount: cash, source, who };
        drawer::add_booked(tx, cash, &returned, &mut bundle)?;
        let ids = booking::add(tx, std::slice::from_ref(&draft), &mut bundle)?.remove(0);
        changes.extend(accounts::add_sold(tx, draft.id, &ids, &draft, &mut bundle)?);
        accounts::add_entries(tx, &changes, ("", who), &mut bundle)?;
        custom_orders::add_collected(tx, &collected, (draft.id, who), &mut bundle);
        Ok((done(draft, receipt, ids), bundle))
    }

    /// The sale as it will be booked, without its receipt number.
    async fn draft(&self, tx: &mut Tx) -> Result<(Draft, FreeStock), CommandError> {
        let shop = tx.shop();
        shop.known_channel(&self.channel)?;
        own_money("shipping", self.shipping, shop.currency)?;
        let at = tx.believable("at", self.at.unwrap_or(tx.now()))?;
        let note = text::note(&self.note).field("note")?;
        let who = text::short(&self.who).field("who")?;
        let customer = accounts::customer_of(tx, &self.lines, self.customer).await?;
        let tenders = with_payers(tx, &self.tenders, customer).await?;
        let party = Party::lock(tx, customer, &tenders).await?;
        let found = find(tx, &self.lines).await?;
        let lines = priced(&self.lines, &found, self.discount)?;
        let limited =
            if self.is_granted { &priced(&self.lines, &found, Money::zero(shop.currency))? } else { &lines };
        let is_spread = !self.is_granted && !self.discount.is_zero();
        limits::allow_sale(tx, &self.channel, self.at, limited, is_spread).await?;
        let given: Vec<_> = tenders.iter().map(|t| (t.kind, t.amount)).collect();
        let money: Vec<LineMoney> = lines.iter().map(|l| l.money).collect();
        let totals = basket::settle(&money, self.shipping, &given, shop.cash_rounding).field("tenders")?;
        accounts::refuse_bought_with_another(&self.lines, &tenders, totals.due)?;
        let free = found.iter().map(|item| (item.id, item.free)).collect();
        let draft = Draft {
            id: SaleId::from_raw(tx.next_id()?),
            receipt: None,
            channel: self.channel.clone(),
            at,
            order: None,
            further: false,
            lines,
            totals,
            fee: shop.fee(&self.channel, Money::zero(shop.currency), totals.due)?,
            tenders,
            party,
            note,
            who,
        };
        Ok((draft, free))
    }
}

/// What was free of each item when it was read: it tells which way is the short one, and decides nothing.
type FreeStock = HashMap<ItemId, i64>;

fn done(draft: Draft, receipt: i64, ids: Vec<SaleLineId>) -> SaleDone {
    let line = |(line, id): (DraftLine, SaleLineId)| SaleLine {
        id,
        kind: line.kind,
        code: line.code,
        title: line.title,
        quantity: line.quantity,
        price: line.price,
        money: line.money,
    };
    let Draft { id, channel, at, lines, totals, .. } = draft;
    let lines = lines.into_iter().zip(ids).map(line).collect();
    SaleDone { id, receipt, channel, at, lines, totals }
}

/// The items of the goods lines, in order. A piece that was sold in a past sale is rejected.
pub(crate) async fn find(tx: &mut Tx, lines: &[SaleLineIn]) -> Result<Vec<Found>, CommandError> {
    let codes: Vec<Code> = lines
        .iter()
        .filter_map(|line| match line {
            SaleLineIn::Goods { code, .. } => Some(code.clone()),
            SaleLineIn::Paper { .. } | SaleLineIn::Deposit { .. } => None,
        })
        .collect();
    let found = lookup::find_all(tx, &codes).await?;
    refuse_twice(&found)?;
    if let Some(past) = found.iter().find(|f| f.sold_in_past) {
        return Err(lookup::sold_in_past(tx, past).await?.into());
    }
    Ok(found)
}

/// The same piece on two lines is a scanning error, and gets a clearer message than “sold”.
fn refuse_twice(found: &[Found]) -> Result<(), CommandError> {
    let mut seen = BTreeSet::new();
    for item in found.iter().filter(|f| f.kind == ItemKind::Piece) {
        if !seen.insert(item.id) {
            let reason = SalesReason::PieceTwice { title: item.title.clone(), sku: item.sku.clone() };
            return Err(Rejection::invalid("lines", reason).into());
        }
    }
    Ok(())
}

pub(crate) fn priced(
    lines: &[SaleLineIn],
    found: &[Found],
    discount: Money,
) -> Result<Vec<DraftLine>, CommandError> {
    let mut items = found.iter();
    let mut drafts = Vec::with_capacity(lines.len());
    for (index, line) in lines.iter().enumerate() {
        drafts.push(match line {
            SaleLineIn::Goods { quantity, discount, tax, .. } => {
                // One item was found for each line of goods, in order.
                let item =
                    items.next().ok_or_else(|| Rejection::invalid("lines", SalesReason::LineWithoutItem))?;
                let quantity = Quantity::resolve_line(*quantity, item.measure);
                goods(item, quantity.field(&format!("lines.{index}.quantity"))?, *discount, *tax)?
            }
            SaleLineIn::Paper { kind, title, amount, certificate } => {
                let title = text::name(title).field(&format!("lines.{index}.title"))?;
                let opens = issued(*kind, certificate.as_ref())?.map(Opens::Certificate);
                DraftLine { opens, ..paper(*kind, title, *amount)? }
            }
            SaleLineIn::Deposit { of, title, amount } => {
                let title = text::name(title).field(&format!("lines.{index}.title"))?;
                let opens = Some(Opens::Deposit(*of));
                DraftLine { opens, ..paper(LineKind::Deposit, title, *amount)? }
            }
        });
    }
    if !discount.is_zero() && drafts.iter().any(|d| d.kind != LineKind::Goods) {
        return Err(Rejection::invalid("discount", SalesReason::CertificateInDiscount).into());
    }
    let plain: Vec<Line> = drafts
        .iter()
        .map(|d| Line { amount: d.money.amount, discount: d.money.discount, tax: d.money.tax })
        .collect();
    let settled = basket::settle_lines(&plain, discount).field("lines")?;
    for (draft, money) in drafts.iter_mut().zip(settled) {
        draft.money = money;
    }
    Ok(drafts)
}

fn goods(item: &Found, quantity: Quantity, discount: Money, tax: Money) -> Result<DraftLine, CommandError> {
    let amount = basket::line_amount(item.price, quantity).field("quantity")?;
    Ok(DraftLine {
        kind: LineKind::Goods,
        item: Some(item.id),
        code: item.sku.clone(),
        title: item.title.clone(),
        quantity,
        price: item.price,
        money: LineMoney { amount, discount, tax },
        cost: basket::line_cost(item.cost, quantity).field("cost")?,
        weighed: item.weighed,
        opens: None,
    })
}

/// A gift certificate is sold with a number; a deposit is taken for something, and not by its kind alone.
pub(crate) fn issued(
    kind: LineKind,
    certificate: Option<&NewCertificate>,
) -> Result<Option<NewCertificate>, CommandError> {
    if kind == LineKind::Deposit {
        return Err(Rejection::invalid("lines", SalesReason::DepositForNothing).into());
    }
    if (kind == LineKind::GiftCertificate) != certificate.is_some() {
        return Err(Rejection::invalid("lines", SalesReason::CertificateUnnumbered).into());
    }
    Ok(certificate.cloned())
}

fn paper(kind: LineKind, title: String, amount: Money) -> Result<DraftLine, CommandError> {
    if kind == LineKind::Goods || amount.is_zero() {
        return Err(Rejection::invalid("lines", SalesReason::CertificateOfNothing).into());
    }
    let zero = Money::zero(amount.currency());
    Ok(DraftLine {
        kind,
        item: None,
        code: String::new(),
        title,
        quantity: Quantity::from_stock_units(1, Measure::Units).field("quantity")?,
        price: amount,
        money: LineMoney { amount, discount: zero, tax: zero },
        cost: Some(zero),
        weighed: None,
        opens: None,
    })
}

/// What the sale takes of each item: from the hold, which must be for exactly these lines, or from free
/// stock. A hold that expired is renewed if that is still possible.
async fn takes(
    tx: &mut Tx,
    hold: Option<HoldGroupId>,
    lines: &[DraftLine],
) -> Result<Vec<Take>, CommandError> {
    let mut wanted: BTreeMap<_, i64> = BTreeMap::new();
    for line in lines {
        if let Some(item) = line.item {
            *wanted.entry(item).or_default() += line.quantity.stock_units();
        }
    }
    let mut from_hold: BTreeMap<_, i64> = BTreeMap::new();
    if let Some(group) = hold {
        let taken = holds::take_group(tx, group).await?;
        if taken.open.is_empty() && taken.ran_out.is_empty() {
            return Err(holds::over(tx, group).await?.into());
        }
        for row in &taken.open {
            *from_hold.entry(row.item).or_default() += row.stock_units;
        }
        let mut all = from_hold.clone();
        for row in &taken.ran_out {
            *all.entry(row.item).or_default() += row.stock_units;
        }
        if all != wanted {
            return Err(Rejection::invalid("hold", SalesReason::HoldDiffers).into());
        }
    }
    let of = |(item, stock_units)| Take {
        item,
        stock_units,
        from_hold: from_hold.get(&item).copied().unwrap_or(0),
    };
    Ok(wanted.into_iter().map(of).collect())
}
