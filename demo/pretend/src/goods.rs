//! What the shop has for sale, as far as it was told.

use crate::message::Message;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// The most listings, to limit the shop's memory; far above any farm's stock.
pub(crate) const MAX_GOODS: usize = 200_000;
/// The longest text of a listing, in bytes; longer ones are refused.
const MAX_TEXT: usize = 20_000;
/// The number of the first listing, which is the shop's own id of it. Invented.
const FIRST_REFERENCE: u64 = 501;

/// A listing as the shop shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    pub sku: String,
    /// The shop's own id of it.
    pub reference: String,
    pub name: String,
    pub description: String,
    /// Color, size, material and brand, as far as they are known.
    pub traits: Vec<String>,
    pub price: Decimal,
    pub currency: String,
    /// How many the shop believes to have.
    pub have: Decimal,
    /// The unit (UN/CEFACT).
    pub unit: String,
    /// The revision of the sender's stock that it last received; 0 for its own goods.
    pub revision: i64,
    pub listed: bool,
}

/// Why a message was not accepted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum NotTaken {
    /// Nothing of that code is here.
    Unknown,
    /// A later one was accepted before.
    Stale {
        have: i64,
    },
    /// The listing is not the one in `If-Match`.
    NotThatOne,
    /// A required part is missing or wrong.
    Unreadable(&'static str),
    Full,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct TakenIn {
    pub(crate) is_new: bool,
    pub(crate) reference: String,
    pub(crate) etag: String,
}

/// The conditions for accepting a message.
#[derive(Clone, Debug, Default)]
pub(crate) struct Conditions {
    pub(crate) if_match: Option<String>,
    /// A broken shop: whatever comes overwrites what it has.
    pub(crate) none_at_all: bool,
}

#[derive(Clone, Debug, Default)]
struct Good {
    reference: String,
    texts: Message,
    price: Decimal,
    currency: String,
    unit: String,
    /// How many it was told it has, and how many it sold since.
    told: Decimal,
    sold_since: Decimal,
    revision: i64,
    /// The message that said so, counted over the whole shop.
    told_by: u64,
    /// Changes with every change here.
    edition: u64,
    listed: bool,
}

impl Good {
    fn have(&self) -> Decimal {
        if self.listed { (self.told - self.sold_since).max(Decimal::ZERO) } else { Decimal::ZERO }
    }

    fn etag(&self) -> String {
        format!("\"{}\"", self.edition)
    }

    fn shown(&self, sku: &str) -> Shown {
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        let traits = [&self.texts.color, &self.texts.size, &self.texts.material, &self.texts.brand];
        Shown {
            sku: sku.to_owned(),
            reference: self.reference.clone(),
            name: text(&self.texts.name),
            description: text(&self.texts.description),
            traits: traits.into_iter().map(text).filter(|t| !t.is_empty()).collect(),
            price: self.price,
            currency: self.currency.clone(),
            have: self.have(),
            unit: self.unit.clone(),
            revision: self.revision,
            listed: self.listed,
        }
    }
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Goods {
    by_sku: BTreeMap<String, Good>,
    messages: u64,
    editions: u64,
}

impl Goods {
    /// Accepts a message, unless a later one is here already.
    pub(crate) fn take(
        &mut self,
        sku: &str,
        message: &Message,
        conditions: &Conditions,
    ) -> Result<TakenIn, NotTaken> {
        let (told, unit) = self.may_be_taken(sku, message, conditions)?;
        let is_new = !self.by_sku.contains_key(sku);
        let (reference, count) = (self.next_reference(), (self.messages + 1, self.editions + 1));
        let fresh = || Good { reference, ..Good::default() };
        let good = self.by_sku.entry(sku.to_owned()).or_insert_with(fresh);
        let revision = message.revision().unwrap_or(good.revision);
        // The same revision again is no news: what was sold since stays sold.
        if revision > good.revision || !good.listed || conditions.none_at_all || message.revision().is_none()
        {
            (self.messages, self.editions) = count;
            (good.told_by, good.edition) = count;
            (good.told, good.sold_since, good.unit) = (told, Decimal::ZERO, unit);
            (good.revision, good.listed) = (revision, true);
            if let Some((price, currency)) = message.price() {
                (good.price, good.currency) = (price, currency);
            }
            if message.name.is_some() {
                good.texts = message.clone();
            }
        }
        Ok(TakenIn { is_new, reference: good.reference.clone(), etag: good.etag() })
    }

    /// Whether the message may be accepted; returns how many it says there are.
    pub(crate) fn may_be_taken(
        &self,
        sku: &str,
        message: &Message,
        conditions: &Conditions,
    ) -> Result<(Decimal, String), NotTaken> {
        let had = message.can_be_had().ok_or(NotTaken::Unreadable("availability is missing"))?;
        let Message { name, description, color, size, material, brand, .. } = message;
        let texts = [name, description, color, size, material, brand];
        if sku.is_empty() || texts.iter().any(|t| t.as_ref().is_some_and(|t| t.len() > MAX_TEXT)) {
            return Err(NotTaken::Unreadable("a text is too long, or the sku is empty"));
        }
        let known = self.by_sku.get(sku);
        if known.is_none() && (message.name.is_none() || message.price().is_none()) {
            return Err(NotTaken::Unknown);
        }
        if known.is_none() && self.by_sku.len() >= MAX_GOODS {
            return Err(NotTaken::Full);
        }
        check(known, message.revision(), conditions)?;
        Ok(had)
    }

    pub(crate) fn end(
        &mut self,
        sku: &str,
        revision: Option<i64>,
        conditions: &Conditions,
    ) -> Result<(), NotTaken> {
        let Some(good) = self.by_sku.get_mut(sku).filter(|good| good.listed) else {
            return Err(NotTaken::Unknown);
        };
        check(Some(good), revision, conditions)?;
        self.editions += 1;
        (good.listed, good.edition) = (false, self.editions);
        good.revision = revision.unwrap_or(good.revision);
        Ok(())
    }

    /// An item that the shop has of its own; nothing if there is one already.
    pub(crate) fn put_own(&mut self, sku: &str, name: &str, price: Decimal, count: Decimal) {
        self.editions += 1;
        let good = Good {
            reference: self.next_reference(),
            texts: Message::named(name),
            price,
            unit: "C62".to_owned(),
            told: count,
            edition: self.editions,
            listed: true,
            ..Good::default()
        };
        self.by_sku.entry(sku.to_owned()).or_insert(good);
    }

    fn next_reference(&self) -> String {
        let count = u64::try_from(self.by_sku.len()).unwrap_or(u64::MAX);
        format!("L{}", FIRST_REFERENCE.saturating_add(count))
    }

    /// Sells from what it believes to have; returns the message by which it believes so.
    pub(crate) fn sell(&mut self, sku: &str, count: Decimal) -> Option<u64> {
        let good = self.by_sku.get_mut(sku).filter(|good| good.have() >= count)?;
        self.editions += 1;
        good.sold_since += count;
        good.edition = self.editions;
        Some(good.told_by)
    }

    /// Returns what was sold, unless a later message says how many there are.
    pub(crate) fn put_back(&mut self, sku: &str, count: Decimal, told_by: u64) {
        if let Some(good) = self.by_sku.get_mut(sku).filter(|good| good.told_by == told_by) {
            self.editions += 1;
            good.sold_since = (good.sold_since - count).max(Decimal::ZERO);
            good.edition = self.editions;
        }
    }

    pub(crate) fn one(&self, sku: &str) -> Option<(Shown, String)> {
        self.by_sku.get(sku).map(|good| (good.shown(sku), good.etag()))
    }

    /// Everything that is listed, by code.
    pub(crate) fn listed(&self) -> impl Iterator<Item = Shown> {
        self.by_sku.iter().filter(|(_, good)| good.listed).map(|(sku, good)| good.shown(sku))
    }

    /// Restores an earlier state. The counters go on, so that no two states share an `ETag`.
    pub(crate) fn put_back_to(&mut self, earlier: Self) {
        let (messages, editions) = (self.messages, self.editions);
        *self = Self { messages, editions, ..earlier };
    }

    pub(crate) fn count(&self) -> usize {
        self.by_sku.values().filter(|good| good.listed).count()
    }

    /// Changes with every change here.
    pub(crate) fn edition(&self) -> u64 {
        self.editions
    }
}

/// Whether a message with that revision may change what is known.
fn check(known: Option<&Good>, revision: Option<i64>, conditions: &Conditions) -> Result<(), NotTaken> {
    if conditions.none_at_all {
        return Ok(());
    }
    let have = known.map_or(i64::MIN, |good| good.revision);
    if revision.is_some_and(|revision| revision < have) {
        return Err(NotTaken::Stale { have });
    }
    match (&conditions.if_match, known) {
        (Some(tag), Some(good)) if tag != "*" && *tag != good.etag() => Err(NotTaken::NotThatOne),
        (Some(_), None) => Err(NotTaken::NotThatOne),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(revision: i64, had: i64) -> Message {
        let text = format!(
            r#"{{"name":"Ridge beanie","offers":{{"price":"28.00","priceCurrency":"USD","availability":"InStock",
                "inventoryLevel":"{had}"}},"revision":{revision}}}"#
        );
        serde_json::from_str(&text).unwrap()
    }

    fn have(goods: &Goods) -> String {
        goods.one("A").map_or("none".to_owned(), |(shown, _)| shown.have.to_string())
    }

    #[test]
    fn a_later_message_wins_and_a_stale_one_is_refused() {
        let mut goods = Goods::default();
        let mut check = |revision: i64, had: i64, expected: Result<bool, NotTaken>, then: &str| {
            let taken = goods.take("A", &told(revision, had), &Conditions::default());
            assert_eq!(taken.map(|t| t.is_new), expected, "revision {revision}");
            assert_eq!(have(&goods), then, "after revision {revision}");
        };
        check(3, 5, Ok(true), "5");
        check(2, 9, Err(NotTaken::Stale { have: 3 }), "5");
        check(3, 9, Ok(false), "5");
        check(4, 0, Ok(false), "0");
        let broken = Conditions { none_at_all: true, ..Conditions::default() };
        goods.take("A", &told(1, 7), &broken).unwrap();
        assert_eq!(have(&goods), "7", "a broken shop takes whatever comes");
    }

    #[test]
    fn an_etag_names_one_state() {
        let mut goods = Goods::default();
        let first = goods.take("A", &told(1, 2), &Conditions::default()).unwrap();
        let only = |tag: &str| Conditions { if_match: Some(tag.to_owned()), none_at_all: false };
        assert_eq!(goods.take("B", &told(1, 2), &only("*")), Err(NotTaken::NotThatOne));
        assert!(goods.sell("A", Decimal::ONE).is_some());
        assert_eq!(goods.take("A", &told(2, 2), &only(&first.etag)), Err(NotTaken::NotThatOne));
        let (_, now) = goods.one("A").unwrap();
        assert!(goods.take("A", &told(2, 2), &only(&now)).is_ok());
    }

    #[test]
    fn it_sells_what_it_believes_to_have() {
        let mut goods = Goods::default();
        goods.take("A", &told(1, 2), &Conditions::default()).unwrap();
        let by = goods.sell("A", Decimal::ONE).unwrap();
        assert_eq!(have(&goods), "1");
        assert_eq!(goods.sell("A", Decimal::TWO), None);
        goods.put_back("A", Decimal::ONE, by);
        assert_eq!(have(&goods), "2");
        // Told again in between, it believes that and returns nothing.
        goods.sell("A", Decimal::ONE).unwrap();
        goods.take("A", &told(2, 1), &Conditions::default()).unwrap();
        goods.put_back("A", Decimal::ONE, by);
        assert_eq!(have(&goods), "1");
    }

    #[test]
    fn what_was_ended_is_gone_until_a_later_message() {
        let mut goods = Goods::default();
        goods.take("A", &told(3, 2), &Conditions::default()).unwrap();
        assert_eq!(goods.end("A", Some(2), &Conditions::default()), Err(NotTaken::Stale { have: 3 }));
        assert_eq!(goods.end("A", Some(4), &Conditions::default()), Ok(()));
        assert_eq!((have(&goods).as_str(), goods.count()), ("0", 0));
        assert_eq!(goods.end("A", Some(5), &Conditions::default()), Err(NotTaken::Unknown));
        assert_eq!(goods.take("A", &told(3, 2), &Conditions::default()), Err(NotTaken::Stale { have: 4 }));
        assert_eq!(goods.take("A", &told(5, 1), &Conditions::default()).map(|t| t.is_new), Ok(false));
        assert_eq!((have(&goods).as_str(), goods.count()), ("1", 1));
    }

    #[test]
    fn a_first_message_must_say_the_whole() {
        let mut goods = Goods::default();
        let check = |goods: &mut Goods, json: &str, expected: Option<NotTaken>| {
            let message: Message = serde_json::from_str(json).unwrap();
            assert_eq!(goods.take("A", &message, &Conditions::default()).err(), expected, "{json}");
        };
        let stock_alone = r#"{"availability":"InStock","inventoryLevel":"1","revision":4}"#;
        check(&mut goods, stock_alone, Some(NotTaken::Unknown));
        check(&mut goods, r#"{"name":"Cowl"}"#, Some(NotTaken::Unreadable("availability is missing")));
        goods.take("A", &told(1, 2), &Conditions::default()).unwrap();
        check(&mut goods, stock_alone, None);
        assert_eq!((have(&goods).as_str(), goods.one("A").unwrap().0.name.as_str()), ("1", "Ridge beanie"));
    }
}
