//! A flat rectangle on a wall, floor or ceiling: where a panel or an opening meets the room's air.

use super::RoomError;

/// A rectangle in the room, upright or level: `corner + u·along + v·up` with u and v from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Face {
    /// One corner, metres.
    pub corner_m: [f64; 3],
    /// From that corner along the lower edge, metres.
    pub along_m: [f64; 3],
    /// From that corner along the other edge, metres; upright for a wall.
    pub up_m: [f64; 3],
}

/// Nodes and weights on 0…1 of Gauss' formula of 12 points, exact for polynomials of degree 23
/// (Abramowitz & Stegun, *Handbook of Mathematical Functions*, table 25.4, moved from −1…1).
const GAUSS: [(f64, f64); 6] = [
    (0.125_233_408_511_469, 0.249_147_045_813_403),
    (0.367_831_498_998_180, 0.233_492_536_538_355),
    (0.587_317_954_286_617, 0.203_167_426_723_066),
    (0.769_902_674_194_305, 0.160_078_328_543_346),
    (0.904_117_256_370_475, 0.106_939_325_995_318),
    (0.981_560_634_246_719, 0.047_175_336_386_512),
];

/// The points of Gauss' formula on 0…1 with their weights.
pub(super) fn gauss() -> impl Iterator<Item = (f64, f64)> + Clone {
    GAUSS.into_iter().flat_map(|(x, w)| [-1.0, 1.0].map(|sign| (0.5 + 0.5 * sign * x, 0.5 * w)))
}

impl Face {
    /// The rectangle between two opposite corners: level if both are equally high, else upright.
    ///
    /// # Errors
    /// [`RoomError::Face`] where the corners span no area.
    pub fn between(from_m: [f64; 3], to_m: [f64; 3]) -> Result<Self, RoomError> {
        let [dx, dy, dz] = [0, 1, 2].map(|i| to_m[i] - from_m[i]);
        let (along_m, up_m) =
            if dz.abs() < 1e-9 { ([dx, 0.0, 0.0], [0.0, dy, 0.0]) } else { ([dx, dy, 0.0], [0.0, 0.0, dz]) };
        let face = Self { corner_m: from_m, along_m, up_m };
        if face.area_m2() > 1e-6 && face.area_m2().is_finite() { Ok(face) } else { Err(RoomError::Face) }
    }

    /// Lengths of its two edges, metres.
    #[must_use]
    pub fn sides_m(&self) -> [f64; 2] {
        [self.along_m, self.up_m].map(|edge| edge.iter().map(|x| x * x).sum::<f64>().sqrt())
    }

    /// Area, m².
    #[must_use]
    pub fn area_m2(&self) -> f64 {
        self.sides_m().iter().product()
    }

    /// The point at shares u and v of its edges, metres.
    #[must_use]
    pub fn point_m(&self, u: f64, v: f64) -> [f64; 3] {
        [0, 1, 2].map(|i| self.corner_m[i] + u * self.along_m[i] + v * self.up_m[i])
    }

    /// Its middle, metres.
    #[must_use]
    pub fn middle_m(&self) -> [f64; 3] {
        self.point_m(0.5, 0.5)
    }

