//! Color words for wool and dyes, and what they look like on a screen.
//!
//! We chose the values by eye, no source: a stripe of yarn on a tag, not a dye card. Only whole
//! numbers; other color spaces are computed from these.

use crate::text::{self, TextError};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A screen color (sRGB, 8 bits per channel).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Rgb {
    red: u8,
    green: u8,
    blue: u8,
}

impl Rgb {
    /// From red, green and blue, 0 to 255.
    pub const fn new(red: u8, green: u8, blue: u8) -> Self {
        Self { red, green, blue }
    }

    const fn hex(value: u32) -> Self {
        let [_, red, green, blue] = value.to_be_bytes();
        Self { red, green, blue }
    }

    /// Red, green and blue, 0 to 255.
    pub fn channels(self) -> [u8; 3] {
        [self.red, self.green, self.blue]
    }

    /// Mixes in `tenths` tenths of another color.
    fn mixed(self, other: Self, tenths: u16) -> Self {
        let mix = |own: u8, other: u8| {
            let sum = u16::from(own) * (10 - tenths) + u16::from(other) * tenths;
            u8::try_from(sum / 10).unwrap_or(u8::MAX)
        };
        Self::new(mix(self.red, other.red), mix(self.green, other.green), mix(self.blue, other.blue))
    }
}

impl fmt::Display for Rgb {
    /// Written like `#c8a678`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{:02x}{:02x}{:02x}", self.red, self.green, self.blue)
    }
}

/// Modifiers such as “dark”: the word, the color it mixes in, and how many tenths of it.
const SHADES: &[(&str, Rgb, u16)] = &[
    ("light", Rgb::hex(0x00ff_ffff), 4),
    ("pale", Rgb::hex(0x00ff_ffff), 5),
    ("soft", Rgb::hex(0x00ff_ffff), 3),
    ("dark", Rgb::hex(0x0000_0000), 4),
    ("deep", Rgb::hex(0x0000_0000), 3),
    ("dusty", Rgb::hex(0x0090_8a84), 3),
    ("warm", Rgb::hex(0x00c0_8040), 1),
    ("cool", Rgb::hex(0x0050_70a0), 1),
];

/// How many tenths of the preceding color a color takes: “blue grey” is grey with three tenths of blue.
const OF_THE_WORD_BEFORE: u16 = 3;

