//! What is published about an item on a channel.

use crate::hash;
use domain::codes::{Code, Gtin};
use domain::item::ItemText;
use domain::money::Money;
use domain::quantity::Quantity;
use domain::stock::Availability;
use domain::weight::Weight;

/// What the texts of a listing usually take together, in bytes.
const HASHED_BYTES: usize = 512;

/// How many of the texts count even if they are empty: those that there were at first. A later one counts
/// where it says something, so that a new text sends nothing anew.
const HASHED_EMPTY: usize = 5;

/// A listing of one item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listing {
    /// The code that the online shop knows it by.
    pub sku: Code,
    /// A GTIN from GS1; never the shop's own number.
    pub gtin: Option<Gtin>,
    /// In words. Images are addresses, or names of files beside the feed.
    pub text: ItemText,
    /// The weight of one.
    pub weight: Option<Weight>,
    /// The price of one, or of one stock unit.
    pub price: Money,
    /// Whether it can be bought.
    pub availability: Availability,
    /// How much of it can be bought.
    pub inventory: Option<Quantity>,
    /// The revision of the item's stock, which tells an old message from a new one.
    pub revision: i64,
}

/// The SHA-256 of a listing's contents, in hex. The revision is left out: it says when something
/// changed, not what.
pub fn content_hash(listing: &Listing) -> String {
    let mut bytes = Vec::with_capacity(HASHED_BYTES);
    // The length of each text goes in first, so that no two listings have the same bytes.
    let mut add = |text: &str| {
        bytes.extend_from_slice(&(text.len() as u64).to_le_bytes());
        bytes.extend_from_slice(text.as_bytes());
    };
    add(listing.sku.as_str());
    add(listing.gtin.as_ref().map_or("", Gtin::as_str));
    for (at, (field, text)) in listing.text.fields().enumerate() {
        if at < HASHED_EMPTY {
            add(text);
        } else if !text.is_empty() {
            add(field.property());
            add(text);
        }
    }
    if let Some(weight) = listing.weight {
        add(&weight.value().to_string());
        add(weight.unit().code());
    } else {
        add("");
    }
    add(&listing.text.images.len().to_string());
    for image in &listing.text.images {
        add(image);
    }
    add(&listing.price.minor().to_string());
    add(listing.price.currency().code());
    add(listing.availability.code());
    add(&listing.inventory.map(|q| q.to_string()).unwrap_or_default());
    hash::of_bytes(&bytes)
}
