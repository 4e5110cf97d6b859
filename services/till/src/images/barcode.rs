//! The bars on a tag (EAN-13) and on a receipt (Code 128) as SVG, so that they are sharp on any printer.

use barcoders::sym::code128::Code128;
use barcoders::sym::ean13::EAN13;
use domain::receipt::ReceiptCode;
use std::fmt::Write;

/// Modules of a symbol, without the light margins (GS1 General Specifications, 5.2.1.1).
const MODULES: usize = 95;
/// Light modules to the left, where the first digit is, and to the right (the same, 5.2.3.4).
const LEFT_MARGIN: usize = 11;
const RIGHT_MARGIN: usize = 7;
/// The height of a bar, in modules: 22.85 mm at 0.33 mm each (the same, 5.2.6.6). Guard bars are five modules
/// longer.
const BAR: usize = 69;
const GUARD: usize = BAR + 5;
/// The height with the digits below.
const HEIGHT: usize = 80;
/// Hundredths of a millimeter per module: the nominal size.
const HUNDREDTHS_A_MODULE: usize = 33;
/// The guard bars: left, middle, right.
const GUARDS: [std::ops::Range<usize>; 3] = [0..3, 45..50, 92..95];

/// Light modules on each side of a Code 128 symbol (ISO/IEC 15417, 4.2.1: ten times the narrowest element).
const QUIET: usize = 10;
/// The height of a receipt's bars, in modules: 15 mm.
const RECEIPT_BAR: usize = 45;
/// The height with the code in letters below.
const RECEIPT_HEIGHT: usize = RECEIPT_BAR + 10;
/// How `barcoders` is told to encode letters, and pairs of digits.
const LETTERS: char = '\u{181}';
const PAIRS: char = '\u{106}';

/// Draws the code of a receipt; none for what cannot be encoded.
pub(crate) fn receipt(code: ReceiptCode) -> Option<String> {
    let text = code.to_string();
    let (letters, digits) = text.split_at(text.find(|c: char| c.is_ascii_digit())?);
    let modules = Code128::new(format!("{LETTERS}{letters}{PAIRS}{digits}")).ok()?.encode();
    let width = QUIET + modules.len() + QUIET;
    let bars = path(&modules, QUIET, |_| RECEIPT_BAR);
    Some(format!(
        "<svg class=\"bars\" role=\"img\" aria-label=\"Barcode {text}\" width=\"{}\" height=\"{}\" \
         viewBox=\"0 0 {width} {RECEIPT_HEIGHT}\" shape-rendering=\"crispEdges\"><rect width=\"{width}\" \
         height=\"{RECEIPT_HEIGHT}\" fill=\"#fff\"/><path fill=\"#000\" d=\"{bars}\"/><text x=\"{}\" \
         y=\"{}\" text-anchor=\"middle\" font-family=\"monospace\" font-size=\"9\" fill=\"#000\">{text}</text></svg>",
        millimeters(width),
        millimeters(RECEIPT_HEIGHT),
        width / 2,
        RECEIPT_HEIGHT - 1
    ))
}

/// The width of so many modules.
fn millimeters(modules: usize) -> String {
    let hundredths = modules * HUNDREDTHS_A_MODULE;
    format!("{}.{:02}mm", hundredths / 100, hundredths % 100)
}

/// Draws a 13-digit number with a right check digit; none for anything else.
pub(crate) fn ean13(number: &str) -> Option<String> {
    if number.len() != 13 {
        return None;
    }
    let modules = EAN13::new(number).ok()?.encode();
    let width = LEFT_MARGIN + MODULES + RIGHT_MARGIN;
    let is_guard = |at: usize| GUARDS.iter().any(|guard| guard.contains(&at));
    let bars = path(&modules, LEFT_MARGIN, |at| if is_guard(at) { GUARD } else { BAR });
    let mut svg = format!(
        "<svg class=\"bars\" role=\"img\" aria-label=\"Barcode {number}\" width=\"{}\" height=\"{}\" \
         viewBox=\"0 0 {width} {HEIGHT}\" shape-rendering=\"crispEdges\"><rect width=\"{width}\" height=\"{HEIGHT}\" \
         fill=\"#fff\"/><path fill=\"#000\" d=\"{bars}\"/>",
        millimeters(width),
        millimeters(HEIGHT)
    );
    // Six digits below each half, the first in the left margin.
    for (digits, x, length) in [(0..1, 0, 7), (1..7, LEFT_MARGIN + 4, 40), (7..13, LEFT_MARGIN + 51, 40)] {
        // Writing to a String cannot fail.
        let _ = write!(
            svg,
            "<text x=\"{x}\" y=\"{}\" textLength=\"{length}\" font-family=\"monospace\" font-size=\"9\" \
             fill=\"#000\">{}</text>",
            HEIGHT - 1,
            &number[digits]
        );
    }
    svg.push_str("</svg>");
    Some(svg)
}

