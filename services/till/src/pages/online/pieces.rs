//! An item as the lists and tags of this room show it.

use super::weak::weaknesses;
use crate::app::App;
use crate::pages::face::{Stripe, picture, stripes};
use crate::pages::shown::listed_by;
use crate::problem::Problem;
use domain::{color, text};
use ledger::online::Offers;
use ledger::shelf::{ItemView, Picture, PictureName};
use std::collections::HashMap;

/// A photograph whose mean lightness (0 to 100) is below this hardly shows its piece: common practice, no
/// source.
const DARK: u8 = 25;

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
    /// The address of its first photograph; without one, its yarn is drawn.
    pub(crate) picture: Option<String>,
    pub(crate) stripes: Vec<Stripe>,
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
            color: unless_said(&item.text.name, color::shown(&item.text.color)),
            size: unless_said(&item.text.name, item.text.size.clone()),
            weight: item.weight.map(|w| w.to_string()).unwrap_or_default(),
            price: crate::pages::shown::money(item.price),
            free: item.free().to_string(),
            is_gone: item.on_hand.stock_units() == 0,
            is_on_hold: item.on_hand.stock_units() > 0 && item.free().stock_units() == 0,
            listed_by: offers.map(listed_by).unwrap_or_default(),
            weak: weaknesses(item, has_dark_picture),
            picture: picture(item),
            stripes: stripes(&item.text.color),
        }
    }
}

/// A property, or nothing where the name says it already.
fn unless_said(name: &str, property: String) -> String {
    if text::says(name, &property) { String::new() } else { property }
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
