//! The listings of one of our own shops, under its own numbers.

use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// What a message says about a listing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Says {
    pub(crate) name: String,
    pub(crate) about: String,
    /// For one, or for one unit of weight.
    pub(crate) price: Decimal,
    /// How much is available: nothing unless it is for sale.
    pub(crate) left: Decimal,
}

#[derive(Clone, Debug)]
pub(crate) struct Listing {
    pub(crate) id: u64,
    pub(crate) sku: String,
    pub(crate) says: Says,
    sold_since: Decimal,
    /// The message that set it, counted over the whole shop; 0 if there was none.
    told_by: u64,
    /// Changes with every change of the listing.
    pub(crate) edition: u64,
}

impl Listing {
    pub(crate) fn have(&self) -> Decimal {
        (self.says.left - self.sold_since).max(Decimal::ZERO)
    }

    /// Whether the shop listed it without the house.
    pub(crate) fn is_own(&self) -> bool {
        self.told_by == 0
    }

    pub(crate) fn etag(&self) -> String {
        format!("\"e{}\"", self.edition)
    }
}

/// How much was taken from a listing, and which message had set its stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Taken {
    listing: u64,
    told_by: u64,
}

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

    /// Creates a listing, even if the SKU has one already; returns its number.
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

    /// Updates a listing; returns whether the number exists.
    pub(crate) fn tell(&mut self, id: u64, says: Says) -> bool {
        let Some(listing) = self.listings.get_mut(&id) else { return false };
        self.messages += 1;
        self.editions += 1;
        (listing.says, listing.sold_since) = (says, Decimal::ZERO);
        (listing.told_by, listing.edition) = (self.messages, self.editions);
        true
    }

    pub(crate) fn name(&mut self, id: u64, sku: &str) {
        if let Some(listing) = self.listings.get_mut(&id) {
            sku.clone_into(&mut listing.sku);
        }
    }

    /// Removes a listing; returns whether there was one.
    pub(crate) fn take_away(&mut self, id: u64) -> bool {
        self.listings.remove(&id).is_some()
    }

    /// Adds a listing by the shop itself, unless the SKU has one.
    pub(crate) fn put_own(&mut self, sku: &str, says: Says) {
        if self.of(sku).is_none() {
            let id = self.make(sku, says);
            if let Some(listing) = self.listings.get_mut(&id) {
                listing.told_by = 0;
            }
        }
    }

    pub(crate) fn all(&self) -> impl DoubleEndedIterator<Item = &Listing> {
        self.listings.values()
    }

    pub(crate) fn by_id(&self, id: u64) -> Option<&Listing> {
        self.listings.get(&id)
    }

    /// The listing of a SKU; the first of several.
    pub(crate) fn of(&self, sku: &str) -> Option<&Listing> {
        self.all().find(|listing| listing.sku == sku)
    }

    /// Sells from its stock.
    pub(crate) fn sell(&mut self, sku: &str, count: Decimal) -> Option<Taken> {
        let listing = self.listings.values_mut().find(|l| l.sku == sku && l.have() >= count)?;
        self.editions += 1;
        listing.sold_since += count;
        listing.edition = self.editions;
        Some(Taken { listing: listing.id, told_by: listing.told_by })
    }

    /// Puts back what was sold, unless a message has set the stock since.
    pub(crate) fn put_back(&mut self, taken: Taken, count: Decimal) {
        let found = self.listings.get_mut(&taken.listing).filter(|l| l.told_by == taken.told_by);
        if let Some(listing) = found {
            self.editions += 1;
            listing.sold_since = (listing.sold_since - count).max(Decimal::ZERO);
            listing.edition = self.editions;
        }
    }

    /// The state at an earlier time. Counters go on, so that no `ETag` is used twice; nor is a number, unless
    /// the shop assigns its numbers a second time.
    pub(crate) fn put_back_to(&mut self, earlier: Self, reuses_numbers: bool) {
        let (messages, editions) = (self.messages, self.editions);
        let next = if reuses_numbers { earlier.next } else { self.next };
        *self = Self { next, messages, editions, ..earlier };
    }
}
