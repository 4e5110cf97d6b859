//! Rules that hold for any figures.

use crate::cents;
use domain::basket::{CashRounding, Line, LineMoney, TenderKind, Tie, settle, settle_lines};
use domain::ids::IdMaker;
use domain::money::{Currency, Money};
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::quantity::{Measure, Quantity};
use domain::refund::{GivenBack, Part, RefundError, Sold, money_part, next_part};
use domain::split::by_largest_remainder;
use domain::text::fold;
use domain::weight::{Weight, WeightUnit};
use proptest::prelude::*;
use rust_decimal::Decimal;

fn unit() -> impl Strategy<Value = WeightUnit> {
    prop::sample::select(WeightUnit::ALL.to_vec())
}

fn weight() -> impl Strategy<Value = Weight> {
    (1..100_000_i64, 0..=4_u32, unit())
        .prop_map(|(digits, scale, unit)| Weight::new(Decimal::new(digits, scale), unit))
        .prop_filter_map("over a tonne", Result::ok)
}

fn rate() -> impl Strategy<Value = WeightRate> {
    (1..500_000_000_i64, unit()).prop_map(|(m, unit)| WeightRate::from_millionths(m, unit).unwrap())
}

fn ending() -> impl Strategy<Value = PriceEnding> {
    let fraction = (1..100_i64).prop_map(|c| PriceEnding::Fraction(Decimal::new(c, 2)));
    prop_oneof![Just(PriceEnding::Exact), Just(PriceEnding::Five), Just(PriceEnding::Whole), fraction]
}

/// Lines, each with a discount, and an order discount of at most what is left.
fn basket() -> impl Strategy<Value = (Vec<Line>, Money)> {
    let line = (0..2_000_000_i64, 0..=100_i64, 0..100_000_i64).prop_map(|(amount, percent, tax)| Line {
        amount: cents(amount),
        discount: cents(amount * percent / 100),
        tax: cents(tax),
    });
    (prop::collection::vec(line, 1..40), 0..=1000_i64).prop_map(|(lines, thousandths)| {
        let left: i64 = lines.iter().map(|l| l.amount.minor() - l.discount.minor()).sum();
        (lines, cents(left * thousandths / 1000))
    })
}

fn rounding() -> impl Strategy<Value = CashRounding> {
    (1..=200_i64, prop::bool::ANY)
        .prop_map(|(step, up)| CashRounding::to_step(step, if up { Tie::Up } else { Tie::Down }).unwrap())
}

/// A sold line: its discount never exceeds its price.
fn sold() -> impl Strategy<Value = Sold> {
    let money = (0..3_000_000_i64, 0..=100_i64, 0..500_000_i64, 0..3_000_000_i64);
    (1..5000_i64, money).prop_map(|(stock_units, (amount, percent, tax, cost))| Sold {
        stock_units,
        amount: cents(amount),
        discount: cents(amount * percent / 100),
        tax: cents(tax),
        cost: Some(cents(cost)),
    })
}

fn whole(sold: &Sold) -> Part {
    let Sold { stock_units, amount, discount, tax, cost } = *sold;
    Part { stock_units, amount, discount, tax, cost: cost.unwrap() }
}

fn paid(part: &Part) -> i64 {
    part.given_back().unwrap().minor()
}

/// No figure of a part is negative, the parts together never exceed what was sold, and the discount on
/// what is left never exceeds its price.
fn within(sold: &Sold, part: &Part, given: &GivenBack) -> Result<(), TestCaseError> {
    let figures = |p: &Part| [p.amount, p.discount, p.tax, p.cost].map(Money::minor);
    prop_assert!(figures(part).iter().all(|m| *m >= 0), "{part:?}");
    let most = figures(&whole(sold));
    prop_assert!(figures(&given.all).iter().zip(most).all(|(m, most)| *m <= most), "{given:?} of {sold:?}");
    let [amount, discount, ..] = figures(&given.all);
    prop_assert!(most[0] - amount >= most[1] - discount, "{given:?} of {sold:?}");
    Ok(())
}

