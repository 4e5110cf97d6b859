//! What pieces of a style usually weigh, so that a wrong scale reading is noticed. One piece that was weighed wrong
//! must not hide the next.

use crate::shelf::items::stored_weight;
use crate::store::error::CommandError;
use domain::ids::StyleId;
use domain::weight::Weight;
use rust_decimal::Decimal;
use sqlx::{AnyConnection, Row};

/// How many of a style's latest pieces are compared.
const PIECES: i64 = 50;
/// With fewer pieces, their spread says nothing yet.
const ENOUGH_FOR_SPREAD: usize = 5;
/// With so few pieces, half and twice the median are still usual: sizes of one style differ less. Common practice, no
/// source.
const FEW_PIECES_FACTOR: Decimal = Decimal::TWO;
/// How many times the distance between the quartiles a usual weight may be beyond them: Tukey's fences (J. W. Tukey,
/// Exploratory Data Analysis, 1977).
const FENCE: Decimal = Decimal::from_parts(15, 0, 0, false, 1);
/// Pieces that all weigh the same still differ by a tenth: common practice, no source.
const LEAST_SPREAD: Decimal = Decimal::from_parts(1, 0, 0, false, 1);

/// The usual weights of a style's latest pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UsualWeights {
    /// The lightest of the usual ones.
    pub lightest: Weight,
    /// The heaviest of the usual ones.
    pub heaviest: Weight,
    /// How many pieces were compared.
    pub pieces: usize,
    /// The limits of what is usual, in grams.
    limits: (Decimal, Decimal),
}

impl UsualWeights {
    /// Of at least one weight.
    fn of(mut weights: Vec<Weight>) -> Option<Self> {
        weights.sort_by_key(|weight| weight.grams());
        let limits = limits(&weights)?;
        let is_usual = |weight: &&Weight| (limits.0..=limits.1).contains(&weight.grams());
        let lightest = *weights.iter().find(is_usual)?;
        let heaviest = *weights.iter().rfind(is_usual)?;
        Some(Self { lightest, heaviest, pieces: weights.len(), limits })
    }

    /// Whether a weight is usual.
    pub fn hold(&self, weight: Weight) -> bool {
        (self.limits.0..=self.limits.1).contains(&weight.grams())
    }
}

/// The least and the greatest usual weight in grams, of sorted weights.
fn limits(sorted: &[Weight]) -> Option<(Decimal, Decimal)> {
    let grams =
        |quarter: usize| sorted.get((sorted.len().checked_sub(1)? * quarter + 2) / 4).map(|w| w.grams());
    let (lower, median, upper) = (grams(1)?, grams(2)?, grams(3)?);
    if sorted.len() < ENOUGH_FOR_SPREAD {
        return Some((median / FEW_PIECES_FACTOR, median * FEW_PIECES_FACTOR));
    }
    let (beyond, least) = ((upper - lower) * FENCE, median * LEAST_SPREAD);
    Some(((lower - beyond).min(median - least), (upper + beyond).max(median + least)))
}

/// Of the style's latest pieces; none if there are none.
pub(crate) async fn of_style(
    connection: &mut AnyConnection,
    style: StyleId,
) -> Result<Option<UsualWeights>, CommandError> {
    let rows = sqlx::query(
        "SELECT weight, weight_unit FROM item WHERE style_id = $1 AND kind = 'piece' AND removed = 0 \
         ORDER BY id DESC LIMIT $2",
    )
    .bind(style.raw())
    .bind(PIECES)
    .fetch_all(connection)
    .await?;
    let mut weights = Vec::with_capacity(rows.len());
    for row in &rows {
        weights.extend(stored_weight(row.try_get("weight")?, row.try_get("weight_unit")?)?);
    }
    Ok(UsualWeights::of(weights))
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::weight::WeightUnit;

    fn ounces(text: &str) -> Weight {
        Weight::parse(text, WeightUnit::Ounce).unwrap()
    }

    #[test]
    fn a_weight_is_usual_by_what_most_pieces_weigh() {
        let check = |weighed: &[&str], usual: &[&str], unusual: &[&str]| {
            let of = UsualWeights::of(weighed.iter().map(|w| ounces(w)).collect()).unwrap();
            for weight in usual {
                assert!(of.hold(ounces(weight)), "{weight} of {weighed:?}");
            }
            for weight in unusual {
                assert!(!of.hold(ounces(weight)), "{weight} of {weighed:?}");
            }
        };
        check(&["6"], &["3", "6", "12"], &["2.9", "12.1", "62"]);
        check(&["6", "60"], &["60"], &["6"]);
        check(&["5.9", "6", "6.1", "60"], &["6", "12"], &["2.9", "62"]);
        // Quartiles 6.1 and 6.3, so the fences are at 5.8 and 6.6; a tenth of the median is wider.
        check(&["6", "6.1", "6.2", "6.3", "6.4"], &["5.6", "6.8"], &["5.5", "6.9", "62"]);
        check(&["6", "6", "6", "6", "6"], &["5.4", "6.6"], &["5.3", "6.7"]);
        check(&["6", "6.1", "6.2", "6.3", "6.4", "62"], &["6.8"], &["8", "62"]);
        check(&["4", "5", "6", "7", "8"], &["2", "10"], &["1.9", "10.1"]);
        assert_eq!(UsualWeights::of(Vec::new()), None);
    }

    #[test]
    fn a_wrong_weight_is_not_shown_as_usual() {
        let weighed = ["6", "6.1", "6.2", "6.3", "6.4", "62"];
        let of = UsualWeights::of(weighed.iter().map(|w| ounces(w)).collect()).unwrap();
        assert_eq!((of.lightest, of.heaviest, of.pieces), (ounces("6"), ounces("6.4"), 6));
    }
}
