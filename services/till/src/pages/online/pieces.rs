//! An item as the lists and tags of this room show it.

use super::weak::weaknesses;
use crate::app::App;
use crate::pages::shown::listed_by;
use crate::problem::Problem;
use domain::color;
use ledger::online::Offers;
use ledger::shelf::{ItemView, Picture, PictureName};
use std::collections::HashMap;

/// The most bands of a tag's color strip.
const BANDS: usize = 6;
/// A photograph whose mean lightness (0 to 100) is below this hardly shows its piece: common practice, no
/// source.
const DARK: u8 = 25;
/// The width of a strip, in units of its drawing.
const STRIP_WIDTH: usize = 120;

#[derive(Clone, Debug)]
pub(crate) struct Piece {
    pub(crate) sku: String,
    /// The SKU as part of an address.
    pub(crate) address: String,
    pub(crate) name: String,
    /// Color and size, unless the name has them.
    pub(crate) color: String,
    pub(crate) size: String,
    pub(crate) weight: String,
    pub(crate) price: String,
    pub(crate) free: String,
    pub(crate) is_gone: bool,
    pub(crate) is_on_hold: bool,
    /// Where it is listed; empty if nowhere.
    pub(crate) listed_by: String,
    pub(crate) weak: Vec<&'static str>,
    pub(crate) strip: Vec<Band>,
}

/// A band of the strip in a piece's colors: x, width and color.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Band {
    pub(crate) x: usize,
    pub(crate) width: usize,
    pub(crate) fill: String,
}

/// The strip for a text with colors; empty if none is known.
pub(crate) fn strip(color: &str) -> Vec<Band> {
    let mut colors = color::of_text(color);
    colors.truncate(BANDS);
    let Some(width) = STRIP_WIDTH.checked_div(colors.len()) else { return Vec::new() };
    let band = |(at, color): (usize, &color::Rgb)| Band { x: at * width, width, fill: color.to_string() };
    colors.iter().enumerate().map(band).collect()
}

impl Piece {
    pub(crate) fn of(item: &ItemView) -> Self {
        Self::seen(item, false, None)
    }

    fn seen(item: &ItemView, has_dark_picture: bool, offers: Option<&Offers>) -> Self {
        Self {
            address: form_urlencoded::byte_serialize(item.sku.as_bytes()).collect(),
            sku: item.sku.clone(),
            name: item.text.name.clone(),
            color: unnamed(&item.text.name, item.text.color.replace('|', ", ")),
            size: unnamed(&item.text.name, item.text.size.clone()),
            weight: item.weight.map(|w| w.to_string()).unwrap_or_default(),
            price: crate::pages::shown::money(item.price),
            free: item.free().to_string(),
            is_gone: item.on_hand.stock_units() == 0,
            is_on_hold: item.on_hand.stock_units() > 0 && item.free().stock_units() == 0,
            listed_by: offers.map(listed_by).unwrap_or_default(),
            weak: weaknesses(item, has_dark_picture),
            strip: strip(&item.text.color),
        }
    }
}

/// A property, or nothing where the name tells it already.
fn unnamed(name: &str, property: String) -> String {
    if name.to_lowercase().contains(&property.to_lowercase()) { String::new() } else { property }
}

fn has_dark(item: &ItemView, pictures: &HashMap<PictureName, Picture>) -> bool {
    let mut known = item.text.images.iter().filter_map(|image| pictures.get(&PictureName::of_file(image)?));
    known.any(|picture| picture.lightness < DARK)
}

/// Items as they are shown.
pub(crate) async fn of(app: &App, items: &[ItemView]) -> Result<Vec<Piece>, Problem> {
    let names: Vec<_> =
        items.iter().flat_map(|i| &i.text.images).filter_map(|i| PictureName::of_file(i)).collect();
    let pictures = app.ledger.pictures(&names).await?;
    let ids: Vec<_> = items.iter().map(|item| item.id).collect();
    let offers = app.ledger.offers(&ids).await?;
    let seen = |item: &ItemView| Piece::seen(item, has_dark(item, &pictures), offers.get(&item.id));
    Ok(items.iter().map(seen).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_name_tells_is_not_told_again() {
        let check = |name: &str, property: &str, expected: &str| {
            assert_eq!(unnamed(name, property.to_owned()), expected, "{property} of {name}");
        };
        check("Moor cowl, small", "Small", "");
        check("Moor cowl, small", "grey", "grey");
        check("Moor cowl, fawn, white", "fawn, white", "");
        check("Moor cowl", "", "");
    }

    #[test]
    fn a_strip_has_a_band_for_each_color() {
        let check = |color: &str, expected: &[(usize, usize, &str)]| {
            let found = strip(color);
            let found: Vec<_> = found.iter().map(|b| (b.x, b.width, b.fill.as_str())).collect();
            assert_eq!(found, expected, "{color}");
        };
        check("", &[]);
        check("nothing known", &[]);
        check("black", &[(0, 120, "#24211f")]);
        assert_eq!(strip("black|white")[1].x, 60);
    }
}
