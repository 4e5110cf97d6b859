//! From the parts of a piece to the pixels of its picture.

use super::super::rng::Rng;
use super::piece::{Dye, Form};
use super::stitch::{turn, wave};
use domain::color::Rgb;

/// The sides of a picture, in pixels.
pub(super) const SIDE: u16 = 440;
const PIXELS: usize = SIDE as usize * SIDE as usize;
/// Rows of a part are told apart up to this many; the numbers behind are those of edges and of paper.
const ROWS: u8 = 200;
const EDGE: u8 = 200;
const PAPER: u8 = 255;
const PAPER_COLOR: Rgb = Rgb::new(246, 240, 226);
/// What pieces lie on: their color, and how much of its grain shows.
const TABLES: [(Rgb, f32); 3] =
    [(Rgb::new(233, 226, 212), 5.0), (Rgb::new(214, 205, 190), 7.0), (Rgb::new(222, 224, 220), 4.0)];
/// Used for a piece whose color words are not known.
const UNDYED: Rgb = Rgb::new(222, 211, 190);

/// What all pieces of a form share: where there is yarn, how light it is and of which row.
pub(super) struct Pattern {
    cover: Vec<u8>,
    light: Vec<u8>,
    row: Vec<u8>,
    shadow: Vec<u8>,
}

fn byte(part: f32) -> u8 {
    (part.clamp(0.0, 1.0) * 255.0 + 0.5) as u8
}

fn part(byte: u8) -> f32 {
    f32::from(byte) / 255.0
}

/// Where a pixel's middle is.
fn place(pixel: u16) -> f32 {
    (f32::from(pixel) + 0.5) / f32::from(SIDE)
}

impl Pattern {
    pub(super) fn of(form: Form) -> Self {
        let empty = || vec![0; PIXELS];
        let mut pattern = Self { cover: empty(), light: empty(), row: empty(), shadow: empty() };
        for part in form.parts() {
            pattern.lay(&part);
        }
        pattern
    }

    /// Lays a part on what is there, and its shadow beside it.
    fn lay(&mut self, of: &super::piece::Part) {
        const REACH: f32 = 0.075;
        let [left, top, right, bottom] = of.outline.bounds();
        let pixel = |place: f32| (place.clamp(0.0, 1.0) * f32::from(SIDE)) as u16;
        for y in pixel(top - REACH)..pixel(bottom + REACH) {
            for x in pixel(left - REACH)..pixel(right + REACH) {
                self.lay_pixel(of, x, y);
            }
        }
    }

    fn lay_pixel(&mut self, of: &super::piece::Part, x: u16, y: u16) {
        let at = usize::from(y) * usize::from(SIDE) + usize::from(x);
        let (px, py) = (place(x), place(y));
        let distance = of.outline.distance(px, py);
        let is_near = distance > -0.004;
        if is_near {
            // Light comes from above.
            let behind = of.outline.distance(px - 0.006, py - 0.011);
            let soft = (1.0 - behind / 0.06).clamp(0.0, 1.0);
            self.shadow[at] = self.shadow[at].max(byte(0.42 * soft * soft));
            let close = (1.0 - behind / 0.024).clamp(0.0, 1.0);
            self.light[at] = byte(super::paint::part(self.light[at]) * (1.0 - 0.5 * close));
        }
        let inside = (0.5 - distance * f32::from(SIDE) / 1.3).clamp(0.0, 1.0);
        if inside <= 0.0 {
            return;
        }
        let (fabric, row) = of.fabric(px, py);
        let deep = 1.0 - (-distance / of.thick).clamp(0.0, 1.0);
        let round = (1.0 - deep * deep).max(0.0).sqrt();
        let slope = 1.0 - 0.16 * (px + py - 1.0);
        let light = fabric.light * (0.5 + 0.5 * round) * slope * of.bright;
        let cover = inside * fabric.cover;
        self.light[at] = byte(super::paint::part(self.light[at]) * (1.0 - cover) + light * cover);
        if cover > 0.5 {
            self.row[at] = match of.dye {
                Dye::Body => (row.rem_euclid(f32::from(ROWS))) as u8,
                Dye::Edge => EDGE + row.rem_euclid(50.0) as u8,
                Dye::Paper => PAPER,
            };
        }
        let before = super::paint::part(self.cover[at]);
        self.cover[at] = byte(cover + before * (1.0 - cover));
    }

    /// The pixels of a picture in these colors, row by row, red, green and blue. Half of the pieces lie the other way
    /// around.
    pub(super) fn painted(&self, colors: &[Rgb], table: &Table, rng: &mut Rng) -> Vec<u8> {
        let (colors, stripes) = (inks(colors), stripes(colors.len(), rng));
        let is_mirrored = rng.chance(50);
        let side = usize::from(SIDE);
        let mut pixels = Vec::with_capacity(PIXELS * 3);
        for (place, ground) in table.pixels.iter().enumerate() {
            let across = place % side;
            let at = if is_mirrored { place - across + side - 1 - across } else { place };
            let cover = u16::from(self.cover[at]);
            let shade = 255 - u16::from(self.shadow[at]);
            let (ink, tone) = stripes[usize::from(self.row[at])];
            let yarn = colors[ink][usize::from(self.light[at].saturating_add_signed(tone))];
            for (under, own) in ground.iter().zip(yarn) {
                let under = u16::from(*under) * shade / 255;
                pixels.push(((under * (255 - cover) + u16::from(own) * cover + 127) / 255) as u8);
            }
        }
        pixels
    }
}

