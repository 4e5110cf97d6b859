//! What an item is given: its text, its pricing and its stock, each one value wherever it goes: in a file,
//! on the shelf, on a page, in a listing.
//!
//! A new text is one line of the table below, a column and, where people type or read it, a field of the
//! form. Whatever lists texts goes through [`TextField::ALL`].

use crate::codes::{Code, Gtin};
use crate::money::{Currency, Money};
use crate::pricing::PriceRule;
use crate::quantity::Asked;
use crate::stock::ItemKind;
use crate::text::{self, TextError};
use crate::weight::{Weight, WeightUnit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

macro_rules! texts {
    ($($(#[$doc:meta])* $variant:ident $field:ident $property:literal $check:path),+ $(,)?) => {
        /// A text of an item, under its name in schema.org.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum TextField {
            $($(#[$doc])* $variant),+
        }

        impl TextField {
            /// In the order in which they are written and hashed.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Its name in schema.org, which is also its column's.
            pub const fn property(self) -> &'static str {
                match self { $(Self::$variant => $property),+ }
            }

            /// Trims the text and refuses what such a field cannot hold.
            pub fn checked(self, text: &str) -> Result<String, TextError> {
                match self { $(Self::$variant => $check(text)),+ }
            }
        }

        /// An item in words.
        #[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(default)]
        pub struct ItemText {
            $($(#[$doc])* pub $field: String,)+
            /// File names or addresses.
            pub images: Vec<String>,
        }

        impl ItemText {
            /// One of its texts.
            pub fn get(&self, field: TextField) -> &str {
                match field { $(TextField::$variant => &self.$field),+ }
            }

            /// One of its texts, to change it.
            pub fn get_mut(&mut self, field: TextField) -> &mut String {
                match field { $(TextField::$variant => &mut self.$field),+ }
            }
        }
    };
}

texts! {
    /// One line of text.
    Name name "name" text::name,
    /// For the listing; may have several lines.
    Description description "description" text::note,
    /// In words, separated by `|`; may be empty.
    Color color "color" crate::color::stored,
    /// In words; may be empty.
    Size size "size" text::short,
    /// The fibers, in words; may be empty.
    Material material "material" text::short,
    /// Under which the shop sells it, such as the farm's name; may be empty.
    Brand brand "brand" text::short,
}

impl TextField {
    /// The text with this name in schema.org. Tables of fields look it up while they are compiled.
    pub const fn of_property(property: &str) -> Option<Self> {
        let mut at = 0;
        while at < Self::ALL.len() {
            let field = Self::ALL[at];
            if is_same(field.property().as_bytes(), property.as_bytes()) {
                return Some(field);
            }
            at += 1;
        }
        None
    }
}

const fn is_same(one: &[u8], other: &[u8]) -> bool {
    let mut at = 0;
    while at < one.len() && at < other.len() && one[at] == other[at] {
        at += 1;
    }
    at == one.len() && at == other.len()
}

impl ItemText {
    /// Made of what `of` gives for each text, without images.
    pub fn from_fields<E>(mut of: impl FnMut(TextField) -> Result<String, E>) -> Result<Self, E> {
        let mut made = Self::default();
        for field in TextField::ALL {
            *made.get_mut(*field) = of(*field)?;
        }
        Ok(made)
    }

    /// Trims every text; refuses the first that its field cannot hold.
    pub fn checked(&self) -> Result<Self, (TextField, TextError)> {
        let mut made = Self::from_fields(|field| field.checked(self.get(field)).map_err(|e| (field, e)))?;
        made.images.clone_from(&self.images);
        Ok(made)
    }

    /// Each text with its field, in order.
    pub fn fields(&self) -> impl Iterator<Item = (TextField, &str)> {
        TextField::ALL.iter().map(|field| (*field, self.get(*field)))
    }
}

/// What an item's price is made of.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ItemPricing {
    /// The name of the style whose rule prices it.
    pub style: Option<String>,
    /// The weight of one, as the scale showed it.
    pub weight: Option<Weight>,
    /// Added to the price by weight.
    pub extras: Money,
    /// Replaces the calculated price.
    pub price: Option<Money>,
    /// The cost of making one, or one of its stock unit.
    pub cost: Option<Money>,
}

impl ItemPricing {
    /// Nothing to price it by yet.
    pub const fn none(currency: Currency) -> Self {
        Self { style: None, weight: None, extras: Money::zero(currency), price: None, cost: None }
    }
}

/// What kind of thing an item is, and how much of it there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ItemStock {
    /// What kind of thing.
    pub kind: ItemKind,
    /// If none, one piece, or nothing of what comes in quantities.
    pub quantity: Option<Asked>,
    /// The unit in which goods by weight are stocked and priced.
    pub stock_unit: Option<WeightUnit>,
    /// Whether it must never be listed online.
    pub do_not_list: bool,
}

impl ItemStock {
    /// As much of it as there is if nobody says.
    pub const fn of(kind: ItemKind) -> Self {
        Self { kind, quantity: None, stock_unit: None, do_not_list: false }
    }
}

/// A style to add, or to update by its name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewStyle {
    /// Which items refer to; found without case.
    pub name: String,
    /// How its pieces are priced.
    pub rule: PriceRule,
    /// In the order in which they are shown.
    pub sizes: Vec<String>,
    /// May be empty.
    pub category: String,
    /// How its pieces are washed and dried, for their tags; may be empty.
    #[serde(default)]
    pub care: String,
}

/// An item to add, or to update by its SKU.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewItem {
    /// In words.
    pub text: ItemText,
    /// The owner's code; the in-store code if none.
    pub sku: Option<Code>,
    /// A GTIN from GS1.
    pub gtin: Option<Gtin>,
    /// What prices it.
    pub pricing: ItemPricing,
    /// How much of it there is.
    pub stock: ItemStock,
}

/// Changes to an item's text; what it does not name stays as it is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TextEdit {
    fields: BTreeMap<TextField, String>,
    images: Option<Vec<String>>,
}

