//! The bills and coins in a cash drawer, by currency.

use crate::money::{Currency, Money, MoneyError};

/// What is in daily use, in minor units, largest first. From memory of what the central bank named
/// beside each line published up to 2025; check its pages before relying on a rare one. Bills and coins
/// that were withdrawn are left out unless shops still take them.
const LADDERS: &[(&str, &[i64])] = &[
    // Federal Reserve, U.S. Mint. The half dollar is rare and left out; the one-dollar coin counts
    // as 1.00.
    ("USD", &[10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50, 25, 10, 5, 1]),
    // Bank of England, Royal Mint.
    ("GBP", &[5_000, 2_000, 1_000, 500, 200, 100, 50, 20, 10, 5, 2, 1]),
    // European Central Bank. The 500 is no longer issued but still valid.
    ("EUR", &[50_000, 20_000, 10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50, 20, 10, 5, 2, 1]),
    // Bank of Canada, Royal Canadian Mint: no cent since 2013.
    ("CAD", &[10_000, 5_000, 2_000, 1_000, 500, 200, 100, 25, 10, 5]),
    // Reserve Bank of Australia, Royal Australian Mint: no 1 and 2 cents since 1992.
    ("AUD", &[10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50, 20, 10, 5]),
    // Reserve Bank of New Zealand: no 5 cents since 2006.
    ("NZD", &[10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50, 20, 10]),
    // Swiss National Bank, Swissmint.
    ("CHF", &[100_000, 20_000, 10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50, 20, 10, 5]),
    // Sveriges Riksbank.
    ("SEK", &[100_000, 50_000, 20_000, 10_000, 5_000, 2_000, 1_000, 500, 200, 100]),
    // Norges Bank.
    ("NOK", &[100_000, 50_000, 20_000, 10_000, 5_000, 2_000, 1_000, 500, 100]),
    // Danmarks Nationalbank.
    ("DKK", &[100_000, 50_000, 20_000, 10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50]),
    // Central Bank of Iceland.
    ("ISK", &[10_000, 5_000, 2_000, 1_000, 500, 100, 50, 10, 5, 1]),
    // Bank of Japan, Japan Mint.
    ("JPY", &[10_000, 5_000, 2_000, 1_000, 500, 100, 50, 10, 5, 1]),
];
/// The most of one bill or coin that a drawer can have.
pub const MAX_COUNT: i64 = 100_000;

/// The bills and coins of a currency, largest first. A currency that is not listed gets steps of 1, 2
/// and 5 up to a hundred major units.
pub fn denominations(currency: Currency) -> Vec<Money> {
    let listed = LADDERS.iter().find(|(code, _)| *code == currency.code()).map(|(_, ladder)| ladder.to_vec());
    let ladder = listed.unwrap_or_else(|| one_two_five(currency.minor_per_major() * 100));
    ladder.into_iter().filter_map(|minor| Money::from_minor(minor, currency).ok()).collect()
}

fn one_two_five(top: i64) -> Vec<i64> {
    let mut ladder = Vec::new();
    let mut step = 1;
    while step <= top {
        ladder.extend([step, step * 2, step * 5].into_iter().filter(|s| *s <= top));
        step *= 10;
    }
    ladder.reverse();
    ladder
}

/// A bill or coin, and how many of it.
pub type Count = (Money, i64);

/// What is wrong with a count of the drawer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CountError {
    /// The currency has no such bill or coin.
    #[error("there is no bill or coin of {amount} in {currency}")]
    NoSuchCoin {
        /// The bill or coin that was counted.
        amount: Money,
        /// The shop's currency.
        currency: Currency,
    },
    /// Below 0, or more than [`MAX_COUNT`].
    #[error("{count} of {amount} cannot be; count from 0 to {MAX_COUNT}")]
    NotACount {
        /// The bill or coin.
        amount: Money,
        /// The number that was entered.
        count: i64,
    },
    /// The total is out of range.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

/// The total of the counted bills and coins.
pub fn counted(counts: &[Count], currency: Currency) -> Result<Money, CountError> {
    let known = denominations(currency);
    counts.iter().try_fold(Money::zero(currency), |sum, (amount, count)| {
        if !known.contains(amount) {
            return Err(CountError::NoSuchCoin { amount: *amount, currency });
        }
        if !(0..=MAX_COUNT).contains(count) {
            return Err(CountError::NotACount { amount: *amount, count: *count });
        }
        let part = amount.minor().checked_mul(*count).ok_or(MoneyError::TooLarge)?;
        Ok(sum.plus(Money::from_minor(part, currency)?)?)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(code: &str) -> Currency {
        Currency::from_code(code).expect("a currency")
    }

    #[test]
    fn ladders_go_down_and_name_currencies_that_are() {
        for (code, ladder) in LADDERS {
            assert_eq!(denominations(of(code)).len(), ladder.len(), "{code}");
            assert!(
                ladder.windows(2).all(|pair| pair[0] > pair[1]) && ladder.iter().all(|m| *m > 0),
                "{code}"
            );
        }
        let minor = |code: &str| denominations(of(code)).iter().map(|m| m.minor()).collect::<Vec<_>>();
        assert_eq!(minor("CZK"), [10_000, 5_000, 2_000, 1_000, 500, 200, 100, 50, 20, 10, 5, 2, 1]);
        assert_eq!(minor("KRW"), [100, 50, 20, 10, 5, 2, 1]);
    }

    #[test]
    fn a_count_adds_up_or_says_what_is_wrong() {
        let check = |counts: &[(i64, i64)], expected: Result<i64, &str>| {
            let counts: Vec<Count> = counts
                .iter()
                .map(|(minor, n)| (Money::from_minor(*minor, Currency::USD).expect("an amount"), *n))
                .collect();
            let found = counted(&counts, Currency::USD).map(Money::minor).map_err(|e| e.to_string());
            assert_eq!(found, expected.map_err(str::to_owned), "{counts:?}");
        };
        check(&[], Ok(0));
        check(&[(2_000, 3), (25, 7), (1, 0)], Ok(6_175));
        check(&[(30, 1)], Err("there is no bill or coin of 0.30 in USD"));
        check(&[(100, -1)], Err("-1 of 1.00 cannot be; count from 0 to 100000"));
        check(&[(100, 100_001)], Err("100001 of 1.00 cannot be; count from 0 to 100000"));
    }
}
