//! Collects the rows of one order.

use crate::date;
use crate::fields::order;
use crate::layout::{Encoding, Layout};
use crate::record::{Parsed, Rows};
use crate::reject::{Cause, Problem, Reject};
use crate::source::placed;
use crate::values::Values;
use domain::basket::MAX_LINES;
use domain::channel::Channel;
use domain::codes::Code;
use domain::day::Moment;
use domain::money::{Currency, Money, MoneyError, plain_decimal};
use domain::order::{
    Customer, IncomingLine, IncomingOrder, IncomingRefund, LinePrice, OrderNumber, OrderStatus, Refunded,
};
use domain::quantity::Asked;
use domain::{split, text};

/// Hex digits of a row's hash in the number of a refund that has none: 64 bits.
const ROW_HASH_CHARS: usize = 16;

/// What identifies an order in a file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Key {
    pub(crate) number: String,
    pub(crate) channel: String,
}

/// Something that an order says once, on any of its rows.
struct Told<T> {
    text: String,
    value: T,
    line: u64,
}

/// An order that is being collected. The first problem is kept, and the rows are collected anyway,
/// because all of them go to the rejects file.
pub(crate) struct Group {
    /// None for rows of an unknown order.
    pub(crate) key: Option<Key>,
    line: u64,
    rows: Rows,
    problem: Option<Problem>,
    /// Whether some of its rows were already rejected, with its one message.
    told: bool,
    ordered: Option<Told<Moment>>,
    modified: Option<Told<Moment>>,
    status: Option<Told<OrderStatus>>,
    customer: Option<Told<String>>,
    email: Option<Told<String>>,
    lines: Vec<IncomingLine>,
    refunds: Vec<IncomingRefund>,
    row_hashes: Vec<String>,
    discount: Money,
    shipping: Money,
    fee: Money,
    /// Tax that a JSON record has for all its lines together.
    tax: Money,
}

type Done = Result<(), Problem>;

/// Which row it is, because only some rows have certain values.
#[derive(Clone, Copy)]
pub(crate) struct Row<'a> {
    pub(crate) line: u64,
    /// The first line of a JSON record, with which the record's own amounts are counted.
    pub(crate) first: bool,
    pub(crate) past: bool,
    /// Computes the row's hash, which only refund rows need.
    pub(crate) identity: &'a dyn Fn() -> String,
}

impl Group {
    pub(crate) fn new(key: Option<Key>, line: u64, currency: Currency) -> Self {
        let zero = Money::zero(currency);
        Self {
            key,
            line,
            rows: Rows::default(),
            problem: None,
            told: false,
            ordered: None,
            modified: None,
            status: None,
            customer: None,
            email: None,
            lines: Vec::new(),
            refunds: Vec::new(),
            row_hashes: Vec::new(),
            discount: zero,
            shipping: zero,
            fee: zero,
            tax: zero,
        }
    }

    pub(crate) fn keep(&mut self, raw: &[u8], encoding: Encoding) {
        self.rows.push(raw, encoding);
    }

    /// Rejects the order; the first reason stays.
    pub(crate) fn fail(&mut self, mut problem: Problem, line: u64) {
        problem.line.get_or_insert(line);
        self.problem.get_or_insert(problem);
    }

    pub(crate) fn has_failed(&self) -> bool {
        self.problem.is_some()
    }

    /// Adds a row's line or refund, and what else the row says about the order.
    pub(crate) fn add(&mut self, values: &Values, row: Row) -> Done {
        self.add_told(values, row.line, row.past)?;
        let counts = |field| values.says_itself(field) || row.first;
        let zero = Money::zero(values.reading.currency);
        let amount = |field| -> Result<Money, Problem> {
            Ok(values.money(field)?.filter(|_| counts(field)).unwrap_or(zero))
        };
        let (shipping, fee, discount) =
            (amount(order::SHIPPING)?, amount(order::FEE)?, amount(order::DISCOUNT)?);
        // For counted items the unit means nothing, and booking ignores it.
        let unit = values.unit(order::QUANTITY);
        let quantity = values.number(order::QUANTITY, |digits| {
            Asked::parse(digits, None).map(|asked| Asked { unit, ..asked })
        })?;
        let given = [(order::SHIPPING, shipping), (order::FEE, fee), (order::DISCOUNT, discount)];
        let no_money_besides = || match given.into_iter().find(|(_, money)| !money.is_zero()) {
            Some((field, _)) => Err(Problem::at(field, values.raw(field), Cause::MoneyOnRefund)),
            None => Ok(()),
        };
        if quantity.is_none_or(|quantity| quantity.value.is_zero())
            && let Some(money) = values.amount(order::PRICE)?.filter(|money| money.is_negative())
        {
            no_money_besides()?;
            return self.add_money_back(values, money.negated(), row);
        }
        let quantity = values.need(order::QUANTITY, quantity)?;
        if quantity.value.is_zero() {
            let text = values.raw(order::QUANTITY);
            return Err(Problem::at(order::QUANTITY, text, Cause::QuantityZero));
        }
        if quantity.value.is_sign_negative() {
            no_money_besides()?;
            let quantity = Asked { value: -quantity.value, ..quantity };
            return self.add_goods_back(values, quantity, row);
        }
        add_to(&mut self.shipping, shipping, order::SHIPPING)?;
        add_to(&mut self.fee, fee, order::FEE)?;
        self.add_line(values, quantity, discount, row)
    }

