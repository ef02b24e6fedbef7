//! Where to put the microphone: the fewest places that see every mode and tell close ones apart.
//!
//! Two modes closer than a few hertz run into each other in the spectrum; what still tells them
//! apart is their shape over the places, measured by the modal assurance criterion
//! (Allemang 2003: `MAC = (Σ aψ)²/(Σ a² Σ ψ²)`, 1 for equal shapes, 0 for shapes with nothing in common).

mod candidates;
mod loudspeaker;

pub use candidates::{Candidate, OFF_M, candidates};

use super::{AirMode, Enclosure};
use loudspeaker::{driven_least, loudspeaker_m};

/// A mode counts as seen where its pressure is at least this share of full (−6 dB).
const SEEN: f64 = 0.5;
/// Modes closer than this have to differ in shape, hertz: one half-power width at a T60 of 0.73 s.
const CLOSE_HZ: f64 = 3.0;
/// Shapes with a modal assurance criterion up to this differ.
const ALIKE: f64 = 0.5;
/// A mode counts as driven where its pressure at the source is at least this (−20 dB).
pub const DRIVEN: f64 = 0.1;
/// Every set of up to this many places (beyond the given ones) is tried; a larger plan grows place by place and may hold one
/// too many (all fives of 26 candidates took 0.1 s). A room with many corners stops sooner, after about as many sets.
const TRIED_IN_FULL: usize = 6;

/// Places to measure at, and what even they can't do.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct MeasurementPlan {
    /// The places, the given ones first.
    pub positions: Vec<PlannedPosition>,
    /// Modes that no candidate sees.
    pub unseen: Vec<AirMode>,
    /// Modes that the loudspeaker can't drive from its place.
    pub undriven: Vec<AirMode>,
    /// Close modes that no choice of candidates tells apart.
    pub alike: Vec<(AirMode, AirMode)>,
    /// Where the loudspeaker goes: of the floor corners in which none of the places lies the one that drives its weakest
    /// mode best, of equally good ones the farthest from them all, metres; the corner itself, which no loudspeaker fills.
    /// `None` where the places take every floor corner.
    pub loudspeaker_m: Option<[f64; 3]>,
    /// The mode that is driven least from there, and its pressure there as a share of its largest in the room.
    pub driven_least: Option<(AirMode, f64)>,
}

/// One place of a plan.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct PlannedPosition {
    /// Name and place.
    pub candidate: Candidate,
    /// Why it is in the plan, one sentence.
    pub reason: String,
}

/// The fewest of the candidates that see every mode of the room and tell close ones apart.
///
/// Given candidates are always part of it. Of equally small sets the one with the clearest worst
/// case is taken, then the first. `source_m`: where the loudspeaker will stand; modes that it can't drive are
/// left out.
#[must_use]
pub fn plan(air: &Enclosure, candidates: &[Candidate], source_m: Option<[f64; 3]>) -> MeasurementPlan {
    searched(air, candidates, source_m, TRIED_IN_FULL)
}

/// The plan where sets of up to so many places are tried in full.
fn searched(
    air: &Enclosure,
    candidates: &[Candidate],
    source_m: Option<[f64; 3]>,
    tried_in_full: usize,
) -> MeasurementPlan {
    let driven = |mode: usize| source_m.is_none_or(|at| air.shape(mode, at).abs() >= DRIVEN);
    let (modes, undriven): (Vec<usize>, Vec<usize>) = (0..air.modes.len()).partition(|m| driven(*m));
    let task = Task::new(air, &modes, candidates);
    let chosen = task.choose(tried_in_full);
    let positions: Vec<PlannedPosition> = chosen.iter().map(|&place| task.explain(&chosen, place)).collect();
    let taken_m: Vec<[f64; 3]> = positions.iter().map(|position| position.candidate.at_m).collect();
    let loudspeaker_m = loudspeaker_m(air, &taken_m);
    let least = loudspeaker_m.and_then(|at| driven_least(air, at));
    MeasurementPlan {
        loudspeaker_m,
        driven_least: least.map(|(mode, share)| (air.modes[mode].clone(), share)),
        positions,
        unseen: task.hopeless.iter().map(|&m| task.modes[m].clone()).collect(),
        undriven: undriven.iter().map(|&m| air.modes[m].clone()).collect(),
        alike: task.hopeless_pairs.iter().map(|&pair| task.pair(pair)).collect(),
    }
}

