//! Limits: no amount, quantity or sum is larger than the program accepts, so every sum of them can be
//! read.

use super::Law;
use super::rule::Field::{Money, Number};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::MoneyAddsUp,
        what: "a sale is beyond the limit of one amount",
        record: "sale",
        fields: &[
            Money("goods"),
            Money("gift certificates and deposits"),
            Money("tax"),
            Money("shipping"),
            Money("tendered"),
        ],
        text: "SELECT id, COALESCE('receipt ' || CAST(receipt AS TEXT), 'past') AS name, \
            CASE WHEN goods > 100000000000 THEN 100000000000 ELSE goods END AS e1, goods AS f1, \
            CASE WHEN not_revenue > 100000000000 THEN 100000000000 ELSE not_revenue END AS e2, not_revenue AS f2, \
            CASE WHEN tax > 100000000000 THEN 100000000000 ELSE tax END AS e3, tax AS f3, \
            CASE WHEN shipping > 100000000000 THEN 100000000000 ELSE shipping END AS e4, shipping AS f4, \
            CASE WHEN tendered > 100000000000 THEN 100000000000 ELSE tendered END AS e5, tendered AS f5 FROM sale",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a sale line is beyond the limits of one line",
        record: "sale line",
        fields: &[Money("price"), Money("amount"), Number("quantity")],
        text: "SELECT id, code AS name, \
            CASE WHEN price > 100000000000 THEN 100000000000 ELSE price END AS e1, price AS f1, \
            CASE WHEN amount > 100000000000 THEN 100000000000 ELSE amount END AS e2, amount AS f2, \
            CASE WHEN stock_units > most THEN most ELSE stock_units END AS e3, stock_units AS f3 FROM (\
            SELECT id, code, price, amount, stock_units, CASE unit WHEN '' THEN 1000000 WHEN 'ONZ' THEN 35273961 \
            WHEN 'LBR' THEN 2204622 WHEN 'GRM' THEN 1000000000 WHEN 'HGM' THEN 10000000 ELSE 1000000 END AS most \
            FROM sale_line) AS line",
    },
    Rule {
        law: Law::LedgerAddsUp,
        what: "a day is beyond the limit of a day",
        record: "day",
        fields: &[
            Money("gross"),
            Money("discounts"),
            Money("refunds"),
            Money("shipping"),
            Money("tax"),
            Money("fees"),
            Money("postage"),
            Money("cost"),
        ],
        text: "SELECT day AS id, channel AS name, \
            CASE WHEN gross > 1000000000000000 THEN 1000000000000000 WHEN gross < -1000000000000000 THEN -1000000000000000 ELSE gross END AS e1, gross AS f1, \
            CASE WHEN discounts > 1000000000000000 THEN 1000000000000000 WHEN discounts < -1000000000000000 THEN -1000000000000000 ELSE discounts END AS e2, discounts AS f2, \
            CASE WHEN refunds > 1000000000000000 THEN 1000000000000000 WHEN refunds < -1000000000000000 THEN -1000000000000000 ELSE refunds END AS e3, refunds AS f3, \
            CASE WHEN shipping > 1000000000000000 THEN 1000000000000000 WHEN shipping < -1000000000000000 THEN -1000000000000000 ELSE shipping END AS e4, shipping AS f4, \
            CASE WHEN tax > 1000000000000000 THEN 1000000000000000 WHEN tax < -1000000000000000 THEN -1000000000000000 ELSE tax END AS e5, tax AS f5, \
            CASE WHEN fees > 1000000000000000 THEN 1000000000000000 WHEN fees < -1000000000000000 THEN -1000000000000000 ELSE fees END AS e6, fees AS f6, \
            CASE WHEN postage > 1000000000000000 THEN 1000000000000000 WHEN postage < -1000000000000000 THEN -1000000000000000 ELSE postage END AS e7, postage AS f7, \
            CASE WHEN cost > 1000000000000000 THEN 1000000000000000 WHEN cost < -1000000000000000 THEN -1000000000000000 ELSE cost END AS e8, cost AS f8 FROM day_total",
    },
];

#[cfg(test)]
mod tests {
    use super::RULES;
    use domain::money::{MAX_AMOUNT, MAX_DAY};
    use domain::quantity::Measure;
    use domain::weight::WeightUnit;

    #[test]
    fn the_statements_say_the_limits_by_their_numbers() {
        let check = |rule: usize, words: &str, times: usize| {
            assert_eq!(RULES[rule].text.matches(words).count(), times, "{words}");
        };
        check(0, &format!("> {MAX_AMOUNT} THEN {MAX_AMOUNT} "), 5);
        check(1, &format!("> {MAX_AMOUNT} THEN {MAX_AMOUNT} "), 2);
        check(1, &format!("'' THEN {} ", Measure::Units.max_line_stock_units()), 1);
        let most = |unit| Measure::Thousandths(unit).max_line_stock_units();
        for unit in [WeightUnit::Ounce, WeightUnit::Pound, WeightUnit::Gram, WeightUnit::HundredGrams] {
            check(1, &format!("'{}' THEN {} ", unit.code(), most(unit)), 1);
        }
        check(1, &format!("ELSE {} END AS most", most(WeightUnit::Kilogram)), 1);
        check(2, &format!("> {MAX_DAY} THEN {MAX_DAY} "), 8);
        check(2, &format!("< -{MAX_DAY} THEN -{MAX_DAY} "), 8);
    }
}
