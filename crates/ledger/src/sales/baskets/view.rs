//! Reads the current sale: each line with its amount, and whether it can still be bought.

use super::content::{Content, Known, Line, What};
use super::customers::customer;
use super::exchange::Returned;
use super::undo::{Undone, has_steps};
use crate::sales::accounts::{self, UsableDeposit};
use crate::sales::ring_up::TenderIn;
use crate::shelf::items::stored_weight;
use crate::shelf::{lookup, styles};
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use crate::store::sql::{in_text, padded};
use crate::store::storage_error::StorageError;
use domain::basket::LineKind;
use domain::channel::Channel;
use domain::customer::Terms;
use domain::day::{Moment, Zone};
use domain::discount::Off;
use domain::ids::{BasketId, CustomerId, HoldGroupId, ItemId, SaleId};
use domain::money::{Currency, Money};
use domain::pricing::WeightRate;
use domain::quantity::{Measure, Quantity};
use domain::refund::CashBack;
use domain::stock::ItemKind;
use domain::weight::{Weight, WeightUnit};
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::{BTreeMap, HashMap};

/// The state of the current sale.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BasketState {
    /// Being filled, or being paid.
    Open,
    /// Rung up.
    Paid,
    /// Closed unpaid.
    Left,
}

/// A slip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BasketView {
    /// Its identifier.
    pub id: BasketId,
    /// Where.
    pub channel: Channel,
    /// The revision on which a change is based.
    pub revision: i64,
    /// How far it is.
    pub state: BasketState,
    /// The sale that it became.
    pub sale: Option<SaleId>,
    /// Who began it.
    pub who: String,
    /// When it was begun.
    pub made: Moment,
    /// Its lines.
    pub lines: Vec<BasketLineView>,
    /// The discount on the whole sale.
    pub off: Option<Off>,
    /// The reason for the discount.
    pub off_reason: String,
    /// The discount on the whole sale, in money.
    pub discount: Money,
    /// The total before cash rounding, without lines that are gone.
    pub due: Money,
    /// For whom it is rung up.
    pub customer: Option<BasketCustomer>,
    /// Whether it is being paid.
    pub paying: bool,
    /// When the hold on its lines ends.
    pub held_until: Option<Moment>,
    /// The payments so far.
    pub tenders: Vec<TenderIn>,
    /// What is brought back in exchange.
    pub returns: Option<BasketReturns>,
    /// The customer's deposits that can pay for something in it, with what is left of each after the payments so far.
    pub deposits: Vec<UsableDeposit>,
    /// Whether there is a change that can be undone.
    pub can_undo: bool,
    /// What was undone by the last change.
    pub undone: Option<Undone>,
}

/// Whom a sale is rung up for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BasketCustomer {
    /// If they are on file.
    pub on_file: Option<CustomerId>,
    /// Their name.
    pub name: String,
    /// The terms on which they buy.
    pub terms: Terms,
}

/// What the customer brings back for what they take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BasketReturns {
    /// The sale that it was sold in.
    pub sale: SaleId,
    /// What.
    pub lines: Vec<Returned>,
    /// What it pays of the new sale; the rest of it is paid back.
    pub credit: Money,
    /// The cash of the earlier refunds of the sale that it was sold in.
    pub cash_before: CashBack,
}

/// A line of a slip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BasketLineView {
    /// The line's number in this sale.
    pub number: u32,
    /// What it is.
    pub kind: LineKind,
    /// None for gift certificates and deposits.
    pub item_kind: Option<ItemKind>,
    /// The SKU; empty for gift certificates and deposits.
    pub code: String,
    /// Its name.
    pub title: String,
    /// Colors in words.
    pub color: String,
    /// How much.
    pub quantity: Quantity,
    /// The quantity as it was entered, perhaps in another unit.
    pub asked: Option<(rust_decimal::Decimal, Option<WeightUnit>)>,
    /// The weight of a piece.
    pub weight: Option<Weight>,
    /// The rate, if the price was calculated from one.
    pub rate: Option<WeightRate>,
    /// The price of one, or of one stock unit.
    pub price: Money,
    /// Quantity × price.
    pub amount: Money,
    /// The discount on this line.
    pub off: Option<Off>,
    /// The reason for the discount.
    pub reason: String,
    /// The discount on this line, in money.
    pub discount: Money,
    /// Why it can no longer be bought; then it is left out of the total.
    pub gone: Option<Rejection>,
}

