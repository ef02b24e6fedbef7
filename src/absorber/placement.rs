//! What the same unit would do at other places: coupling goes with the mode's pressure where it stands.
//!
//! g scales with |shape at the place|; T60 at the best setting there is 3 ln 10/(δ0 + g/2). Neighbours
//! lose or gain too: a unit at angular distance Δω from one changes its decay constant by about
//! (g²/4)(δa − δ0)/((δa − δ0)² + Δω²) with that mode's g (first order of the coupled equation).
//! The frequency that the unit needs changes with its place, so it has to be retuned there.

use super::coupled::{Resonator, best_t60_s, best_unit};
use crate::modes::LN_1000;
use crate::room::Enclosure;

/// Steps of the grid over the floor, besides walls and corners.
const GRID: usize = 4;
/// Height of the grid: a unit on the floor, metres.
const FLOOR_M: f64 = 0.3;

/// A mode of the room that the unit meets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoomMode {
    /// Its place in the room's list.
    pub listed: usize,
    /// Its pole without the unit.
    pub own: Resonator,
}

/// A place and what to expect of the unit there, retuned and damped for it.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Placement {
    /// The place in words.
    pub name: String,
    /// Where it is, metres.
    pub at_m: [f64; 3],
    /// Coupling to the target there, 1/s.
    pub coupling_per_s: f64,
    /// T60 of the target at the best setting there, seconds.
    pub t60_s: f64,
    /// The other mode whose T60 changes most by it: frequency, Hz, and factor on its T60.
    pub other: Option<(f64, f64)>,
}

/// Corners, wall middles and a grid over the floor, the best for the target first.
///
/// `air`: the room whose list the modes are of.
/// `g_per_s`: coupling to the target at `at_m`, where the unit stands now. Empty where the target has no
/// pressure there, since then nothing can be scaled.
#[must_use]
pub fn placements(
    air: &Enclosure,
    target: RoomMode,
    others: &[RoomMode],
    g_per_s: f64,
    at_m: [f64; 3],
) -> Vec<Placement> {
    let here = air.shape(target.listed, at_m).abs();
    if here < 0.05 {
        return Vec::new();
    }
    let per_shape = g_per_s / here;
    let mut all: Vec<Placement> = places(air)
        .into_iter()
        .map(|(name, at)| {
            let g = per_shape * air.shape(target.listed, at).abs();
            let unit = best_unit(target.own, g);
            let other = others
                .iter()
                .map(|o| (o, factor(o, unit, coupling(air, target, o, per_shape, at))))
                .max_by(|a, b| a.1.ln().abs().total_cmp(&b.1.ln().abs()))
                .map(|(o, f)| (o.own.omega_per_s / std::f64::consts::TAU, f));
            Placement { name, at_m: at, coupling_per_s: g, t60_s: best_t60_s(target.own, g), other }
        })
        .collect();
    all.sort_by(|a, b| a.t60_s.total_cmp(&b.t60_s));
    all
}

/// Coupling to another mode at a place: the scaled shapes count, whose mean square over the room is one.
fn coupling(air: &Enclosure, target: RoomMode, other: &RoomMode, per_shape: f64, at: [f64; 3]) -> f64 {
    let scale = |mode: usize| air.modes[mode].mean_square.sqrt().recip();
    per_shape * scale(other.listed) / scale(target.listed) * air.shape(other.listed, at).abs()
}

/// Factor on the other mode's T60.
fn factor(other: &RoomMode, unit: Resonator, g: f64) -> f64 {
    let (extra, away) = (unit.decay_per_s - other.own.decay_per_s, unit.omega_per_s - other.own.omega_per_s);
    let more = 0.25 * g * g * extra / (extra * extra + away * away);
    other.own.decay_per_s / (other.own.decay_per_s + more).max(0.1 * other.own.decay_per_s)
}