/// What has to be seen and told apart, in numbers.
struct Task<'a> {
    modes: Vec<&'a AirMode>,
    candidates: &'a [Candidate],
    /// Shape of each mode at each candidate.
    shapes: Vec<Vec<f64>>,
    /// Modes that some candidate sees, and those that none does.
    wanted: Vec<usize>,
    hopeless: Vec<usize>,
    /// Close pairs that the candidates together tell apart, and those that they don't.
    pairs: Vec<(usize, usize)>,
    hopeless_pairs: Vec<(usize, usize)>,
}

impl<'a> Task<'a> {
    fn new(air: &'a Enclosure, listed: &[usize], candidates: &'a [Candidate]) -> Self {
        let shapes =
            listed.iter().map(|mode| candidates.iter().map(|c| air.shape(*mode, c.at_m)).collect()).collect();
        let modes = listed.iter().map(|mode| &air.modes[*mode]).collect();
        let mut task = Self {
            modes,
            candidates,
            shapes,
            wanted: Vec::new(),
            hopeless: Vec::new(),
            pairs: Vec::new(),
            hopeless_pairs: Vec::new(),
        };
        let all: Vec<usize> = (0..candidates.len()).collect();
        (task.wanted, task.hopeless) = (0..task.modes.len()).partition(|&mode| task.sees(&all, mode));
        let close = task.close_pairs();
        (task.pairs, task.hopeless_pairs) = close.into_iter().partition(|&pair| task.tells_apart(&all, pair));
        task
    }

    /// Pairs of modes that frequency alone doesn't tell apart; the list is in rising frequency.
    fn close_pairs(&self) -> Vec<(usize, usize)> {
        let mut pairs = Vec::new();
        for &a in &self.wanted {
            for &b in self.wanted.iter().filter(|&&b| b > a) {
                if self.modes[b].frequency_hz - self.modes[a].frequency_hz < CLOSE_HZ {
                    pairs.push((a, b));
                }
            }
        }
        pairs
    }

    fn strongest(&self, places: &[usize], mode: usize) -> f64 {
        places.iter().fold(0.0, |most, &p| f64::max(most, self.shapes[mode][p].abs()))
    }

    fn sees(&self, places: &[usize], mode: usize) -> bool {
        self.strongest(places, mode) >= SEEN
    }

    /// Modal assurance criterion of two modes over some places; 1 where it has no meaning.
    fn likeness(&self, places: &[usize], (a, b): (usize, usize)) -> f64 {
        let (a, b) = (&self.shapes[a], &self.shapes[b]);
        let product = |x: &[f64], y: &[f64]| places.iter().map(|&p| x[p] * y[p]).sum::<f64>();
        let norm = product(a, a) * product(b, b);
        if norm > 1e-12 { product(a, b).powi(2) / norm } else { 1.0 }
    }

    fn tells_apart(&self, places: &[usize], pair: (usize, usize)) -> bool {
        self.likeness(places, pair) <= ALIKE
    }

    fn pair(&self, (a, b): (usize, usize)) -> (AirMode, AirMode) {
        (self.modes[a].clone(), self.modes[b].clone())
    }

    /// How many goals a set of places misses.
    fn missed(&self, places: &[usize]) -> usize {
        self.wanted.iter().filter(|&&mode| !self.sees(places, mode)).count()
            + self.pairs.iter().filter(|&&pair| !self.tells_apart(places, pair)).count()
    }