/// Changes whenever the sale or one of its items does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pulse {
    /// Whether the slip is still open.
    pub is_open: bool,
    revision: i64,
    items: i64,
}

impl std::fmt::Display for Pulse {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}.{}.{}", self.revision, self.items, u8::from(self.is_open))
    }
}

/// What is needed of an item.
pub(super) struct Item {
    kind: ItemKind,
    sku: String,
    title: String,
    color: String,
    known: Known,
    free: i64,
    weight: Option<Weight>,
    rate: Option<WeightRate>,
}

impl Ledger {
    /// An open or closed sale by its identifier.
    pub async fn basket(&self, id: BasketId) -> Result<BasketView, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let row = sqlx::query(
            "SELECT channel, revision, state, sale_id, who, made_ms, content, hold_group FROM basket WHERE id = $1",
        )
        .bind(id.raw())
        .fetch_optional(&mut *connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::CurrentSale, id))?;
        let content = Content::read(&row.try_get::<String, _>("content")?)?;
        let state = state(&row.try_get::<String, _>("state")?)?;
        let hold = row.try_get::<Option<i64>, _>("hold_group")?.map(HoldGroupId::from_raw);
        let (own, held_until) = match hold {
            Some(group) if state == BasketState::Open => own_hold(&mut connection, group).await?,
            _ => (HashMap::new(), None),
        };
        let items = items(&mut connection, &content, currency).await?;
        let gone = match state {
            BasketState::Open => gone(&mut connection, &content, &items, (&own, &self.shop().zone)).await?,
            BasketState::Paid | BasketState::Left => HashMap::new(),
        };
        let lines: Vec<BasketLineView> = content
            .lines
            .iter()
            .map(|line| read_line(line, &items, &gone, currency))
            .collect::<Result<_, _>>()?;
        let (discount, due) = sum(&content, &lines, currency)?;
        let customer = customer(&mut connection, content.customer).await?;
        let deposits = match state {
            BasketState::Open => deposits(&mut connection, &content, currency).await?,
            BasketState::Paid | BasketState::Left => Vec::new(),
        };
        let can_undo = !content.paying && has_steps(&mut connection, id).await?;
        Ok(BasketView {
            id,
            channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("basket.channel")?,
            revision: row.try_get("revision")?,
            state,
            sale: row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw),
            who: row.try_get("who")?,
            made: Moment::from_millis(row.try_get("made_ms")?),
            lines,
            off: content.off,
            off_reason: content.off_reason,
            discount,
            due,
            customer,
            deposits,
            paying: content.paying,
            held_until,
            tenders: content.tenders,
            returns: content.returns.map(|r| BasketReturns {
                sale: r.sale,
                lines: r.shown,
                credit: r.credit,
                cash_before: CashBack { exact: r.cash_before.0, handed_out: r.cash_before.1 },
            }),
            can_undo,
            undone: content.undone,
        })
    }

    /// Compared with its value a moment ago, it tells whether anything changed: two small reads.
    pub async fn basket_pulse(&self, id: BasketId) -> Result<Pulse, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT revision, state, content FROM basket WHERE id = $1")
            .bind(id.raw())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::CurrentSale, id))?;
        let ids = ids(&Content::read(&row.try_get::<String, _>("content")?)?);
        let mut items = 0;
        for chunk in ids.chunks(crate::store::sql::MAX_ROWS) {
            const SUM: &str =
                "SELECT CAST(COALESCE(SUM(revision), 0) AS BIGINT) AS revisions FROM item WHERE id";
            let mut statement = sqlx::query(AssertSqlSafe(in_text(SUM, 1, chunk.len(), "")));
            for item in padded(chunk) {
                statement = statement.bind(item);
            }
            items += statement.fetch_one(&mut *connection).await?.try_get::<i64, _>("revisions")?;
        }
        Ok(Pulse {
            is_open: row.try_get::<String, _>("state")? == "open",
            revision: row.try_get("revision")?,
            items,
        })
    }
}

