//! The fields of a piece as they were typed, and parsing them: all faults at once, each at its field.

use crate::pages::form::{Faults, Form};
use domain::item::{ItemPricing, ItemText};
use domain::money::{Currency, Money};
use domain::weight::{Weight, WeightError, WeightUnit};
use ledger::sales::CustomOrderView;
use ledger::shelf::{ItemView, NewPiece, PictureName};
use ledger::{Rejection, Shop};
use serde::Deserialize;
use std::fmt::Display;

/// The button that shows the price without saving anything, where scripts are off.
pub(crate) const PRICE_IT: &str = "price_it";
/// The field with an odd weight that somebody was shown before they save it.
pub(crate) const SEEN: &str = "seen";
/// For a piece that has neither a rule nor a price.
pub(crate) const NO_STYLE: &str = "choose a style or enter a price override";
/// What the names of the fields begin with in a form that carries a piece along.
pub(crate) const CARRIED: &str = "piece.";
const NO_WEIGHT: &str = "enter the scale reading or a price override";
/// The fields of a sheet's row, in the order of the columns.
pub(crate) const COLUMNS: [(&str, &str); 10] = [
    ("weight", "Scale reading"),
    ("style", "Style"),
    ("size", "Size"),
    ("color", "Colors"),
    ("material", "Fibers"),
    ("price", "Price override"),
    ("reason", "Reason"),
    ("rows", "Rows knitted"),
    ("minutes", "Minutes worked"),
    ("note", "Note"),
];

#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Typed {
    pub(crate) weight: String,
    pub(crate) tare: String,
    pub(crate) style: String,
    pub(crate) size: String,
    pub(crate) color: String,
    pub(crate) material: String,
    pub(crate) name: String,
    pub(crate) extras: String,
    pub(crate) price: String,
    pub(crate) reason: String,
    pub(crate) cost: String,
    pub(crate) rows: String,
    pub(crate) minutes: String,
    pub(crate) note: String,
    pub(crate) description: String,
    /// The custom order that the piece is made for.
    pub(crate) order: String,
}

impl Typed {
    pub(crate) fn of_form(form: &Form) -> Self {
        Self::from_fields(|name| form.text(name).to_owned())
    }

    /// A piece that another form carries along, so that nothing of it is lost.
    pub(crate) fn carried(form: &Form) -> Self {
        Self::from_fields(|name| form.text(&format!("{CARRIED}{name}")).to_owned())
    }

    /// Its fields, as another form carries them along.
    pub(crate) fn to_carry(&self) -> Vec<(String, &str)> {
        let own = [("name", &self.name), ("extras", &self.extras), ("cost", &self.cost)];
        let more = [("tare", &self.tare), ("description", &self.description), ("order", &self.order)];
        let cells = COLUMNS.iter().map(|(name, _)| *name).zip(self.cells());
        let more = own.into_iter().chain(more).map(|(name, text)| (name, text.as_str()));
        cells.chain(more).map(|(name, text)| (format!("{CARRIED}{name}"), text)).collect()
    }

    fn from_fields(text: impl Fn(&str) -> String) -> Self {
        Self {
            weight: text("weight"),
            tare: text("tare"),
            style: text("style"),
            size: text("size"),
            color: text("color"),
            material: text("material"),
            name: text("name"),
            extras: text("extras"),
            price: text("price"),
            reason: text("reason"),
            cost: text("cost"),
            rows: text("rows"),
            minutes: text("minutes"),
            note: text("note"),
            description: text("description"),
            order: text("order"),
        }
    }

    pub(crate) fn of_cells(cells: [String; COLUMNS.len()], tare: &str) -> Self {
        let [weight, style, size, color, material, price, reason, rows, minutes, note] = cells;
        let tare = if weight.is_empty() { String::new() } else { tare.to_owned() };
        Self {
            weight,
            tare,
            style,
            size,
            color,
            material,
            price,
            reason,
            rows,
            minutes,
            note,
            ..Self::default()
        }
    }

