//! What part of a line gives back. The figures follow from law 9; worked here.

use crate::cents;
use domain::refund::{Part, RefundError, Sold, next_part};

/// Three for 10.00, a dollar off, 0.55 tax, cost 4.00.
fn three() -> Sold {
    Sold { steps: 3, amount: cents(1000), discount: cents(100), tax: cents(55), cost: Some(cents(400)) }
}

#[test]
fn three_given_back_one_by_one() {
    let mut before = Part::none(cents(0));
    let expected = [(333, 33, 18, 133), (334, 34, 19, 134), (333, 33, 18, 133)];
    for (amount, discount, tax, cost) in expected {
        let part = next_part(&three(), &before, 1).unwrap();
        let found = (part.amount.minor(), part.discount.minor(), part.tax.minor(), part.cost.minor());
        assert_eq!(found, (amount, discount, tax, cost));
        assert_eq!(part.given_back(), Ok(cents(amount - discount + tax)));
        before = before.plus(&part).unwrap();
    }
    assert_eq!(before, next_part(&three(), &Part::none(cents(0)), 3).unwrap());
}

#[test]
fn more_than_was_sold_is_refused() {
    let check = |before: i64, steps: i64, expected: &RefundError| {
        let mut given = Part::none(cents(0));
        if before > 0 {
            given = next_part(&three(), &given, before).unwrap();
        }
        assert_eq!(next_part(&three(), &given, steps).as_ref(), Err(expected));
    };
    check(0, 4, &RefundError::MoreThanSold { asked: 4, left: 3, sold: 3 });
    check(2, 2, &RefundError::MoreThanSold { asked: 2, left: 1, sold: 3 });
    check(3, 1, &RefundError::MoreThanSold { asked: 1, left: 0, sold: 3 });
    check(0, 0, &RefundError::NotPositive);
    check(0, -1, &RefundError::NotPositive);
}

#[test]
fn a_cost_that_is_not_known_gives_nothing() {
    let sold = Sold { cost: None, ..three() };
    assert_eq!(next_part(&sold, &Part::none(cents(0)), 3).unwrap().cost, cents(0));
}
