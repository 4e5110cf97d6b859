//! What to book for one item of a paid order, so that the books say what a later state says.
//!
//! Pure functions: the difference is taken from what the item's lines amount to now. Less is refunded;
//! more is sold or waits as a line of its own. If that cannot reach the new amount to the minor unit,
//! everything that is left is refunded and sold again as the state says.

use super::share::Share;
use domain::money::{Currency, Money};
use domain::refund::{GivenBack, Part, Sold, next_part};

/// A booked line, and what was refunded of its goods.
#[derive(Clone, Copy, Debug)]
pub(super) struct SoldLine {
    pub(super) sold: Share,
    pub(super) back: Share,
    /// Whether money without goods was refunded besides.
    pub(super) has_money_back: bool,
}

impl SoldLine {
    pub(super) fn left(&self) -> Share {
        self.sold.minus(self.back)
    }
}

/// The current state of one item of an order.
#[derive(Clone, Debug, Default)]
pub(super) struct Stands {
    /// What the state before said about it.
    pub(super) said: Share,
    /// Oldest first.
    pub(super) sold: Vec<SoldLine>,
    /// Refunded with a number of its own, which no state includes.
    pub(super) numbered: Share,
    /// Lines that wait.
    pub(super) waits: Share,
}

/// What to do. The waiting lines replace all earlier waiting lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Plan {
    /// Lines, by position, and how many steps to refund of each.
    pub(super) back: Vec<(usize, i64)>,
    /// Sold again, from what was just refunded.
    pub(super) again: Option<Share>,
    /// Sold if it is in stock, otherwise out of stock: as a line of its own.
    pub(super) more: Option<Share>,
    /// What waits from now on.
    pub(super) waits: Share,
}

/// The item's price changed after a part was refunded: only a person can say at which price.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Mixed;

/// What to book so that the item amounts to what `now` says.
pub(super) fn plan(stands: &Stands, now: Share, currency: Currency) -> Result<Plan, Mixed> {
    if stands.said == now {
        return Ok(Plan { waits: stands.waits, ..Plan::default() });
    }
    let target = target(stands, now)?;
    let left = stands.sold.iter().fold(Share::default(), |sum, line| sum.plus(line.left()));
    let waited = stands.waits.stock_units > 0;
    let extra = target.minus(left);
    let mut plan = Plan::default();
    if left.stock_units == 0 || (extra.could_be() && extra.is_priced_as(target)) {
        add(&mut plan, extra, waited);
    } else if let Some(back) = given_back(stands, target, currency) {
        plan.back = back;
    } else {
        let places = stands.sold.iter().enumerate();
        plan.back = places.map(|(at, line)| (at, line.left().stock_units)).filter(|(_, s)| *s > 0).collect();
        let again = target.part(left.stock_units.min(target.stock_units));
        plan.again = (again.stock_units > 0).then_some(again);
        add(&mut plan, target.minus(again), waited);
        // Only a person can say whether the new price includes the money that was refunded.
        if stands.sold.iter().any(|line| line.has_money_back && line.left().stock_units > 0) {
            return Err(Mixed);
        }
    }
    Ok(plan)
}

fn add(plan: &mut Plan, extra: Share, waited: bool) {
    // Only a decision fills what waits.
    if waited {
        plan.waits = extra;
    } else if extra.stock_units > 0 {
        plan.more = Some(extra);
    }
}

/// What the item's lines must amount to: what the state says, less what was refunded besides. If a
/// later state says less, that is taken to be the same thing that somebody refunded here.
fn target(stands: &Stands, now: Share) -> Result<Share, Mixed> {
    let left = stands.sold.iter().fold(Share::default(), |sum, line| sum.plus(line.left()));
    let by_hand = stands.said.minus(left).minus(stands.numbered).minus(stands.waits);
    let less = (stands.said.stock_units - now.stock_units).max(0);
    let open = by_hand.part((by_hand.stock_units - less).max(0));
    let beside = stands.numbered.plus(open);
    if beside.stock_units <= 0 {
        return Ok(now);
    }
    if now.stock_units <= beside.stock_units {
        return Ok(Share::default());
    }
    let target = now.minus(beside);
    if now.is_priced_as(stands.said) && target.could_be() { Ok(target) } else { Err(Mixed) }
}

