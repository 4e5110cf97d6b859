//! Of what parts a piece of each style is, and where they lie in its picture.

use super::outline::{Outline, direction};
use super::stitch::{Place, Stitch};

/// How far a piece lies askew, as the tangent of the angle.
const ASKEW: f32 = -0.04;

/// What a piece is, by its style.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Form {
    Beanie,
    RidgeBeanie,
    Bell,
    Headband,
    Mittens,
    Mitts,
    Cowl,
    TallCowl,
    Scarf,
    Shawl,
    Blanket,
    Skein,
}

impl Form {
    pub(super) fn of_style(style: &str) -> Option<Self> {
        Some(match style {
            "brook beanie" => Self::Beanie,
            "ridge beanie" => Self::RidgeBeanie,
            "bell hat" => Self::Bell,
            "hearth headband" => Self::Headband,
            "barn mittens" => Self::Mittens,
            "frost mitts" => Self::Mitts,
            "moor cowl" => Self::Cowl,
            "lantern cowl" => Self::TallCowl,
            "gate scarf" => Self::Scarf,
            "meadow shawl" => Self::Shawl,
            "lap blanket" => Self::Blanket,
            "garden skein" => Self::Skein,
            _ => return None,
        })
    }

    /// From the bottom up, and a little askew.
    pub(super) fn parts(self) -> Vec<Part> {
        let parts = match self {
            Self::Beanie => hat(Stitch::Stockinette, 0.30, 0.055),
            Self::RidgeBeanie => hat(Stitch::Brioche, 0.31, 0.075),
            Self::Bell => bell(),
            Self::Headband => headband(),
            Self::Mittens => pair(true),
            Self::Mitts => pair(false),
            Self::Cowl => cowl(Stitch::Cable, 0.16, 34.0),
            Self::TallCowl => cowl(Stitch::Lace, 0.23, 42.0),
            Self::Scarf => scarf(),
            Self::Shawl => shawl(),
            Self::Blanket => blanket(),
            Self::Skein => skein(),
        };
        parts.into_iter().map(|part| part.turned(ASKEW)).collect()
    }
}

/// Which color a part has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Dye {
    /// The piece's colors, in stripes if there are several.
    Body,
    /// One of its own, if there are several.
    Edge,
    /// Not yarn, but the band around a skein.
    Paper,
}

/// A part of a piece, of one fabric.
#[derive(Clone, Debug)]
pub(super) struct Part {
    pub(super) outline: Outline,
    stitch: Stitch,
    /// Stitches along the side of the picture.
    gauge: f32,
    /// Where stitch and row 0 are.
    origin: (f32, f32),
    /// Cosine and sine of how far the rows are turned.
    turned: (f32, f32),
    /// Half the width of what is round like a drum, whose stitches are narrower at its sides; 0 if it is flat.
    drum: f32,
    /// How far from its edge it is still round.
    pub(super) thick: f32,
    pub(super) dye: Dye,
    /// How light it is, where it is in the shade of another part.
    pub(super) bright: f32,
}

impl Part {
    fn new(outline: Outline, stitch: Stitch, gauge: f32) -> Self {
        Self {
            outline,
            stitch,
            gauge,
            origin: (0.5, 0.5),
            turned: (1.0, 0.0),
            drum: 0.0,
            thick: 0.05,
            dye: Dye::Body,
            bright: 1.0,
        }
    }

    fn at(self, x: f32, y: f32) -> Self {
        Self { origin: (x, y), ..self }
    }

    fn drum(self, half: f32) -> Self {
        Self { drum: half, ..self }
    }

    fn thick(self, thick: f32) -> Self {
        Self { thick, ..self }
    }

    fn edge(self) -> Self {
        Self { dye: Dye::Edge, ..self }
    }

    fn bright(self, bright: f32) -> Self {
        Self { bright, ..self }
    }

    fn turned(self, slope: f32) -> Self {
        self.turned_around((0.5, 0.5), slope)
    }