/// Single words or pairs, folded and sorted.
const WORDS: &[(&str, u32)] = &[
    ("alder", 0x007d_6a58),
    ("alkanet", 0x007a_6a93),
    ("amber", 0x00c8_8426),
    ("apple", 0x0090_b24c),
    ("apricot", 0x00ed_ae7c),
    ("aqua", 0x0080_c4c0),
    ("ash", 0x00b3_aea4),
    ("aubergine", 0x0047_2b45),
    ("barley", 0x00d8_c08a),
    ("beech", 0x00b3_8a5c),
    ("beige", 0x00d8_c6a6),
    ("berry", 0x0083_2b4e),
    ("birch", 0x00d9_d2c3),
    ("black", 0x0024_211f),
    ("blackberry", 0x0040_2b47),
    ("blue", 0x002f_5f9e),
    ("bluebell", 0x006a_72b8),
    ("blush", 0x00e6_bfb4),
    ("bog", 0x0049_4233),
    ("bracken", 0x009c_6230),
    ("bramble", 0x0053_2d48),
    ("brick", 0x009e_4832),
    ("bronze", 0x008a_6a35),
    ("brown", 0x006b_4a32),
    ("burgundy", 0x006a_1f30),
    ("butter", 0x00f0_dc9a),
    ("buttermilk", 0x00f3_e8c4),
    ("camel", 0x00be_955f),
    ("caramel", 0x00b0_7a44),
    ("charcoal", 0x0045_4544),
    ("cherry", 0x0092_1f30),
    ("chestnut", 0x0079_4630),
    ("chocolate", 0x004c_3326),
    ("cinnamon", 0x00a0_6238),
    ("claret", 0x006c_1f34),
    ("cloud", 0x00d5_d6d6),
    ("coal", 0x002e_2c2b),
    ("cochineal", 0x00ae_2350),
    ("coffee", 0x0058_3f2f),
    ("copper", 0x00ad_6a42),
    ("coral", 0x00e0_7a66),
    ("corn", 0x00e2_c269),
    ("cornflower", 0x005b_7ec6),
    ("cranberry", 0x0098_2438),
    ("cream", 0x00f1_e7d0),
    ("crimson", 0x00a3_1d38),
    ("crottle", 0x008e_5a34),
    ("damson", 0x004e_2f4d),
    ("denim", 0x0046_6084),
    ("dove", 0x00b9_b5b2),
    ("duck egg", 0x00b5_d0ca),
    ("dun", 0x0094_7f66),
    ("ebony", 0x0029_2523),
    ("ecru", 0x00e4_d7bb),
    ("elderberry", 0x005a_3a5e),
    ("emerald", 0x001f_7a55),
    ("emsket", 0x008d_9199),
    ("fawn", 0x00c8_a678),
    ("fern", 0x005d_7f43),
    ("fir", 0x002f_4a38),
    ("flax", 0x00d3_c193),
    ("forest", 0x002c_5038),
    ("fox", 0x00b2_5f2d),
    ("foxglove", 0x00a8_5a92),
    ("fuchsia", 0x00b8_3280),
    ("ginger", 0x00b8_6b30),
    ("gold", 0x00d0_a032),
    ("golden", 0x00d6_a93f),
    ("goldenrod", 0x00d9_aa3a),
    ("gorse", 0x00e6_be35),
    ("granite", 0x0080_807f),
    ("grass", 0x0062_8f3f),
    ("gray", 0x0092_908c),
    ("green", 0x0040_7a4a),
    ("grey", 0x0092_908c),
    ("hazel", 0x008e_6b42),
    ("heather", 0x0090_6f98),
    ("henna", 0x0093_4a2c),
    ("honey", 0x00d2_9b45),
    ("indigo", 0x0028_3b66),
    ("ink", 0x0025_2c42),
    ("iris", 0x005c_4f9c),
    ("iron", 0x0056_5654),
    ("ivory", 0x00f4_eddc),
    ("ivy", 0x003f_5b3b),
    ("jade", 0x0049_9279),
    ("jet", 0x0020_1f1f),
    ("juniper", 0x0042_5a58),
    ("katmollet", 0x00a8_9684),
    ("khaki", 0x0092_875c),
    ("larch", 0x00b5_9a4c),
    ("lavender", 0x00a9_9ac8),
    ("leaf", 0x0066_8f45),
    ("lemon", 0x00ee_d95a),
    ("lichen", 0x00a8_a878),
    ("lilac", 0x00b9_9dc6),
    ("lime", 0x00a6_c14a),
    ("linden", 0x00a9_b26a),
    ("linen", 0x00e0_d6c1),
    ("loden", 0x004c_5840),
    ("logwood", 0x0053_3d66),
    ("madder", 0x00b0_4530),
    ("magenta", 0x00a8_2a70),
    ("mahogany", 0x005e_2c22),
    ("maize", 0x00e6_c765),
    ("marigold", 0x00e3_9a2c),
    ("maroon", 0x0064_2230),
    ("mauve", 0x0099_7796),
    ("merle", 0x0078_7a82),
    ("midnight", 0x001f_2740),
    ("mint", 0x00a6_d2b5),
    ("mioget", 0x00d0_b078),
    ("mist", 0x00ca_cdcc),
    ("mocha", 0x0080_6450),
    ("mole", 0x0067_5e58),
    ("moor", 0x0066_5548),
    ("moorit", 0x0071_4a33),
    ("moss", 0x0070_7a3c),
    ("mulberry", 0x0076_2f56),
    ("mushroom", 0x00ab_9a88),
    ("mustard", 0x00c4_9a2d),
    ("natural", 0x00ec_e2cc),
    ("navy", 0x0026_3252),
    ("nettle", 0x0058_7a4c),
    ("nut", 0x0086_6243),
    ("oak", 0x0099_7a4e),
    ("oat", 0x00dc_cba9),
    ("oatmeal", 0x00d9_c9a8),
    ("ochre", 0x00c1_8a36),
    ("olive", 0x0074_733a),
    ("onion", 0x00c6_7f36),
    ("onionskin", 0x00c8_8237),
    ("orange", 0x00dc_7a2c),
    ("orchid", 0x00b5_76ae),
    ("peach", 0x00ef_bc9b),
    ("pear", 0x00bf_c168),
    ("pearl", 0x00e6_e1d8),
    ("peat", 0x0047_392d),
    ("pebble", 0x00b0_a596),
    ("petrol", 0x0021_5566),
    ("pewter", 0x008a_8c8e),
    ("pine", 0x0034_5845),
    ("pink", 0x00db_8fa4),
    ("plum", 0x0062_3453),
    ("poppy", 0x00c8_3a2a),
    ("primrose", 0x00ee_e09a),
    ("pumpkin", 0x00d0_752c),
    ("purple", 0x0063_3f83),
    ("raspberry", 0x00a8_2f5a),
    ("raven", 0x0027_2730),
    ("red", 0x00ad_2f2b),
    ("rhubarb", 0x00b6_5a62),
    ("rose", 0x00cf_7f8c),
    ("rose grey", 0x00ab_9894),
    ("rosehip", 0x00b0_3a2e),
    ("rowan", 0x00c4_4f2a),
    ("ruby", 0x008f_1d3c),
    ("russet", 0x0091_5130),
    ("rust", 0x00a4_5227),
    ("sable", 0x003b_3029),
    ("saffron", 0x00dd_a334),
    ("sage", 0x0097_a382),
    ("salmon", 0x00e0_917b),
    ("sand", 0x00d5_bf97),
    ("scarlet", 0x00be_2e26),
    ("sea", 0x0048_858c),
    ("seal", 0x0056_5350),
    ("sepia", 0x0060_4a38),
    ("shaela", 0x006c_6d70),
    ("shell", 0x00ec_d9c8),
    ("silver", 0x00c3_c2bf),
    ("sky", 0x0087_b3d6),
    ("slate", 0x0057_626c),
    ("sloe", 0x0037_3752),
    ("smoke", 0x0088_898b),
    ("snow", 0x00f6_f5f1),
    ("soot", 0x0036_3432),
    ("spruce", 0x0037_5a54),
    ("steel", 0x0074_7f88),
    ("stone", 0x00b7_ad9c),
    ("storm", 0x0054_5c66),
    ("straw", 0x00df_c987),
    ("sunflower", 0x00e6_b22e),
    ("tan", 0x00bd_9666),
    ("tangerine", 0x00e2_8536),
    ("tansy", 0x00d8_b436),
    ("taupe", 0x008c_7d6f),
    ("tawny", 0x00a8_743f),
    ("teal", 0x0025_6d70),
    ("terracotta", 0x00b8_6242),
    ("thistle", 0x0094_78a6),
    ("thunder", 0x004c_4d54),
    ("thyme", 0x0079_8468),
    ("toffee", 0x00a0_6c3a),
    ("tomato", 0x00c8_4632),
    ("turmeric", 0x00da_9a22),
    ("turquoise", 0x0043_a6a6),
    ("umber", 0x0064_4c35),
    ("vanilla", 0x00f1_e5c2),
    ("violet", 0x0070_509e),
    ("walnut", 0x0066_4a35),
    ("weld", 0x00d8_bd3c),
    ("wheat", 0x00df_c48c),
    ("whin", 0x00e3_ba3a),
    ("white", 0x00f5_f0e4),
    ("willow", 0x00a6_ab78),
    ("wine", 0x0067_2438),
    ("woad", 0x004a_6f94),
    ("yellow", 0x00e2_c23c),
];

