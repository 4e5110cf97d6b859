//! The model's money: selling and refunding.

use super::command::{Back, By, Sell};
use super::model::{Debt, Figures, Line, Model, Part, RefundedLine, Said, Sale, refuse};
use crate::harness::{DAY_MS, HOUR_MS};
use domain::stock::{ItemKind, ReturnDisposition};

/// `whole × part / of`, rounded half up.
fn share(whole: i64, part: i64, of: i64) -> i64 {
    let (whole, part, of) = (i128::from(whole), i128::from(part), i128::from(of));
    i64::try_from((whole * part * 2 + of).div_euclid(of * 2)).unwrap()
}

/// Divides an amount by worth; the remainder goes to the largest fractions, the first of equals.
fn spread(amount: i64, worth: &[i64]) -> Vec<i64> {
    let all: i64 = worth.iter().sum();
    if all == 0 {
        return vec![0; worth.len()];
    }
    let mut parts: Vec<i64> = worth.iter().map(|w| amount * w / all).collect();
    let mut left = amount - parts.iter().sum::<i64>();
    let mut order: Vec<usize> = (0..worth.len()).collect();
    order.sort_by_key(|at| -(amount * worth[*at] % all));
    for at in order {
        if left > 0 {
            parts[at] += 1;
            left -= 1;
        }
    }
    parts
}

impl Sale {
    /// What it adds to its day.
    pub(super) fn figures(&self) -> Figures {
        let mut figures = [1, 0, 0, 0, 0, 0, self.shipping, 0, 0, 0, self.rounding];
        for line in &self.lines {
            let [stock_units, amount, discount, tax, cost] = line.sold;
            figures[4] += discount;
            figures[7] += tax;
            if line.item.is_none() {
                continue;
            }
            let by_weight = line.kind == ItemKind::Weight;
            let units = if by_weight { 1 } else { stock_units };
            figures[1] += units;
            figures[2] += if by_weight { stock_units } else { 0 };
            figures[3] += amount;
            figures[8] += cost;
            figures[9] += if line.costed { 0 } else { units };
        }
        figures
    }
}

impl Model {
    pub(super) fn sell(&mut self, sell: &Sell) -> Said {
        let at = self.now - sell.hours_ago * HOUR_MS;
        if at > self.now + DAY_MS {
            return refuse("invalid");
        }
        if sell.slip {
            return refuse("wrong-digit");
        }
        if sell.lines.iter().any(|(item, _)| *item >= self.items.len()) {
            return refuse("unknown-code");
        }
        let lines = self.lines(sell)?;
        let sum = |at: usize| lines.iter().map(|l| l.sold[at]).sum::<i64>();
        let exact = sum(1) - sum(2) + sum(3) + sell.shipping;
        let Some((rounding, change)) = self.settle(sell, exact) else { return refuse("invalid") };
        let from_hold = match sell.hold {
            Some(group) => self.take_hold(group, &sell.lines)?,
            None => vec![0; sell.lines.len()],
        };
        let receipt = i64::try_from(self.sales.len()).unwrap() + 1;
        let mut takes: Vec<_> = sell.lines.iter().zip(from_hold).collect();
        takes.sort_unstable();
        for ((item, stock_units), held) in takes {
            self.take(*item, *stock_units, held)?;
            self.items[*item].out += stock_units;
            self.items[*item].was_sold = true;
            self.items[*item].left_by = Some(receipt);
        }
        let said = format!(
            "receipt {receipt} due {} rounding {rounding} change {change} off {}",
            exact + rounding,
            sum(2)
        );
        let sale = Sale {
            lines,
            shipping: sell.shipping,
            shipping_back: 0,
            at,
            market: sell.market,
            rounding,
            refunds: 0,
            cash_back: (0, 0),
            voided: false,
        };
        self.booked.push((at, sell.market, sale.figures()));
        if sell.by == By::Owed && exact > 0 {
            self.debts.push(Debt { sale: self.sales.len(), amount: exact, paid: 0 });
        }
        self.sales.push(sale);
        Ok(said)
    }

    /// A sale's total before cash is rounded; zero if its lines are refused.
    pub(super) fn due(&self, sell: &Sell) -> i64 {
        let known = sell.lines.iter().all(|(item, _)| *item < self.items.len());
        let lines = if known { self.lines(sell).unwrap_or_default() } else { Vec::new() };
        lines.iter().map(|l| l.sold[1] - l.sold[2] + l.sold[3]).sum::<i64>() + sell.shipping
    }