/// Floor and ceiling in each corner and in the middle, foot and middle of each wall, and a grid over the floor; none of
/// it outside the plan.
fn places(air: &Enclosure) -> Vec<(String, [f64; 3])> {
    let (mut plan, height) = (air.plan_m(), air.height_m());
    let mut middles: Vec<[f64; 2]> = plan
        .iter()
        .zip(plan.iter().cycle().skip(1))
        .map(|(a, b)| [0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])])
        .collect();
    let [low, high] = [f64::min, f64::max]
        .map(|pick| [0, 1].map(|k| plan.iter().map(|c| c[k]).reduce(pick).unwrap_or(0.0)));
    let within = |share: [f64; 2]| [0, 1].map(|k| low[k] + share[k] * (high[k] - low[k]));
    // Of equally good places the first is named first: those nearer the origin, whichever way round the plan was drawn.
    plan.sort_by(|a, b| a[1].total_cmp(&b[1]).then(a[0].total_cmp(&b[0])));
    let off = |at: &[f64; 2]| (at[1] - within([0.5, 0.5])[1]).abs();
    middles.sort_by(|a, b| off(a).total_cmp(&off(b)).then(a[0].total_cmp(&b[0])).then(a[1].total_cmp(&b[1])));
    let mut places = Vec::new();
    for (z, level) in [(0.0, "floor"), (height, "ceiling")] {
        for [x, y] in &plan {
            places.push((format!("{level} corner {x:.2}, {y:.2}"), [*x, *y, z]));
        }
        let [x, y] = within([0.5, 0.5]);
        places.push((format!("middle of the {level}"), [x, y, z]));
    }
    for [x, y] in middles {
        places.push((format!("foot of the wall middle {x:.2}, {y:.2}"), [x, y, 0.0]));
        places.push((format!("middle of the wall {x:.2}, {y:.2}"), [x, y, 0.5 * height]));
    }
    for i in 1..GRID {
        for j in 1..GRID {
            let [x, y] = within([i as f64 / GRID as f64, j as f64 / GRID as f64]);
            places.push((format!("on the floor {x:.2}, {y:.2}"), [x, y, FLOOR_M]));
        }
    }
    places.retain(|(_, at)| air.holds(*at));
    places
}

