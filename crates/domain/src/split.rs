//! Splits an amount into parts that add up to it.

use crate::money::{Money, MoneyError};

/// Splits `amount` in proportion to `weights` by the largest remainder method: each share is cut off,
/// and the units left over go one each to the largest remainders, to the earlier share on a tie. If all
/// weights are 0, the shares are equal.
pub fn by_largest_remainder(amount: Money, weights: &[i64]) -> Result<Vec<Money>, MoneyError> {
    if weights.is_empty() {
        return Ok(Vec::new());
    }
    let all_zero = weights.iter().all(|w| *w <= 0);
    let shares: Vec<i128> =
        weights.iter().map(|w| if all_zero { 1 } else { i128::from((*w).max(0)) }).collect();
    let whole: i128 = shares.iter().sum();
    let minor = i128::from(amount.minor());
    let mut parts: Vec<i128> = shares.iter().map(|s| minor * s / whole).collect();
    let mut by_remainder: Vec<usize> = (0..shares.len()).collect();
    by_remainder.sort_by_key(|i| (std::cmp::Reverse((minor * shares[*i] % whole).abs()), *i));
    let left = minor - parts.iter().sum::<i128>();
    for i in by_remainder.into_iter().take(usize::try_from(left.abs()).unwrap_or(0)) {
        parts[i] += left.signum();
    }
    parts
        .into_iter()
        .map(|p| Money::from_minor(i64::try_from(p).map_err(|_| MoneyError::TooLarge)?, amount.currency()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::money::Currency;

    #[test]
    fn parts_add_up() {
        let check = |amount: i64, weights: &[i64], expected: &[i64]| {
            let amount = Money::from_minor(amount, Currency::USD).unwrap();
            let parts = by_largest_remainder(amount, weights).unwrap();
            assert_eq!(
                parts.iter().map(|m| m.minor()).collect::<Vec<_>>(),
                expected,
                "{amount} by {weights:?}"
            );
        };
        // Largest remainder, worked out with exact fractions.
        check(1000, &[1, 1, 1], &[334, 333, 333]);
        check(1000, &[13_875, 10_150, 5625], &[468, 342, 190]);
        check(5, &[1; 6], &[1, 1, 1, 1, 1, 0]);
        check(500, &[1, 2, 3, 7], &[39, 77, 115, 269]);
        check(-5, &[1, 1], &[-3, -2]);
        check(7, &[0, 0], &[4, 3]);
        check(7, &[], &[]);
    }
}