    /// Whether a set of places misses nothing; most sets fail at one of the first goals.
    fn complete(&self, places: &[usize]) -> bool {
        self.pairs.iter().all(|&pair| self.tells_apart(places, pair))
            && self.wanted.iter().all(|&mode| self.sees(places, mode))
    }

    /// How clear the worst case is: least share of full pressure plus least difference of shapes.
    fn clarity(&self, places: &[usize]) -> f64 {
        let seen = self.wanted.iter().map(|&mode| self.strongest(places, mode)).fold(1.0, f64::min);
        let alike = self.pairs.iter().map(|&pair| self.likeness(places, pair)).fold(0.0, f64::max);
        seen + 1.0 - alike
    }

    /// The set: the smallest of those that are tried in full, else one that grew.
    fn choose(&self, tried_in_full: usize) -> Vec<usize> {
        let (given, free): (Vec<usize>, Vec<usize>) =
            (0..self.candidates.len()).partition(|&p| self.candidates[p].given);
        for size in 0..=tried_in_full.min(free.len()) {
            if sets(free.len(), size) > MOST_SETS {
                break;
            }
            let mut best: Option<(f64, Vec<usize>)> = None;
            each_subset(&free, size, &mut given.clone(), &mut |places| {
                if self.complete(places) {
                    let clarity = self.clarity(places);
                    // A margin, so that rounding can't choose between mirror images.
                    if best.as_ref().is_none_or(|(most, _)| clarity > most + 1e-9) {
                        best = Some((clarity, places.to_vec()));
                    }
                }
            });
            if let Some((_, places)) = best {
                return places;
            }
        }
        self.grow(given, &free)
    }

    /// Adds the place that helps most until nothing is missed, then drops what turned out needless.
    fn grow(&self, given: Vec<usize>, free: &[usize]) -> Vec<usize> {
        let kept = given.len();
        let mut places = given;
        while self.missed(&places) > 0 {
            let with = |p: usize| [places.as_slice(), &[p]].concat();
            let rest = free.iter().filter(|p| !places.contains(p));
            let Some(&best) = rest.min_by_key(|&&p| self.missed(&with(p))) else { break };
            places.push(best);
        }
        for i in (kept..places.len()).rev() {
            let mut without = places.clone();
            without.remove(i);
            if self.complete(&without) {
                places = without;
            }
        }
        places
    }

    /// What a place is for: what the plan would miss without it.
    fn explain(&self, chosen: &[usize], place: usize) -> PlannedPosition {
        let without: Vec<usize> = chosen.iter().copied().filter(|&p| p != place).collect();
        let only_sees: Vec<&AirMode> =
            self.wanted.iter().filter(|&&m| !self.sees(&without, m)).map(|&m| self.modes[m]).collect();
        let only_tells_apart: Vec<_> =
            self.pairs.iter().filter(|&&p| !self.tells_apart(&without, p)).map(|&p| self.pair(p)).collect();
        let candidate = self.candidates[place].clone();
        let reason = reason(&candidate, &only_sees, &only_tells_apart);
        PlannedPosition { candidate, reason }
    }
}

/// Sets of one size that are tried at most: all sixes of a box's 26 places are 230 230.
const MOST_SETS: f64 = 300_000.0;

/// How many sets of `size` out of `count` there are.
fn sets(count: usize, size: usize) -> f64 {
    (0..size).map(|k| (count - k) as f64 / (k + 1) as f64).product()
}

/// Calls `found` with every way of adding `size` of `free` to `places`, in order.
fn each_subset(free: &[usize], size: usize, places: &mut Vec<usize>, found: &mut impl FnMut(&[usize])) {
    if size == 0 {
        return found(places);
    }
    for (i, &place) in free.iter().enumerate().take((free.len() + 1).saturating_sub(size)) {
        places.push(place);
        each_subset(&free[i + 1..], size - 1, places, found);
        places.pop();
    }
}