    /// Whether another face of the same wall, floor or ceiling takes some of its place: their bounds along the axes share
    /// more than an edge.
    #[must_use]
    pub fn overlaps(&self, other: &Face) -> bool {
        const EDGE_M: f64 = 1e-3;
        let corners = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)];
        if corners.iter().any(|(u, v)| self.off_plane_m(other.point_m(*u, *v)) > EDGE_M) {
            return false;
        }
        let ends = |face: &Face, axis: usize| {
            let (a, b) = (face.corner_m[axis], face.point_m(1.0, 1.0)[axis]);
            (a.min(b), a.max(b))
        };
        let shared: Vec<f64> = (0..3)
            .map(|axis| {
                let ((low, high), (other_low, other_high)) = (ends(self, axis), ends(other, axis));
                high.min(other_high) - low.max(other_low)
            })
            .collect();
        shared.iter().all(|along| *along > -EDGE_M)
            && shared.iter().filter(|along| **along > EDGE_M).count() > 1
    }

    /// Distance of a point from the face's plane, metres.
    fn off_plane_m(&self, point_m: [f64; 3]) -> f64 {
        let ([ax, ay, az], [bx, by, bz]) = (self.along_m, self.up_m);
        let normal = [ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx];
        let length = normal.iter().map(|n| n * n).sum::<f64>().sqrt();
        let along: f64 = (0..3).map(|i| normal[i] * (point_m[i] - self.corner_m[i])).sum();
        along.abs() / length
    }

    /// Mean over the face of a quantity and of its square.
    pub fn means(&self, of: impl Fn([f64; 3]) -> f64) -> (f64, f64) {
        let (mut mean, mut square) = (0.0, 0.0);
        for (u, wu) in gauss() {
            for (v, wv) in gauss() {
                let value = of(self.point_m(u, v));
                mean += wu * wv * value;
                square += wu * wv * value * value;
            }
        }
        (mean, square)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faces_overlap_that_share_an_area_of_one_wall() {
        let face = |from: [f64; 3], to: [f64; 3]| Face::between(from, to).unwrap();
        let wall = face([0.0, 0.0, 0.0], [0.0, 3.4, 1.0]);
        assert!(wall.overlaps(&face([0.0, 4.25, 0.0], [0.0, 0.85, 1.2])));
        assert!(!wall.overlaps(&face([0.0, 4.25, 0.0], [0.0, 3.4, 1.0])), "side by side");
        assert!(!wall.overlaps(&face([0.0, 0.0, 0.0], [2.0, 0.0, 1.0])), "round the corner");
        assert!(!wall.overlaps(&face([5.6, 0.0, 0.0], [5.6, 3.4, 1.0])), "the wall opposite");
        // Two walls of a plan that meet at an obtuse angle: their bounds share a strip, the walls only an edge.
        let slanted = face([0.0, 0.0, 0.0], [2.0, 1.0, 1.0]);
        assert!(!slanted.overlaps(&face([2.0, 1.0, 0.0], [1.0, 2.0, 1.0])), "round an obtuse corner");
        assert!(slanted.overlaps(&face([1.0, 0.5, 0.5], [3.0, 1.5, 1.0])), "further along the same wall");
    }

    #[test]
    fn corners_span_walls_and_floors() {
        let wall = Face::between([0.0, 1.2, 0.0], [0.0, 2.19, 0.91]).unwrap();
        assert!((wall.area_m2() - 0.9009).abs() < 1e-12);
        let floor = Face::between([1.0, 1.0, 0.0], [2.0, 1.5, 0.0]).unwrap();
        assert!((floor.area_m2() - 0.5).abs() < 1e-12);
        assert_eq!(floor.middle_m(), [1.5, 1.25, 0.0]);
        for bad in [[0.0, 1.2, 1.0], [f64::NAN, 0.0, 0.0], [0.0, 1.2, 0.0]] {
            assert!(Face::between([0.0, 1.2, 0.0], bad).is_err(), "{bad:?}");
        }
    }

    /// The mean of a cosine over an interval is a difference of sines.
    #[test]
    fn means_are_the_integrals() {
        let face = Face::between([0.0, 0.3, 0.2], [0.0, 1.9, 1.4]).unwrap();
        let (ky, kz) = (7.0, 6.0);
        let (mean, square) = face.means(|[_, y, z]| (ky * y).cos() * (kz * z).cos());
        let part = |k: f64, a: f64, b: f64| ((k * b).sin() - (k * a).sin()) / (k * (b - a));
        let squared = |k: f64, a: f64, b: f64| 0.5 + 0.5 * part(2.0 * k, a, b);
        assert!((mean - part(ky, 0.3, 1.9) * part(kz, 0.2, 1.4)).abs() < 1e-11);
        assert!((square - squared(ky, 0.3, 1.9) * squared(kz, 0.2, 1.4)).abs() < 1e-5);
    }
}
