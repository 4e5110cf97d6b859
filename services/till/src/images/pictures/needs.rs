//! The memory that decoding and resizing a photograph takes, estimated from its header. The decoders' own
//! limits count only what they return: a progressive JPEG of 60 million pixels took three times as much in
//! between.

use super::Size;
use image::ImageFormat;

/// Copies of the file itself in memory: ours, and the decoder's buffer with room to grow.
const COPIES: u64 = 3;
/// WebP, bytes per pixel: the planes of a lossy image, its alpha plane, which is decoded as a whole image, and
/// the result. Read in the library's code, 0.2.4: no more than this.
const WEBP_BYTES: u64 = 10;
/// Bytes in a block of coefficients: 8 × 8, of two bytes each (ITU-T T.81, 3.1.25).
const BLOCK_BYTES: u64 = 128;

/// Bytes per pixel between the two passes of a resize: four numbers of 32 bits (the library's own code,
/// 0.25.10).
const RESIZED_BYTES: u64 = 16;

/// The most memory that it takes, as far as its header tells. `decoded` is the size of the decoded image.
pub(super) fn memory(format: ImageFormat, bytes: &[u8], (width, height): (u32, u32), decoded: u64) -> u64 {
    let points = u64::from(width) * u64::from(height);
    let file = COPIES * u64::try_from(bytes.len()).unwrap_or(u64::MAX / COPIES);
    let on_the_way = match format {
        ImageFormat::Jpeg => jpeg_coefficients(bytes).unwrap_or(0),
        ImageFormat::WebP => (points * WEBP_BYTES).saturating_sub(decoded),
        _ => 0,
    };
    let decoding = decoded.saturating_add(on_the_way);
    file.saturating_add(decoding.max(resizing(u64::from(width), u64::from(height), decoded)))
}

/// What the steps of `fitted` take: the image and a rough one; then the rough one, or the image if it is not
/// much larger, with the pixels between the two passes of the last step, and the result.
fn resizing(width: u64, height: u64, decoded: u64) -> u64 {
    let (side, longest) = (width.max(height), u64::from(Size::Large.longest()));
    if side <= longest {
        return decoded;
    }
    let point = decoded.div_ceil((width * height).max(1));
    let scaled = |one: u64, to: u64| (one * to).div_ceil(side).max(1);
    let of = |to: u64| (scaled(width, to), scaled(height, to));
    let (rough, (large_width, large_height)) = (of(2 * longest), of(longest));
    let is_much_larger = side > 2 * longest;
    let from = if is_much_larger { rough } else { (width, height) };
    let between = from.0 * large_height * RESIZED_BYTES;
    let last = from.0 * from.1 * point + between + large_width * large_height * point;
    let first = if is_much_larger { decoded + rough.0 * rough.1 * point } else { 0 };
    first.max(last)
}

/// What the coefficients take in a JPEG that is not decoded row by row: a progressive one, or one whose
/// components follow each other (ITU-T T.81, B.2.2 and B.2.3). 0 for other JPEGs; none if the file ends before
/// its first scan.
fn jpeg_coefficients(bytes: &[u8]) -> Option<u64> {
    let mut at = 2;
    let mut blocks = 0;
    let (mut components, mut is_progressive) = (0, false);
    loop {
        let marker = *bytes.get(at + 1)?;
        if *bytes.get(at)? != 0xff {
            return None;
        }
        // Fill bytes and markers without a segment (B.1.1.2, B.1.1.3).
        if matches!(marker, 0xff | 0x01 | 0xd0..=0xd8) {
            at += if marker == 0xff { 1 } else { 2 };
            continue;
        }
        let length = usize::from(u16::from_be_bytes([*bytes.get(at + 2)?, *bytes.get(at + 3)?]));
        let segment = bytes.get(at + 4..at + 2 + length)?;
        match marker {
            0xc4 | 0xc8 | 0xcc => {}
            0xc0..=0xcf => {
                is_progressive = matches!(marker, 0xc2 | 0xc6 | 0xca | 0xce);
                (components, blocks) = frame(segment)?;
            }
            0xda => {
                let is_together = segment.first().copied() == Some(components);
                return Some(if is_progressive || !is_together { blocks * BLOCK_BYTES } else { 0 });
            }
            _ => {}
        }
        at += 2 + length;
    }
}

