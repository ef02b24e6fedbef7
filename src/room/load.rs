//! How the air before a wall loads a small face by all the modes above a limit.
//!
//! Near the face the air moves to and fro as if it were part of it; in modes, the many high ones
//! add up to a mass, `μ = Σ κ_n/(ω_n² − ω²)`. For each pair of indices along the wall the sum over
//! the third runs in closed form, `Σ_n ε_n/((nπ/D)² + q²) = D coth(qD)/q` (Gradshteyn & Ryzhik, 1.421.4),
//! and what the list holds already is taken off again.

use super::enclosure::Enclosure;
use super::face::Face;
use super::polygon::Outline;
use std::f64::consts::PI;

/// The wall that a face lies in, as the wall of a box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Wall {
    /// The two sides of the wall, metres.
    pub sides_m: [f64; 2],
    /// From the wall to the opposite one, metres.
    pub depth_m: f64,
    /// Ends of the face along the first side, metres.
    pub along_m: [f64; 2],
    /// Ends of the face along the second side, metres.
    pub up_m: [f64; 2],
}

impl Wall {
    /// The wall of a rectangular room that a face is parallel to.
    pub fn of_box(dimensions_m: [f64; 3], face: &Face) -> Self {
        let spans = [face.along_m, face.up_m];
        let axis =
            |edge: [f64; 3]| (0..3).max_by(|&a, &b| edge[a].abs().total_cmp(&edge[b].abs())).unwrap_or(0);
        let [first, second] = spans.map(axis);
        let ends = |axis: usize, edge: [f64; 3]| {
            let (a, b) = (face.corner_m[axis], face.corner_m[axis] + edge[axis]);
            [a.min(b), a.max(b)]
        };
        Self {
            sides_m: [dimensions_m[first], dimensions_m[second]],
            depth_m: dimensions_m[3usize.saturating_sub(first + second).min(2)],
            along_m: ends(first, spans[0]),
            up_m: ends(second, spans[1]),
        }
    }

    /// The wall of a plan that a face stands on, as the wall of a box as deep as the room is before it: what
    /// loads a face beyond the list is near it. A level face: floor or ceiling of the box round the plan.
    pub fn of_plan(outline: &Outline, height_m: f64, face: &Face) -> Self {
        let ends = |a: f64, b: f64| [a.min(b), a.max(b)];
        let middle = face.middle_m();
        if face.up_m[2] == 0.0 {
            let [low, high] = [f64::min, f64::max]
                .map(|pick| [0, 1].map(|i| outline.corners_m().iter().map(|c| c[i]).fold(middle[i], pick)));
            let [a, b] = [0, 1].map(|i| {
                let edge = if i == 0 { face.along_m[0] } else { face.up_m[1] };
                ends(face.corner_m[i] - low[i], face.corner_m[i] + edge - low[i])
            });
            let sides_m = [high[0] - low[0], high[1] - low[1]];
            return Self { sides_m, depth_m: height_m, along_m: a, up_m: b };
        }
        let at = [middle[0], middle[1]];
        let nearest = outline.walls().min_by(|a, b| {
            crate::room::polygon::distance_m(*a, at).total_cmp(&crate::room::polygon::distance_m(*b, at))
        });
        let [from, to] = nearest.unwrap_or([[0.0; 2], [1.0, 0.0]]);
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        let along = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
        let position =
            |p: [f64; 3]| ((p[0] - from[0]) * along[0] + (p[1] - from[1]) * along[1]).clamp(0.0, length);
        let far = face.point_m(1.0, 1.0);
        Self {
            sides_m: [length, height_m],
            depth_m: depth_before(outline, at, [-along[1], along[0]]),
            along_m: ends(position(face.corner_m), position(far)),
            up_m: ends(face.corner_m[2], far[2]),
        }
    }

    /// The load at `hertz` of all modes above the enclosure's list.
    ///
    /// Taken at three imaginary frequencies, where nothing resonates, and extended to the real one:
    /// the sum is smooth in ω² far below its first term.
    pub fn load_kg_m2(&self, air: &Enclosure, hertz: f64) -> f64 {
        let unit = (2.0 * PI * hertz / air.sound_speed_m_s).powi(2);
        let columns = self.columns();
        let at = |multiple: f64| {
            let sum: f64 = columns.iter().map(|c| c.above(multiple * unit, self.depth_m, air)).sum();
            air.density_kg_m3 * self.area_m2() * sum
        };
        // The parabola through 1, 2 and 3 units, at −1.
        6.0 * at(1.0) - 8.0 * at(2.0) + 3.0 * at(3.0)
    }

    fn area_m2(&self) -> f64 {
        (self.along_m[1] - self.along_m[0]) * (self.up_m[1] - self.up_m[0])
    }

    /// All pairs of indices along the wall with their weights, as far as the face feels them.
    fn columns(&self) -> Vec<Column> {
        let first = Series::new(self.sides_m[0], self.along_m);
        let second = Series::new(self.sides_m[1], self.up_m);
        let mut columns = Vec::with_capacity(first.0.len() * second.0.len());
        for &(ka, wa) in &first.0 {
            for &(kb, wb) in &second.0 {
                columns.push(Column { across_per_m2: ka + kb, weight_per_m2: wa * wb });
            }
        }
        columns
    }
}