/// How each color looks from the dark between strands to the light on top of one; paper is the last.
fn inks(colors: &[Rgb]) -> Vec<[[u8; 3]; 256]> {
    let known = if colors.is_empty() { &[UNDYED] } else { colors };
    known.iter().chain([&PAPER_COLOR]).map(|color| ink(*color)).collect()
}

fn ink(color: Rgb) -> [[u8; 3]; 256] {
    let channels = color.channels().map(part);
    let mut made = [[0; 3]; 256];
    for (light, pixel) in (0_u8..=255).zip(&mut made) {
        let light = part(light);
        // Wool is never black in its depths, and shines a little on top.
        let depth = 0.30 + 1.02 * light;
        let shine = (light - 0.62).max(0.0) * 0.40;
        *pixel = channels.map(|own| {
            let shaded = (own * depth).min(1.0);
            byte(shaded + (1.0 - shaded) * shine)
        });
    }
    made
}

/// For each row its color, and by how much it is lighter or darker: no two rows of hand-dyed yarn are alike.
fn stripes(colors: usize, rng: &mut Rng) -> Vec<(usize, i8)> {
    let many = colors.max(1);
    let mut rows = vec![(0, 0); 256];
    let (mut at, mut ink) = (0, 0);
    while at < usize::from(ROWS) {
        let wide = if ink == 0 { rng.between(7, 12) } else { rng.between(3, 5) };
        let until = (at + usize::try_from(wide).unwrap_or(1)).min(usize::from(ROWS));
        for row in &mut rows[at..until] {
            row.0 = ink;
        }
        (at, ink) = (until, (ink + 1) % many);
    }
    // Rows below the first, of a part that reaches under another.
    for row in &mut rows[usize::from(ROWS - 20)..usize::from(ROWS)] {
        row.0 = 0;
    }
    for row in &mut rows[usize::from(EDGE)..usize::from(PAPER)] {
        row.0 = many - 1;
    }
    let mut tone: i64 = 0;
    for row in &mut rows {
        tone = (tone + rng.between(-4, 4)).clamp(-11, 11);
        row.1 = i8::try_from(tone).unwrap_or(0);
    }
    rows[usize::from(PAPER)] = (many, 0);
    rows
}

/// What a piece lies on.
pub(super) struct Table {
    pixels: Vec<[u8; 3]>,
}

impl Table {
    pub(super) fn all() -> Vec<Self> {
        TABLES.iter().map(|(color, grain)| Self::of(*color, *grain)).collect()
    }

    fn of(color: Rgb, grain: f32) -> Self {
        let mut pixels = Vec::with_capacity(PIXELS);
        for y in 0..SIDE {
            for x in 0..SIDE {
                let (px, py) = (place(x), place(y));
                let board = (px * 3.2).floor();
                let line = wave(px * 11.0 + 0.12 * wave(py * 0.9 + board * 0.41) + board * 0.7);
                let seam = if turn(px * 3.2) < 0.012 { -14.0 } else { 0.0 };
                let from_light = -9.0 * (px + py - 0.9);
                let off = grain * line * 0.5 + seam + from_light + board % 2.0 * 2.0;
                pixels.push(color.channels().map(|own| byte((f32::from(own) + off) / 255.0)));
            }
        }
        Self { pixels }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_color_of_a_piece_is_seen() {
        let tables = Table::all();
        let pattern = Pattern::of(Form::Scarf);
        let check = |colors: &[Rgb]| {
            let pixels = pattern.painted(colors, &tables[0], &mut Rng::new(7));
            assert_eq!(pixels.len(), PIXELS * 3);
            for color in colors {
                let want = color.channels().map(i32::from);
                let near = |pixel: &[u8]| {
                    pixel.iter().zip(want).all(|(one, own)| (i32::from(*one) - own).abs() < 26)
                };
                let seen = pixels.chunks(3).filter(|pixel| near(pixel)).count();
                assert!(seen > 2_000, "{color} is seen in {seen} pixels");
            }
        };
        check(&[Rgb::new(40, 59, 102)]);
        check(&[Rgb::new(200, 60, 40), Rgb::new(40, 59, 102)]);
        check(&[Rgb::new(200, 60, 40), Rgb::new(40, 59, 102), Rgb::new(60, 140, 60)]);
    }

    #[test]
    fn a_piece_lies_within_its_picture() {
        let all = [
            Form::Beanie,
            Form::RidgeBeanie,
            Form::Bell,
            Form::Headband,
            Form::Mittens,
            Form::Mitts,
            Form::Cowl,
            Form::TallCowl,
            Form::Scarf,
            Form::Shawl,
            Form::Blanket,
            Form::Skein,
        ];
        for form in all {
            let cover = Pattern::of(form).cover;
            let side = usize::from(SIDE);
            let edge = (0..side).flat_map(|at| [at, (side - 1) * side + at, at * side, at * side + side - 1]);
            assert!(edge.into_iter().all(|at| cover[at] == 0), "{form:?} reaches an edge");
            let covered = cover.iter().filter(|cover| **cover > 200).count();
            assert!(covered * 10 > PIXELS * 2 && covered * 10 < PIXELS * 7, "{form:?} covers {covered}");
        }
    }
}
