//! CIEDE2000, the CIE's color difference (CIE 142-2001, ISO/CIE 11664-6), by the palette crate.
//!
//! This is the only module in `domain` that uses floats: the formula has roots and angles. Only whole
//! numbers leave it, and no money or stock comes near it.

use crate::color::Rgb;
use palette::color_difference::Ciede2000;
use palette::white_point::D65;
use palette::{FromColor, Srgb};

/// CIE L*a*b* under D65, 2°.
type Lab = palette::Lab<D65, f64>;

/// The difference of two colors, in hundredths.
pub(super) fn of(one: Rgb, other: Rgb) -> u32 {
    hundredths(lab(one).difference(lab(other)))
}

/// The largest difference in sRGB is near 120, so the result fits.
#[expect(
    clippy::float_arithmetic,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "0 to some thousands, rounded"
)]
fn hundredths(difference: f64) -> u32 {
    (difference * 100.0).round() as u32
}

fn lab(color: Rgb) -> Lab {
    Lab::from_color(Srgb::from(color.channels()).into_format::<f64>())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table 1 of Sharma, Wu & Dalal (2005): two colors and their difference. Taken from the copy
    /// of the authors' supplementary data that scikit-image tests with
    /// (`skimage/color/tests/ciede2000_test_data.txt`).
    #[rustfmt::skip]
    const PAIRS: [[f64; 7]; 34] = [
        [50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425],
        [50.0000, 3.1571, -77.2803, 50.0000, 0.0000, -82.7485, 2.8615],
        [50.0000, 2.8361, -74.0200, 50.0000, 0.0000, -82.7485, 3.4412],
        [50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -1.1848, -84.8006, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -0.9009, -85.5211, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669],
        [50.0000, -1.0000, 2.0000, 50.0000, 0.0000, 0.0000, 2.3669],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0010, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0011, 7.2195],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0012, 7.2195],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0010, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0011, -2.4900, 4.7461],
        [50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065],
        [50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492],
        [50.0000, 2.5000, 0.0000, 61.0000, -5.0000, 29.0000, 22.8977],
        [50.0000, 2.5000, 0.0000, 56.0000, -27.0000, -3.0000, 31.9030],
        [50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.1736, 0.5854, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2972, 0.0000, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 1.8634, 0.5757, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000],
        [60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644],
        [63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630],
        [61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731],
        [35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645],
        [22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373],
        [36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146],
        [90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441],
        [90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381],
        [6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377],
        [2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082],
    ];

    #[test]
    fn the_34_published_pairs() {
        for [l1, a1, b1, l2, a2, b2, expected] in PAIRS {
            let (one, two) = (Lab::new(l1, a1, b1), Lab::new(l2, a2, b2));
            for found in [one.difference(two), two.difference(one)] {
                assert!((found - expected).abs() < 0.000_05, "{one:?} {two:?}: {found}, not {expected}");
            }
        }
    }

    fn rgb([red, green, blue]: [u8; 3]) -> Rgb {
        Rgb::new(red, green, blue)
    }

    // Corners of the cube, from memory, as they are often quoted: the quoted ones round the white differently.
    #[test]
    fn srgb_becomes_lab() {
        let check = |value: [u8; 3], expected: [f64; 3]| {
            let found = lab(rgb(value));
            for (found, expected) in [found.l, found.a, found.b].into_iter().zip(expected) {
                assert!((found - expected).abs() < 0.03, "{value:?}: {found}, not {expected}");
            }
        };
        check([0, 0, 0], [0.0, 0.0, 0.0]);
        check([255, 255, 255], [100.0, 0.0, 0.0]);
        check([255, 0, 0], [53.24, 80.09, 67.20]);
        check([0, 255, 0], [87.73, -86.18, 83.18]);
        check([0, 0, 255], [32.30, 79.19, -107.86]);
        check([119, 119, 119], [50.03, 0.0, 0.0]);
    }

    #[test]
    fn black_and_white_are_a_hundred_apart() {
        assert_eq!(of(rgb([0; 3]), rgb([255; 3])), 10_000);
        assert_eq!(of(rgb([18, 52, 86]), rgb([18, 52, 86])), 0);
    }
}