    pub(crate) fn cells(&self) -> [&str; COLUMNS.len()] {
        [
            &self.weight,
            &self.style,
            &self.size,
            &self.color,
            &self.material,
            &self.price,
            &self.reason,
            &self.rows,
            &self.minutes,
            &self.note,
        ]
    }

    /// The fields for the next piece: the same style, yarn and bowl.
    pub(crate) fn after(item: ItemView, tare: String) -> Self {
        Self {
            tare,
            style: item.style.unwrap_or_default(),
            size: item.text.size,
            color: domain::color::shown(&item.text.color),
            material: item.text.material,
            ..Self::default()
        }
    }

    /// The fields for the piece of a custom order; yarn and bowl are those of the piece before.
    pub(crate) fn ordered(self, order: &CustomOrderView) -> Self {
        Self {
            style: order.style.clone().unwrap_or(self.style),
            size: order.size.clone(),
            color: order.color.clone(),
            order: order.id.to_string(),
            ..self
        }
    }

    fn text(&self) -> ItemText {
        ItemText {
            name: self.name.clone(),
            description: self.description.clone(),
            color: self.color.clone(),
            size: self.size.clone(),
            material: self.material.clone(),
            ..ItemText::default()
        }
    }

    /// Parses the fields, with the photographs.
    pub(crate) fn read(&self, shop: &Shop, photographs: Vec<PictureName>) -> Result<NewPiece, Faults> {
        let mut faults = Faults::default();
        let piece = NewPiece {
            text: self.text(),
            pricing: self.pricing(shop, &mut faults),
            price_reason: self.reason.clone(),
            photographs,
            rows: count("rows", &self.rows, &mut faults),
            minutes: count("minutes", &self.minutes, &mut faults),
            note: self.note.clone(),
        };
        if faults.is_empty() { Ok(piece) } else { Err(faults) }
    }

    fn pricing(&self, shop: &Shop, faults: &mut Faults) -> ItemPricing {
        let currency = shop.currency;
        ItemPricing {
            style: (!self.style.is_empty()).then(|| self.style.clone()),
            weight: self.net_weight(shop.unit, faults),
            extras: money("extras", &self.extras, currency, faults).unwrap_or(Money::zero(currency)),
            price: money("price", &self.price, currency, faults),
            cost: money("cost", &self.cost, currency, faults),
        }
    }

    /// Parses the fields and requires what a price needs.
    pub(crate) fn read_whole(&self, shop: &Shop, photographs: Vec<PictureName>) -> Result<NewPiece, Faults> {
        let missing = match (self.price.is_empty(), self.weight.is_empty(), self.style.is_empty()) {
            (true, true, _) => Some(("weight", NO_WEIGHT)),
            (true, false, true) => Some(("style", NO_STYLE)),
            _ => None,
        };
        match (self.read(shop, photographs), missing) {
            (Ok(_), Some((field, words))) => Err(Faults::one(field, words)),
            (Err(mut faults), Some((field, words))) => {
                faults.add(field, words);
                Err(faults)
            }
            (read, None) => read,
        }
    }

    /// The weight on the scale less the bowl.
    fn net_weight(&self, unit: WeightUnit, faults: &mut Faults) -> Option<Weight> {
        let gross = told("weight", &self.weight, |text| Weight::parse_reading(text, unit), faults);
        let tare = told("tare", &self.tare, |text| Weight::parse_reading(text, unit), faults);
        let net = match (gross, tare) {
            (Some(gross), Some(tare)) => gross.less_tare(tare),
            (gross, _) => return gross,
        };
        let field = if matches!(net, Err(WeightError::TareInAnotherUnit { .. })) { "tare" } else { "weight" };
        heard(field, net, faults)
    }
}

/// The field of the form that a refusal of the ledger is about.
pub(crate) fn at_field(rejection: &Rejection) -> (&str, String) {
    let Rejection::Invalid { field, reason } = rejection else { return ("", words::rejection(rejection)) };
    let field = match field.as_str() {
        "offers.price" => "price",
        "weight.value" => "weight",
        "image" => "photographs",
        other => other,
    };
    (field, words::reason(reason))
}