    fn lines(&self, sell: &Sell) -> Result<Vec<Line>, String> {
        let mut lines = Vec::new();
        for (at, (item, stock_units)) in sell.lines.iter().enumerate() {
            let goods = &self.items[*item];
            let one = if goods.kind == ItemKind::Weight { 1000 } else { 1 };
            let (discount, tax) = if at == 0 { (sell.discount, sell.tax) } else { (0, 0) };
            let amount = share(goods.price, *stock_units, one);
            let cost = goods.cost.map_or(0, |c| share(c, *stock_units, one));
            lines.push(Line {
                item: Some(*item),
                kind: goods.kind,
                sold: [*stock_units, amount, discount, tax, cost],
                costed: goods.cost.is_some(),
                back: Part::default(),
                alone: Part::default(),
            });
        }
        if let Some(amount) = sell.paper {
            let (sold, back, alone) = ([1, amount, 0, 0, 0], Part::default(), Part::default());
            lines.push(Line { item: None, kind: ItemKind::Counted, sold, costed: true, back, alone });
        }
        let worth: Vec<i64> = lines.iter().map(|l| l.sold[1] - l.sold[2]).collect();
        let too_much = worth.iter().any(|w| *w < 0) || sell.order_discount > worth.iter().sum();
        if too_much || (sell.paper.is_some() && sell.order_discount > 0) {
            return refuse("invalid");
        }
        for (line, off) in lines.iter_mut().zip(spread(sell.order_discount, &worth)) {
            line.sold[2] += off;
        }
        Ok(lines)
    }

    /// The tenders, in cash and otherwise: exactly what is due, and `extra`.
    pub(super) fn tendered(&self, sell: &Sell, exact: i64) -> (i64, i64) {
        match sell.by {
            By::Cash => ((self.in_cash(exact) + sell.extra).max(0), 0),
            By::Card | By::Owed => (0, (exact + sell.extra).max(0)),
            By::Both => {
                let card = exact.min(100);
                ((self.in_cash(exact - card) + sell.extra).max(0), card)
            }
        }
    }

    /// Rounding and change; none if it is not paid, or overpaid otherwise than in cash.
    fn settle(&self, sell: &Sell, exact: i64) -> Option<(i64, i64)> {
        let (cash, other) = self.tendered(sell, exact);
        if other > exact {
            return None;
        }
        if !Self::pays_cash(sell.by) {
            return (other == exact).then_some((0, 0));
        }
        let rounded = self.in_cash(exact - other);
        (cash >= rounded).then_some((rounded - (exact - other), cash - rounded))
    }

    pub(super) fn refund(&mut self, at: usize, what: &Back, fate: ReturnDisposition, by: By) -> Said {
        let Some(sale) = self.sales.get(at).cloned() else { return refuse("no-such") };
        if sale.voided {
            return refuse("invalid");
        }
        let shipping_left = sale.shipping - sale.shipping_back;
        let shipping = match what {
            Back::Whole => shipping_left,
            Back::Line(..) | Back::Money(..) => 0,
            Back::Shipping(amount) => *amount,
        };
        if shipping > shipping_left {
            return refuse("more-than-sold");
        }
        let parts = parts_of(&sale, what, fate)?;
        if parts.is_empty() && shipping == 0 {
            return refuse("invalid");
        }
        let due: i64 = parts.iter().map(|(_, p, _)| p[1] - p[2] + p[3]).sum::<i64>() + shipping;
        // The unpaid amount is lowered first; only the rest is paid out.
        let less_owed = if by == By::Owed { due } else { due.min(self.owed(at)) };
        let rest = due - less_owed;
        let in_cash = Self::pays_cash(by).then(|| {
            let (exact, handed_out) = sale.cash_back;
            (self.in_cash(exact + rest) - handed_out).max(0)
        });
        let given = less_owed + in_cash.unwrap_or(rest);
        self.forgive(at, less_owed)?;
        let booked = &mut self.sales[at];
        if let Some(cash) = in_cash {
            booked.cash_back = (booked.cash_back.0 + rest, booked.cash_back.1 + cash);
        }
        booked.refunds += 1;
        booked.shipping_back += shipping;
        let mut figures = Figures::default();
        figures[6] = -shipping;
        figures[10] = due - given;
        let said = format!("given {given} shipping {shipping} lines {}", parts.len());
        for (line, part, fate) in parts {
            let complete = self.give_back(at, line, &part);
            let of = &sale.lines[line];
            let by_weight = of.kind == ItemKind::Weight;
            let units = match (of.item, by_weight) {
                _ if part[0] == 0 => 0,
                (None, _) => 0,
                (Some(_), true) => i64::from(complete),
                (Some(_), false) => part[0],
            };
            figures[7] -= part[3];
            if of.item.is_some() {
                figures[1] -= units;
                figures[2] -= if by_weight { part[0] } else { 0 };
                figures[5] += part[1] - part[2];
            }
            let refunded =
                RefundedLine { sale: at, line, part, units, decided: fate != ReturnDisposition::Open };
            if fate == ReturnDisposition::Shelf {
                self.put_back(&refunded);
            }
            self.refund_lines.push(refunded);
        }
        self.booked.push((self.now, sale.market, figures));
        Ok(said)
    }

