//! Where a microphone could stand: the listening positions, and places near corners, edges and walls.

use crate::room::Enclosure;

/// A place where a microphone could stand.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// What to call it.
    pub name: String,
    /// Where, metres.
    pub at_m: [f64; 3],
    /// Part of the plan whatever it adds: a listening position.
    pub given: bool,
}

/// How far a microphone stays off each surface, metres: a capsule on its stand has room there, and the pressure is 0.98 of
/// the surface's at 120 Hz, 0.93 at 200 Hz (cos 2π·0.1/λ). Our own choice.
pub const OFF_M: f64 = 0.1;

/// The listening positions, then places in all corners, at the middles of all edges and walls, in this order, as near to
/// the surfaces as a microphone goes.
#[must_use]
pub fn candidates(air: &Enclosure, seats: &[(String, [f64; 3])]) -> Vec<Candidate> {
    let seats = seats.iter().map(|(name, at_m)| Candidate { name: name.clone(), at_m: *at_m, given: true });
    let points = match air.dimensions_m() {
        Some(dimensions_m) => of_a_box(dimensions_m),
        None => of_a_plan(&air.plan_m(), air.height_m()),
    };
    let named = points.into_iter().map(|(what, at_m)| Candidate {
        name: format!("{what} ({:.2}, {:.2}, {:.2})", at_m[0], at_m[1], at_m[2]),
        at_m,
        given: false,
    });
    seats.chain(named).collect()
}

/// Corners, edge middles and wall middles of a box, floor and ceiling counted as walls.
fn of_a_box(dimensions_m: [f64; 3]) -> Vec<(&'static str, [f64; 3])> {
    let mut places = Vec::new();
    for (middles, what) in [(0, CORNER), (1, EDGE), (2, WALL)] {
        for code in 0..27u32 {
            let halves = [code / 9, code / 3 % 3, code % 3].map(|digit| [0, 2, 1][digit as usize]);
            if halves.iter().filter(|&&h| h == 1).count() == middles {
                let at = |axis: usize| {
                    let length_m = dimensions_m[axis];
                    inside(f64::from(halves[axis]) * 0.5 * length_m, length_m)
                };
                places.push((what, [0, 1, 2].map(at)));
            }
        }
    }
    places
}

/// A place between 0 and a length, off both ends.
fn inside(at_m: f64, length_m: f64) -> f64 {
    let off_m = OFF_M.min(0.25 * length_m);
    at_m.clamp(off_m, length_m - off_m)
}

/// The candidates over a plan; floor and ceiling have no middle of their own.
fn of_a_plan(corners: &[[f64; 2]], height_m: f64) -> Vec<(&'static str, [f64; 3])> {
    let at = |[x, y]: [f64; 2], z: f64| [x, y, z];
    let count = corners.len();
    let next = |i: usize| corners[(i + 1) % count];
    let inward = inward(corners);
    let moved = |[x, y]: [f64; 2], [dx, dy]: [f64; 2]| [x + OFF_M * dx, y + OFF_M * dy];
    let middles: Vec<[f64; 2]> = (0..count)
        .map(|i| {
            let middle = [0.5 * (corners[i][0] + next(i)[0]), 0.5 * (corners[i][1] + next(i)[1])];
            moved(middle, inward[i])
        })
        .collect();
    // Off both walls alike: along the sum of their normals; not through the tip of a spike.
    let corners: Vec<[f64; 2]> = (0..count)
        .map(|i| {
            let (a, b) = (inward[(i + count - 1) % count], inward[i]);
            let both = (1.0 + a[0] * b[0] + a[1] * b[1]).max(0.1);
            moved(corners[i], [(a[0] + b[0]) / both, (a[1] + b[1]) / both])
        })
        .collect();
    let levels = [inside(0.0, height_m), inside(height_m, height_m)];
    let mut places = Vec::new();
    places.extend(corners.iter().flat_map(|c| levels.map(|z| (CORNER, at(*c, z)))));
    places.extend(corners.iter().map(|c| (EDGE, at(*c, 0.5 * height_m))));
    places.extend(middles.iter().flat_map(|m| levels.map(|z| (EDGE, at(*m, z)))));
    places.extend(middles.iter().map(|m| (WALL, at(*m, 0.5 * height_m))));
    places
}

/// Normal of the wall from each corner to the next, of length one, into the room.
fn inward(corners: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let next = |i: usize| corners[(i + 1) % corners.len()];
    let twice_area: f64 =
        (0..corners.len()).map(|i| corners[i][0] * next(i)[1] - next(i)[0] * corners[i][1]).sum();
    let normal = |i: usize| {
        let (dx, dy) = (next(i)[0] - corners[i][0], next(i)[1] - corners[i][1]);
        let length = dx.hypot(dy).max(f64::MIN_POSITIVE) * twice_area.signum();
        [-dy / length, dx / length]
    };
    (0..corners.len()).map(normal).collect()
}

const CORNER: &str = "corner";
const EDGE: &str = "edge middle";
const WALL: &str = "wall middle";

#[cfg(test)]
mod tests {
    use super::super::tests::{ROOM, room};
    use super::*;

    /// Corners, edges and walls of a box: 8, 12, 6.
    #[test]
    fn candidates_are_the_points_of_a_box() {
        let all = candidates(&room(60.0), &[]);
        let count = |what: &str| all.iter().filter(|c| c.name.starts_with(what)).count();
        assert_eq!([count("corner"), count("edge"), count("wall")], [8, 12, 6]);
        assert_eq!(all[0].at_m, [0.1; 3], "where a microphone can stand");
        let inside = |c: &Candidate| (0..3).all(|k| (0.1..=ROOM[k] - 0.1).contains(&c.at_m[k]));
        assert!(all.iter().all(inside));
    }
}
