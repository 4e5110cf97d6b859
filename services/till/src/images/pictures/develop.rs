//! From a camera's file to three plain JPEGs. Only the pixels' colors are kept: each size is encoded anew. The
//! memory that decoding will need is estimated from the header, and too much is refused before anything is
//! decoded.

use super::needs;
use super::{MAX_BYTES, PictureError, Size};
use crate::security::digest;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::FilterType;
use image::metadata::Orientation;
use image::{
    DynamicImage, ExtendedColorType, ImageDecoder, ImageError, ImageFormat, ImageReader, Limits, Rgb,
    RgbImage, guess_format,
};
use ledger::shelf::{Picture, PictureName};
use std::io::Cursor;

/// The longest side of a photograph, in pixels: room for a panorama of [`MAX_POINTS`]. Our choice, no source.
pub(super) const MAX_SIDE: u32 = 20_000;
/// The most pixels: phones' usual settings go up to 50 million (from memory).
pub(super) const MAX_POINTS: u64 = 60_000_000;
/// The most memory that decoding may take: 60 million pixels of three bytes, the file itself, and a
/// reserve.
pub(super) const MAX_DECODED: u64 = 256 * 1024 * 1024;
/// JPEG quality. In our own comparison on knitwear a higher one made no visible difference, and a large
/// photograph stays below 500 KB.
const QUALITY: u8 = 84;
/// The weights of red, green and blue in lightness, in thousandths (Rec. ITU-R BT.709, item 3.2).
const LIGHTNESS_OF: [u64; 3] = [213, 715, 72];

/// A photograph's three files, ready to be written.
#[derive(Debug)]
pub(super) struct Developed {
    pub(super) picture: Picture,
    /// Each file with its name, smallest first: if the large one exists, all do.
    pub(super) files: Vec<(String, Vec<u8>)>,
}

pub(super) fn develop(bytes: &[u8]) -> Result<Developed, PictureError> {
    let (image, orientation) = decode(bytes)?;
    let mut large = fitted(image, Size::Large.longest());
    large.apply_orientation(orientation);
    sizes(on_white(large))
}

/// The three sizes of pixels that are upright and no larger than the largest.
pub(super) fn sizes(large: RgbImage) -> Result<Developed, PictureError> {
    let (width, height) = large.dimensions();
    let largest = encode(&large)?;
    let name = name_of(&largest)?;
    let is_one = width.max(height) <= Size::Middle.longest();
    let middle = fitted(DynamicImage::ImageRgb8(large), Size::Middle.longest()).into_rgb8();
    let of_middle = if is_one { largest.clone() } else { encode(&middle)? };
    let small = fitted(DynamicImage::ImageRgb8(middle), Size::Small.longest()).into_rgb8();
    let lightness = lightness(&small);
    let picture = Picture {
        width,
        height,
        bytes: u32::try_from(largest.len()).map_err(|_| PictureError::TooManyBytes)?,
        lightness,
        name,
    };
    let files = vec![
        (Size::Small.file(&picture.name), encode(&small)?),
        (Size::Middle.file(&picture.name), of_middle),
        (Size::Large.file(&picture.name), largest),
    ];
    Ok(Developed { picture, files })
}

/// Decodes an image whose header states a size within the limits.
fn decode(bytes: &[u8]) -> Result<(DynamicImage, Orientation), PictureError> {
    if bytes.len() > MAX_BYTES {
        return Err(PictureError::TooManyBytes);
    }
    let format = guess_format(bytes).map_err(|_| PictureError::NotAPicture)?;
    if !matches!(format, ImageFormat::Jpeg | ImageFormat::Png | ImageFormat::WebP) {
        return Err(PictureError::NotAPicture);
    }
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    let mut limits = Limits::default();
    limits.max_alloc = Some(MAX_DECODED);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(unread)?;
    let (width, height) = decoder.dimensions();
    let points = u64::from(width) * u64::from(height);
    if width.max(height) > MAX_SIDE || points > MAX_POINTS {
        return Err(PictureError::TooLarge { width, height });
    }
    if needs::memory(format, bytes, (width, height), decoder.total_bytes()) > MAX_DECODED {
        return Err(PictureError::TooMuchMemory);
    }
    // A photograph without a valid orientation is taken as upright.
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let image = DynamicImage::from_decoder(decoder).map_err(unread)?;
    Ok((image, orientation))
}

fn unread(error: ImageError) -> PictureError {
    match error {
        ImageError::Limits(_) => PictureError::TooMuchMemory,
        other => PictureError::Damaged(other),
    }
}