/// One rectangle for each run of dark modules, as high as `height` says for its place.
fn path(modules: &[u8], margin: usize, height: impl Fn(usize) -> usize) -> String {
    let mut path = String::new();
    let mut at = 0;
    while at < modules.len() {
        let run = modules[at..].iter().take_while(|m| **m == modules[at]).count();
        if modules[at] == 1 {
            // Writing to a String cannot fail.
            let _ = write!(path, "M{} 0h{run}v{}h-{run}z", at + margin, height(at));
        }
        at += run;
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::codes::gs1_check_digit;

    /// GS1 General Specifications, figure 5.2.1.2-1, number set A: the widths of a digit's four elements, a
    /// light one first. Set C has the same widths with a dark one first, and set B has those of C in reverse.
    /// The tables are from memory.
    const SET_A: [[usize; 4]; 10] = [
        [3, 2, 1, 1],
        [2, 2, 2, 1],
        [2, 1, 2, 2],
        [1, 4, 1, 1],
        [1, 1, 3, 2],
        [1, 2, 3, 1],
        [1, 1, 1, 4],
        [1, 3, 1, 2],
        [1, 2, 1, 3],
        [3, 1, 1, 2],
    ];
    /// The same, figure 5.2.1.3.1-1: the number sets of the left half, which encode the first digit.
    const LEFT_HALF: [&str; 10] =
        ["AAAAAA", "AABABB", "AABBAB", "AABBBA", "ABAABB", "ABBAAB", "ABBBAA", "ABABAB", "ABABBA", "ABBABA"];

    /// The widths of dark and light elements in turn, as drawn, from the first guard on.
    fn elements(svg: &str, margin: usize) -> Vec<usize> {
        let path = svg.split(" d=\"").nth(1).and_then(|rest| rest.split('"').next()).expect("a path");
        let (mut widths, mut end) = (Vec::new(), margin);
        for bar in path.split('M').skip(1) {
            let (start, rest) = bar.split_once(" 0h").expect("a bar");
            let (start, width): (usize, usize) = (
                start.parse().expect("a place"),
                rest.split('v').next().expect("a width").parse().expect("a width"),
            );
            if start > end {
                widths.push(start - end);
            }
            widths.push(width);
            end = start + width;
        }
        widths
    }

    /// Reads a symbol back with nothing but the published tables.
    fn read(svg: &str) -> String {
        let widths = elements(svg, LEFT_MARGIN);
        assert_eq!(widths.iter().sum::<usize>(), MODULES);
        assert_eq!(widths.len(), 3 + 24 + 5 + 24 + 3);
        assert_eq!((&widths[..3], &widths[27..32], &widths[56..]), (&[1; 3][..], &[1; 5][..], &[1; 3][..]));
        let digit = |widths: &[usize]| {
            let found = SET_A.iter().position(|set| set == widths).map(|digit| (digit, 'A'));
            let turned: Vec<usize> = widths.iter().rev().copied().collect();
            found.or_else(|| SET_A.iter().position(|set| *set == turned[..]).map(|digit| (digit, 'B')))
        };
        let left: Vec<(usize, char)> = widths[3..27].chunks(4).map(|w| digit(w).expect("a digit")).collect();
        let sets: String = left.iter().map(|(_, set)| *set).collect();
        let first = LEFT_HALF.iter().position(|half| *half == sets).expect("a first digit");
        let right = widths[32..56].chunks(4).map(|w| SET_A.iter().position(|set| set == w).expect("a digit"));
        [first]
            .into_iter()
            .chain(left.iter().map(|(digit, _)| *digit))
            .chain(right)
            .map(|d| d.to_string())
            .collect()
    }

    #[test]
    fn the_bars_say_the_number() {
        let check = |number: &str| assert_eq!(read(&ean13(number).expect(number)), number);
        // The example from GS1's check digit calculator, and the first numbers of a shop.
        check("6291041500213");
        check("2000000000015");
        check("2000000000022");
        for first in 0..10 {
            for start in ["12345678901", "98765432109", "00000000000", "55667788990"] {
                let body = format!("{first}{start}");
                check(&format!("{body}{}", gs1_check_digit(&body).expect("a check digit")));
            }
        }
    }

    /// Start, characters of six elements and eleven modules, the stop of seven elements (ISO/IEC 15417, 4.2). That the
    /// bars say the code is tested in the browser, with a reader of somebody else's.
    #[test]
    fn a_receipt_s_bars_are_whole_characters() {
        for number in [1, 1042, 999_999, 12_345_678] {
            let svg = receipt(ReceiptCode::of(number)).expect("bars");
            let widths = elements(&svg, QUIET);
            let text: String = widths.iter().map(ToString::to_string).collect();
            assert_eq!((widths.len() - 7) % 6, 0, "{svg}");
            assert!(text.starts_with("211214") && text.ends_with("2331112"), "{text}");
            for character in widths[..widths.len() - 7].chunks(6) {
                assert_eq!(character.iter().sum::<usize>(), 11, "{text}");
            }
            assert!(svg.contains(&format!("Barcode {}", ReceiptCode::of(number))), "{svg}");
        }
    }

    #[test]
    fn a_number_that_scanners_would_refuse_is_not_drawn() {
        for number in
            ["", "200000000001", "2000000000016", "20000000000155", "200000000001x", "２000000000015"]
        {
            assert_eq!(ean13(number), None, "{number}");
        }
    }

    #[test]
    fn it_is_as_large_as_a_scanner_is_used_to() {
        // GS1 General Specifications, 5.2.6.6: 37.29 mm wide with its margins at the nominal size.
        let svg = ean13("2000000000015").expect("a number");
        assert!(svg.contains("width=\"37.29mm\"") && svg.contains("viewBox=\"0 0 113 80\""), "{svg}");
        assert!(!svg.contains("style="), "{svg}");
    }
}
