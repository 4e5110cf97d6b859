//! How pages write values for people. The formats themselves are the domain's, shared with receipts and paper
//! tags; here is what only pages need.

use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::{Moment, Zone, city_of};
use domain::money::Money;
use ledger::Shop;
use ledger::online::Offers;
use ledger::sales::{BasketSummary, Voided};
use ledger::shelf::Purpose;

pub(crate) use domain::shown::{counted, decimal, number, symbol};

/// A number that was counted up to a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Count {
    pub(crate) number: usize,
    and_more: bool,
}

impl Count {
    /// From reading at most `bound` and one more.
    pub(crate) fn of(found: usize, bound: usize) -> Self {
        Self { number: found.min(bound), and_more: found > bound }
    }

    pub(crate) fn is_one(self) -> bool {
        self.number == 1 && !self.and_more
    }

    /// `12`, or `50 or more`.
    pub(crate) fn shown(self) -> String {
        if self.and_more { format!("{} or more", self.number) } else { self.number.to_string() }
    }
}

/// Money with its symbol: `$1,029.00`.
pub(crate) fn money(amount: Money) -> String {
    amount.shown()
}

/// Money as a form's field takes it: `1029.00`.
pub(crate) fn plain(amount: Money) -> String {
    amount.to_string()
}

/// A moment in the shop's zone: `Nov 29, 2026, 3:05 PM`.
pub(crate) fn moment(zone: &Zone, at: Moment) -> String {
    zone.shown(at)
}

/// Who or what a hold is for, where nobody is named.
/// An open sale, named by what is in it: “Moss hat and 2 more, $126.00, since 10:42 AM”.
pub(crate) fn open_sale(shop: &Shop, basket: &BasketSummary, now: Moment) -> String {
    let zone = &shop.zone;
    let is_today = zone.day_of(basket.made) == zone.day_of(now);
    let since = if is_today { zone.clock(basket.made) } else { zone.shown(basket.made) };
    let more = match basket.lines {
        0 | 1 => String::new(),
        lines => format!(" and {} more", lines - 1),
    };
    let first = basket.first.as_deref().unwrap_or("Nothing yet");
    let exchange = if basket.returned == 0 { "" } else { "Exchange: " };
    let due = if basket.lines == 0 { String::new() } else { format!(", {}", basket.due.shown()) };
    format!("{exchange}{first}{more}{due}, since {since}")
}

pub(crate) fn held_for(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Customer => "a customer",
        Purpose::Basket => "a sale in progress",
        Purpose::Market => "the market",
        Purpose::Order => "an unpaid order",
    }
}

/// Zones as they are offered: found by the city as people write it.
pub(crate) fn zones() -> Vec<(String, String)> {
    Zone::names().into_iter().map(|zone| (zone.clone(), city_of(&zone))).collect()
}

/// A channel's name, or its code if it no longer has a name.
pub(crate) fn channel_name(shop: &Shop, channel: &Channel) -> String {
    shop.channels.get(channel).cloned().unwrap_or_else(|| channel.to_string())
}

/// Where an item is listed: `your feed and the online shop village`; empty if nowhere.
pub(crate) fn listed_by(offers: &Offers) -> String {
    let name = |offer: &ledger::online::Offer| match &offer.shop {
        Some(shop) => format!("the online shop {shop}"),
        None => "your feed".to_owned(),
    };
    listed(offers.by.iter().map(name))
}

/// Names as a sentence lists them: `wool, silk and flax`.
pub(crate) fn listed(names: impl Iterator<Item = String>) -> String {
    let mut names: Vec<String> = names.collect();
    let last = names.pop().unwrap_or_default();
    if names.is_empty() { last } else { format!("{} and {last}", names.join(", ")) }
}

/// The color by which a channel is known. It depends on nothing but the code, so that it never changes; an
/// owner's channel never looks like one of those that every shop has.
pub(crate) fn dye(channel: &Channel) -> &'static str {
    const OWN: [&str; 2] = ["heather", "moss"];
    match channel.as_str() {
        "store" => "woad",
        "market" => "weld",
        "wholesale" => "walnut",
        "online" => "madder",
        own => OWN[own.bytes().map(usize::from).sum::<usize>() % OWN.len()],
    }
}

pub(crate) fn tender_name(kind: TenderKind) -> &'static str {
    match kind {
        TenderKind::Cash => "Cash",
        TenderKind::Card => "Card",
        TenderKind::Check => "Check",
        TenderKind::Online => "Online",
        TenderKind::GiftCertificate => "Gift certificate",
        TenderKind::Deposit => "Deposit",
        TenderKind::OnAccount => "On account",
        TenderKind::Other => "Other",
        TenderKind::Exchange => "Exchange",
    }
}

