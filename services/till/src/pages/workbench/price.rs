//! The slip with the price and its calculation, beside the form; fetched again while people type.

use super::typed::{NO_STYLE, SEEN, Typed, at_field};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::HtmlPage;
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use domain::money::Money;
use domain::weight::Weight;
use ledger::shelf::{EditItem, EditPreview, ItemPrice, NewPiece, Priced, UsualWeights};
use ledger::{CommandError, Rejection};
use rust_decimal::Decimal;

/// A first piece of a style that weighs less or more is odd, in grams: common practice, no source.
const FIRST_PIECE_GRAMS: (Decimal, Decimal) = (Decimal::TEN, Decimal::from_parts(3000, 0, 0, false, 0));

/// A weight that may be a wrong scale reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Odd {
    /// The weight, as a form says that somebody saw this.
    pub(crate) weight: String,
    pub(crate) words: String,
}

impl Odd {
    fn of(weight: Weight, usual: Option<UsualWeights>) -> Option<Self> {
        let words = match usual {
            Some(usual) if usual.hold(weight) => return None,
            Some(usual) => format!("Other pieces of this style weigh {}", words_of(usual)),
            None if (FIRST_PIECE_GRAMS.0..=FIRST_PIECE_GRAMS.1).contains(&weight.grams()) => return None,
            None => format!("{weight} would be an unusual weight for one piece"),
        };
        Some(Self { weight: weight.to_string(), words: format!("check the scale reading. {words}.") })
    }

    pub(crate) fn sentence(&self) -> String {
        shown::sentence(&self.words)
    }

    /// Whether the form was shown this before.
    pub(crate) fn is_seen(&self, form: &Form) -> bool {
        form.all(SEEN).contains(&self.weight.as_str())
    }
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Slip {
    /// The price; none until enough is known.
    pub(crate) price: Option<String>,
    /// How the style's rule arrives at the price.
    pub(crate) calculation: Option<String>,
    /// The price now, if this one is another.
    pub(crate) before: Option<String>,
    /// Whether a tag with the price now was printed.
    pub(crate) has_tag: bool,
    /// Set by hand: the calculation is then not that of the price.
    pub(crate) by_hand: bool,
    /// What remains after the cost, and its share of the price.
    pub(crate) margin: Option<(String, String)>,
    /// Whether the price is below the cost.
    pub(crate) is_loss: bool,
    /// What other pieces of the style weigh.
    pub(crate) usual: Option<String>,
    /// If this piece's weight is unusual.
    pub(crate) odd: Option<Odd>,
    /// Faults in what has been typed so far.
    pub(crate) faults: Faults,
}

/// The slip by itself, without a page around it.
#[derive(Template)]
#[template(path = "workbench/slip.html")]
pub(crate) struct Fragment {
    pub(crate) slip: Slip,
}

/// GET /workbench/price
pub(crate) async fn read(
    State(app): State<App>,
    QueryParam(typed): QueryParam<Typed>,
) -> Result<HtmlPage<Fragment>, Problem> {
    let slip = match typed.read(&app.ledger.shop(), Vec::new()) {
        Ok(piece) => Slip::of(&app, &piece).await?,
        Err(faults) => Slip { faults, ..Slip::empty() },
    };
    Ok(HtmlPage(Fragment { slip }))
}

impl Slip {
    /// Before anything is typed.
    pub(crate) fn empty() -> Self {
        Self::default()
    }

    /// For a piece as far as it has been typed.
    pub(crate) async fn of(app: &App, piece: &NewPiece) -> Result<Self, Problem> {
        if piece.pricing.weight.is_none() && piece.pricing.price.is_none() {
            return Ok(Self::empty());
        }
        if piece.pricing.style.is_none() && piece.pricing.price.is_none() {
            return Ok(Self { faults: Faults::one("style", NO_STYLE), ..Self::empty() });
        }
        match app.ledger.price_piece(piece).await {
            Ok(priced) => Ok(Self::shown(piece, priced)),
            Err(CommandError::Rejected(rejection)) => {
                let (field, words) = at_field(&rejection);
                Ok(Self { faults: Faults::one(field, words), ..Self::empty() })
            }
            Err(CommandError::Storage(trouble)) => Err(trouble.into()),
        }
    }

    /// For an item as it would be after an edit.
    pub(crate) async fn of_edit(app: &App, edit: &EditItem) -> Result<Self, Problem> {
        match app.ledger.preview_edit(edit).await {
            Ok(preview) => {
                let has_tag = app.ledger.latest_tag(preview.before.id).await?.is_some();
                Ok(Self { has_tag, ..Self::after_edit(preview) })
            }
            Err(CommandError::Rejected(rejection)) if matches!(*rejection, Rejection::Invalid { .. }) => {
                let (field, words) = at_field(&rejection);
                Ok(Self { faults: Faults::one(field, words), ..Self::empty() })
            }
            Err(failure) => Err(failure.into()),
        }
    }