    fn add_told(&mut self, values: &Values, line: u64, past: bool) -> Done {
        let moment = |field| {
            move |text: &str| {
                let map = values.map(field);
                let zone = map.and_then(|m| m.zone.as_ref()).unwrap_or(values.reading.zone);
                date::read(text, map.and_then(|m| m.date.as_deref()), zone)
            }
        };
        let known = || OrderStatus::ALL.map(OrderStatus::code).join(", ");
        let status = |code: &str| match OrderStatus::from_code(code) {
            Some(status) => Ok(status),
            // Past orders hold no stock until somebody says what was meant.
            None if past => Err(Cause::NotAWord { known: known() }),
            None => Ok(OrderStatus::Unknown),
        };
        agree(&mut self.ordered, values, order::DATE, line, moment(order::DATE))?;
        agree(&mut self.modified, values, order::MODIFIED, line, moment(order::MODIFIED))?;
        agree(&mut self.status, values, order::STATUS, line, status)?;
        agree(&mut self.customer, values, order::CUSTOMER, line, text::short)?;
        agree(&mut self.email, values, order::EMAIL, line, text::short)
    }

    fn add_line(&mut self, values: &Values, quantity: Asked, discount: Money, row: Row) -> Done {
        if self.lines.len() == MAX_LINES {
            return Err(Problem::new(Cause::TooManyLines));
        }
        let (code, name) = named(values, row.past)?;
        let per_line = values.map(order::PRICE).is_some_and(|m| m.per_line);
        let price = if per_line || quantity.unit.is_none() {
            let money = values.need(order::PRICE, values.money(order::PRICE)?)?;
            if per_line { LinePrice::Line(money) } else { LinePrice::Each(money) }
        } else {
            LinePrice::Line(of_unit(values, quantity)?)
        };
        if matches!(price, LinePrice::Line(money) | LinePrice::Each(money) if money.is_zero()) && !row.past {
            return Err(Problem::at(order::PRICE, values.raw(order::PRICE), Cause::PriceZero));
        }
        let zero = Money::zero(values.reading.currency);
        let own_discount = values.says_itself(order::DISCOUNT) && fits(discount, price, quantity);
        let discount = if own_discount {
            discount
        } else {
            add_to(&mut self.discount, discount, order::DISCOUNT)?;
            zero
        };
        let tax = values.money(order::TAX)?.unwrap_or(zero);
        let own_tax = values.says_itself(order::TAX);
        if !own_tax && row.first {
            self.tax = tax;
        }
        let tax = if own_tax { tax } else { zero };
        self.lines.push(IncomingLine { code, name, quantity, price, discount, tax });
        Ok(())
    }

    fn add_goods_back(&mut self, values: &Values, quantity: Asked, row: Row) -> Done {
        let (code, name) = named(values, row.past)?;
        let identity = || format!("{:.ROW_HASH_CHARS$}", (row.identity)());
        let number = self.refund_number(values, identity)?;
        self.push_refund(IncomingRefund { number, code, name, what: Refunded::Goods(quantity) })
    }

    /// A refund of money without goods: of a line, or of the whole order if it names none.
    fn add_money_back(&mut self, values: &Values, money: Money, row: Row) -> Done {
        let code = code(values)?;
        let name = if row.past { values.short(order::NAME)? } else { String::new() };
        // Two rows that differ only in their amount are two refunds.
        let identity = || format!("{:.ROW_HASH_CHARS$}:{money}", (row.identity)());
        let number = self.refund_number(values, identity)?;
        self.push_refund(IncomingRefund { number, code, name, what: Refunded::Money(money) })
    }