/// What deposits can still pay of a sale, less what they were promised for in it.
async fn deposits(
    connection: &mut AnyConnection,
    content: &Content,
    currency: Currency,
) -> Result<Vec<UsableDeposit>, CommandError> {
    let Some(customer) = content.customer else { return Ok(Vec::new()) };
    let items: Vec<ItemId> = content.items().collect();
    let mut usable = accounts::usable(connection, customer, &items, currency).await?;
    for deposit in &mut usable {
        for tender in content.tenders.iter().filter(|tender| tender.deposit == Some(deposit.id)) {
            deposit.left = deposit.left.minus(tender.amount).stored("basket.content")?;
        }
    }
    usable.retain(|deposit| deposit.left.minor() > 0);
    Ok(usable)
}

fn state(code: &str) -> Result<BasketState, CommandError> {
    match code {
        "open" => Ok(BasketState::Open),
        "paid" => Ok(BasketState::Paid),
        "left" => Ok(BasketState::Left),
        _ => Err(StorageError::impossible("basket.state").into()),
    }
}

/// The items, each once.
fn ids(content: &Content) -> Vec<i64> {
    let mut ids: Vec<i64> = content.goods().map(|(item, ..)| item.raw()).collect();
    ids.sort_unstable();
    ids.dedup();
    ids
}

/// What the sale itself holds of each item, and until when.
async fn own_hold(
    connection: &mut AnyConnection,
    group: HoldGroupId,
) -> Result<(HashMap<ItemId, i64>, Option<Moment>), CommandError> {
    let rows =
        sqlx::query("SELECT item_id, stock_units, until_ms FROM hold WHERE group_id = $1 AND state = 'open'")
            .bind(group.raw())
            .fetch_all(connection)
            .await?;
    let (mut own, mut until) = (HashMap::new(), None);
    for row in &rows {
        *own.entry(ItemId::from_raw(row.try_get("item_id")?)).or_default() +=
            row.try_get::<i64, _>("stock_units")?;
        until = row.try_get::<Option<i64>, _>("until_ms")?.map(Moment::from_millis);
    }
    Ok((own, until))
}

/// The rate of a price that was calculated.
fn rate(row: &AnyRow, currency: Currency) -> Result<Option<WeightRate>, CommandError> {
    let style: Option<String> = row.try_get("style")?;
    if style.is_none() || row.try_get::<String, _>("priced_by")? != "rule" {
        return Ok(None);
    }
    Ok(Some(styles::rule(row, currency)?.rate))
}

pub(super) async fn items(
    connection: &mut AnyConnection,
    content: &Content,
    currency: Currency,
) -> Result<HashMap<ItemId, Item>, CommandError> {
    const READ: &str = "SELECT i.id, i.kind, i.stock_unit, i.sku, i.name AS title, i.color, i.price, i.on_hand - i.held AS free, i.weight, \
        i.weight_unit, i.priced_by, s.name AS style, s.rate, s.rate_unit, s.ending, s.minimum \
        FROM item i LEFT JOIN style s ON s.id = i.style_id WHERE i.id";
    let mut items = HashMap::new();
    for chunk in ids(content).chunks(crate::store::sql::MAX_ROWS) {
        let mut statement = sqlx::query(AssertSqlSafe(in_text(READ, 1, chunk.len(), "")));
        for item in padded(chunk) {
            statement = statement.bind(item);
        }
        for row in statement.fetch_all(&mut *connection).await? {
            let kind = ItemKind::from_code(&row.try_get::<String, _>("kind")?)
                .ok_or("unknown")
                .stored("item.kind")?;
            let unit: Option<String> = row.try_get("stock_unit")?;
            let unit = unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
            let measure = kind.measure(unit).ok_or("missing").stored("item.stock_unit")?;
            let price = Money::from_minor(row.try_get("price")?, currency).stored("item.price")?;
            let item = Item {
                kind,
                sku: row.try_get("sku")?,
                title: row.try_get("title")?,
                color: row.try_get("color")?,
                known: (price, measure),
                free: row.try_get("free")?,
                weight: stored_weight(row.try_get("weight")?, row.try_get("weight_unit")?)?,
                rate: rate(&row, currency)?,
            };
            items.insert(ItemId::from_raw(row.try_get("id")?), item);
        }
    }
    Ok(items)
}