/// The colors that a text names, one by one: `fawn | moss`, `grey and white`.
pub fn parts(text: &str) -> Vec<&str> {
    let split = text.split(['|', ',', '/', ';', '+', '&']);
    let split = split.flat_map(|part| part.split(" and ")).flat_map(|part| part.split(" with "));
    split.map(str::trim).filter(|part| !part.is_empty()).collect()
}

/// The one form in which colors are stored: `fawn|moss`, however they were separated. Words such as “grey with
/// white” stay as they are.
///
/// # Errors
/// If the text is not a short one.
pub fn stored(text: &str) -> Result<String, TextError> {
    let text = text::short(text)?;
    Ok(separate(&text).collect::<Vec<_>>().join("|"))
}

/// As people read and type them: `fawn, moss`.
pub fn shown(text: &str) -> String {
    separate(text).collect::<Vec<_>>().join(", ")
}

fn separate(text: &str) -> impl Iterator<Item = &str> {
    text.split(['|', ',']).map(str::trim).filter(|part| !part.is_empty())
}

/// The screen color for a color name, from the words we know; none if we know none of them.
pub fn of_name(name: &str) -> Option<Rgb> {
    let folded = text::fold(name);
    let words: Vec<&str> = folded.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    let mut color: Option<Rgb> = None;
    let mut at = 0;
    while at < words.len() {
        let (found, taken) = found(&words[at..]);
        if let Some(found) = found {
            color = Some(color.map_or(found, |before| found.mixed(before, OF_THE_WORD_BEFORE)));
        }
        at += taken;
    }
    let shades = SHADES.iter().filter(|(word, _, _)| words.contains(word));
    color.map(|color| shades.fold(color, |color, (_, with, tenths)| color.mixed(*with, *tenths)))
}