/// The latest lines are refunded first; none if what is left then is not exactly the target.
fn given_back(stands: &Stands, target: Share, currency: Currency) -> Option<Vec<(usize, i64)>> {
    let mut sum = stands.sold.iter().fold(Share::default(), |sum, line| sum.plus(line.left()));
    let mut less = sum.stock_units - target.stock_units;
    let mut back = Vec::new();
    for (at, line) in stands.sold.iter().enumerate().rev() {
        let stock_units = less.min(line.left().stock_units);
        if stock_units > 0 {
            back.push((at, stock_units));
            sum = sum.minus(part_of(line, stock_units, currency)?);
            less -= stock_units;
        }
    }
    (sum == target).then_some(back)
}

/// What a refund of this many steps would return.
fn part_of(line: &SoldLine, stock_units: i64, currency: Currency) -> Option<Share> {
    let money = |minor| Money::from_minor(minor, currency).ok();
    let (sold, back) = (line.sold, line.back);
    let whole = Sold {
        stock_units: sold.stock_units,
        amount: money(sold.amount)?,
        discount: money(sold.discount)?,
        tax: money(sold.tax)?,
        cost: None,
    };
    let all = Part {
        stock_units: back.stock_units,
        amount: money(back.amount)?,
        discount: money(back.discount)?,
        tax: money(back.tax)?,
        cost: Money::zero(currency),
    };
    let before = GivenBack { all, alone: Part::none(all.amount) };
    let part = next_part(&whole, &before, stock_units).ok()?;
    Some(Share {
        stock_units,
        amount: part.amount.minor(),
        discount: part.discount.minor(),
        tax: part.tax.minor(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn share(stock_units: i64, amount: i64, discount: i64, tax: i64) -> Share {
        Share { stock_units, amount, discount, tax }
    }

    fn sold(sold: Share, back: Share) -> SoldLine {
        SoldLine { sold, back, has_money_back: false }
    }

    fn check(what: &str, stands: &Stands, now: Share, expected: &Result<Plan, Mixed>) {
        assert_eq!(&plan(stands, now, Currency::USD), expected, "{what}");
    }

    #[test]
    fn the_difference_is_taken_against_what_stands_now() {
        let none = Share::default();
        let five = share(5, 5000, 0, 0);
        let three = share(3, 3000, 0, 0);
        let after =
            |back: Share, said: Share| Stands { said, sold: vec![sold(five, back)], ..Stands::default() };
        let back = |stock_units| Ok(Plan { back: vec![(0, stock_units)], ..Plan::default() });
        let more = |stock_units, amount| {
            Ok(Plan { more: Some(share(stock_units, amount, 0, 0)), ..Plan::default() })
        };
        check("less", &after(none, five), three, &back(2));
        check("more again", &after(share(2, 2000, 0, 0), three), share(4, 4000, 0, 0), &more(1, 1000));
        check("all again", &after(share(2, 2000, 0, 0), three), five, &more(2, 2000));
        check("the same", &after(share(2, 2000, 0, 0), three), three, &Ok(Plan::default()));
        check("nothing", &after(none, five), none, &back(5));
    }

    #[test]
    fn a_change_of_money_is_sold_anew() {
        let five = share(5, 5000, 0, 0);
        let stands = Stands { said: five, sold: vec![sold(five, Share::default())], ..Stands::default() };
        let anew = |again, more| Ok(Plan { back: vec![(0, 5)], again: Some(again), more, ..Plan::default() });
        check("cheaper and less", &stands, share(3, 1500, 0, 0), &anew(share(3, 1500, 0, 0), None));
        check("a discount", &stands, share(5, 5000, 250, 0), &anew(share(5, 5000, 250, 0), None));
        check("a tax", &stands, share(5, 5000, 0, 41), &anew(share(5, 5000, 0, 41), None));
        let dearer = share(6, 12_000, 0, 0);
        check("dearer and more", &stands, dearer, &anew(share(5, 10_000, 0, 0), Some(share(1, 2000, 0, 0))));
    }

    #[test]
    fn what_waits_stays_waiting() {
        let nine = share(9, 9000, 0, 0);
        let waits = Stands { said: nine, waits: nine, ..Stands::default() };
        let left = |waits| Ok(Plan { waits, ..Plan::default() });
        check("smaller", &waits, share(2, 2000, 0, 0), &left(share(2, 2000, 0, 0)));
        check("larger", &waits, share(10, 9500, 0, 0), &left(share(10, 9500, 0, 0)));
        check("gone", &waits, Share::default(), &left(Share::default()));
        let (two, three) = (share(2, 2000, 0, 0), share(3, 3000, 0, 0));
        let both = Stands {
            said: share(5, 5000, 0, 0),
            sold: vec![sold(three, Share::default())],
            waits: two,
            ..Stands::default()
        };
        check("the waiting part first", &both, share(4, 4000, 0, 0), &left(share(1, 1000, 0, 0)));
        let gone = Ok(Plan { back: vec![(0, 1)], ..Plan::default() });
        check("then the sold one", &both, two, &gone);
    }

    #[test]
    fn what_was_given_back_beside_a_state_stays_given_back() {
        let five = share(5, 5000, 0, 0);
        let one = share(1, 1000, 0, 0);
        let numbered = Stands { said: five, sold: vec![sold(five, one)], numbered: one, ..Stands::default() };
        let back = |stock_units| Ok(Plan { back: vec![(0, stock_units)], ..Plan::default() });
        check("a refund with its number", &numbered, share(4, 4000, 0, 0), &back(1));
        check("and another price", &numbered, share(5, 4500, 0, 0), &Err(Mixed));
        let by_hand = Stands { numbered: Share::default(), ..numbered };
        check("by hand, and then told", &by_hand, share(4, 4000, 0, 0), &Ok(Plan::default()));
        check("by hand, and more than that", &by_hand, share(3, 3000, 0, 0), &back(1));
        let more = Ok(Plan { more: Some(one), ..Plan::default() });
        check("by hand, and one more", &by_hand, share(6, 6000, 0, 0), &more);
    }

    #[test]
    fn money_given_back_alone_stays_beside_the_states() {
        let five = share(5, 5000, 0, 0);
        let line = |back| SoldLine { has_money_back: true, ..sold(five, back) };
        let stands = |back| Stands { said: five, sold: vec![line(back)], ..Stands::default() };
        let none = Share::default();
        let back = |stock_units| Ok(Plan { back: vec![(0, stock_units)], ..Plan::default() });
        check("fewer", &stands(none), share(3, 3000, 0, 0), &back(2));
        check("none", &stands(none), none, &back(5));
        let more = Ok(Plan { more: Some(share(1, 1000, 0, 0)), ..Plan::default() });
        check("more", &stands(none), share(6, 6000, 0, 0), &more);
        check("another price", &stands(none), share(5, 4500, 0, 0), &Err(Mixed));
        // A line that was refunded whole has nothing left for the new price.
        let (one, dear) = (share(1, 1000, 0, 0), share(1, 1500, 0, 0));
        let both = Stands { said: one, sold: vec![line(five), sold(one, none)], ..Stands::default() };
        let anew = Ok(Plan { back: vec![(1, 1)], again: Some(dear), ..Plan::default() });
        check("another price of a later line", &both, dear, &anew);
    }

    #[test]
    fn the_latest_line_gives_back_first() {
        let (three, two) = (share(3, 3000, 0, 300), share(2, 2000, 0, 200));
        let stands = Stands {
            said: three.plus(two),
            sold: vec![sold(three, Share::default()), sold(two, Share::default())],
            ..Stands::default()
        };
        let back = Ok(Plan { back: vec![(1, 2), (0, 1)], ..Plan::default() });
        check("three less", &stands, share(2, 2000, 0, 200), &back);
    }
}