    fn after_edit(preview: EditPreview) -> Self {
        let EditPreview { before, price, by_hand, calculation, margin } = preview;
        let each = before.stock_unit.map(|unit| format!(" {}", unit.each())).unwrap_or_default();
        let earlier = || "Priced at an earlier rate of its style".to_owned();
        let calculation = calculation.map(|calculation| calculation.shown());
        Self {
            price: Some(format!("{}{each}", shown::money(price))),
            before: (price != before.price).then(|| shown::money(before.price)),
            calculation: calculation.or_else(|| (!by_hand).then(earlier)),
            by_hand,
            margin: margin.map(|m| (shown::money(m), part_of(m, price))),
            is_loss: margin.is_some_and(Money::is_negative),
            ..Self::default()
        }
    }

    fn shown(piece: &NewPiece, priced: Priced) -> Self {
        let Priced { price, by_rule, margin, usual } = priced;
        let amount = price.price();
        Self {
            price: Some(shown::money(amount)),
            calculation: by_rule.map(|calculation| calculation.shown()),
            by_hand: matches!(price, ItemPrice::ByHand(_)),
            margin: margin.map(|m| (shown::money(m), part_of(m, amount))),
            is_loss: margin.is_some_and(Money::is_negative),
            odd: piece.pricing.weight.and_then(|weight| Odd::of(weight, usual)),
            usual: usual.map(words_of),
            ..Self::default()
        }
    }
}

/// A margin's share of the price, to the nearest whole percent: `33%`.
fn part_of(margin: Money, price: Money) -> String {
    let (part, whole) = (i128::from(margin.minor()) * 200, i128::from(price.minor()) * 2);
    // Half away from zero: half of the whole is added to, or taken from, twice the part.
    let half = if part < 0 { -whole / 2 } else { whole / 2 };
    format!("{}%", (part + half).checked_div(whole).unwrap_or(0))
}

/// `5.9 oz to 6.8 oz (last 31 pieces)`.
fn words_of(usual: UsualWeights) -> String {
    let UsualWeights { lightest, heaviest, pieces, .. } = usual;
    if pieces == 1 {
        return format!("{lightest} (1 piece so far)");
    }
    format!("{lightest} to {heaviest} (last {pieces} pieces)")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;
    use domain::money::Currency;

    fn usd(minor: i64) -> Money {
        Money::from_minor(minor, Currency::USD).expect("an amount")
    }

    #[test]
    fn the_part_of_a_price_is_told_in_whole_hundredths() {
        let check = |margin: i64, price: i64, expected: &str| {
            assert_eq!(part_of(usd(margin), usd(price)), expected, "{margin} of {price}");
        };
        check(1556, 4763, "33%");
        check(4800, 4800, "100%");
        check(0, 4800, "0%");
        check(5, 1000, "1%");
        check(4, 1000, "0%");
        check(-100, 3900, "-3%");
        check(-5, 1000, "-1%");
    }

    #[tokio::test]
    async fn the_price_and_its_working_are_told_before_anything_is_kept() {
        let shop = TestShop::open().await;
        let check = |query: &'static str, expected: &'static [&'static str]| {
            let shop = &shop;
            async move {
                let reply = shop.get(&format!("/workbench/price?{query}")).await;
                assert_eq!(reply.status, 200, "{}", reply.text());
                for words in expected {
                    assert!(reply.text().contains(words), "{query}: {words} in {}", reply.text());
                }
                assert!(!reply.text().contains("<html"), "{}", reply.text());
            }
        };
        // 6.35 × 7.50 = 47.625, which rounds half away from zero to 47.63, and to the nearest whole 48.
        check(
            "weight=6.35+oz&style=Moor+cowl",
            &["$48.00", "6.35 oz × $7.50 an ounce = $47.63, rounded to $48.00"],
        )
        .await;
        check("weight=8.45&tare=2.1&style=moor+cowl&cost=32.07", &["$48.00", "$15.93", "33%"]).await;
        check(
            "weight=6.35&style=Moor+cowl&price=40.00&cost=45",
            &["$40.00", "-$5.00", "Price override", "rounded to $48.00"],
        )
        .await;
        check("weight=6.35&style=No+such", &["There is no style “No such”"]).await;
        check("weight=six", &["“six” is not a weight"]).await;
        check("style=Moor+cowl", &["Weigh the piece"]).await;
        check("weight=6.35", &["Choose a style or enter a price override."]).await;
        // Two pieces are enough to see that the decimal point is missing.
        check("weight=635&style=Moor+cowl", &["Check the scale reading", "name=\"seen\" value=\"635 oz\""])
            .await;
        check("weight=635&price=40", &["635 oz would be an unusual weight"]).await;
        assert_eq!(shop.get("/workbench/price?wight=6").await.status, 422);
    }
}