/// How far the room goes from a point along a direction, metres.
fn depth_before(outline: &Outline, at: [f64; 2], into: [f64; 2]) -> f64 {
    let hits = outline.walls().filter_map(|[a, b]| {
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let across = into[0] * dy - into[1] * dx;
        let t = ((a[0] - at[0]) * dy - (a[1] - at[1]) * dx) / across;
        let u = ((a[0] - at[0]) * into[1] - (a[1] - at[1]) * into[0]) / across;
        (across != 0.0 && t > 0.1 && (0.0..=1.0).contains(&u)).then_some(t)
    });
    let nearest = hits.fold(f64::INFINITY, f64::min);
    if nearest.is_finite() { nearest } else { 3.0 }
}

/// Along one side: squared wave number and ε ψ̄²/side of each index.
struct Series(Vec<(f64, f64)>);

impl Series {
    fn new(side_m: f64, [from, to]: [f64; 2]) -> Self {
        // Twelve lobes of the mean's fall-off: what is left out is under a per cent of the load.
        let last = (24.0 * side_m / (to - from).max(1e-3)).ceil().clamp(40.0, 400.0) as usize;
        let term = |n: usize| {
            let k = n as f64 * PI / side_m;
            let (mean, double) = match n {
                0 => (1.0, 1.0),
                _ => (((k * to).sin() - (k * from).sin()) / (k * (to - from)), 2.0),
            };
            (k * k, double * mean * mean / side_m)
        };
        Self((0..=last).map(term).collect())
    }
}

/// All modes with one pair of indices along the wall.
struct Column {
    across_per_m2: f64,
    weight_per_m2: f64,
}

impl Column {
    /// Σ over the third index of ε weight/(depth·(k² + extra)), less the terms that the list holds.
    fn above(&self, extra_per_m2: f64, depth_m: f64, air: &Enclosure) -> f64 {
        let q = (self.across_per_m2 + extra_per_m2).sqrt();
        let all = 1.0 / (q * (q * depth_m).tanh());
        let limit = (2.0 * PI * air.up_to_hz / air.sound_speed_m_s).powi(2);
        let mut listed = 0.0;
        let mut n = 0.0f64;
        loop {
            let normal = (n * PI / depth_m).powi(2);
            if self.across_per_m2 + normal > limit {
                break;
            }
            let double = if n > 0.0 { 2.0 } else { 1.0 };
            listed += double / (depth_m * (q * q + normal));
            n += 1.0;
        }
        self.weight_per_m2 * (all - listed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small square in the middle of a large wall moves air as in an endless wall: the mean of 1/r over
    /// a unit square is 4 (ln(1 + √2) + (1 − √2)/3) = 2.9732, so its load is 2.9732/(2π) ρ w = 0.4732 ρ w
    /// (Rayleigh's integral at low frequency; for a disk the same integral gives 8ρa/3π). The room's own
    /// reflections and the whole room's pressure are of order w/room and stay in the list.
    #[test]
    fn a_small_face_in_a_large_wall_carries_rayleighs_mass() {
        let room = [14.0, 12.0, 11.0];
        let air = Enclosure::rectangular(room, 20.0, 60.0).unwrap();
        let w = 0.5;
        let face = Face::between([0.0, 5.75, 5.25], [0.0, 5.75 + w, 5.25 + w]).unwrap();
        let listed: f64 = (0..air.modes.len())
            .map(|n| {
                air.meets(n, face.area_m2()) * air.over(n, &face).0.powi(2)
                    / (2.0 * PI * air.modes[n].frequency_hz).powi(2)
            })
            .sum();
        let found = air.load_kg_m2(&face, 1.0) + listed;
        let rayleigh = 0.4732 * air.density_kg_m3 * w;
        // Images at 11 m and more: the mean of the reflected pressure is negative or positive by a few per cent.
        assert!((found / rayleigh - 1.0).abs() < 0.06, "{found} against {rayleigh}");
    }

    /// The load is the same wherever the list ends, if what lies between is added.
    #[test]
    fn where_the_list_ends_makes_no_difference() {
        let room = [6.01, 3.98, 2.7];
        let face = Face::between([0.0, 1.2, 0.0], [0.0, 2.19, 0.91]).unwrap();
        let total = |up_to: f64| {
            let air = Enclosure::rectangular(room, 20.0, up_to).unwrap();
            let omega = 2.0 * PI * 40.0;
            let listed: f64 = (0..air.modes.len())
                .map(|n| {
                    let own = 2.0 * PI * air.modes[n].frequency_hz;
                    air.meets(n, face.area_m2()) * air.over(n, &face).0.powi(2) / (own * own - omega * omega)
                })
                .sum();
            air.load_kg_m2(&face, 40.0) + listed
        };
        let (low, high) = (total(300.0), total(900.0));
        assert!((low - high).abs() < 2e-3 * high.abs(), "{low} {high}");
    }
}