/// The number of components of a frame, and of its blocks in all (B.2.2, A.1.1, A.2.4).
fn frame(segment: &[u8]) -> Option<(u8, u64)> {
    let side = |at: usize| Some(u64::from(u16::from_be_bytes([*segment.get(at)?, *segment.get(at + 1)?])));
    let (height, width, components) = (side(1)?, side(3)?, *segment.get(5)?);
    let sampling: Vec<(u64, u64)> = (0..usize::from(components))
        .map(|n| segment.get(7 + 3 * n).map(|hv| (u64::from(hv >> 4), u64::from(hv & 15))))
        .collect::<Option<_>>()?;
    let most = |of: fn(&(u64, u64)) -> u64| sampling.iter().map(of).max().unwrap_or(1).max(1);
    let units = width.div_ceil(8 * most(|s| s.0)) * height.div_ceil(8 * most(|s| s.1));
    Some((components, sampling.iter().map(|(h, v)| units * h * v).sum()))
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::super::PictureError;
    use super::super::develop::tests::{jpeg, photograph};
    use super::super::develop::{MAX_DECODED, develop};
    use super::*;
    use image::codecs::png::{CompressionType, FilterType, PngEncoder};
    use image::{ExtendedColorType, ImageEncoder, ImageReader, Rgb, RgbImage};
    use std::io::Cursor;
    use std::process::Command;

    /// Names the image that the test's child process decodes; without it, that test does nothing.
    const IMAGE: &str = "FLEECEFOLD_TEST_IMAGE";

    /// The same bits over and over, as a scan of entropy-coded data (T.81, F.1.2); padded with ones.
    fn scan(pattern: &str, times: usize) -> Vec<u8> {
        let (mut bytes, mut byte, mut filled) = (Vec::with_capacity(pattern.len() * times / 8 + 1), 0_u8, 0);
        for bit in pattern.bytes().cycle().take(pattern.len() * times) {
            byte = byte << 1 | u8::from(bit == b'1');
            filled += 1;
            if filled == 8 {
                bytes.push(byte);
                (byte, filled) = (0, 0);
            }
        }
        if filled > 0 {
            bytes.push(byte << (8 - filled) | (0xff >> filled));
        }
        bytes
    }

    /// A gray JPEG of a size, sampled 4:4:4, made without drawing it: the header that our encoder writes, with
    /// another size, and one scan. With the tables of T.81, K.3: a DC difference of 0 is 00, the end of a block
    /// 1010 in luminance and 00 in chrominance.
    fn grey(width: u16, height: u16, is_progressive: bool) -> Vec<u8> {
        let small = jpeg(&RgbImage::from_pixel(8, 8, Rgb([128, 128, 128])), &[]);
        let find = |marker: u8| small.windows(2).position(|w| w == [0xff, marker]).expect("a marker");
        let (frame, start) = (find(0xc0), find(0xda));
        let length = usize::from(u16::from_be_bytes([small[start + 2], small[start + 3]]));
        let mut bytes = small[..start + 2 + length].to_vec();
        bytes[frame + 5..frame + 7].copy_from_slice(&height.to_be_bytes());
        bytes[frame + 7..frame + 9].copy_from_slice(&width.to_be_bytes());
        let units = usize::from(width.div_ceil(8)) * usize::from(height.div_ceil(8));
        if is_progressive {
            bytes[frame + 1] = 0xc2;
            let last = bytes.len();
            // From the first to the first coefficient, whole.
            bytes[last - 3..].copy_from_slice(&[0, 0, 0]);
            bytes.extend(scan("000000", units));
        } else {
            bytes.extend(scan("00101000000000", units));
        }
        bytes.extend([0xff, 0xd9]);
        bytes
    }

    fn png(width: u32, height: u32) -> Vec<u8> {
        let mut bytes = Vec::new();
        let points = vec![0; usize::try_from(width * height * 3).expect("a size")];
        PngEncoder::new_with_quality(&mut bytes, CompressionType::Fast, FilterType::Sub)
            .write_image(&points, width, height, ExtendedColorType::Rgb8)
            .expect("a PNG");
        bytes
    }

    /// An image, and a small one of its kind.
    fn image(name: &str) -> [Vec<u8>; 2] {
        match name {
            "plain" => [grey(10_000, 6_000, false), grey(4_000, 64, false)],
            "progressive, too large" => [grey(10_000, 6_000, true), grey(4_000, 64, true)],
            "progressive" => [grey(5_200, 5_200, true), grey(4_000, 64, true)],
            "png" => [png(9_000, 6_600), png(4_000, 64)],
            "twice as large" => [png(3_200, 3_200), png(3_000, 64)],
            other => panic!("{other}"),
        }
    }

    /// The peak memory of this process, in bytes (proc(5): `VmHWM`, in kB).
    fn peak() -> u64 {
        let status = std::fs::read_to_string("/proc/self/status").expect("the process's own status");
        let line = status.lines().find(|line| line.starts_with("VmHWM:")).expect("VmHWM");
        1024 * line.split_whitespace().nth(1).expect("a number").parse::<u64>().expect("a number")
    }

    /// The child process: decodes the image and prints by how much its peak memory grew.
    #[test]
    fn child_decodes_one_image() {
        let Ok(name) = std::env::var(IMAGE) else { return };
        let [bytes, small] = image(&name);
        // Exclude what making the image took, and the pages of the program's code that decoding it touches
        // (proc(5): 5 resets the peak).
        develop(&small).expect("developed");
        std::fs::write("/proc/self/clear_refs", "5").expect("the peak is reset");
        let before = peak();
        let done = match develop(&bytes) {
            Ok(done) => format!("{}x{}", done.picture.width, done.picture.height),
            Err(PictureError::TooMuchMemory) => "too much memory".to_owned(),
            Err(other) => panic!("{name}: {other}"),
        };
        println!("\nDECODED {done} {}", peak() - before);
    }

    // OWASP ASVS 5.0.0, 5.2.6: refused without being decoded; what is decoded stays within the estimate.
    #[test]
    fn no_photograph_takes_more_memory_than_it_may() {
        let check = |name: &str, expected: &str| {
            let [bytes, _] = image(name);
            let head = ImageReader::new(Cursor::new(&bytes)).with_guessed_format().expect("a format");
            let format = head.format().expect("a format");
            let (width, height) = head.into_dimensions().expect("a size");
            let decoded = 3 * u64::from(width) * u64::from(height);
            let reckoned = memory(format, &bytes, (width, height), decoded);
            let is_refused = reckoned > MAX_DECODED;
            assert_eq!(is_refused, expected == "too much memory", "{name}: {reckoned}");
            // What is refused is not decoded: only copies of the file are in memory.
            let most =
                if is_refused { COPIES * u64::try_from(bytes.len()).expect("a length") } else { reckoned };

            let child = "images::pictures::needs::tests::child_decodes_one_image";
            let mut command = Command::new(std::env::current_exe().expect("this test"));
            let out = command.args([child, "--exact", "--nocapture"]).env(IMAGE, name).output().expect("ran");
            let text = String::from_utf8_lossy(&out.stdout).into_owned();
            let told = text
                .lines()
                .find_map(|line| line.strip_prefix("DECODED "))
                .unwrap_or_else(|| panic!("{name}: {text}\n{}", String::from_utf8_lossy(&out.stderr)));
            let (done, took) = told.rsplit_once(' ').expect("two words");
            let took: u64 = took.parse().expect("a number");
            eprintln!("{name}: {done}, {took} bytes of {most} that were reckoned");
            assert_eq!(done, expected, "{name}");
            assert!(took <= most, "{name} took {took} bytes, {most} were reckoned");
        };
        check("plain", "1600x960");
        check("progressive, too large", "too much memory");
        check("progressive", "1600x1600");
        check("png", "1600x1173");
        check("twice as large", "1600x1600");
    }

    #[test]
    fn what_it_takes_stands_in_its_head() {
        let check = |bytes: &[u8], expected: Option<u64>| assert_eq!(jpeg_coefficients(bytes), expected);
        check(&grey(640, 480, false), Some(0));
        check(&grey(640, 480, true), Some(80 * 60 * 3 * BLOCK_BYTES));
        check(&grey(641, 480, true), Some(81 * 60 * 3 * BLOCK_BYTES));
        check(&jpeg(&photograph(320, 240), &[]), Some(0));
        // One component alone in its first scan, of three in the frame.
        let mut apart = grey(640, 480, false);
        let start = apart.windows(2).position(|w| w == [0xff, 0xda]).expect("a scan");
        apart[start + 4] = 1;
        check(&apart, Some(80 * 60 * 3 * BLOCK_BYTES));
        check(&grey(640, 480, true)[..40], None);
        check(b"", None);
        let webp = memory(ImageFormat::WebP, b"", (6_000, 5_000), 90_000_000);
        assert!(webp > MAX_DECODED, "{webp}");
        assert_eq!(memory(ImageFormat::Png, b"12", (5, 2), 30), 36);
        // A rough one of 3200 × 1600 beside the image; then that one, 3200 × 800 between the passes, 1600 × 800.
        assert_eq!(resizing(6_400, 3_200, 61_440_000), 61_440_000 + 15_360_000);
        assert_eq!(resizing(3_202, 1_601, 15_379_206), 15_360_000 + 40_960_000 + 3_840_000);
    }
}