/// Resizes so that the longest side is at most `longest`. Much larger images are first averaged down to twice
/// that size, which is fast; the last step uses a good filter. The size is computed from the original: rounded
/// once.
pub(super) fn fitted(image: DynamicImage, longest: u32) -> DynamicImage {
    let side = image.width().max(image.height());
    if side <= longest {
        return image;
    }
    let [width, height] = [image.width(), image.height()].map(|one| scaled(one, longest, side));
    if side > longest * 2 {
        let rough = image.thumbnail(longest * 2, longest * 2);
        // The last step needs memory of its own.
        drop(image);
        return rough.resize_exact(width, height, FilterType::CatmullRom);
    }
    image.resize_exact(width, height, FilterType::CatmullRom)
}

/// `one` in proportion as `side` becomes `longest`, rounded half up, at least 1.
fn scaled(one: u32, longest: u32, side: u32) -> u32 {
    let (one, longest, side) = (u64::from(one), u64::from(longest), u64::from(side));
    // Not above `longest`, because no side is longer than the longest.
    u32::try_from((one * longest * 2 + side) / (side * 2)).map_or(1, |scaled| scaled.max(1))
}

fn on_white(image: DynamicImage) -> RgbImage {
    if !image.color().has_alpha() {
        return image.into_rgb8();
    }
    let image = image.into_rgba8();
    let white = u32::from(u8::MAX);
    RgbImage::from_fn(image.width(), image.height(), |x, y| {
        let [red, green, blue, alpha] = image.get_pixel(x, y).0;
        let alpha = u32::from(alpha);
        let over = |color: u8| {
            let mixed = (u32::from(color) * alpha + white * (white - alpha) + white / 2) / white;
            u8::try_from(mixed).unwrap_or(u8::MAX)
        };
        Rgb([over(red), over(green), over(blue)])
    })
}

fn encode(image: &RgbImage) -> Result<Vec<u8>, PictureError> {
    let mut bytes = Vec::new();
    let (width, height) = image.dimensions();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY)
        .encode(image.as_raw(), width, height, ExtendedColorType::Rgb8)
        .map_err(PictureError::Encode)?;
    Ok(bytes)
}

fn name_of(bytes: &[u8]) -> Result<PictureName, PictureError> {
    PictureName::parse(&digest::sha256(bytes)).map_err(PictureError::Name)
}