    fn turned_around(self, center: (f32, f32), slope: f32) -> Self {
        let (cos, sin) = direction(slope);
        let (x, y) = (self.origin.0 - center.0, self.origin.1 - center.1);
        let origin = (center.0 + x * cos - y * sin, center.1 + x * sin + y * cos);
        let (a, b) = self.turned;
        let turned = (a * cos - b * sin, a * sin + b * cos);
        Self { outline: self.outline.turned(center, slope), origin, turned, ..self }
    }

    /// Turns only the rows.
    fn slanted(self, slope: f32) -> Self {
        Self { turned: direction(slope), ..self }
    }

    /// The fabric at a place of the picture, and the number of its row.
    pub(super) fn fabric(&self, x: f32, y: f32) -> (Place, f32) {
        let (dx, dy) = (x - self.origin.0, y - self.origin.1);
        let (cos, sin) = self.turned;
        let (across, down) = (dx * cos + dy * sin, dy * cos - dx * sin);
        let across = if self.drum > 0.0 {
            let part = (across / self.drum).clamp(-1.0, 1.0);
            across * (1.0 + 0.35 * part * part)
        } else {
            across
        };
        let (u, v) = (across * self.gauge, -down * self.gauge * 1.28);
        (self.stitch.at(u, v), v)
    }
}

fn hat(stitch: Stitch, half: f32, brim: f32) -> Vec<Part> {
    let crown = Outline::dome(0.5, 0.74, half, 0.22, 0.50, 0.07);
    let band = Outline::block((0.5, 0.755), (half + 0.012, brim), 0.03);
    vec![
        Part::new(crown, stitch, 33.0).at(0.5, 0.74).drum(half).thick(0.15),
        Part::new(band, Stitch::Rib, 37.0).at(0.5, 0.8).drum(half).thick(0.04).edge(),
    ]
}

fn bell() -> Vec<Part> {
    let crown = Outline::dome(0.5, 0.68, 0.27, 0.12, 0.44, 0.05);
    let points = vec![(0.235, 0.665), (0.765, 0.665), (0.865, 0.80), (0.135, 0.80)];
    let brim = Outline::new(points, 0.025);
    vec![
        Part::new(brim, Stitch::Felt, 36.0).at(0.5, 0.8).drum(0.36).thick(0.07),
        Part::new(crown, Stitch::Felt, 33.0).at(0.5, 0.68).drum(0.27).thick(0.14),
        Part::new(Outline::block((0.5, 0.67), (0.272, 0.026), 0.02), Stitch::Garter, 36.0)
            .at(0.5, 0.67)
            .drum(0.27)
            .thick(0.03)
            .edge(),
    ]
}

fn headband() -> Vec<Part> {
    let inside = Outline::ellipse((0.5, 0.40), (0.34, 0.12));
    let front = vec![
        (0.145, 0.42),
        (0.24, 0.505),
        (0.37, 0.55),
        (0.5, 0.562),
        (0.63, 0.55),
        (0.76, 0.505),
        (0.855, 0.42),
        (0.845, 0.56),
        (0.76, 0.655),
        (0.63, 0.705),
        (0.5, 0.718),
        (0.37, 0.705),
        (0.24, 0.655),
        (0.155, 0.56),
    ];
    vec![
        Part::new(Outline::block((0.5, 0.4), (0.355, 0.135), 0.12), Stitch::Rib, 40.0)
            .thick(0.05)
            .edge()
            .bright(0.7),
        Part::new(inside, Stitch::Rib, 40.0).thick(0.02).bright(0.5).edge(),
        Part::new(Outline::new(front, 0.02), Stitch::Cable, 36.0)
            .at(0.5, 0.6)
            .slanted(0.0)
            .drum(0.36)
            .thick(0.08),
    ]
}