/// How many such units, each at as good a place, bring the target to a T60; `None` where that is no
/// treatment at all or the unit has no coupling.
///
/// g² adds: δ = δ0 + √n g/2, so n = ⌈(2(3 ln 10/T − δ0)/g)²⌉. Each then needs damping δ0 + √n g.
#[must_use]
pub fn units_for(mode: Resonator, g_per_s: f64, target_t60_s: f64) -> Option<u32> {
    let more = 2.0 * (LN_1000 / target_t60_s - mode.decay_per_s);
    let count = (more / g_per_s).powi(2).ceil();
    (more > 0.0 && g_per_s > 0.0 && count < 1e6).then_some(count as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::simulate::{Scene, Unit};
    use approx::assert_relative_eq;
    use std::f64::consts::TAU;

    const ROOM: [f64; 3] = [5.15, 3.86, 2.48];

    /// Slower of the two poles that the mode (1,0,0) becomes with these units in the full room.
    fn slower(units: Vec<Unit>, scene: &Scene) -> f64 {
        let solved = Scene { units, ..scene.clone() }.solve().unwrap();
        let own = solved.room_poles().iter().filter(|p| p.axes == Some([1, 0, 0]));
        own.map(|p| -p.s.re).fold(f64::INFINITY, f64::min)
    }

    /// Best T60 by a search over frequency and damping in the full room of two hundred hertz.
    fn search(at: &[[f64; 3]], per_unit: f64, scene: &Scene) -> f64 {
        let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
        let unit = |at: [f64; 3], off: f64, delta: f64| Unit {
            omega_per_s: omega + off,
            decay_per_s: delta,
            coupling_per_s: per_unit,
            at_m: at,
        };
        let decay_of =
            |off: f64, delta: f64| slower(at.iter().map(|a| unit(*a, off, delta)).collect(), scene);
        let (mut off, mut delta, mut step) = (0.0, 2.0 * decay, (TAU, 3.0));
        let mut best = decay_of(off, delta);
        while step.0 > 0.01 {
            let mut moved = false;
            for (f, d) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
                let (o, e) = (off + f * step.0, delta + d * step.1);
                let found = decay_of(o, e);
                if found > best {
                    (off, delta, best, moved) = (o, e, found, true);
                }
            }
            if !moved {
                step = (0.6 * step.0, 0.6 * step.1);
            }
        }
        LN_1000 / best
    }

    /// Scaled from a corner, T60 at another place is met by the full room within 8 %: a pattern search
    /// climbs the cusp to a per cent or two, the rest is what the other modes do.
    #[test]
    fn another_place_is_predicted() {
        let scene = Scene::empty(ROOM, 20.0, 0.012, 160.0);
        let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
        let own = Resonator { omega_per_s: omega, decay_per_s: decay };
        let air = Enclosure::rectangular(ROOM, 20.0, 160.0).unwrap();
        let target = RoomMode { listed: 0, own };
        let corner = [0.0, 0.0, 0.0];
        let per_unit = scene.unit_for([1, 0, 0], 9.0, corner, (omega, 8.0)).coupling_per_s;
        let found = placements(&air, target, &[], 9.0, corner);
        let quarter = found.iter().find(|p| p.name.starts_with("on the floor 1.29, 1.93")).unwrap();
        assert_relative_eq!(quarter.coupling_per_s, 9.0 * (TAU / 8.0).cos(), max_relative = 1e-9);
        let searched = search(&[quarter.at_m], per_unit, &scene);
        assert_relative_eq!(quarter.t60_s, searched, max_relative = 0.08);
        // On the nodal plane it does nothing.
        let middle = found.iter().find(|p| p.name == "middle of the floor").unwrap();
        assert_relative_eq!(middle.t60_s, LN_1000 / decay, max_relative = 1e-9);
        assert!(found[0].name.contains("corner"), "{}", found[0].name);
    }

    /// Couplings of equal units add in squares; two in opposite corners against the full room.
    #[test]
    fn units_add_in_squares() {
        let scene = Scene::empty(ROOM, 20.0, 0.012, 160.0);
        let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
        let own = Resonator { omega_per_s: omega, decay_per_s: decay };
        let corners = [[0.0; 3], [ROOM[0], ROOM[1], 0.0]];
        let per_unit = scene.unit_for([1, 0, 0], 6.0, corners[0], (omega, 8.0)).coupling_per_s;
        let searched = search(&corners, per_unit, &scene);
        assert_relative_eq!(best_t60_s(own, 6.0 * 2f64.sqrt()), searched, max_relative = 0.08);
        assert_eq!(units_for(own, 6.0, best_t60_s(own, 6.0) * 1.0001), Some(1));
        assert_eq!(units_for(own, 6.0, best_t60_s(own, 12.0) * 1.0001), Some(4));
        assert_eq!(units_for(own, 6.0, 100.0), None);
    }

    /// δ = 4 1/s beside a unit of δ = 8 1/s and g = 4 1/s: on its frequency 16/4 · 4/16 = 1 more, 3 rad/s off 16/4 · 4/25.
    #[test]
    fn a_neighbour_gains_by_first_order() {
        let own = Resonator { omega_per_s: 250.0, decay_per_s: 4.0 };
        let on = |omega_per_s: f64| {
            factor(&RoomMode { listed: 0, own }, Resonator { omega_per_s, decay_per_s: 8.0 }, 4.0)
        };
        assert_relative_eq!(on(250.0), 4.0 / 5.0, max_relative = 1e-12);
        assert_relative_eq!(on(253.0), 4.0 / 4.64, max_relative = 1e-12);
    }

    /// In a corner all shapes are one: modes of one axis couple alike, one of two axes √2 times as much, as its mean square
    /// is half of theirs.
    #[test]
    fn coupling_to_another_mode_goes_by_scaled_shapes() {
        let air = Enclosure::rectangular(ROOM, 20.0, 160.0).unwrap();
        let own = Resonator { omega_per_s: 250.0, decay_per_s: 4.0 };
        let of = |listed: usize| RoomMode { listed, own };
        let target = of(0);
        for listed in 0..4 {
            let ratio = (air.modes[0].mean_square / air.modes[listed].mean_square).sqrt();
            let found = coupling(&air, target, &of(listed), 9.0, [0.0; 3]);
            assert_relative_eq!(found, 9.0 * ratio, max_relative = 1e-9);
        }
        let half = coupling(&air, target, &target, 9.0, [ROOM[0] / 3.0, 0.0, 0.0]);
        assert_relative_eq!(half, 4.5, max_relative = 1e-9);
    }
}