/// The mean lightness of all pixels, 0 for black and 100 for white.
fn lightness(image: &RgbImage) -> u8 {
    let of =
        |pixel: &Rgb<u8>| pixel.0.iter().zip(LIGHTNESS_OF).map(|(c, part)| u64::from(*c) * part).sum::<u64>();
    let sum: u64 = image.pixels().map(of).sum();
    let whole = 1000 * u64::from(u8::MAX) * u64::from(image.width()) * u64::from(image.height());
    u8::try_from((sum * 100 + whole / 2) / whole).unwrap_or(100)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use image::{Rgba, RgbaImage};

    /// A photograph with a red left half and a blue right half.
    pub(crate) fn photograph(width: u32, height: u32) -> RgbImage {
        RgbImage::from_fn(
            width,
            height,
            |x, _| if x < width / 2 { Rgb([200, 30, 30]) } else { Rgb([30, 30, 200]) },
        )
    }

    pub(crate) fn dark() -> Vec<u8> {
        jpeg(&RgbImage::from_pixel(320, 240, Rgb([20, 20, 20])), &[])
    }

    /// A camera's JPEG, with `exif` in an APP1 segment (CIPA DC-008, 4.7.2) after the two bytes that start
    /// the image.
    pub(crate) fn jpeg(image: &RgbImage, exif: &[u8]) -> Vec<u8> {
        let plain = encode(image).expect("a JPEG");
        if exif.is_empty() {
            return plain;
        }
        let length = u16::try_from(exif.len() + 8).expect("a segment");
        let mut bytes = plain[..2].to_vec();
        bytes.extend([0xff, 0xe1]);
        bytes.extend(length.to_be_bytes());
        bytes.extend(b"Exif\0\0");
        bytes.extend(exif);
        bytes.extend(&plain[2..]);
        bytes
    }

    /// A TIFF header with the orientation (tag 0x0112), a maker's name (0x010f), and a latitude in a GPS
    /// directory (0x8825;
    /// there 1 is the reference, 2 the latitude), as in CIPA DC-008, 4.6.
    fn exif(orientation: u16) -> Vec<u8> {
        const SHORT: u16 = 3;
        const TEXT: u16 = 2;
        const LONG: u16 = 4;
        const RATIONAL: u16 = 5;
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        let entry = |bytes: &mut Vec<u8>, tag: u16, kind: u16, count: u32, value: [u8; 4]| {
            bytes.extend(tag.to_le_bytes());
            bytes.extend(kind.to_le_bytes());
            bytes.extend(count.to_le_bytes());
            bytes.extend(value);
        };
        let short = |value: u16| [value.to_le_bytes()[0], value.to_le_bytes()[1], 0, 0];
        // The first directory has three entries and ends at 8 + 2 + 36 + 4 = 50.
        bytes.extend(3_u16.to_le_bytes());
        entry(&mut bytes, 0x010f, TEXT, 12, 80_u32.to_le_bytes());
        entry(&mut bytes, 0x0112, SHORT, 1, short(orientation));
        entry(&mut bytes, 0x8825, LONG, 1, 50_u32.to_le_bytes());
        bytes.extend([0; 4]);
        // The second has two and ends at 50 + 2 + 24 + 4 = 80.
        bytes.extend(2_u16.to_le_bytes());
        entry(&mut bytes, 1, TEXT, 2, *b"N\0\0\0");
        entry(&mut bytes, 2, RATIONAL, 3, 92_u32.to_le_bytes());
        bytes.extend([0; 4]);
        bytes.extend(b"Wren Camera\0");
        for (number, of) in [(44_u32, 1_u32), (29, 1), (4321, 100)] {
            bytes.extend(number.to_le_bytes());
            bytes.extend(of.to_le_bytes());
        }
        bytes
    }

    fn holds(bytes: &[u8], part: &[u8]) -> bool {
        bytes.windows(part.len()).any(|window| window == part)
    }

    fn read_back(bytes: &[u8]) -> RgbImage {
        image::load_from_memory(bytes).expect("an image").into_rgb8()
    }

    /// Whether a pixel is nearer to the color of the first or of the second half.
    fn is_red(image: &RgbImage, x: u32, y: u32) -> bool {
        let [red, _, blue] = image.get_pixel(x, y).0;
        red > blue
    }

    #[test]
    fn three_sizes_are_made_and_none_is_made_larger() {
        let check = |(width, height): (u32, u32), expected: [(u32, u32); 3]| {
            let done = develop(&jpeg(&photograph(width, height), &[])).expect("developed");
            let sizes: Vec<(u32, u32)> =
                done.files.iter().rev().map(|(_, b)| read_back(b).dimensions()).collect();
            assert_eq!(sizes, expected, "{width} × {height}");
            assert_eq!((done.picture.width, done.picture.height), expected[0]);
            let names: Vec<&String> = done.files.iter().map(|(name, _)| name).collect();
            let hash = done.picture.name.as_str();
            assert_eq!(
                names,
                [&format!("{hash}-160.jpg"), &format!("{hash}-640.jpg"), &format!("{hash}.jpg")]
            );
        };
        check((4000, 3000), [(1600, 1200), (640, 480), (160, 120)]);
        check((1700, 850), [(1600, 800), (640, 320), (160, 80)]);
        check((900, 1200), [(900, 1200), (480, 640), (120, 160)]);
        // 469 1/3: a size that was also rounded in between would become 470.
        check((1500, 1100), [(1500, 1100), (640, 469), (160, 117)]);
        check((100, 50), [(100, 50), (100, 50), (100, 50)]);
        check((1, 1), [(1, 1), (1, 1), (1, 1)]);
    }

    // ASVS 5.0.0, 14.2.8.
    #[test]
    fn where_it_was_taken_and_by_which_camera_is_gone() {
        let taken = jpeg(&photograph(320, 240), &exif(1));
        assert!(holds(&taken, b"Exif") && holds(&taken, b"Wren Camera"));
        for (name, bytes) in develop(&taken).expect("developed").files {
            assert!(!holds(&bytes, b"Exif") && !holds(&bytes, b"Wren Camera"), "{name}");
            let app1 = [0xff, 0xe1];
            assert!(!holds(&bytes, &app1), "{name} still has an APP1 segment");
        }
    }

    // CIPA DC-008, 4.6.5, tag Orientation: where the zeroth row and column of the stored image belong.
    #[test]
    fn it_stands_upright() {
        let check = |orientation: u16, sides: (u32, u32), red: (u32, u32), blue: (u32, u32)| {
            let done = develop(&jpeg(&photograph(320, 240), &exif(orientation))).expect("developed");
            let image = read_back(&done.files[2].1);
            assert_eq!(image.dimensions(), sides, "{orientation}");
            assert!(is_red(&image, red.0, red.1), "{orientation}");
            assert!(!is_red(&image, blue.0, blue.1), "{orientation}");
        };
        check(1, (320, 240), (40, 120), (280, 120));
        check(2, (320, 240), (280, 120), (40, 120));
        check(3, (320, 240), (280, 120), (40, 120));
        check(4, (320, 240), (40, 120), (280, 120));
        check(5, (240, 320), (120, 40), (120, 280));
        check(6, (240, 320), (120, 40), (120, 280));
        check(7, (240, 320), (120, 280), (120, 40));
        check(8, (240, 320), (120, 280), (120, 40));
        check(0, (320, 240), (40, 120), (280, 120));
        check(77, (320, 240), (40, 120), (280, 120));
    }

    #[test]
    fn the_same_photograph_has_the_same_name() {
        let name = |exif: &[u8]| develop(&jpeg(&photograph(320, 240), exif)).expect("developed").picture.name;
        assert_eq!(name(&[]), name(&exif(1)));
        assert_ne!(name(&[]), name(&exif(3)));
    }

    #[test]
    fn lightness_goes_from_black_to_white() {
        let check = |color: [u8; 3], expected: u8| {
            assert_eq!(lightness(&RgbImage::from_pixel(8, 8, Rgb(color))), expected, "{color:?}");
        };
        check([0, 0, 0], 0);
        check([255, 255, 255], 100);
        check([128, 128, 128], 50);
        // Rec. ITU-R BT.709: 0.2126, 0.7152, 0.0722.
        check([255, 0, 0], 21);
        check([0, 255, 0], 72);
        check([0, 0, 255], 7);
        assert!(develop(&dark()).expect("developed").picture.lightness < 10);
    }

    #[test]
    fn what_one_can_see_through_lies_on_white() {
        let clear =
            RgbaImage::from_fn(8, 8, |x, _| if x < 4 { Rgba([0, 0, 0, 0]) } else { Rgba([0, 0, 0, 255]) });
        let mut png = Vec::new();
        clear.write_to(&mut Cursor::new(&mut png), ImageFormat::Png).expect("a PNG");
        let image = read_back(&develop(&png).expect("developed").files[2].1);
        assert!(image.get_pixel(1, 4).0.iter().all(|c| *c > 220), "{:?}", image.get_pixel(1, 4));
        assert!(image.get_pixel(6, 4).0.iter().all(|c| *c < 35), "{:?}", image.get_pixel(6, 4));
    }

    /// A PNG whose header states a size and that holds almost nothing (PNG, third edition, 5.3 and 11.2.1).
    fn png_of(width: u32, height: u32, bits: u8) -> Vec<u8> {
        let mut head = b"IHDR".to_vec();
        head.extend(width.to_be_bytes());
        head.extend(height.to_be_bytes());
        head.extend([bits, 2, 0, 0, 0]);
        let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
        for chunk in [head, b"IDAT\x78\x9c\x03\x00\x00\x00\x00\x01".to_vec(), b"IEND".to_vec()] {
            bytes.extend(u32::try_from(chunk.len() - 4).expect("a chunk").to_be_bytes());
            bytes.extend(&chunk);
            bytes.extend(crc(&chunk).to_be_bytes());
        }
        bytes
    }

    /// CRC-32 as the PNG specification has it in annex D.
    fn crc(bytes: &[u8]) -> u32 {
        let step = |crc: u32| if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
        !bytes.iter().fold(u32::MAX, |crc, byte| (0..8).fold(crc ^ u32::from(*byte), |crc, _| step(crc)))
    }

    // ASVS 5.0.0, 5.2.6.
    #[test]
    fn a_bomb_is_refused_by_what_it_says_of_itself() {
        let check = |bytes: &[u8], expected: &str| {
            let refused = develop(bytes).expect_err(expected);
            assert!(!refused.is_ours(), "{refused}");
            assert_eq!(refused.to_string(), expected);
        };
        let sides = "pixels; the limit is 20000 per side and 60 million in total";
        check(&png_of(50_000, 50_000, 8), &format!("it is 50000 × 50000 {sides}"));
        check(&png_of(20_001, 1, 8), &format!("it is 20001 × 1 {sides}"));
        check(&png_of(10_000, 6_001, 8), &format!("it is 10000 × 6001 {sides}"));
        let memory = "it needs too much memory; save it as a JPEG first";
        check(&png_of(7_500, 7_500, 16), memory);
        let damaged = "it is damaged and cannot be read; take the photo again";
        check(&png_of(600, 600, 8), damaged);
        check(&png_of(0, 0, 8), damaged);
        let whole = jpeg(&photograph(320, 240), &[]);
        check(&whole[..60], damaged);
        check(&vec![0xff; MAX_BYTES + 1], "it is larger than 20 MB; set the camera to a smaller size");
        let other = "it is not a photo in a supported format; use JPEG, PNG or WebP";
        check(b"", other);
        check(b"<svg xmlns=\"http://www.w3.org/2000/svg\"/>", other);
        check(b"<!doctype html><script>1</script>", other);
        check(b"GIF89a\x01\0\x01\0\0\0\0;", other);
        check(b"%PDF-1.7", other);
    }
}
