//! The shop's own color, which is printed on its tags.

use crate::color::Rgb;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The least contrast against white paper at which a rule is seen well, in hundredths. WCAG 2.2, 1.4.11, asks for 3:1 of
/// what must be seen.
const SEEN_WELL: u32 = 300;
/// How light each of the 256 values of a channel is, in millionths: WCAG 2.2, "relative luminance", worked out once,
/// because there are only whole numbers here.
const LIGHT: [u32; 256] = [
    0, 304, 607, 911, 1214, 1518, 1821, 2125, 2428, 2732, 3035, 3347, 3677, 4025, 4391, 4777, 5182, 5605,
    6049, 6512, 6995, 7499, 8023, 8568, 9134, 9721, 10_330, 10_960, 11_612, 12_286, 12_983, 13_702, 14_444,
    15_209, 15_996, 16_807, 17_642, 18_500, 19_382, 20_289, 21_219, 22_174, 23_153, 24_158, 25_187, 26_241,
    27_321, 28_426, 29_557, 30_713, 31_896, 33_105, 34_340, 35_601, 36_889, 38_204, 39_546, 40_915, 42_311,
    43_735, 45_186, 46_665, 48_172, 49_707, 51_269, 52_861, 54_480, 56_128, 57_805, 59_511, 61_246, 63_010,
    64_803, 66_626, 68_478, 70_360, 72_272, 74_214, 76_185, 78_187, 80_220, 82_283, 84_376, 86_500, 88_656,
    90_842, 93_059, 95_307, 97_587, 99_899, 102_242, 104_616, 107_023, 109_462, 111_932, 114_435, 116_971,
    119_538, 122_139, 124_772, 127_438, 130_136, 132_868, 135_633, 138_432, 141_263, 144_128, 147_027,
    149_960, 152_926, 155_926, 158_961, 162_029, 165_132, 168_269, 171_441, 174_647, 177_888, 181_164,
    184_475, 187_821, 191_202, 194_618, 198_069, 201_556, 205_079, 208_637, 212_231, 215_861, 219_526,
    223_228, 226_966, 230_740, 234_551, 238_398, 242_281, 246_201, 250_158, 254_152, 258_183, 262_251,
    266_356, 270_498, 274_677, 278_894, 283_149, 287_441, 291_771, 296_138, 300_544, 304_987, 309_469,
    313_989, 318_547, 323_143, 327_778, 332_452, 337_164, 341_914, 346_704, 351_533, 356_400, 361_307,
    366_253, 371_238, 376_262, 381_326, 386_429, 391_572, 396_755, 401_978, 407_240, 412_543, 417_885,
    423_268, 428_690, 434_154, 439_657, 445_201, 450_786, 456_411, 462_077, 467_784, 473_531, 479_320,
    485_150, 491_021, 496_933, 502_886, 508_881, 514_918, 520_996, 527_115, 533_276, 539_479, 545_724,
    552_011, 558_340, 564_712, 571_125, 577_580, 584_078, 590_619, 597_202, 603_827, 610_496, 617_207,
    623_960, 630_757, 637_597, 644_480, 651_406, 658_375, 665_387, 672_443, 679_542, 686_685, 693_872,
    701_102, 708_376, 715_694, 723_055, 730_461, 737_910, 745_404, 752_942, 760_525, 768_151, 775_822,
    783_538, 791_298, 799_103, 806_952, 814_847, 822_786, 830_770, 838_799, 846_873, 854_993, 863_157,
    871_367, 879_622, 887_923, 896_269, 904_661, 913_099, 921_582, 930_111, 938_686, 947_307, 955_973,
    964_686, 973_445, 982_251, 991_102, 1_000_000,
];
/// The weights of red, green and blue in the light of a color, in ten thousandths: the same definition.
const WEIGHTS: [u64; 3] = [2126, 7152, 722];
/// What the definition of contrast adds to both colors, in millionths.
const GLARE: u64 = 50_000;

/// Not a color.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
#[error("this is not a color; write it as # and six digits from 0 to f, for example #9c3323")]
pub struct NotAColor;

/// A color as CSS writes it in hex. Three digits stand for six: `#c93` is `#cc9933`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct ShopColor(Rgb);

impl ShopColor {
    /// Red as of madder, with which a new shop starts.
    pub const MADDER: Self = Self(Rgb::new(0x9c, 0x33, 0x23));

    /// Reads `#9c3323`, `9C3323` or `#c93`.
    pub fn parse(text: &str) -> Result<Self, NotAColor> {
        let text = text.trim();
        let digits = text.strip_prefix('#').unwrap_or(text);
        let digits: Option<Vec<u8>> = digits
            .chars()
            .map(|digit| digit.to_digit(16).and_then(|value| u8::try_from(value).ok()))
            .collect();
        match digits.as_deref() {
            Some([red, green, blue]) => Ok(Self(Rgb::new(red * 17, green * 17, blue * 17))),
            Some([r, red, g, green, b, blue]) => {
                Ok(Self(Rgb::new(r * 16 + red, g * 16 + green, b * 16 + blue)))
            }
            _ => Err(NotAColor),
        }
    }

    /// Its contrast against white paper, in hundredths: from 100 for white to 2100 for black.
    pub fn contrast_on_white(self) -> u32 {
        let channels = self.0.channels().into_iter().zip(WEIGHTS);
        let light: u64 =
            channels.map(|(own, weight)| u64::from(LIGHT[usize::from(own)]) * weight).sum::<u64>() / 10_000;
        u32::try_from((1_000_000 + GLARE) * 100 / (light + GLARE)).unwrap_or(u32::MAX)
    }

    /// Whether a thin rule in it is hard to see on white paper.
    pub fn is_faint(self) -> bool {
        self.contrast_on_white() < SEEN_WELL
    }
}

impl Default for ShopColor {
    fn default() -> Self {
        Self::MADDER
    }
}

impl fmt::Display for ShopColor {
    /// Written like `#9c3323`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl TryFrom<String> for ShopColor {
    type Error = NotAColor;
    fn try_from(text: String) -> Result<Self, NotAColor> {
        Self::parse(&text)
    }
}

impl From<ShopColor> for String {
    fn from(color: ShopColor) -> Self {
        color.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_color_is_three_or_six_hex_digits() {
        let check = |text: &str, expected: Option<&str>| {
            let found = ShopColor::parse(text).ok().map(|color| color.to_string());
            assert_eq!(found.as_deref(), expected, "{text}");
        };
        check("#9c3323", Some("#9c3323"));
        check(" 9C3323 ", Some("#9c3323"));
        check("#c93", Some("#cc9933"));
        for wrong in [
            "",
            "#",
            "#12",
            "#12345",
            "#1234567",
            "#12345g",
            "red",
            "##123456",
            "rgb(0,0,0)",
            "#\u{661}23456",
        ] {
            check(wrong, None);
        }
    }

    #[test]
    fn contrast_is_as_published() {
        let check = |text: &str, expected: u32, faint: bool| {
            let color = ShopColor::parse(text).expect("a color");
            assert_eq!((color.contrast_on_white(), color.is_faint()), (expected, faint), "{text}");
        };
        // Black on white is 21:1 and white on white 1:1 by definition; #767676 is the lightest gray of 4.5:1, and #949494
        // that of 3:1 (from memory; the definition gives the same).
        check("#000000", 2100, false);
        check("#ffffff", 100, true);
        check("#767676", 454, false);
        check("#949494", 303, false);
        check("#959595", 299, true);
        check("#ffff00", 107, true);
        check("#9c3323", 721, false);
    }
}