/// Why items cannot be bought, for those that cannot.
async fn gone(
    connection: &mut AnyConnection,
    content: &Content,
    items: &HashMap<ItemId, Item>,
    (own, zone): (&HashMap<ItemId, i64>, &Zone),
) -> Result<HashMap<ItemId, Rejection>, CommandError> {
    let mut wanted: BTreeMap<ItemId, i64> = BTreeMap::new();
    for (id, _, asked) in content.goods() {
        if let Some(item) = items.get(&id) {
            *wanted.entry(id).or_default() +=
                Quantity::resolve(asked, item.known.1).stored("basket.content")?.stock_units();
        }
    }
    let mut gone = HashMap::new();
    for (id, stock_units) in wanted {
        let free = items[&id].free + own.get(&id).copied().unwrap_or(0);
        if free >= stock_units {
            continue;
        }
        match lookup::explain_to(connection, id, stock_units, zone).await {
            Ok(rejection) => {
                gone.insert(id, rejection);
            }
            // Free again since it was read.
            Err(CommandError::Storage(StorageError::Collided(_))) => {}
            Err(failure) => return Err(failure),
        }
    }
    Ok(gone)
}

pub(super) fn read_line(
    line: &Line,
    items: &HashMap<ItemId, Item>,
    gone: &HashMap<ItemId, Rejection>,
    currency: Currency,
) -> Result<BasketLineView, CommandError> {
    let item = match &line.what {
        What::Goods { item, .. } => Some((
            *item,
            items.get(item).ok_or_else(|| StorageError::impossible("basket.content of no item"))?,
        )),
        What::Paper { .. } | What::Deposit { .. } => None,
    };
    let (amount, discount) = line.money(item.map(|(_, item)| item.known), currency)?;
    let one = || Quantity::from_stock_units(1, Measure::Units).stored("basket.content");
    let (kind, title, quantity, asked) = match &line.what {
        What::Goods { quantity, .. } => {
            let (title, measure) =
                item.map_or((String::new(), Measure::Units), |(_, item)| (item.title.clone(), item.known.1));
            let stock_units = Quantity::resolve(*quantity, measure).stored("basket.content")?;
            (LineKind::Goods, title, stock_units, Some((quantity.value, quantity.unit)))
        }
        What::Paper { kind, title, .. } => (*kind, title.clone(), one()?, None),
        What::Deposit { title, .. } => (LineKind::Deposit, title.clone(), one()?, None),
    };
    Ok(BasketLineView {
        number: line.number,
        kind,
        item_kind: item.map(|(_, item)| item.kind),
        code: item.map(|(_, item)| item.sku.clone()).unwrap_or_default(),
        title,
        color: item.map(|(_, item)| item.color.clone()).unwrap_or_default(),
        quantity,
        asked,
        weight: item.and_then(|(_, item)| item.weight),
        rate: item.and_then(|(_, item)| item.rate),
        price: item.map_or(amount, |(_, item)| item.known.0),
        amount,
        off: line.off,
        reason: line.reason.clone(),
        discount,
        gone: item.and_then(|(id, _)| gone.get(&id).cloned()),
    })
}

/// The discount on the whole, and the total of the lines that can be bought.
pub(super) fn sum(
    content: &Content,
    lines: &[BasketLineView],
    currency: Currency,
) -> Result<(Money, Money), CommandError> {
    let none = Money::zero(currency);
    let worth = |goods_alone: bool| {
        lines
            .iter()
            .filter(|line| line.gone.is_none() && (!goods_alone || line.kind == LineKind::Goods))
            .try_fold(none, |sum, line| sum.plus(line.amount)?.minus(line.discount))
    };
    let discount = content.whole_off(worth(true).stored("basket.content")?)?;
    let due = worth(false).and_then(|all| all.minus(discount)).stored("basket.content")?;
    Ok((discount, due))
}