/// Two mittens, or two of those that leave the fingers free.
fn pair(is_closed: bool) -> Vec<Part> {
    let one = |side: f32, center: f32| {
        let x = |off: f32| center + side * off;
        let (hand, stitch) = if is_closed {
            (Outline::dome(center, 0.66, 0.125, 0.27, 0.47, 0.02), Stitch::Stockinette)
        } else {
            (Outline::block((center, 0.47), (0.118, 0.2), 0.02), Stitch::Rib)
        };
        let thumb = vec![
            (x(0.09), 0.60),
            (x(0.115), 0.47),
            (x(0.185), 0.385),
            (x(0.205), 0.42),
            (x(0.185), 0.52),
            (x(0.125), 0.64),
        ];
        let thumb = if is_closed {
            Part::new(Outline::new(thumb, 0.024), Stitch::Stockinette, 38.0)
                .at(center, 0.62)
                .slanted(0.5 * side)
        } else {
            let short =
                vec![(x(0.08), 0.55), (x(0.105), 0.46), (x(0.15), 0.425), (x(0.165), 0.455), (x(0.12), 0.57)];
            Part::new(Outline::new(short, 0.02), Stitch::Stockinette, 38.0)
                .at(center, 0.62)
                .slanted(0.5 * side)
        };
        let cuff = Outline::block((center, 0.755), (0.105, 0.105), 0.016);
        let parts = [
            thumb.thick(0.05),
            Part::new(hand, stitch, 38.0).at(center, 0.66).drum(0.125).thick(0.09),
            Part::new(cuff, Stitch::Rib, 42.0).at(center, 0.86).drum(0.11).thick(0.05).edge(),
        ];
        parts.map(|part| part.turned_around((center, 0.6), side * 0.10))
    };
    let mut parts = Vec::from(one(-1.0, 0.315));
    parts.extend(one(1.0, 0.685));
    parts
}

fn cowl(stitch: Stitch, half_high: f32, gauge: f32) -> Vec<Part> {
    let (top, bottom) = (0.5 - half_high, 0.5 + half_high);
    let curve = [(0.0, 0.0), (0.08, 0.05), (0.2, 0.085), (0.35, 0.1), (0.5, 0.085), (0.62, 0.05), (0.7, 0.0)];
    let mut front: Vec<(f32, f32)> = curve.iter().map(|(x, y)| (0.15 + x, top + y)).collect();
    front.extend(curve.iter().rev().map(|(x, y)| (0.15 + x, bottom + y * 0.9)));
    let lip = curve.iter().map(|(x, y)| (0.15 + x, top + y - 0.014));
    let under = curve.iter().rev().map(|(x, y)| (0.15 + x, top + y + 0.022));
    let lip: Vec<(f32, f32)> = lip.chain(under).collect();
    vec![
        Part::new(Outline::ellipse((0.5, top + 0.005), (0.355, 0.105)), Stitch::Rib, gauge)
            .thick(0.03)
            .edge()
            .bright(0.62),
        Part::new(Outline::ellipse((0.5, top + 0.022), (0.325, 0.088)), Stitch::Rib, gauge)
            .thick(0.03)
            .bright(0.45),
        Part::new(Outline::new(front, 0.018), stitch, gauge).at(0.5, bottom).drum(0.36).thick(0.12),
        Part::new(Outline::new(lip, 0.012), Stitch::Garter, gauge).at(0.5, top).drum(0.36).thick(0.03).edge(),
    ]
}

/// Folded over once, with a fringe at both ends.
fn scarf() -> Vec<Part> {
    let mut parts = Vec::new();
    for (x, y, half) in [(0.40, 0.885, 0.15), (0.63, 0.83, 0.15)] {
        for at in 0..9_u8 {
            let across = x - half + 0.018 + f32::from(at) * (2.0 * half - 0.036) / 8.0;
            let length = 0.045 + 0.006 * f32::from(at * 5 % 4);
            let thread = Outline::block((across, y), (0.008, length), 0.006)
                .turned((across, y), 0.04 * f32::from(at % 3) - 0.04);
            parts.push(Part::new(thread, Stitch::Strands, 150.0).thick(0.01).edge());
        }
    }
    let under = Outline::block((0.63, 0.47), (0.15, 0.35), 0.018);
    let over = Outline::block((0.40, 0.49), (0.15, 0.385), 0.018).turned((0.4, 0.1), -0.035);
    parts.push(
        Part::new(under, Stitch::Weave, 46.0)
            .at(0.63, 0.8)
            .thick(0.035)
            .bright(0.86)
            .turned_around((0.6, 0.1), -0.09),
    );
    parts.push(Part::new(over, Stitch::Weave, 46.0).at(0.4, 0.8).thick(0.035));
    parts.push(
        Part::new(Outline::block((0.505, 0.115), (0.262, 0.06), 0.05), Stitch::Weave, 46.0)
            .slanted(6.0)
            .at(0.4, 0.1)
            .thick(0.055),
    );
    parts
}