fn heard<T, E: Display>(field: &str, read: Result<T, E>, faults: &mut Faults) -> Option<T> {
    read.map_err(|error| faults.add(field, error)).ok()
}

/// A field's value, if it is not empty.
fn told<T, E: Display>(
    field: &str,
    text: &str,
    read: impl Fn(&str) -> Result<T, E>,
    faults: &mut Faults,
) -> Option<T> {
    if text.is_empty() { None } else { heard(field, read(text), faults) }
}

fn money(field: &str, text: &str, currency: Currency, faults: &mut Faults) -> Option<Money> {
    told(field, text, |text| Money::parse(text, currency), faults)
}

fn count(field: &str, text: &str, faults: &mut Faults) -> Option<i64> {
    let whole = |text: &str| text.parse().map_err(|_| format!("“{text}” is not a whole number"));
    told::<i64, String>(field, text, whole, faults)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;

    #[test]
    fn a_piece_that_is_carried_along_comes_back_whole() {
        let typed = Typed::from_fields(|name| format!("the {name}"));
        let carried = typed.to_carry();
        let text = |name: &str| {
            let name = format!("{CARRIED}{name}");
            carried.iter().find(|(other, _)| *other == name).map(|(_, text)| (*text).to_owned())
        };
        assert_eq!(Typed::from_fields(|name| text(name).unwrap_or_default()), typed);
    }

    /// Parses fields given as `name=value` and compares the faults.
    async fn check(fields: &[(&str, &str)], expected: Result<&str, &[(&str, &str)]>) {
        let query = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
        let typed: Typed = serde_json::from_value(
            form_urlencoded::parse(query.as_bytes())
                .map(|(n, v)| (n.into_owned(), serde_json::Value::String(v.into_owned())))
                .collect(),
        )
        .expect("fields");
        let shop = TestShop::open().await;
        let read = typed.read(&shop.ledger().shop(), Vec::new());
        let weight = |piece: NewPiece| piece.pricing.weight.map(|w| w.to_string()).unwrap_or_default();
        let faults: Result<String, Vec<(String, String)>> =
            read.map(weight).map_err(|faults| faults.all().map(|(f, w)| (f, w.to_owned())).collect());
        let expected = expected.map(str::to_owned).map_err(|faults| {
            faults.iter().map(|(f, w)| ((*f).to_owned(), (*w).to_owned())).collect::<Vec<_>>()
        });
        assert_eq!(faults, expected, "{fields:?}");
    }

    #[tokio::test]
    async fn the_bowl_is_taken_off_what_the_scale_shows() {
        check(&[("weight", "6.35 oz")], Ok("6.35 oz")).await;
        check(&[("weight", "6.35")], Ok("6.35 oz")).await;
        check(&[("weight", "8.45 oz"), ("tare", "2.1")], Ok("6.35 oz")).await;
        check(&[("weight", "1 lb 2.5 oz"), ("tare", "2.5 oz")], Ok("16.0 oz")).await;
        check(&[("tare", "2.1")], Ok("")).await;
        let lighter = "The scale reading of 2 oz is not more than the tare of 2.1 oz; weigh again with the bowl or cone, or clear the tare.";
        check(&[("weight", "2 oz"), ("tare", "2.1 oz")], Err(&[("Scale reading", lighter)])).await;
        let mixed = "The tare is in g and the scale reading in oz; use the same unit for both.";
        check(&[("weight", "8 oz"), ("tare", "60 g")], Err(&[("Tare", mixed)])).await;
    }

    #[tokio::test]
    async fn all_that_is_wrong_is_told_at_once() {
        let fields = [
            ("weight", "six"),
            ("tare", "heavy"),
            ("extras", "2,50"),
            ("price", "$40"),
            ("cost", "much"),
            ("rows", "9.5"),
            ("minutes", "an hour"),
        ];
        let query = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
        let shop = TestShop::open().await;
        let reply = shop.get(&format!("/workbench/price?{query}")).await;
        for field in ["Scale reading", "Tare", "Extras", "Price", "Cost", "Rows", "Minutes"] {
            assert!(reply.text().contains(&format!("<b>{field}</b>")), "{field}: {}", reply.text());
        }
    }
}