proptest! {
    #[test]
    fn a_split_loses_nothing(amount in -10_000_000..10_000_000_i64, weights in prop::collection::vec(0..1_000_000_i64, 1..60)) {
        let parts = by_largest_remainder(cents(amount), &weights).unwrap();
        prop_assert_eq!(parts.iter().map(|p| p.minor()).sum::<i64>(), amount);
        let whole: i64 = weights.iter().sum();
        for (part, weight) in parts.iter().zip(&weights) {
            let share = |w: i64, all: i64| i128::from(part.minor()) * i128::from(all) - i128::from(amount) * i128::from(w);
            let (w, all) = if whole == 0 { (1, i64::try_from(weights.len()).unwrap()) } else { (*weight, whole) };
            prop_assert!(share(w, all).abs() < i128::from(all), "a part is within one unit of its share");
        }
    }

    #[test]
    fn an_order_discount_is_spread_to_the_cent((lines, discount) in basket()) {
        let settled = settle_lines(&lines, discount).unwrap();
        let own: i64 = lines.iter().map(|l| l.discount.minor()).sum();
        prop_assert_eq!(settled.iter().map(|l| l.discount.minor()).sum::<i64>(), own + discount.minor());
        for (before, after) in lines.iter().zip(&settled) {
            prop_assert!(after.discount.minor() <= after.amount.minor(), "no discount exceeds its line");
            prop_assert!(after.discount.minor() >= before.discount.minor(), "no line's own discount shrinks");
            prop_assert_eq!((before.amount, before.tax), (after.amount, after.tax));
        }
    }

    /// Law 4: lines − discounts + tax + shipping + rounding = tenders − change.
    #[test]
    fn money_adds_up((lines, discount) in basket(), shipping in 0..5000_i64, rule in rounding(), card_part in 0..=100_i64, over in 0..5000_i64) {
        let settled = settle_lines(&lines, discount).unwrap();
        let exact: i64 = shipping + settled.iter().map(|l| l.amount.minor() - l.discount.minor() + l.tax.minor()).sum::<i64>();
        let card = exact * card_part / 100;
        let cash = rule.round(cents(exact - card)).unwrap().minor() + over;
        let tenders = [(TenderKind::Card, cents(card)), (TenderKind::Cash, cents(cash))];
        let t = settle(&settled, cents(shipping), &tenders, rule).unwrap();
        prop_assert_eq!(
            t.lines.minor() - t.discounts.minor() + t.tax.minor() + t.shipping.minor() + t.rounding.minor(),
            t.tendered.minor() - t.change.minor()
        );
        prop_assert_eq!((t.tendered.minor(), t.change.minor()), (card + cash, over));
        prop_assert_eq!((t.due.minor() - card) % rule.step_minor(), 0, "the cash part is a multiple of the coin");
        prop_assert!(t.rounding.minor().abs() * 2 <= rule.step_minor(), "by at most half a coin");
        let by_card = settle(&settled, cents(shipping), &[(TenderKind::Card, cents(exact))], rule).unwrap();
        prop_assert!(by_card.rounding.is_zero() && by_card.due == cents(exact), "a card is never rounded");
        if cash - over > 0 {
            let short = [(TenderKind::Card, cents(card)), (TenderKind::Cash, cents(cash - over - 1))];
            prop_assert!(settle(&settled, cents(shipping), &short, rule).is_err(), "a cent short is refused");
        }
    }

    /// Law 9: parts of any sizes add up to the whole, and never exceed it before.
    #[test]
    fn refunds_add_up(sold in sold(), sizes in prop::collection::vec(1..1500_i64, 1..30)) {
        let mut given = GivenBack::none(cents(0));
        for size in sizes.into_iter().chain([i64::MAX]) {
            let size = size.min(sold.stock_units - given.all.stock_units);
            if size == 0 {
                break;
            }
            let part = next_part(&sold, &given, size).unwrap();
            given = given.plus(&part).unwrap();
            within(&sold, &part, &given)?;
            let share = i128::from(sold.amount.minor()) * i128::from(given.all.stock_units) / i128::from(sold.stock_units);
            prop_assert!((i128::from(given.all.amount.minor()) - share).abs() <= 1, "the running total is its share");
        }
        prop_assert_eq!(given.all, whole(&sold));
        prop_assert!(next_part(&sold, &given, 1).is_err());
    }

    /// Law 9 with refunds of money alone between goods: in any order, no more than was paid is
    /// refunded, each amount is exact, and goods get their share as long as it is left.
    #[test]
    fn refunds_with_money_alone_add_up(sold in sold(), asked in prop::collection::vec((any::<bool>(), 1..1_000_000_i64), 1..30)) {
        let mut given = GivenBack::none(cents(0));
        let mut goods_given = GivenBack::none(cents(0));
        for (money, size) in asked.into_iter().chain([(false, i64::MAX)]) {
            let left = paid(&whole(&sold)) - paid(&given.all);
            if money {
                let part = money_part(&sold, &given.all, cents(size));
                if size > left {
                    prop_assert_eq!(part, Err(RefundError::MoreMoney { asked: cents(size), left: cents(left) }));
                    continue;
                }
                prop_assert_eq!(paid(&part.clone().unwrap()), size);
                given = given.plus(&part.clone().unwrap()).unwrap();
                within(&sold, &part.unwrap(), &given)?;
                continue;
            }
            let size = size.min(sold.stock_units - given.all.stock_units);
            if size == 0 {
                continue;
            }
            let part = next_part(&sold, &given, size).unwrap();
            let full = next_part(&sold, &goods_given, size).unwrap();
            goods_given = goods_given.plus(&full).unwrap();
            given = given.plus(&part).unwrap();
            within(&sold, &part, &given)?;
            // The books are between those without the refunds of money and those with all of them.
            for (given, alone, full) in [
                (given.all.amount, given.alone.amount, goods_given.all.amount),
                (given.all.discount, given.alone.discount, goods_given.all.discount),
                (given.all.tax, given.alone.tax, goods_given.all.tax),
            ] {
                let goods = given.minor() - alone.minor();
                prop_assert!(goods <= full.minor() && goods >= full.minor() - alone.minor(), "{goods} of {full}");
            }
        }
        prop_assert_eq!(given.all, whole(&sold), "the last goods give the remainder");
    }

    #[test]
    fn an_ended_price_is_the_nearest(minor in 0..5_000_000_i64, ending in ending()) {
        let ended = ending.end(cents(minor)).unwrap().minor();
        let (step, first) = match ending {
            PriceEnding::Exact => (1, 0),
            PriceEnding::Five => (5, 0),
            PriceEnding::Whole => (100, 0),
            PriceEnding::Fraction(part) => (100, i64::try_from(part * Decimal::ONE_HUNDRED).unwrap()),
        };
        prop_assert_eq!((ended - first) % step, 0, "it has the ending");
        prop_assert!(ended >= first, "never below the ending itself");
        if ended > first {
            prop_assert!(2 * (ended - minor) <= step, "no lower one is nearer; a tie goes up");
        }
        prop_assert!(2 * (minor - ended) < step, "no higher one is as near");
        prop_assert_eq!(ending.end(cents(ended)), Ok(cents(ended)), "ending twice is ending once");
    }

    #[test]
    fn a_heavier_piece_is_never_cheaper(one in weight(), other in weight(), rate in rate(), ending in ending(), extras in 0..5000_i64, minimum in 1..5000_i64) {
        let rule = PriceRule { rate, ending, minimum: Some(cents(minimum)) };
        let (light, heavy) = if one.grams() <= other.grams() { (one, other) } else { (other, one) };
        let price = |weight| rule.price(weight, cents(extras));
        if let (Ok(light), Ok(heavy)) = (price(light), price(heavy)) {
            prop_assert!(light.price.minor() <= heavy.price.minor(), "{light} against {heavy}");
            prop_assert!(light.price.minor() >= minimum);
            for calculation in [light, heavy] {
                let parts = calculation.ended.minor().max(minimum);
                prop_assert_eq!(calculation.price.minor(), parts, "the working explains the price");
                prop_assert_eq!(calculation.minimum_used.is_some(), minimum > calculation.ended.minor());
            }
        }
    }

    /// |price × unit − rate × weight| is at most half a cent × unit, in exact grams.
    #[test]
    fn a_price_is_the_nearest_cent_in_any_unit(weight in weight(), rate in rate()) {
        let rule = PriceRule { rate, ending: PriceEnding::Exact, minimum: None };
        if let Ok(calculation) = rule.price(weight, cents(0)) {
            let whole = |value: Decimal, scale: u32| {
                let mut value = value;
                value.rescale(scale);
                value.mantissa()
            };
            let mass = |unit: WeightUnit| whole(unit.grams(), 9);
            let exact = whole(weight.value(), 4) * mass(weight.unit()) * whole(rate.per(), 6);
            let scale = 10_i128.pow(8);
            let shown = i128::from(calculation.price.minor()) * mass(rate.unit()) * scale;
            let off = 2 * (shown - exact);
            prop_assert!(-mass(rate.unit()) * scale < off && off <= mass(rate.unit()) * scale, "{calculation}");
        }
    }

    #[test]
    fn identifiers_only_grow(node in 0..1024_u16, floor in any::<i64>(), clock in prop::collection::vec(prop_oneof![any::<i64>(), 1_577_836_800_000..1_900_000_000_000_i64, Just(1_800_000_000_000_i64)], 1..300)) {
        let mut maker = IdMaker::new(node, floor);
        let ids: Vec<i64> = clock.into_iter().map(|now| maker.next(now)).collect();
        prop_assert!(ids[0] > 0);
        prop_assert!(ids.windows(2).all(|pair| pair[0] < pair[1]), "{ids:?}");
        prop_assert!(ids.iter().all(|id| (id >> 12) & 1023 == i64::from(node)), "each holds its node");
    }

    // Lamport, Time, Clocks, and the Ordering of Events in a Distributed System, CACM 21 (1978), rule IR2.
    #[test]
    fn identifiers_follow_those_that_were_seen(nodes in (0..1024_u16, 0..1024_u16), clocks in (1_577_836_800_000..1_900_000_000_000_i64, 1_577_836_800_000..1_900_000_000_000_i64), earlier in 0..9_000_usize) {
        let (mut theirs, mut ours) = (IdMaker::new(nodes.0, 0), IdMaker::new(nodes.1, 0));
        let before = (0..earlier).map(|_| ours.next(clocks.1)).last().unwrap_or(0);
        let seen = theirs.next(clocks.0);
        ours.after(seen);
        let next = ours.next(clocks.1);
        prop_assert!(next > seen && next > before);
    }

    #[test]
    fn weights_of_all_units_sum_exactly(lines in prop::collection::vec((1..1_000_000_i64, unit()), 1..50)) {
        let sum: i64 = lines.iter().map(|(stock_units, unit)| {
            Quantity::from_stock_units(*stock_units, Measure::Thousandths(*unit)).unwrap().book_weight().unwrap()
        }).sum();
        let grams: Decimal = lines.iter().map(|(stock_units, unit)| Decimal::new(*stock_units, 3) * unit.grams()).sum();
        prop_assert_eq!(Decimal::from(sum) / Decimal::from(8_000_000_000_i64), grams);
        let back: i64 = lines.iter().rev().map(|(stock_units, unit)| stock_units * unit.eighth_nanograms_per_thousandth()).sum();
        prop_assert_eq!(sum - back, 0, "in any order");
    }

    #[test]
    fn a_weight_reads_as_it_is_written(weight in weight()) {
        let text = weight.value().to_string();
        prop_assert_eq!(Weight::parse(&text, weight.unit()).map(|w| w.value().to_string()), Ok(text));
    }

    #[test]
    fn folded_text_is_found_by_its_parts(before in ".{0,12}", part in ".{0,12}", after in ".{0,12}") {
        let whole = fold(&format!("{before}{part}{after}"));
        prop_assert!(whole.contains(&fold(&part)));
        prop_assert_eq!(fold(&whole), whole.clone());
        prop_assert_eq!(fold(&format!("{before}{part}")), fold(&before) + &fold(&part));
    }

    #[test]
    fn case_of_latin_letters_does_not_count(text in "[a-zA-Z\u{e0}-\u{f6}\u{f8}-\u{fe} 0-9]{0,20}") {
        prop_assert_eq!(fold(&text.to_uppercase()), fold(&text));
    }

    #[test]
    fn money_reads_as_it_is_written(minor in -100_000_000_000..=100_000_000_000_i64, code in prop::sample::select(vec!["USD", "JPY", "KWD", "CLF"])) {
        let currency = Currency::from_code(code).unwrap();
        let amount = Money::from_minor(minor, currency).unwrap();
        prop_assert_eq!(Money::parse(&amount.to_string(), currency), Ok(amount));
        prop_assert_eq!(amount.plus(amount.negated()), Ok(Money::zero(currency)));
    }

    #[test]
    fn cash_rounds_to_the_nearest_coin_and_turns_with_the_sign(minor in -1_000_000..1_000_000_i64, rule in rounding()) {
        let rounded = rule.round(cents(minor)).unwrap();
        prop_assert_eq!(rule.round(cents(-minor)), Ok(rounded.negated()));
        prop_assert_eq!(rounded.minor() % rule.step_minor(), 0);
        prop_assert!((rounded.minor() - minor).abs() * 2 <= rule.step_minor());
        prop_assert_eq!(rule.round(rounded), Ok(rounded));
    }

    #[test]
    fn settled_lines_take_no_part_of_each_other(amounts in prop::collection::vec(0..100_000_i64, 1..20)) {
        let lines: Vec<LineMoney> = amounts.iter().map(|a| LineMoney { amount: cents(*a), discount: cents(0), tax: cents(0) }).collect();
        let due = settle(&lines, cents(0), &[(TenderKind::Online, cents(amounts.iter().sum()))], CashRounding::NONE).unwrap().due;
        let backwards: Vec<LineMoney> = lines.iter().rev().copied().collect();
        let same = settle(&backwards, cents(0), &[(TenderKind::Online, due)], CashRounding::NONE).unwrap();
        prop_assert_eq!(same.due, due);
    }
}
