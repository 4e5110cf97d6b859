//! An item drawn as its paper tag: a band in its colors, its weight and its price.

use crate::images::pictures::Size;
use crate::pages::shown;
use domain::color;
use domain::stock::{Availability, ItemKind};
use domain::text::says;
use ledger::shelf::{ItemPast, ItemView};

/// The height of a tag's band, in units of its SVG view box.
const BAND: usize = 60;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Stripe {
    pub(crate) top: usize,
    pub(crate) height: usize,
    pub(crate) fill: String,
}

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

/// Stripes in the colors that are known; the first takes half of the band.
pub(crate) fn stripes(color: &str) -> Vec<Stripe> {
    let colors = color::of_text(color);
    let others = colors.len().saturating_sub(1);
    let first = if others == 0 { BAND } else { BAND / 2 };
    let mut top = 0;
    let stripe = |(at, color): (usize, &color::Rgb)| {
        // The last one takes the remainder of the division.
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

/// The address of an item's first photograph, small; none if it has none here.
pub(crate) fn picture(item: &ItemView) -> Option<String> {
    item.text.images.iter().find_map(|image| Size::Small.address(image))
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
