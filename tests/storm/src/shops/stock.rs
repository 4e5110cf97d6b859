//! What a shop of ours lists, under numbers of its own.

use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// What a message says of a listing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Says {
    pub(crate) name: String,
    pub(crate) about: String,
    /// Of one, or of one unit of weight.
    pub(crate) price: Decimal,
    /// How much can be had: nothing unless it is for sale.
    pub(crate) left: Decimal,
}

/// A listing.
#[derive(Clone, Debug)]
pub(crate) struct Listing {
    pub(crate) id: u64,
    pub(crate) sku: String,
    pub(crate) says: Says,
    sold_since: Decimal,
    /// Which message it was told by, counted over the whole shop; 0 for what nobody told of.
    told_by: u64,
    /// Changes with whatever changes here.
    pub(crate) edition: u64,
}

impl Listing {
    pub(crate) fn have(&self) -> Decimal {
        (self.says.left - self.sold_since).max(Decimal::ZERO)
    }

    /// Whether the shop lists it by itself, and was never told of it.
    pub(crate) fn is_own(&self) -> bool {
        self.told_by == 0
    }

    pub(crate) fn etag(&self) -> String {
        format!("\"e{}\"", self.edition)
    }
}

/// What was taken of which listing, and by which message the shop believed to have it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Taken {
    listing: u64,
    told_by: u64,
}

/// All listings, by their numbers.
#[derive(Clone, Debug)]
pub(crate) struct Stock {
    listings: BTreeMap<u64, Listing>,
    next: u64,
    messages: u64,
    editions: u64,
}

impl Stock {
    pub(crate) fn new(first: u64) -> Self {
        Self { listings: BTreeMap::new(), next: first, messages: 0, editions: 0 }
    }

    /// Makes a listing, whether or not there is one of that sku; its number.
    pub(crate) fn make(&mut self, sku: &str, says: Says) -> u64 {
        let id = self.next;
        self.next += 1;
        let sold_since = Decimal::ZERO;
        let listing =
            Listing { id, sku: sku.to_owned(), says: Says::default(), sold_since, told_by: 0, edition: 0 };
        self.listings.insert(id, listing);
        self.tell(id, says);
        id
    }

    /// Tells a listing how it stands; whether there is one of that number.
    pub(crate) fn tell(&mut self, id: u64, says: Says) -> bool {
        let Some(listing) = self.listings.get_mut(&id) else { return false };
        self.messages += 1;
        self.editions += 1;
        (listing.says, listing.sold_since) = (says, Decimal::ZERO);
        (listing.told_by, listing.edition) = (self.messages, self.editions);
        true
    }

    /// Says that a listing is of that sku.
    pub(crate) fn name(&mut self, id: u64, sku: &str) {
        if let Some(listing) = self.listings.get_mut(&id) {
            sku.clone_into(&mut listing.sku);
        }
    }

    /// Takes a listing away; whether there was one.
    pub(crate) fn take_away(&mut self, id: u64) -> bool {
        self.listings.remove(&id).is_some()
    }

    /// A listing that the shop makes by itself, unless it has one of that sku.
    pub(crate) fn put_own(&mut self, sku: &str, says: Says) {
        if self.of(sku).is_none() {
            let id = self.make(sku, says);
            if let Some(listing) = self.listings.get_mut(&id) {
                listing.told_by = 0;
            }
        }
    }

    /// All of them, by number.
    pub(crate) fn all(&self) -> impl DoubleEndedIterator<Item = &Listing> {
        self.listings.values()
    }

    pub(crate) fn by_id(&self, id: u64) -> Option<&Listing> {
        self.listings.get(&id)
    }

    /// The listing of a sku; the first of several.
    pub(crate) fn of(&self, sku: &str) -> Option<&Listing> {
        self.all().find(|listing| listing.sku == sku)
    }

    /// Sells, from what it believes to have.
    pub(crate) fn sell(&mut self, sku: &str, count: Decimal) -> Option<Taken> {
        let listing = self.listings.values_mut().find(|l| l.sku == sku && l.have() >= count)?;
        self.editions += 1;
        listing.sold_since += count;
        listing.edition = self.editions;
        Some(Taken { listing: listing.id, told_by: listing.told_by })
    }

    /// Puts back what was sold, unless the shop was told anew since: then that says how much there is.
    pub(crate) fn put_back(&mut self, taken: Taken, count: Decimal) {
        let found = self.listings.get_mut(&taken.listing).filter(|l| l.told_by == taken.told_by);
        if let Some(listing) = found {
            self.editions += 1;
            listing.sold_since = (listing.sold_since - count).max(Decimal::ZERO);
            listing.edition = self.editions;
        }
    }

    /// As it stood at an earlier time. Its counters go on, so that no `ETag` is given twice; and no number, unless
    /// the shop gives its numbers once more.
    pub(crate) fn put_back_to(&mut self, earlier: Self, reuses_numbers: bool) {
        let (messages, editions) = (self.messages, self.editions);
        let next = if reuses_numbers { earlier.next } else { self.next };
        *self = Self { next, messages, editions, ..earlier };
    }
}
