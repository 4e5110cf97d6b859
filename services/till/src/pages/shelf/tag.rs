//! An item as its paper tag: a band in its own colors, its weight and its price.

use crate::pages::shown;
use domain::color;
use domain::stock::{Availability, ItemKind, ListingState};
use domain::text::fold;
use ledger::shelf::ItemView;

/// The height of a tag's band, in the units of its drawing.
const BAND: usize = 60;

/// A stripe of yarn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Stripe {
    pub(crate) top: usize,
    pub(crate) height: usize,
    pub(crate) fill: String,
}

/// A tag.
#[derive(Clone, Debug)]
pub(crate) struct Tag {
    /// The item's page.
    pub(crate) path: String,
    pub(crate) name: String,
    /// Style, colors and size in words.
    pub(crate) about: String,
    /// As the scale showed it; how much there is of what is not weighed by the piece.
    pub(crate) weight: String,
    pub(crate) price: String,
    pub(crate) stripes: Vec<Stripe>,
    /// What else is to be known: held, sold out, kept off.
    pub(crate) notes: Vec<&'static str>,
}

/// The page of an item. Its in-store code is digits alone, which an address holds as they are.
pub(crate) fn path(in_store: &str) -> String {
    format!("/shelf/items/{in_store}")
}

/// Stripes of the colors that are known, the first of them half of the band.
pub(crate) fn stripes(color: &str) -> Vec<Stripe> {
    let colors = color::of_text(color);
    let others = colors.len().saturating_sub(1);
    let first = if others == 0 { BAND } else { BAND / 2 };
    let mut top = 0;
    let stripe = |(at, color): (usize, &color::Rgb)| {
        // The last one takes what the division left.
        let height = match at {
            0 => first,
            at if at == others => BAND - top,
            _ => (BAND - first) / others,
        };
        top += height;
        Stripe { top: top - height, height, fill: color.to_string() }
    };
    colors.iter().enumerate().map(stripe).collect()
}

/// The tag of an item.
pub(crate) fn tag(item: &ItemView) -> Tag {
    let words = [item.style.as_deref().unwrap_or_default(), &item.color.replace('|', ", "), &item.size];
    // What the name says need not be said again.
    let name = fold(&item.name);
    let is_new = |word: &&str| !word.is_empty() && !name.contains(&fold(word));
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
        name: item.name.clone(),
        about: about.join(" · "),
        weight,
        price: format!("{}{each}", shown::money(item.price)),
        stripes: stripes(&item.color),
        notes: notes(item),
    }
}

/// What is to be known of an item beside its weight and price.
pub(crate) fn notes(item: &ItemView) -> Vec<&'static str> {
    let (on_hand, held) = (item.on_hand.stock_units(), item.held.stock_units());
    let mut notes = Vec::new();
    match Availability::of(on_hand, held, false) {
        Availability::SoldOut => notes.push(if item.sold.is_zero() { "Gone" } else { "Sold" }),
        Availability::Reserved => notes.push("On hold"),
        Availability::InStock | Availability::Discontinued if held > 0 => notes.push("Some on hold"),
        Availability::InStock | Availability::Discontinued => (),
    }
    match (item.do_not_list, item.listing) {
        (true, _) => notes.push("Don’t list"),
        (false, Some(ListingState::Listed)) => notes.push("Listed"),
        (false, _) => (),
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_color_is_half_of_the_band_and_all_of_it_is_filled() {
        let check = |color: &str, expected: &[(usize, usize)]| {
            let found: Vec<(usize, usize)> = stripes(color).iter().map(|s| (s.top, s.height)).collect();
            assert_eq!(found, expected, "{color}");
        };
        check("fawn", &[(0, 60)]);
        check("fawn|moss", &[(0, 30), (30, 30)]);
        check("fawn|moss|rust|white|indigo", &[(0, 30), (30, 7), (37, 7), (44, 7), (51, 9)]);
        check("undreamt|moss", &[(0, 60)]);
        check("", &[]);
        assert_eq!(stripes("fawn")[0].fill, "#c8a678");
    }
}
