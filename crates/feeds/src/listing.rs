//! An item's offer on a channel, as the world is told of it.

use crate::hash;
use domain::codes::{Code, Gtin};
use domain::money::Money;
use domain::quantity::Quantity;
use domain::stock::Availability;
use domain::weight::Weight;

/// What a listing's texts take together, most of the time: room for them at once.
const HASHED_BYTES: usize = 512;

/// An item on offer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listing {
    /// The code that the online shop knows it by.
    pub sku: Code,
    /// A number that is unique in the world; the shop's own never stands here.
    pub gtin: Option<Gtin>,
    /// What it is called.
    pub name: String,
    /// More about it.
    pub description: String,
    /// Color.
    pub color: String,
    /// Size.
    pub size: String,
    /// What it is made of.
    pub material: String,
    /// What one of it weighs.
    pub weight: Option<Weight>,
    /// Its photographs, as addresses or as names of files beside the feed.
    pub images: Vec<String>,
    /// The price of one, or of one stock unit.
    pub price: Money,
    /// Whether it can be had.
    pub availability: Availability,
    /// How much of it can be had.
    pub inventory: Option<Quantity>,
    /// The revision of the item's stock that this tells of: tells a stale listing from a new one.
    pub revision: i64,
}

/// The SHA-256 of what a listing says, as hex. The revision is left out: it tells when something
/// changed, not what.
pub fn content_hash(listing: &Listing) -> String {
    let mut bytes = Vec::with_capacity(HASHED_BYTES);
    // Each text goes in behind its length, so that no two listings run into the same bytes.
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
