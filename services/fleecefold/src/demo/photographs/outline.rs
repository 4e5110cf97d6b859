//! The outlines of knitted things, as polygons with round corners.
//!
//! All numbers are parts of the picture's side. Only operations that IEEE 754 defines exactly are used, here and in
//! the stitches, so that the pictures, which are named by their bytes, are the same on every machine.

/// Points on a quarter of an ellipse.
const QUARTER: u8 = 7;

/// A polygon, larger by `round` all around.
#[derive(Clone, Debug)]
pub(super) struct Outline {
    points: Vec<(f32, f32)>,
    round: f32,
}

impl Outline {
    pub(super) fn new(points: Vec<(f32, f32)>, round: f32) -> Self {
        Self { points, round }
    }

    /// Half as wide and as high as said, around a center.
    pub(super) fn block(center: (f32, f32), half: (f32, f32), round: f32) -> Self {
        let (x, y, wide, high) = (center.0, center.1, half.0 - round, half.1 - round);
        Self::new(
            vec![(x - wide, y - high), (x + wide, y - high), (x + wide, y + high), (x - wide, y + high)],
            round,
        )
    }

    /// A dome on a straight edge at `bottom`, with upright sides of `side`; `top` is how wide the flat of its top is.
    pub(super) fn dome(center: f32, bottom: f32, half: f32, side: f32, high: f32, top: f32) -> Self {
        let (shoulder, crown) = (bottom - side, high - side);
        let mut points = vec![(center - half, bottom)];
        let curve = quarter();
        points.extend(
            curve.iter().map(|(cos, sin)| (center - top - (half - top) * cos, shoulder - crown * sin)),
        );
        points.extend(
            curve.iter().rev().map(|(cos, sin)| (center + top + (half - top) * cos, shoulder - crown * sin)),
        );
        points.push((center + half, bottom));
        Self::new(points, 0.012)
    }

    pub(super) fn ellipse(center: (f32, f32), half: (f32, f32)) -> Self {
        let mut points = Vec::new();
        let curve = quarter();
        for (turn, (right, down)) in
            [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)].into_iter().enumerate()
        {
            let mut part: Vec<_> = curve
                .iter()
                .map(|(cos, sin)| (center.0 + right * half.0 * cos, center.1 + down * half.1 * sin))
                .collect();
            if turn % 2 == 1 {
                part.reverse();
            }
            points.extend(part);
        }
        Self::new(points, 0.0)
    }

    /// Turned around a center; `slope` is the tangent of the angle.
    pub(super) fn turned(mut self, center: (f32, f32), slope: f32) -> Self {
        let (cos, sin) = direction(slope);
        for point in &mut self.points {
            let (x, y) = (point.0 - center.0, point.1 - center.1);
            *point = (center.0 + x * cos - y * sin, center.1 + x * sin + y * cos);
        }
        self
    }

    /// Left, top, right, bottom.
    pub(super) fn bounds(&self) -> [f32; 4] {
        let mut found = [1.0_f32, 1.0, 0.0, 0.0];
        for (x, y) in &self.points {
            found = [found[0].min(*x), found[1].min(*y), found[2].max(*x), found[3].max(*y)];
        }
        [found[0] - self.round, found[1] - self.round, found[2] + self.round, found[3] + self.round]
    }

    /// How far a place is from the edge; below 0 inside.
    pub(super) fn distance(&self, x: f32, y: f32) -> f32 {
        let mut nearest = f32::MAX;
        let mut is_inside = false;
        let mut before = self.points.last().copied().unwrap_or_default();
        for &(px, py) in &self.points {
            let (ex, ey) = (before.0 - px, before.1 - py);
            let (wx, wy) = (x - px, y - py);
            let length = (ex * ex + ey * ey).max(f32::MIN_POSITIVE);
            let along = ((wx * ex + wy * ey) / length).clamp(0.0, 1.0);
            let (bx, by) = (wx - ex * along, wy - ey * along);
            nearest = nearest.min(bx * bx + by * by);
            if (py > y) != (before.1 > y) && wx < ex * wy / ey {
                is_inside = !is_inside;
            }
            before = (px, py);
        }
        let distance = nearest.sqrt();
        (if is_inside { -distance } else { distance }) - self.round
    }
}

/// Cosine and sine of the angle with this tangent.
pub(super) fn direction(slope: f32) -> (f32, f32) {
    let length = (1.0 + slope * slope).sqrt();
    (1.0 / length, slope / length)
}

/// Cosines and sines from 0 to a quarter turn.
fn quarter() -> Vec<(f32, f32)> {
    let point = |at: u8| {
        let t = f32::from(at) / f32::from(QUARTER);
        let whole = 1.0 + t * t;
        ((1.0 - t * t) / whole, 2.0 * t / whole)
    };
    (0..=QUARTER).map(point).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_inside_or_as_far_as_it_is() {
        let block = Outline::block((0.5, 0.5), (0.2, 0.1), 0.05);
        let check = |x: f32, y: f32, expected: f32| {
            let found = block.distance(x, y);
            assert!((found - expected).abs() < 0.001, "{x}, {y}: {found}");
        };
        check(0.5, 0.5, -0.1);
        check(0.5, 0.4, 0.0);
        check(0.8, 0.5, 0.1);
        check(0.5, 0.9, 0.3);
        assert!(
            block.bounds().iter().zip([0.3, 0.4, 0.7, 0.6]).all(|(one, other)| (one - other).abs() < 0.001)
        );
        let circle = Outline::ellipse((0.5, 0.5), (0.25, 0.25));
        assert!((circle.distance(0.5, 0.5) + 0.25).abs() < 0.01);
        assert!((circle.distance(0.9, 0.5) - 0.15).abs() < 0.01);
    }
}
