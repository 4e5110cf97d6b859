//! How much is refunded for part of a line. The figures follow from law 9; worked here.

use crate::cents;
use domain::refund::{GivenBack, Part, RefundError, Sold, money_part, next_part};

/// Three for 10.00, a dollar off, 0.55 tax, cost 4.00.
fn three() -> Sold {
    Sold { stock_units: 3, amount: cents(1000), discount: cents(100), tax: cents(55), cost: Some(cents(400)) }
}

#[test]
fn three_given_back_one_by_one() {
    let mut before = GivenBack::none(cents(0));
    let expected = [(333, 33, 18, 133), (334, 34, 19, 134), (333, 33, 18, 133)];
    for (amount, discount, tax, cost) in expected {
        let part = next_part(&three(), &before, 1).unwrap();
        let found = (part.amount.minor(), part.discount.minor(), part.tax.minor(), part.cost.minor());
        assert_eq!(found, (amount, discount, tax, cost));
        assert_eq!(part.given_back(), Ok(cents(amount - discount + tax)));
        before = before.plus(&part).unwrap();
    }
    assert_eq!(before.all, next_part(&three(), &GivenBack::none(cents(0)), 3).unwrap());
}

#[test]
fn more_than_was_sold_is_refused() {
    let check = |before: i64, stock_units: i64, expected: &RefundError| {
        let mut given = GivenBack::none(cents(0));
        if before > 0 {
            given = given.plus(&next_part(&three(), &given, before).unwrap()).unwrap();
        }
        assert_eq!(next_part(&three(), &given, stock_units).as_ref(), Err(expected));
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
    assert_eq!(next_part(&sold, &GivenBack::none(cents(0)), 3).unwrap().cost, cents(0));
}

/// Amount, discount, tax.
fn figures(part: &Part) -> [i64; 3] {
    [part.amount, part.discount, part.tax].map(domain::money::Money::minor)
}

#[test]
fn money_alone_is_shared_over_what_is_left() {
    let check = |before: &Part, money: i64, expected: Result<[i64; 3], RefundError>| {
        let part = money_part(&three(), before, cents(money));
        assert!(part.as_ref().is_ok_and(|p| p.stock_units == 0 && p.cost == cents(0)) || part.is_err());
        assert_eq!(part.map(|p| figures(&p)), expected, "{money}");
    };
    let none = Part::none(cents(0));
    // Of 9.55 in all, 0.55 is tax: of 5.00 it is 0.288. Off the other 4.71 comes a ninth: 0.523.
    check(&none, 500, Ok([523, 52, 29]));
    check(&none, 955, Ok([1000, 100, 55]));
    check(&none, 1, Ok([1, 0, 0]));
    check(&none, 956, Err(RefundError::MoreMoney { asked: cents(956), left: cents(955) }));
    check(&none, 0, Err(RefundError::NotPositive));
    check(&none, -5, Err(RefundError::NotPositive));
    let one = next_part(&three(), &GivenBack::none(cents(0)), 1).unwrap();
    check(&one, 637, Ok([667, 67, 37]));
    check(&one, 638, Err(RefundError::MoreMoney { asked: cents(638), left: cents(637) }));
}

#[test]
fn goods_after_money_alone_give_their_share_while_it_is_left() {
    let three = Sold { discount: cents(0), tax: cents(0), ..three() };
    let check = |alone: i64, expected: [i64; 3]| {
        let mut before = GivenBack::none(cents(0));
        before = before.plus(&money_part(&three, &before.all, cents(alone)).unwrap()).unwrap();
        for amount in expected {
            let part = next_part(&three, &before, 1).unwrap();
            assert_eq!(part.amount.minor(), amount, "after {alone}");
            before = before.plus(&part).unwrap();
        }
        assert_eq!((before.all.amount, before.all.cost), (three.amount, cents(400)), "after {alone}");
    };
    check(100, [333, 334, 233]);
    check(500, [333, 167, 0]);
    check(1000, [0, 0, 0]);
}
