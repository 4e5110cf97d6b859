//! What a fabric looks like from near: how light each place of a stitch is.

/// How something is worked. Coordinates run in stitches across and in rows upward.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stitch {
    Stockinette,
    /// Two knit, two purl.
    Rib,
    /// Deep ribs of double height.
    Brioche,
    Garter,
    /// Fulled, so that its stitches hardly show.
    Felt,
    Cable,
    Lace,
    /// Woven on a loom, one thread over and one under.
    Weave,
    /// Woven so that slanted lines appear.
    Twill,
    /// Not knitted: yarn side by side.
    Strands,
    /// Smooth.
    Paper,
}

/// One place of a fabric.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    /// 0 in the depth between two strands, 1 on the top of one.
    pub(super) light: f32,
    /// 1 where there is yarn, 0 in a hole.
    pub(super) cover: f32,
}

impl Stitch {
    pub(super) fn at(self, u: f32, v: f32) -> Place {
        let light = match self {
            Self::Stockinette => knit(u, v),
            Self::Rib => rib(u, v),
            Self::Brioche => brioche(u, v),
            Self::Garter => garter(u, v),
            Self::Felt => 0.5 + 0.4 * knit(u, v),
            Self::Cable => cable(u, v),
            Self::Lace => return lace(u, v),
            Self::Weave => weave(u, v),
            Self::Twill => twill(u, v),
            Self::Strands => strands(u, v),
            Self::Paper => 0.86,
        };
        Place { light, cover: 1.0 }
    }
}

/// The part of a number behind its point.
pub(super) fn turn(value: f32) -> f32 {
    value - value.floor()
}

/// An arch from 0 over 1 back to 0.
fn arch(part: f32) -> f32 {
    4.0 * part * (1.0 - part)
}

/// Nearly a sine, by whole turns.
pub(super) fn wave(turns: f32) -> f32 {
    let part = turn(turns);
    if part < 0.5 { arch(2.0 * part) } else { -arch(2.0 * part - 1.0) }
}

/// The two legs of each stitch lean toward each other, and each row sits in the one below.
fn knit(u: f32, v: f32) -> f32 {
    let across = turn(u);
    let (inward, lean) = if across < 0.5 { (across * 2.0, 1.0) } else { (2.0 - across * 2.0, -1.0) };
    let row = v - 0.85 * (1.0 - inward);
    let round = arch(turn(row)).sqrt() * arch(0.06 + 0.88 * inward).sqrt();
    // The plies of the yarn.
    let twist = 0.07 * wave(row * 1.0 + lean * u * 3.0 + v * 2.0);
    (0.12 + 0.88 * round * (1.0 + twist)).clamp(0.0, 1.0)
}

/// The back of a stitch: a bump like a wave.
fn purl(u: f32, v: f32) -> f32 {
    let row = v + 0.16 * wave(u);
    0.1 + 0.9 * arch(turn(row)).sqrt() * (0.72 + 0.28 * arch(turn(u + 0.5)))
}

fn rib(u: f32, v: f32) -> f32 {
    let ridge = wave(u / 4.0);
    if ridge > 0.0 { knit(u, v) * (0.72 + 0.28 * ridge) } else { purl(u, v) * (0.62 + 0.2 * ridge) }
}

fn brioche(u: f32, v: f32) -> f32 {
    let ridge = arch(turn(u / 1.6));
    knit(u / 1.6, v * 0.62) * (0.35 + 0.65 * ridge.sqrt())
}

fn garter(u: f32, v: f32) -> f32 {
    let ridge = turn(v * 0.5);
    let row = turn(v * 0.5 + 0.09 * wave(u));
    let body = arch(row).sqrt() * (0.74 + 0.26 * arch(turn(u + if ridge < 0.5 { 0.0 } else { 0.5 })));
    0.1 + 0.9 * body
}

/// Two strands of three stitches change places every few rows, between two columns of purl.
fn cable(u: f32, v: f32) -> f32 {
    const WIDE: f32 = 9.0;
    let across = (turn(u / WIDE) - 0.5) * WIDE;
    if across.abs() > 3.3 {
        return 0.62 * purl(u, v);
    }
    let sway = 1.55 * wave(v / 13.0);
    let is_first_above = turn(v / 13.0 + 0.25) < 0.5;
    let strand = |center: f32| {
        let off = (across - center) / 1.75;
        let round = 1.0 - off * off;
        (round > 0.0).then(|| knit(off * 1.5 + 0.5, v + center * 0.4) * (0.3 + 0.7 * round.sqrt()))
    };
    let (above, below) = if is_first_above { (sway, -sway) } else { (-sway, sway) };
    strand(above).or_else(|| strand(below).map(|light| light * 0.82)).unwrap_or_else(|| 0.45 * purl(u, v))
}

/// Openings in diamonds, with the yarn drawn around them.
fn lace(u: f32, v: f32) -> Place {
    let (wide, high) = (6.0, 8.0);
    let row = (v / high * 2.0).floor();
    let (across, up) = ((turn(u / wide + row * 0.5) - 0.5) * wide, (turn(v / high * 2.0) - 0.5) * high / 2.0);
    let from = (across * across + up * up * 0.8).sqrt();
    let opening = ((from - 0.62) / 0.28).clamp(0.0, 1.0);
    let rim = arch((from / 1.9).clamp(0.0, 1.0));
    let light = knit(u + 0.25 * wave(v / high), v) * (0.72 + 0.28 * rim);
    Place { light: light * (0.4 + 0.6 * opening), cover: opening }
}

fn weave(u: f32, v: f32) -> f32 {
    let is_weft_above = turn((u.floor() + v.floor()) * 0.5) > 0.25;
    let (along, across) = if is_weft_above { (turn(u), turn(v)) } else { (turn(v), turn(u)) };
    let twist = 0.06 * wave(along * 2.0 + across);
    0.18 + 0.76 * arch(0.08 + 0.84 * along).sqrt() * arch(across).sqrt() + twist * arch(across)
}

fn twill(u: f32, v: f32) -> f32 {
    let ridge = arch(turn((u + v) * 0.25)).sqrt();
    let thread = arch(turn((u - v) * 0.5)).sqrt();
    0.16 + 0.84 * ridge * (0.6 + 0.4 * thread)
}

fn strands(u: f32, v: f32) -> f32 {
    let line = u + 0.2 * wave(v * 0.23 + u.floor() * 0.37);
    let round = arch(turn(line)).sqrt();
    let twist = 0.1 * wave(v * 2.0 + line);
    (0.14 + 0.8 * round + twist * round).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_is_between_dark_and_light_and_both_occur() {
        let all = [
            Stitch::Stockinette,
            Stitch::Rib,
            Stitch::Brioche,
            Stitch::Garter,
            Stitch::Cable,
            Stitch::Lace,
            Stitch::Weave,
            Stitch::Twill,
            Stitch::Strands,
        ];
        for stitch in all {
            let places =
                (0..4000_u16).map(|at| stitch.at(f32::from(at % 80) * 0.23, f32::from(at / 80) * 0.31));
            let (mut least, mut most) = (1.0_f32, 0.0_f32);
            for place in places {
                assert!(
                    (0.0..=1.0).contains(&place.light) && (0.0..=1.0).contains(&place.cover),
                    "{stitch:?} {place:?}"
                );
                (least, most) = (least.min(place.light), most.max(place.light));
            }
            assert!(least < 0.3 && most > 0.75, "{stitch:?}: {least} to {most}");
        }
    }
}
