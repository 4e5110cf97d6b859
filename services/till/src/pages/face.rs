//! What a piece looks like wherever it is shown: its first photograph, or else yarn in all of its colors. Templates draw
//! it with `face` of `shelf/drawn.html`, once `stitches` was called on the page.

use crate::images::pictures::Size;
use domain::color;
use ledger::shelf::ItemView;

/// The height of a tag's band, in units of its SVG view box.
const BAND: usize = 60;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Stripe {
    pub(crate) top: usize,
    pub(crate) height: usize,
    pub(crate) fill: String,
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