fn shawl() -> Vec<Part> {
    let body = Outline::new(vec![(0.09, 0.25), (0.91, 0.25), (0.5, 0.80)], 0.012);
    let left = Outline::new(vec![(0.06, 0.235), (0.105, 0.235), (0.515, 0.80), (0.5, 0.855)], 0.012);
    let right = Outline::new(vec![(0.94, 0.235), (0.895, 0.235), (0.485, 0.80), (0.5, 0.855)], 0.012);
    let top = Outline::block((0.5, 0.245), (0.44, 0.024), 0.012);
    vec![
        Part::new(body, Stitch::Lace, 44.0).at(0.5, 0.8).thick(0.02),
        Part::new(left, Stitch::Garter, 44.0).at(0.1, 0.3).slanted(1.38).thick(0.02).edge(),
        Part::new(right, Stitch::Garter, 44.0).at(0.9, 0.3).slanted(-1.38).thick(0.02).edge(),
        Part::new(top, Stitch::Garter, 44.0).at(0.5, 0.25).thick(0.02).edge(),
    ]
}

/// Folded twice, so that its layers show.
fn blanket() -> Vec<Part> {
    let layer = |at: u8, bright: f32| {
        let off = 0.028 * f32::from(at);
        let outline = Outline::block((0.5 + off * 0.3, 0.52 + off), (0.375, 0.30), 0.035);
        Part::new(outline, Stitch::Twill, 58.0).at(0.5, 0.82 + off).thick(0.03).bright(bright)
    };
    let hem = |x: f32| {
        Part::new(Outline::block((x, 0.5), (0.022, 0.315), 0.018), Stitch::Garter, 40.0).thick(0.025).edge()
    };
    let top = Outline::block((0.5, 0.5), (0.375, 0.315), 0.03);
    vec![
        layer(3, 0.74),
        layer(2, 0.84),
        layer(1, 0.92),
        Part::new(top, Stitch::Twill, 58.0).at(0.5, 0.8).thick(0.05),
        hem(0.145),
        hem(0.855),
    ]
}

/// A hank twisted into a rope, its ends tucked in.
fn skein() -> Vec<Part> {
    let mut parts = Vec::new();
    for (y, up) in [(0.14, 1.0), (0.86, -1.0)] {
        let end = Outline::ellipse((0.5, y + 0.02 * up), (0.085, 0.09));
        parts.push(
            Part::new(end, Stitch::Strands, 62.0).at(0.5, y).slanted(0.15 * up).thick(0.07).bright(0.9),
        );
    }
    for at in [0_u8, 6, 1, 5, 2, 4, 3] {
        let y = 0.215 + 0.095 * f32::from(at);
        let swell = 1.0 - 0.05 * (f32::from(at) - 3.0) * (f32::from(at) - 3.0) / 3.0;
        let lobe = Outline::ellipse((0.5, y), (0.185 * swell, 0.082)).turned((0.5, y), -0.55);
        parts.push(Part::new(lobe, Stitch::Strands, 62.0).at(0.5, y).slanted(1.4).thick(0.075));
    }
    let band =
        Part::new(Outline::block((0.5, 0.5), (0.19, 0.05), 0.006), Stitch::Paper, 1.0).drum(0.19).thick(0.03);
    parts.push(Part { dye: Dye::Paper, ..band });
    parts
}