/// An error's words as a sentence: with a capital letter and a period. Text that begins with a name, a code or
/// a file name keeps its first letter.
pub(crate) fn sentence(words: &str) -> String {
    let first = words.split([' ', ',', ';']).next().unwrap_or_default();
    let is_plain = !first.is_empty() && first.chars().all(|c| c.is_ascii_lowercase() || c == '\'');
    let mut text = words.to_owned();
    if is_plain && let Some(letter) = text.get_mut(..1) {
        letter.make_ascii_uppercase();
    }
    if text.ends_with(|c: char| c.is_alphanumeric() || matches!(c, '”' | ')' | '%' | '"')) {
        text.push('.');
    }
    text
}

/// A field's label on its page.
pub(crate) fn label(field: &str) -> String {
    let last = field.rsplit('.').next().unwrap_or(field);
    let known = match field {
        "for_whom" | "forWhom" | "customer" | "for" => "Customer",
        "hold_quantity" | "loss_quantity" | "count" => "Quantity",
        "count_note" | "loss_note" => "Note",
        "counts" => "Counted cash",
        "by" => "Paid by",
        "off" => "Discount",
        "offers.price" => "Price",
        "weight" | "weight.value" => "Scale reading",
        "color" => "Colors",
        "material" => "Fibers",
        "weight_from" => "Minimum weight",
        "weight_to" => "Maximum weight",
        "price_from" => "Minimum price",
        "price_to" => "Maximum price",
        "find" => "Search",
        "newer" | "older" => "Age",
        "sku" => "Code",
        "image_base" => "Image address",
        "receipt_note" => "Note to every customer",
        "cash_rounding" => "Cash rounding",
        "again" => "Repeat password",
        "old" => "Current password",
        "new" => "New password",
        "pin" => "PIN",
        _ => "",
    };
    match (known, field.split_once('.')) {
        ("", Some(("channel", code))) => format!("Name of {code}"),
        ("", Some(("fee", code))) => format!("Fee of {code}"),
        ("", _) if field.contains(' ') => field.to_owned(),
        ("", _) => capital(&last.replace('_', " ")),
        (known, _) => known.to_owned(),
    }
}

/// The words with a capital first letter.
pub(crate) fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map(|first| first.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

/// Who voided a sale, when and why.
pub(crate) fn void_words(shop: &Shop, voided: &Voided) -> String {
    let by = if voided.who.is_empty() { String::new() } else { format!(" by {}", voided.who) };
    format!("Voided{by} on {}: {}", shop.zone.shown(voided.at), voided.reason)
}

/// A customer's terms on a slip or a receipt; empty for most.
pub(crate) fn terms_words(is_wholesale: bool, is_tax_exempt: bool) -> String {
    match (is_wholesale, is_tax_exempt) {
        (true, true) => "Wholesale, tax-exempt",
        (true, false) => "Wholesale",
        (false, true) => "Tax-exempt",
        (false, false) => "",
    }
    .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_owner_s_channel_has_a_color_of_its_own() {
        let of = |code: &str| dye(&Channel::parse(code).expect("a channel"));
        let every = ["store", "market", "wholesale", "online"].map(of);
        for code in ["fair", "village", "a", "b", "c", "d"] {
            assert!(!every.contains(&of(code)), "{code} is {}", of(code));
        }
    }

    #[test]
    fn an_error_reads_as_a_sentence() {
        let check = |words: &str, expected: &str| assert_eq!(sentence(words), expected);
        check("choose a day", "Choose a day.");
        check("the weight is missing. Enter it in ounces.", "The weight is missing. Enter it in ounces.");
        check("“six” is not a weight", "“six” is not a weight.");
        check("wool.jpg: this is not a photograph", "wool.jpg: this is not a photograph.");
        check("moor-1 is on hold", "moor-1 is on hold.");
        check("is that all?", "Is that all?");
        check("", "");
    }

    #[test]
    fn a_field_is_called_as_its_page_calls_it() {
        let check = |field: &str, expected: &str| assert_eq!(label(field), expected);
        check("for_whom", "Customer");
        check("offers.price", "Price");
        check("lines.3.quantity", "Quantity");
        check("channel.store", "Name of store");
        check("Moor cowl no. 7", "Moor cowl no. 7");
        check("price_reason", "Price reason");
        check("", "");
    }
}
