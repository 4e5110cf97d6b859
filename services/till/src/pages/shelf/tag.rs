//! An item drawn as its paper tag: a band in its colors, its weight and its price.

use crate::pages::face::{Stripe, picture, stripes};
use crate::pages::shown;
use domain::color;
use domain::stock::{Availability, ItemKind};
use domain::text::says;
use ledger::shelf::{ItemPast, ItemView};

#[derive(Clone, Debug)]
pub(crate) struct Tag {
    pub(crate) path: String,
    /// Its in-store code.
    pub(crate) code: String,
    pub(crate) name: String,
    /// Style, colors and size in words.
    pub(crate) about: String,
    /// The weight as the scale showed it; the quantity for what is not weighed by the piece.
    pub(crate) weight: String,
    pub(crate) price: String,
    /// The address of its first photograph; without one, its yarn is drawn.
    pub(crate) picture: Option<String>,
    pub(crate) stripes: Vec<Stripe>,
    /// Notes such as on hold, sold out, not online.
    pub(crate) notes: Vec<&'static str>,
    /// Whether it is in stock, so that a tag of it can be printed.
    pub(crate) is_there: bool,
}

/// The address of an item's page. Its in-store code has only digits, so nothing needs escaping.
pub(crate) fn path(in_store: &str) -> String {
    format!("/shelf/items/{in_store}")
}

pub(crate) fn tag(item: &ItemView, is_listed: bool) -> Tag {
    let colors = color::shown(&item.text.color);
    let words = [item.style.as_deref().unwrap_or_default(), &colors, &item.text.size];
    let is_new = |word: &&str| !word.is_empty() && !says(&item.text.name, word);
    let about: Vec<&str> = words.into_iter().filter(is_new).collect();
    let weight = match (item.kind, item.weight) {
        (ItemKind::Piece, Some(weight)) => weight.to_string(),
        (ItemKind::Piece, None) => String::new(),
        (ItemKind::Counted, _) => format!("{} in stock", item.on_hand),
        (ItemKind::Weight, _) => item.on_hand.to_string(),
    };
    let each = item.stock_unit.map(|unit| format!(" {}", unit.each())).unwrap_or_default();
    Tag {
        path: path(&item.in_store),
        code: item.in_store.clone(),
        name: item.text.name.clone(),
        about: about.join(" · "),
        weight,
        price: format!("{}{each}", shown::money(item.price)),
        picture: picture(item),
        stripes: stripes(&item.text.color),
        notes: notes(item, is_listed),
        is_there: item.on_hand.stock_units() > 0,
    }
}

/// The notes on an item besides its weight and price.
pub(crate) fn notes(item: &ItemView, is_listed: bool) -> Vec<&'static str> {
    let (on_hand, held) = (item.on_hand.stock_units(), item.held.stock_units());
    let mut notes = Vec::new();
    match Availability::of(on_hand, held, false) {
        Availability::SoldOut if item.past == ItemPast::Removed => notes.push("Entered by mistake"),
        Availability::SoldOut => notes.push(if item.sold.is_zero() { "Gone" } else { "Sold" }),
        Availability::Reserved => notes.push("On hold"),
        Availability::InStock | Availability::Discontinued if held > 0 => notes.push("Some on hold"),
        Availability::InStock | Availability::Discontinued => (),
    }
    match (item.do_not_list, is_listed) {
        (true, _) => notes.push("Don’t list"),
        (false, true) => notes.push("Listed"),
        (false, false) => (),
    }
    notes
}