/// The sentence beside a place.
fn reason(candidate: &Candidate, sees: &[&AirMode], apart: &[(AirMode, AirMode)]) -> String {
    let mut parts = Vec::new();
    if candidate.given {
        parts.push("asked for".to_owned());
    }
    if let Some(first) = sees.first() {
        parts.push(format!(
            "the only one of these that sees {first} ({:.1} Hz){}",
            first.frequency_hz,
            more(sees.len())
        ));
    }
    if let Some((a, b)) = apart.first() {
        let (low, high) = (a.frequency_hz, b.frequency_hz);
        parts.push(format!("separates {a} from {b} ({low:.1} and {high:.1} Hz){}", pairs(apart.len() - 1)));
    }
    if parts.is_empty() {
        parts.push("sees every mode".to_owned());
    }
    parts.join("; ")
}

fn pairs(others: usize) -> String {
    match others {
        0 => String::new(),
        1 => " and one more pair".to_owned(),
        n => format!(" and {n} more pairs"),
    }
}

fn more(count: usize) -> String {
    if count > 1 { format!(" and {} more", count - 1) } else { String::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) const ROOM: [f64; 3] = [5.15, 3.86, 2.48];

    pub(super) fn room(up_to_hz: f64) -> Enclosure {
        Enclosure::rectangular(ROOM, 20.0, up_to_hz).unwrap()
    }

    pub(super) fn planned(up_to_hz: f64, seats: &[(String, [f64; 3])]) -> MeasurementPlan {
        let air = room(up_to_hz);
        plan(&air, &candidates(&air, seats), None)
    }

    /// Whether the plan would miss something without the place.
    fn is_needed(position: &PlannedPosition) -> bool {
        ["the only one of these that sees", "separates"].iter().any(|part| position.reason.contains(part))
    }

    /// Modes far apart need one place, and a corner sees them all.
    #[test]
    fn one_corner_is_enough_where_no_two_modes_are_close() {
        let plan = planned(60.0, &[]);
        assert_eq!(plan.positions.len(), 1);
        assert!(plan.positions[0].candidate.name.starts_with("corner"));
        assert!(plan.unseen.is_empty() && plan.alike.is_empty());
    }

    /// 2 0 0 (66.6 Hz) and 0 0 1 (69.2 Hz) differ in sign between floor and ceiling: two places do.
    #[test]
    fn two_close_modes_need_two_places() {
        let plan = planned(75.0, &[]);
        assert_eq!(plan.positions.len(), 2);
        assert!(plan.positions.iter().all(|p| p.reason.contains("separates")), "{plan:#?}");
        assert!(plan.positions[1].reason.contains("separates 2 0 0 from 0 0 1"));
    }

    /// What a plan promises, checked by the definitions; and no place is needless.
    #[test]
    fn a_plan_keeps_its_promises_and_holds_nothing_needless() {
        let room = room(120.0);
        let seats = [("chair".to_owned(), [3.35, 2.25, 1.1])];
        let all = candidates(&room, &seats);
        let plan = plan(&room, &all, None);
        assert!(plan.alike.is_empty() && plan.unseen.is_empty());
        let at: Vec<[f64; 3]> = plan.positions.iter().map(|p| p.candidate.at_m).collect();
        let vector = |m: usize| at.iter().map(|a| room.shape(m, *a)).collect::<Vec<f64>>();
        for (i, a) in room.modes.iter().enumerate() {
            let va = vector(i);
            assert!(va.iter().any(|x| x.abs() >= 0.5));
            let above = room.modes.iter().enumerate().skip(i + 1);
            for (j, b) in above.filter(|(_, b)| b.frequency_hz - a.frequency_hz < 3.0) {
                let vb = vector(j);
                let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(p, q)| p * q).sum::<f64>();
                assert!(dot(&va, &vb).powi(2) <= 0.5 * dot(&va, &va) * dot(&vb, &vb) + 1e-12, "{a} and {b}");
            }
        }
        assert_eq!(plan.positions.iter().filter(|p| p.candidate.given).count(), 1);
        for position in plan.positions.iter().filter(|p| !p.candidate.given) {
            assert!(is_needed(position));
        }
    }

    /// A loudspeaker in the middle of the room can't drive odd orders: they are left out of the plan.
    #[test]
    fn modes_that_the_loudspeaker_leaves_out_are_named() {
        let room = room(75.0);
        let plan = plan(&room, &candidates(&room, &[]), Some(ROOM.map(|d| d / 2.0)));
        let axes: Vec<_> = plan.undriven.iter().map(|m| m.axes).collect();
        assert_eq!(axes, [[1, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, 1]].map(Some));
    }

    /// With seats alone to choose from, what they can't do is said.
    #[test]
    fn what_no_candidate_can_do_is_said() {
        let room = room(75.0);
        let middle = [Candidate { name: "middle".into(), at_m: ROOM.map(|d| d / 2.0), given: true }];
        let plan = plan(&room, &middle, None);
        assert_eq!(plan.unseen.len(), 4);
        assert_eq!(plan.positions.len(), 1);
    }

    /// Shapes count as alike above a criterion of one half: on an edge at `cos(πz/H) = c` the second place leaves 2 0 0 and
    /// 0 0 1 alike to `(1 + c)²/(2 (1 + c²))`, at c = ±0.02 to 0.52 and 0.48.
    #[test]
    fn likeness_is_held_against_one_half() {
        let room = room(75.0);
        let place = |z: f64| Candidate { name: String::new(), at_m: [0.0, 0.0, z], given: true };
        let alike = |c: f64| {
            let two = [place(0.0), place(ROOM[2] * c.acos() / std::f64::consts::PI)];
            plan(&room, &two, None).alike.len()
        };
        assert_eq!([alike(0.02), alike(-0.02)], [1, 0]);
    }

    /// A plan too large for the full search still meets every goal, and no place of it is needless.
    #[test]
    fn growing_meets_every_goal_too() {
        let mut gauss = crate::room::simulate::Gauss::new(2);
        for _ in 0..12 {
            let mut length = |low: f64, high: f64| low + (high - low) * gauss.uniform();
            let dimensions_m = [length(4.0, 7.0), length(3.0, 5.0), length(2.3, 3.2)];
            let room = Enclosure::rectangular(dimensions_m, 20.0, 130.0).unwrap();
            let all = candidates(&room, &[]);
            let (grown, full) = (searched(&room, &all, None, 0), plan(&room, &all, None));
            assert!(grown.unseen.is_empty() && grown.alike == full.alike);
            assert!(full.positions.len() <= grown.positions.len());
            for position in &grown.positions {
                assert!(is_needed(position), "{dimensions_m:?}");
            }
        }
    }

    /// An L-shaped room: a place in each corner, on each edge and wall; the plan keeps its promises, and nothing in it
    /// lies outside.
    #[test]
    fn a_room_on_a_plan_is_planned_for_too() {
        let l = [[0.0, 0.0], [5.45, 0.0], [5.45, 3.1], [3.6, 3.1], [3.6, 4.55], [0.0, 4.55]];
        let air = Enclosure::upright(&l, 2.58, 20.0, 110.0).unwrap();
        let all = candidates(&air, &[]);
        assert_eq!(all.len(), 36);
        assert!(all.iter().all(|c| air.holds(c.at_m)));
        // The corner that juts into the room: off both of its walls, which end there.
        assert!(
            all.iter().any(|c| (c.at_m[0] - 3.5).abs() < 1e-9 && (c.at_m[1] - 3.0).abs() < 1e-9),
            "{all:?}"
        );
        let plan = plan(&air, &all, None);
        assert!(plan.unseen.is_empty() && plan.alike.is_empty() && !plan.positions.is_empty());
        for mode in 0..air.modes.len() {
            assert!(plan.positions.iter().any(|p| air.shape(mode, p.candidate.at_m).abs() >= 0.5), "{mode}");
        }
    }
}
