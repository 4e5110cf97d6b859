//! The fields of each feed: their names, their kinds, and which are required.

use domain::item::TextField;
use std::fmt;

/// What a file contains.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Feed {
    /// Styles with their weight rates.
    Styles,
    /// Pieces, counted goods and goods by weight.
    Items,
    /// Orders from an online shop.
    Orders,
    /// What is offered online: our listings going out, or a shop's own coming in.
    Listings,
}

impl Feed {
    /// In the order of their fields in this file.
    pub const ALL: [Self; 4] = [Self::Styles, Self::Items, Self::Orders, Self::Listings];

    /// Its name in a layout.
    pub fn code(self) -> &'static str {
        match self {
            Self::Styles => "styles",
            Self::Items => "items",
            Self::Orders => "orders",
            Self::Listings => "listings",
        }
    }

    /// The fields in the order of its columns.
    pub(crate) fn fields(self) -> &'static [Field] {
        match self {
            Self::Styles => style::FIELDS,
            Self::Items => item::FIELDS,
            Self::Orders => order::FIELDS,
            Self::Listings => listing::FIELDS,
        }
    }
}

impl fmt::Display for Feed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// What a field holds, which decides the keys that a layout may give it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Text that people typed; the formula guard is removed.
    Text,
    /// A word from a fixed list, or a date that we wrote ourselves.
    Word,
    /// A number, possibly with a decimal comma.
    Number,
    /// A price, possibly for the whole line.
    Price,
    /// A date or time, possibly with a pattern and a zone.
    Date,
}

/// A field of a feed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Field {
    pub(crate) name: &'static str,
    pub(crate) kind: Kind,
    pub(crate) required: bool,
    /// Which of an item's texts it is, if it is one.
    pub(crate) text: Option<TextField>,
}

/// Whether a field holds a code: those are not free text, and one in ten looks like a card number.
pub(crate) fn is_code(name: &str) -> bool {
    matches!(name, "sku" | "gtin13" | "orderNumber" | "refundNumber")
}

/// Defines a feed's fields once: a constant with the position of each, and the table.
macro_rules! fields {
    ($module:ident: $($place:ident = $name:literal $kind:ident $required:literal),* $(,)?) => {
        pub(crate) mod $module {
            use super::{Field, Kind, TextField};
            // An item's texts are found by `Field::text` and not by their position.
            #[allow(clippy::upper_case_acronyms, non_camel_case_types, dead_code)]
            enum Place { $($place),* }
            $(#[allow(dead_code)] pub(crate) const $place: usize = Place::$place as usize;)*
            pub(crate) const FIELDS: &[Field] =
                &[$(Field {
                    name: $name,
                    kind: Kind::$kind,
                    required: $required,
                    text: TextField::of_property($name),
                }),*];
        }
    };
}

fields! { style:
    STYLE = "style" Text true, RATE = "rate" Number true, RATE_UNIT = "rate.unitCode" Word true,
    ENDING = "ending" Word false, MINIMUM = "minimum" Number false, SIZES = "sizes" Text false,
    CATEGORY = "category" Text false, CARE = "care" Text false,
}
fields! { item:
    NAME = "name" Text true, KIND = "kind" Word false, SKU = "sku" Text false,
    GTIN = "gtin13" Word false, STYLE = "style" Text false, COLOR = "color" Text false,
    SIZE = "size" Text false, MATERIAL = "material" Text false,
    WEIGHT = "weight.value" Number false, WEIGHT_UNIT = "weight.unitCode" Word false,
    EXTRAS = "extras" Number false, PRICE = "offers.price" Number false,
    COST = "cost" Number false, QUANTITY = "quantity" Number false,
    QUANTITY_UNIT = "quantity.unitCode" Word false, DESCRIPTION = "description" Text false,
    IMAGE = "image" Text false, BRAND = "brand" Text false,
}
fields! { order:
    NUMBER = "orderNumber" Text true, DATE = "orderDate" Date true, SKU = "sku" Text false,
    GTIN = "gtin13" Word false, QUANTITY = "orderQuantity" Number true,
    PRICE = "price" Price true, STATUS = "orderStatus" Word false,
    MODIFIED = "dateModified" Date false, REFUND = "refundNumber" Text false,
    NAME = "name" Text false, DISCOUNT = "discount" Number false,
    SHIPPING = "shipping" Number false, TAX = "tax" Number false, FEE = "fee" Number false,
    CUSTOMER = "customer.name" Text false, EMAIL = "customer.email" Text false,
    CHANNEL = "channel" Word false,
}
fields! { listing:
    SKU = "sku" Text true, GTIN = "gtin13" Word false, NAME = "name" Text false,
    DESCRIPTION = "description" Text false, COLOR = "color" Text false, SIZE = "size" Text false,
    MATERIAL = "material" Text false, WEIGHT = "weight.value" Number false,
    WEIGHT_UNIT = "weight.unitCode" Word false, IMAGE = "image" Text false,
    PRICE = "offers.price" Number false, CURRENCY = "offers.priceCurrency" Word false,
    AVAILABILITY = "offers.availability" Word false, INVENTORY = "inventoryLevel" Number false,
    REVISION = "revision" Number false, BRAND = "brand" Text false,
}

/// Fields of the order, or that change with it: a refund row that differs only in these is the same row
/// again.
pub(crate) const CHANGES_WITH_ORDER: [usize; 10] = [
    order::DATE,
    order::STATUS,
    order::MODIFIED,
    order::PRICE,
    order::DISCOUNT,
    order::SHIPPING,
    order::TAX,
    order::FEE,
    order::CUSTOMER,
    order::EMAIL,
];

/// Where schema.org has a field in a JSON record: dots become levels.
pub(crate) fn json_pointer(feed: Feed, field: usize) -> String {
    match (feed, field) {
        (Feed::Listings, listing::INVENTORY) => "/offers/inventoryLevel/value".to_owned(),
        (Feed::Listings, listing::REVISION) => "/additionalProperty/value".to_owned(),
        // The value is an object with a name: a Brand or an Organization.
        (Feed::Listings, listing::BRAND) => "/brand/name".to_owned(),
        _ => format!("/{}", feed.fields()[field].name.replace('.', "/")),
    }
}
