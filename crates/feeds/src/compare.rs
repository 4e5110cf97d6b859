//! Compares what an online shop says it lists with our own listings.

use crate::listed::ListedRow;
use crate::listing::Listing;
use crate::listing_units::{amount, price_of};
use domain::codes::Code;
use domain::money::Money;
use domain::quantity::Quantity;
use domain::stock::Availability;
use rust_decimal::{Decimal, RoundingStrategy};
use std::collections::{HashMap, HashSet};
use std::fmt;

/// One difference between the two sides.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Difference {
    /// Sold there but not available here: end this one first.
    Gone {
        /// The item's SKU.
        sku: Code,
        /// The item's name here.
        name: String,
        /// Why it is not available here.
        here: Availability,
    },
    /// Available here but not sold there.
    Unlisted {
        /// The item's SKU.
        sku: Code,
        /// The item's name here.
        name: String,
    },
    /// The prices differ.
    Price {
        /// The item's SKU.
        sku: Code,
        /// Our price.
        here: Money,
        /// The price there.
        there: Money,
    },
    /// A text differs.
    Text {
        /// The item's SKU.
        sku: Code,
        /// The name of the field.
        field: &'static str,
        /// Our text.
        here: String,
        /// The text there.
        there: String,
    },
    /// The quantities in stock differ.
    Stock {
        /// The item's SKU.
        sku: Code,
        /// Our quantity.
        here: Decimal,
        /// The quantity there.
        there: Decimal,
    },
    /// Listed there, but we have no such item.
    Unknown {
        /// The code there.
        sku: Code,
        /// The name there.
        name: String,
    },
    /// Listed there more than once.
    Twice {
        /// The code that is listed more than once.
        sku: Code,
    },
}

impl Difference {
    /// The SKU of our item, or their code if we have no such item.
    pub fn sku(&self) -> &Code {
        match self {
            Self::Gone { sku, .. }
            | Self::Unlisted { sku, .. }
            | Self::Price { sku, .. }
            | Self::Text { sku, .. }
            | Self::Stock { sku, .. }
            | Self::Unknown { sku, .. }
            | Self::Twice { sku } => sku,
        }
    }

    /// The kind of difference in one word, for tables and programs.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Gone { .. } => "gone",
            Self::Unlisted { .. } => "unlisted",
            Self::Price { .. } => "price",
            Self::Text { .. } => "text",
            Self::Stock { .. } => "stock",
            Self::Unknown { .. } => "unknown",
            Self::Twice { .. } => "twice",
        }
    }
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gone { sku, name, here } => {
                write!(f, "{sku} {name}: on offer there, {} here; end the listing", here.code())
            }
            Self::Unlisted { sku, name } => write!(f, "{sku} {name}: in stock here, not on offer there"),
            Self::Price { sku, here, there } => write!(f, "{sku}: costs {here} here and {there} there"),
            Self::Text { sku, field, here, there } => {
                write!(f, "{sku}: {field} is “{here}” here and “{there}” there")
            }
            Self::Stock { sku, here, there } => write!(f, "{sku}: {here} here and {there} there"),
            Self::Unknown { sku, name } => write!(f, "{sku} {name}: listed there, not known here"),
            Self::Twice { sku } => write!(f, "{sku}: listed there more than once"),
        }
    }
}

/// Compares our listings with theirs. First come the differences of what they list, in their order,
/// then what they do not list, in our order. A text or number that they leave empty is not compared.
pub fn compare(
    ours: impl IntoIterator<Item = Listing>,
    theirs: impl IntoIterator<Item = ListedRow>,
) -> Vec<Difference> {
    let ours: Vec<Listing> = ours.into_iter().collect();
    let by_key: HashMap<String, usize> = ours.iter().enumerate().map(|(at, l)| (l.sku.key(), at)).collect();
    let (mut found, mut met) = (Vec::new(), HashSet::new());
    for row in theirs {
        let key = row.sku.key();
        if !met.insert(key.clone()) {
            found.push(Difference::Twice { sku: row.sku });
            continue;
        }
        match by_key.get(&key) {
            Some(at) => compare_one(&ours[*at], &row, &mut found),
            None => found.push(Difference::Unknown { sku: row.sku, name: row.text.name }),
        }
    }
    let left =
        ours.into_iter().filter(|l| l.availability == Availability::InStock && !met.contains(&l.sku.key()));
    found.extend(left.map(|l| Difference::Unlisted { sku: l.sku, name: l.text.name }));
    found
}

fn compare_one(ours: &Listing, theirs: &ListedRow, found: &mut Vec<Difference>) {
    let sku = || ours.sku.clone();
    match (ours.availability == Availability::InStock, theirs.is_offered()) {
        (true, false) => found.push(Difference::Unlisted { sku: sku(), name: ours.text.name.clone() }),
        (false, true) => {
            found.push(Difference::Gone {
                sku: sku(),
                name: ours.text.name.clone(),
                here: ours.availability,
            });
        }
        // Not available on either side: nobody can see the rest.
        (false, false) => return,
        (true, true) => {}
    }
    if let Some(there) = price_there(ours, theirs).filter(|p| *p != ours.price) {
        found.push(Difference::Price { sku: sku(), here: ours.price, there });
    }
    for (text, here) in ours.text.fields() {
        let there = theirs.text.get(text);
        // Line ends and surrounding spaces change on the way through other programs.
        let plain = |t: &str| t.replace("\r\n", "\n").trim().to_owned();
        if !there.is_empty() && plain(there) != plain(here) {
            let (field, here, there) = (text.property(), here.to_owned(), there.to_owned());
            found.push(Difference::Text { sku: sku(), field, here, there });
        }
    }
    // A quantity in another unit is compared in the unit in which we would send it.
    let level = |there: Decimal, ours: Quantity| {
        theirs.inventory_unit.map_or(ours.value(), |unit| amount(ours, unit, there.scale()))
    };
    let levels = theirs.inventory.zip(ours.inventory).map(|(there, ours)| (level(there, ours), there));
    if let Some((here, there)) = levels.filter(|(here, there)| here != there) {
        found.push(Difference::Stock { sku: sku(), here, there });
    }
}

/// Their price in the unit of ours. If it equals ours up to their number of decimals, it is ours.
fn price_there(ours: &Listing, theirs: &ListedRow) -> Option<Money> {
    let Some((each, unit)) = theirs.price_of_unit else { return theirs.price };
    let Some(our_each) = price_of(ours, unit) else {
        return Money::rounded_from_major(each, ours.price.currency()).ok();
    };
    let as_told = our_each.round_dp_with_strategy(each.scale(), RoundingStrategy::MidpointAwayFromZero);
    if as_told == each {
        return Some(ours.price);
    }
    let of_ours = ours.price.major().checked_mul(each)?.checked_div(our_each)?;
    Money::rounded_from_major(of_ours, ours.price.currency()).ok()
}