    /// Adds a part to what was refunded of a line; returns whether that is now all of it.
    fn give_back(&mut self, sale: usize, line: usize, part: &Part) -> bool {
        let line = &mut self.sales[sale].lines[line];
        for (at, more) in part.iter().enumerate() {
            line.back[at] += more;
            line.alone[at] += if part[0] == 0 { *more } else { 0 };
        }
        line.back[0] == line.sold[0]
    }

    fn owed(&self, sale: usize) -> i64 {
        self.debts.iter().filter(|d| d.sale == sale).map(|d| d.amount - d.paid).sum()
    }

    fn forgive(&mut self, sale: usize, amount: i64) -> Result<(), String> {
        let mut left = amount;
        for debt in self.debts.iter_mut().filter(|d| d.sale == sale) {
            let part = left.min(debt.amount - debt.paid);
            debt.paid += part;
            left -= part;
        }
        if left > 0 { refuse("invalid") } else { Ok(()) }
    }
}

/// The parts that a refund gives back, and the decision about each.
fn parts_of(
    sale: &Sale,
    what: &Back,
    fate: ReturnDisposition,
) -> Result<Vec<(usize, Part, ReturnDisposition)>, String> {
    let wanted: Vec<(usize, Option<i64>, ReturnDisposition)> = match what {
        Back::Shipping(_) => vec![],
        Back::Money(at, amount) => {
            let Some(line) = sale.lines.get(*at) else { return refuse("no-such") };
            return Ok(vec![(*at, money_of(line, *amount)?, ReturnDisposition::Open)]);
        }
        Back::Whole => {
            let fate_of = |l: &Line| if l.item.is_some() { fate } else { ReturnDisposition::Open };
            sale.lines.iter().enumerate().map(|(at, line)| (at, None, fate_of(line))).collect()
        }
        Back::Line(at, stock_units) => {
            let Some(line) = sale.lines.get(*at) else { return refuse("no-such") };
            if line.item.is_none() && fate == ReturnDisposition::Shelf {
                return refuse("invalid");
            }
            vec![(*at, *stock_units, fate)]
        }
    };
    let mut parts = Vec::new();
    for (at, stock_units, fate) in wanted {
        let line = &sale.lines[at];
        let left = line.sold[0] - line.back[0];
        let stock_units = match stock_units {
            None if left == 0 => continue,
            None => left,
            Some(stock_units) if stock_units > left => return refuse("more-than-sold"),
            Some(stock_units) => stock_units,
        };
        let mut part = [stock_units; 5];
        for (figure, given) in part.iter_mut().enumerate().skip(1) {
            let reached = share(line.sold[figure], line.back[0] + stock_units, line.sold[0]);
            let full = (reached - line.back[figure] + line.alone[figure]).max(0);
            *given = full.min(line.sold[figure] - line.back[figure]);
        }
        // What remains is never worth less than its discount.
        let stays = |figure: usize, part: &Part| line.sold[figure] - line.back[figure] - part[figure];
        part[1] -= (stays(2, &part) - stays(1, &part)).max(0);
        parts.push((at, part, fate));
    }
    Ok(parts)
}

/// Only money of a line: the tax by its share of what is left, then the discount by its share of the goods.
fn money_of(line: &Line, money: i64) -> Result<Part, String> {
    let left = |figure: usize| line.sold[figure] - line.back[figure];
    let goods_left = left(1) - left(2);
    if money > goods_left + left(3) {
        return refuse("more-than-sold");
    }
    let tax = share(left(3), money, goods_left + left(3));
    let goods = money - tax;
    let off = if goods_left == 0 { 0 } else { share(left(2), goods, goods_left) };
    Ok([0, goods + off, off, tax, 0])
}