/// The color at the beginning, and how many words it takes: a pair is tried before a single word.
fn found(words: &[&str]) -> (Option<Rgb>, usize) {
    let pair = words.get(..2).and_then(|pair| of_words(&pair.join(" ")));
    match pair {
        Some(color) => (Some(color), 2),
        None => (words.first().and_then(|word| of_word(word)), 1),
    }
}

fn of_words(words: &str) -> Option<Rgb> {
    WORDS.binary_search_by_key(&words, |&(word, _)| word).ok().map(|at| Rgb::hex(WORDS[at].1))
}

/// A word, or the word it is derived from: `reddish`, `greenish`.
fn of_word(word: &str) -> Option<Rgb> {
    of_words(word).or_else(|| {
        let stem = word.strip_suffix("ish")?;
        let undoubled = stem.get(..stem.len().checked_sub(1)?);
        of_words(stem).or_else(|| undoubled.and_then(of_words))
    })
}

/// The screen colors for a text, in its order, without the words we do not know.
pub fn of_text(text: &str) -> Vec<Rgb> {
    parts(text).into_iter().filter_map(of_name).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_words_are_sorted_and_folded_so_that_they_are_found() {
        for pair in WORDS.windows(2) {
            assert!(pair[0].0 < pair[1].0, "{} stands before {}", pair[0].0, pair[1].0);
        }
        for (word, value) in WORDS {
            assert_eq!(text::fold(word), *word);
            assert_eq!(of_name(word), Some(Rgb::hex(*value)), "{word}");
        }
    }

    #[test]
    fn a_text_names_one_color_or_several() {
        let check = |text: &str, expected: &[&str]| assert_eq!(parts(text), expected, "{text}");
        check("fawn", &["fawn"]);
        check("fawn|moss", &["fawn", "moss"]);
        check("dark fawn / sea blue, white", &["dark fawn", "sea blue", "white"]);
        check("grey and white with rust", &["grey", "white", "rust"]);
        check("sandy", &["sandy"]);
        check(" | ", &[]);
    }

    #[test]
    fn colors_are_stored_in_one_form_and_shown_in_another() {
        let check = |typed: &str, expected: &str, again: &str| {
            let kept = stored(typed).unwrap();
            assert_eq!((kept.as_str(), shown(&kept).as_str()), (expected, again), "{typed}");
            assert_eq!(stored(&shown(&kept)), Ok(kept), "{typed} comes back as it was");
        };
        check("fawn", "fawn", "fawn");
        check("fawn, moss", "fawn|moss", "fawn, moss");
        check("fawn|moss", "fawn|moss", "fawn, moss");
        check(" fawn ,, moss | ", "fawn|moss", "fawn, moss");
        check("grey with white", "grey with white", "grey with white");
        check("rust / blue and grey", "rust / blue and grey", "rust / blue and grey");
        check("", "", "");
        assert_eq!(stored("a\nb"), Err(TextError::NotPrintable { code: 10 }));
    }

    #[test]
    fn names_are_read_word_by_word() {
        let check = |name: &str, expected: Option<&str>| {
            assert_eq!(of_name(name).map(|c| c.to_string()).as_deref(), expected, "{name}");
        };
        check("Fawn", Some("#c8a678"));
        check("fawn no. 7", Some("#c8a678"));
        check("rose grey", Some("#ab9894"));
        // Seven tenths of grey 92 90 8c, three of blue 2f 5f 9e.
        check("blue grey", Some("#748191"));
        check("light fawn", Some("#dec9ae"));
        check("dark fawn", Some("#786348"));
        check("reddish brown", Some("#7e412f"));
        check("greyish", Some("#92908c"));
        check("gr\u{e8}y", Some("#92908c"));
        check("Tuesday", None);
        check("light", None);
        check("", None);
        check("ish", None);
        check("\u{e9}ish", None);
    }

    #[test]
    fn unknown_colors_are_left_out_of_a_text() {
        let check = |text: &str, expected: &[&str]| {
            let found: Vec<String> = of_text(text).iter().map(ToString::to_string).collect();
            assert_eq!(found, expected, "{text}");
        };
        check("white|undreamt|indigo", &["#f5f0e4", "#283b66"]);
        check("undreamt", &[]);
    }
}