    fn push_refund(&mut self, refund: IncomingRefund) -> Done {
        if self.refunds.len() == MAX_LINES {
            return Err(Problem::new(Cause::TooManyLines));
        }
        self.refunds.push(refund);
        Ok(())
    }

    /// Adds a refund from a list of its own; its amounts may have either sign.
    pub(crate) fn add_back(&mut self, values: &Values, row: Row) -> Done {
        let unit = values.unit(order::QUANTITY);
        let quantity = values.number(order::QUANTITY, |digits| {
            Asked::parse(digits, None).map(|asked| Asked { unit, ..asked })
        })?;
        let named = [order::SKU, order::GTIN, order::NAME].into_iter().any(|f| !values.raw(f).is_empty());
        if let Some(quantity) = quantity.filter(|q| named && !q.value.is_zero()) {
            return self.add_goods_back(values, Asked { value: quantity.value.abs(), ..quantity }, row);
        }
        let money = values.amount(order::PRICE)?.filter(|money| !money.is_zero());
        let money = money
            .ok_or_else(|| Problem::at(order::REFUND, values.raw(order::REFUND), Cause::RefundOfNothing))?;
        let money = if money.is_negative() { money.negated() } else { money };
        self.add_money_back(values, money, row)
    }

    /// The refund's own number. Without one, the hash of its row and its count among equal rows.
    fn refund_number(
        &mut self,
        values: &Values,
        identity: impl Fn() -> String,
    ) -> Result<OrderNumber, Problem> {
        match values.read(order::REFUND, OrderNumber::parse)? {
            Some(number) => Ok(number),
            None => self.row_number(identity()),
        }
    }

    fn row_number(&mut self, hash: String) -> Result<OrderNumber, Problem> {
        let count = self.row_hashes.iter().filter(|h| **h == hash).count() + 1;
        let number = OrderNumber::parse(&format!("row:{hash}:{count}"));
        self.row_hashes.push(hash);
        number.map_err(Problem::new)
    }

    /// Whether so many rows are held that they must be passed on before the order ends.
    pub(crate) fn is_overfull(&self) -> bool {
        self.rows.size() > crate::MAX_ORDER_BYTES || self.rows.len() > 2 * MAX_LINES
    }

    /// Rejects the rows held so far and goes on collecting.
    pub(crate) fn refuse_part(&mut self, layout: &Layout) -> Reject {
        let cause = if self.rows.len() > 2 * MAX_LINES { Cause::TooManyLines } else { Cause::OrderTooLong };
        self.fail(Problem::new(cause), self.line);
        let problem = self.problem.clone().unwrap_or_else(|| Problem::new(Cause::OrderTooLong));
        let rows = std::mem::take(&mut self.rows);
        let part = self.reject(&problem, rows, layout);
        self.told = true;
        part
    }

    fn reject(&self, problem: &Problem, rows: Rows, layout: &Layout) -> Reject {
        let line = problem.line.unwrap_or(self.line);
        let number = self.key.as_ref().map_or("", |k| k.number.as_str());
        let reject = placed(Reject::new(line, problem.cause.clone(), rows), problem, layout).of_order(number);
        if self.told { reject.continued() } else { reject }
    }

    /// The order or its rejection; none if all its rows were already rejected.
    pub(crate) fn finish(mut self, layout: &Layout) -> Option<Result<Parsed<IncomingOrder>, Reject>> {
        let built = match self.problem.take() {
            Some(problem) => Err(problem),
            None => self.build(layout),
        };
        let rows = std::mem::take(&mut self.rows);
        match built {
            Ok(value) => Some(Ok(Parsed { value, line: self.line, rows })),
            Err(_) if rows.is_empty() => None,
            Err(problem) => Some(Err(self.reject(&problem, rows, layout))),
        }
    }

    fn build(&mut self, layout: &Layout) -> Result<IncomingOrder, Problem> {
        let key = self.key.clone().unwrap_or_default();
        let number =
            OrderNumber::parse(&key.number).map_err(|e| Problem::at(order::NUMBER, &key.number, e))?;
        let channel = match &layout.channel {
            Some(channel) => channel.clone(),
            None => Channel::parse(&key.channel).map_err(|e| Problem::at(order::CHANNEL, &key.channel, e))?,
        };
        if self.lines.is_empty() && self.refunds.is_empty() {
            return Err(Problem::new(Cause::NoLines));
        }
        self.spread_tax()?;
        let ordered = self.ordered.take().ok_or_else(|| Problem::at(order::DATE, "", Cause::Missing))?;
        Ok(IncomingOrder {
            channel,
            number,
            ordered: ordered.value,
            modified: self.modified.take().map(|m| m.value),
            status: self.status.take().map_or(OrderStatus::OrderProcessing, |s| s.value),
            lines: std::mem::take(&mut self.lines),
            refunds: std::mem::take(&mut self.refunds),
            discount: self.discount,
            shipping: self.shipping,
            fee: self.fee,
            customer: Customer {
                name: self.customer.take().map(|c| c.value).unwrap_or_default(),
                email: self.email.take().map(|e| e.value).unwrap_or_default(),
            },
        })
    }

