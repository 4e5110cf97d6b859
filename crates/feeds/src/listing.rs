//! What is published about an item on a channel.

use crate::hash;
use domain::codes::{Code, Gtin};
use domain::money::Money;
use domain::quantity::Quantity;
use domain::stock::Availability;
use domain::weight::Weight;

/// What the texts of a listing usually take together, in bytes.
const HASHED_BYTES: usize = 512;

/// A listing of one item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listing {
    /// The code that the online shop knows it by.
    pub sku: Code,
    /// A GTIN from GS1; never the shop's own number.
    pub gtin: Option<Gtin>,
    /// One line of text.
    pub name: String,
    /// May have several lines.
    pub description: String,
    /// May be empty.
    pub color: String,
    /// May be empty.
    pub size: String,
    /// May be empty.
    pub material: String,
    /// The weight of one.
    pub weight: Option<Weight>,
    /// Addresses, or names of files beside the feed.
    pub images: Vec<String>,
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
    let texts = [&listing.name, &listing.description, &listing.color, &listing.size, &listing.material];
    for text in texts {
        add(text);
    }
    if let Some(weight) = listing.weight {
        add(&weight.value().to_string());
        add(weight.unit().code());
    } else {
        add("");
    }
    add(&listing.images.len().to_string());
    for image in &listing.images {
        add(image);
    }
    add(&listing.price.minor().to_string());
    add(listing.price.currency().code());
    add(listing.availability.code());
    add(&listing.inventory.map(|q| q.to_string()).unwrap_or_default());
    hash::of_bytes(&bytes)
}
