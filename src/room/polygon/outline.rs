//! A plan as a simple polygon.

use crate::room::RoomError;

/// The outline of a room's plan: corners counter-clockwise, no two walls crossing.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    corners_m: Vec<[f64; 2]>,
}

/// Twice the area of the triangle a, b, c; above zero where they turn left.
pub(super) fn turn(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

impl Outline {
    /// Most corners that are taken.
    pub const MOST_CORNERS: usize = 60;

    /// Checks and orders the corners.
    ///
    /// # Errors
    /// [`RoomError::Plan`] says what is no plan.
    pub fn new(corners_m: &[[f64; 2]]) -> Result<Self, RoomError> {
        let wrong = |why: &str| Err(RoomError::Plan { why: why.to_owned() });
        let mut corners_m = corners_m.to_vec();
        if corners_m.len() > 1 && corners_m.first() == corners_m.last() {
            corners_m.pop();
        }
        if !(3..=Self::MOST_CORNERS).contains(&corners_m.len()) {
            return wrong("it needs 3 to 60 corners");
        }
        if !corners_m.iter().flatten().all(|x| x.is_finite() && x.abs() <= 1000.0) {
            return wrong("its corners must be numbers in metres");
        }
        let mut outline = Self { corners_m };
        if outline.walls().any(|[a, b]| (b[0] - a[0]).hypot(b[1] - a[1]) < 0.02) {
            return wrong("two corners in a row are less than 2 cm apart");
        }
        if outline.crosses() {
            return wrong("its walls cross or touch: list the corners in the order of a walk round the room");
        }
        if outline.signed_area() < 0.0 {
            outline.corners_m.reverse();
        }
        if outline.area_m2() < 0.25 {
            return wrong("its area is under 0.25 m²");
        }
        Ok(outline)
    }

    /// The corners, counter-clockwise, metres.
    #[must_use]
    pub fn corners_m(&self) -> &[[f64; 2]] {
        &self.corners_m
    }

    /// Walls from corner to corner.
    pub fn walls(&self) -> impl Iterator<Item = [[f64; 2]; 2]> + Clone + '_ {
        let count = self.corners_m.len();
        (0..count).map(move |i| [self.corners_m[i], self.corners_m[(i + 1) % count]])
    }

    fn signed_area(&self) -> f64 {
        0.5 * self.walls().map(|[a, b]| a[0] * b[1] - b[0] * a[1]).sum::<f64>()
    }

    /// Area, m².
    #[must_use]
    pub fn area_m2(&self) -> f64 {
        self.signed_area().abs()
    }

    /// Whether two walls that aren't neighbours meet.
    fn crosses(&self) -> bool {
        let walls: Vec<[[f64; 2]; 2]> = self.walls().collect();
        let count = walls.len();
        (0..count).any(|i| {
            (i + 2..count).filter(|&j| !(i == 0 && j + 1 == count)).any(|j| meet(walls[i], walls[j]))
        })
    }

    /// Corners where the room reaches round a wall, metres: sound bends sharply there.
    #[must_use]
    pub fn inner_corners_m(&self) -> Vec<[f64; 2]> {
        let (c, n) = (&self.corners_m, self.corners_m.len());
        (0..n).filter(|&i| turn(c[(i + n - 1) % n], c[i], c[(i + 1) % n]) < -1e-9).map(|i| c[i]).collect()
    }

    /// Whether a point lies inside or within a millimetre of a wall.
    #[must_use]
    pub fn holds(&self, at: [f64; 2]) -> bool {
        let crossings = self.walls().filter(|[a, b]| {
            (a[1] > at[1]) != (b[1] > at[1]) && at[0] < (b[0] - a[0]) * (at[1] - a[1]) / (b[1] - a[1]) + a[0]
        });
        crossings.count() % 2 == 1 || self.walls().any(|wall| distance_m(wall, at) < 1e-3)
    }
}

/// Distance of a point from a wall, metres.
pub(in crate::room) fn distance_m([a, b]: [[f64; 2]; 2], at: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let t = (((at[0] - a[0]) * dx + (at[1] - a[1]) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
    (at[0] - a[0] - t * dx).hypot(at[1] - a[1] - t * dy)
}

/// Whether two stretches share a point.
fn meet([a, b]: [[f64; 2]; 2], [c, d]: [[f64; 2]; 2]) -> bool {
    let (p, q) = (turn(a, b, c), turn(a, b, d));
    let (r, s) = (turn(c, d, a), turn(c, d, b));
    if p * q < 0.0 && r * s < 0.0 {
        return true;
    }
    let touches = |wall: [[f64; 2]; 2], at: [f64; 2]| distance_m(wall, at) < 1e-6;
    touches([a, b], c) || touches([a, b], d) || touches([c, d], a) || touches([c, d], b)
}

#[cfg(test)]
mod tests {
    use super::*;

    const L: [[f64; 2]; 6] = [[0.0, 0.0], [5.45, 0.0], [5.45, 3.1], [3.6, 3.1], [3.6, 4.55], [0.0, 4.55]];

    #[test]
    fn an_l_is_a_plan_whichever_way_round() {
        let there = Outline::new(&L).unwrap();
        let back: Vec<[f64; 2]> = L.iter().rev().copied().collect();
        assert!((there.area_m2() - 22.115).abs() < 1e-9);
        assert!((Outline::new(&back).unwrap().area_m2() - 22.115).abs() < 1e-9);
        assert_eq!(there.inner_corners_m(), [[3.6, 3.1]]);
        assert!(there.holds([1.0, 4.0]) && there.holds([5.45, 1.0]) && !there.holds([4.5, 4.0]));
    }

    #[test]
    fn what_is_no_plan_says_why() {
        let bow = [[0.0, 0.0], [4.0, 3.0], [4.0, 0.0], [0.0, 3.0]];
        let touching = [[0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [2.0, 0.0], [0.0, 3.0]];
        for (corners, said) in [
            (&bow[..], "cross"),
            (&touching, "cross or touch"),
            (&bow[..2], "3 to 60"),
            (&[[0.0, 0.0], [f64::NAN, 0.0], [1.0, 1.0]], "numbers"),
            (&[[0.0, 0.0], [0.1, 0.0], [0.1, 0.1]], "0.25"),
        ] {
            let error = Outline::new(corners).unwrap_err().to_string();
            assert!(error.contains(said), "{error}");
        }
    }
}