impl TextEdit {
    /// Changes one text, if there is one to change it to.
    #[must_use]
    pub fn with(mut self, field: TextField, text: impl Into<Option<String>>) -> Self {
        if let Some(text) = text.into() {
            self.fields.insert(field, text);
        }
        self
    }

    /// Changes the images, if there are any to change them to.
    #[must_use]
    pub fn with_images(mut self, images: impl Into<Option<Vec<String>>>) -> Self {
        self.images = images.into().or(self.images);
        self
    }

    /// Whether it changes this text, or keeps it on purpose.
    pub fn names(&self, field: TextField) -> bool {
        self.fields.contains_key(&field)
    }

    /// The images to change to.
    pub fn images(&self) -> Option<&[String]> {
        self.images.as_deref()
    }

    /// The text after the change.
    #[must_use]
    pub fn applied(&self, text: &ItemText) -> ItemText {
        let mut changed = text.clone();
        for (field, text) in &self.fields {
            changed.get_mut(*field).clone_from(text);
        }
        if let Some(images) = &self.images {
            changed.images.clone_from(images);
        }
        changed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_keeps_what_it_does_not_name() {
        let before =
            ItemText { name: "Hat".to_owned(), images: vec!["a.jpg".to_owned()], ..ItemText::default() };
        let check = |edit: TextEdit, expected: ItemText| assert_eq!(edit.applied(&before), expected);
        check(TextEdit::default(), before.clone());
        check(
            TextEdit::default().with(TextField::Color, "rust".to_owned()).with(TextField::Size, None),
            ItemText { color: "rust".to_owned(), ..before.clone() },
        );
        check(TextEdit::default().with_images(Vec::new()), ItemText { images: Vec::new(), ..before.clone() });
    }

    #[test]
    fn every_text_has_one_name_and_one_place() {
        let made = ItemText::from_fields(|field| Ok::<_, TextError>(field.property().to_owned())).unwrap();
        for (field, text) in made.fields() {
            assert_eq!(TextField::of_property(text), Some(field));
        }
        assert_eq!(made.checked().map(|checked| checked == made), Ok(true));
    }
}
