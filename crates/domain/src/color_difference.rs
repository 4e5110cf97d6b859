//! How different the colors of two pieces look.
//!
//! Only the search for substitutes uses these numbers; no figure in the books depends on them.

mod ciede2000;

use crate::color::{self, Rgb};
use crate::text::fold;

/// How many colors of one piece are compared: a tag does not show more.
const MAX_COLORS: usize = 8;

/// The difference of two colors in hundredths of a CIEDE2000 unit. About 100 is the smallest difference
/// that a trained eye can see.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Apart(u32);

impl Apart {
    /// Two equal colors.
    pub const NONE: Self = Self(0);

    /// In hundredths of a CIEDE2000 unit.
    pub fn hundredths(self) -> u32 {
        self.0
    }

    /// In whole CIEDE2000 units, rounded.
    pub fn units(self) -> u32 {
        (self.0 + 50) / 100
    }

    /// In everyday words. The bounds are common practice, no source.
    pub fn words(self) -> &'static str {
        match self.0 {
            0..=99 => "same color",
            100..=499 => "nearly the same color",
            500..=1499 => "similar color",
            1500..=3499 => "different color",
            _ => "very different color",
        }
    }
}

/// The difference between the colors of two texts: for each color of either text the nearest of the
/// other, on average. None if one of the texts names no color that we know.
pub fn apart(one: &str, other: &str) -> Option<Apart> {
    if !one.trim().is_empty() && fold(one.trim()) == fold(other.trim()) {
        return Some(Apart::NONE);
    }
    let (one, other) = (colors(one), colors(other));
    if one.is_empty() || other.is_empty() {
        return None;
    }
    let nearest = |from: &Rgb, among: &[Rgb]| among.iter().map(|to| ciede2000::of(*from, *to)).min();
    let there: u32 = one.iter().filter_map(|c| nearest(c, &other)).sum();
    let back: u32 = other.iter().filter_map(|c| nearest(c, &one)).sum();
    let count = u32::try_from(one.len() + other.len()).unwrap_or(u32::MAX);
    Some(Apart((there + back) / count))
}

fn colors(text: &str) -> Vec<Rgb> {
    let mut colors = color::of_text(text);
    colors.truncate(MAX_COLORS);
    colors
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearer_color_is_nearer() {
        let check = |to: &str, near: &str, far: &str| {
            let of = |text| apart(to, text).expect("a distance");
            assert!(of(near) < of(far), "{to}: {near} {:?}, {far} {:?}", of(near), of(far));
        };
        check("madder", "rust", "woad");
        check("indigo", "woad", "weld");
        check("fawn", "cream", "charcoal");
        check("grey|moss", "grey|sage", "grey|madder");
    }

    #[test]
    fn what_is_not_known_has_no_distance_unless_it_is_the_same_word() {
        let check = |one: &str, other: &str, expected: Option<u32>| {
            assert_eq!(apart(one, other).map(Apart::hundredths), expected, "{one} {other}");
        };
        check("Zzyzx", "zzyzx", Some(0));
        check("madder", "Madder", Some(0));
        check("madder|woad", "woad|madder", Some(0));
        check("zzyzx", "madder", None);
        check("", "", None);
        check("madder", "", None);
    }

    #[test]
    fn apart_is_said_in_words() {
        let check = |hundredths: u32, units: u32, words: &str| {
            assert_eq!((Apart(hundredths).units(), Apart(hundredths).words()), (units, words));
        };
        check(0, 0, "same color");
        check(149, 1, "nearly the same color");
        check(650, 7, "similar color");
        check(1_500, 15, "different color");
        check(9_999, 100, "very different color");
    }
}