    /// Spreads a tax for the whole order over its lines, in proportion to their amounts.
    fn spread_tax(&mut self) -> Done {
        if self.tax.is_zero() || self.lines.is_empty() {
            return Ok(());
        }
        let weights =
            self.lines.iter().map(|line| line_amount(line.price, line.quantity).map_or(0, Money::minor));
        let weights: Vec<i64> = weights.collect();
        let wrong = |e| Problem::at(order::TAX, "", Cause::Money(e));
        let parts = split::by_largest_remainder(self.tax, &weights).map_err(wrong)?;
        for (line, part) in self.lines.iter_mut().zip(parts) {
            line.tax = line.tax.plus(part).map_err(wrong)?;
        }
        Ok(())
    }
}

/// What was sold: a code or, in past orders, a name.
fn named(values: &Values, past: bool) -> Result<(Option<Code>, String), Problem> {
    let (code, name) = (code(values)?, values.short(order::NAME)?);
    if code.is_none() && (!past || name.is_empty()) {
        let wanted = if past { "sku, gtin13 or name" } else { "sku or gtin13" };
        return Err(Problem::new(Cause::NamesNothing { wanted }));
    }
    Ok((code, name))
}

fn code(values: &Values) -> Result<Option<Code>, Problem> {
    let sku = values.code(order::SKU)?;
    let gtin = values.gtin(order::GTIN)?.map(|g| g.code());
    Ok(sku.or(gtin))
}

/// The amount of a line whose price is for a unit in which the order counts but the shop does not: a
/// gram may cost less than the smallest coin.
fn of_unit(values: &Values, quantity: Asked) -> Result<Money, Problem> {
    let wrong = |cause: Cause| Problem::at(order::PRICE, values.raw(order::PRICE), cause);
    let each = values.number(order::PRICE, |digits| {
        plain_decimal(digits).ok_or_else(|| MoneyError::NotAnAmount { text: digits.to_owned() })
    })?;
    let each = values.need(order::PRICE, each)?;
    if each.is_sign_negative() && !each.is_zero() {
        return Err(wrong(Cause::Negative));
    }
    let exact = each.checked_mul(quantity.value).ok_or_else(|| wrong(MoneyError::TooLarge.into()))?;
    Money::rounded_from_major(exact, values.reading.currency).map_err(|e| wrong(e.into()))
}

/// The line's amount in minor units; none if it is more than a shop can book.
fn line_amount(price: LinePrice, quantity: Asked) -> Option<Money> {
    match price {
        LinePrice::Line(money) => Some(money),
        LinePrice::Each(money) => {
            let exact = money.major().checked_mul(quantity.value)?;
            Money::rounded_from_major(exact, money.currency()).ok()
        }
    }
}

/// Whether a discount fits the line; a larger one belongs to the order.
fn fits(discount: Money, price: LinePrice, quantity: Asked) -> bool {
    discount.is_zero() || line_amount(price, quantity).is_some_and(|line| discount.minor() <= line.minor())
}

fn add_to(sum: &mut Money, money: Money, field: usize) -> Done {
    *sum = sum.plus(money).map_err(|e| Problem::at(field, &money.to_string(), e))?;
    Ok(())
}

/// Keeps what a row says, and rejects another row that says something else. Rows mostly repeat the same
/// text, which is then not read again.
fn agree<T: PartialEq, E: Into<Cause>>(
    told: &mut Option<Told<T>>,
    values: &Values,
    field: usize,
    line: u64,
    read: impl FnOnce(&str) -> Result<T, E>,
) -> Done {
    let text = values.raw(field);
    if told.as_ref().is_some_and(|t| t.text == text) {
        return Ok(());
    }
    let Some(value) = values.read(field, read)? else { return Ok(()) };
    match told {
        Some(told) if told.value != value => {
            Err(Problem::at(field, text, Cause::Disagrees { line: told.line }))
        }
        Some(_) => Ok(()),
        None => {
            *told = Some(Told { text: text.to_owned(), value, line });
            Ok(())
        }
    }
}
