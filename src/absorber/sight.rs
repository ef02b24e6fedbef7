//! Local fit of the target mode in one state: it resolves two poles, one, or none.

use super::coupled::{Pair, Resonator, couple};
use super::local::{Fitted, Start, Stretch};
use super::shift::PoleWithSd;
use super::spectrum::{Cut, Target};
use crate::estimate::Estimate;
use crate::response::LowRecord;
use nalgebra::{Cholesky, DMatrix, DVector};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Half width of the stretch: a wide one costs the least (own trials; `crate::modes` on windows).
const REACH_HZ: f64 = 45.0;
/// Neighbours within this distance are fitted along, those beyond are held, hertz.
const FREE_HZ: f64 = 25.0;
/// Slower decays than the first are steady tones, which are held; faster ones than the second (T60 under
/// 0.17 s) belong to the measuring chain: fitted along with the baseline, held as they were there after
/// that; faster ones than the third no one can tell from a polynomial. All in 1/s.
const MOVING: [f64; 3] = [0.5, 40.0, 150.0];
/// The two residues together keep the mode's shape: modal assurance criterion at least this; where no
/// pair does, for a neighbour close by that the unit mixes in, at least the second.
const SAME_SHAPE: [f64; 2] = [0.85, 0.5];
/// With near modes, a fit is clearly better if −2 ln of its likelihood is less by this.
const CLEARLY: f64 = 150.0;
const DEGREE: usize = 2;
/// A unit's pole lies within so many hertz of its mode and decays no faster than this, 1/s (T60 0.09 s). Our own choice; the
/// high-pass of a loudspeaker (120 1/s and more, 15 Hz and more away), taken for a unit's pole, hid the unit's own.
pub(super) const UNIT_HZ: f64 = 12.0;
const UNIT_PER_S: f64 = 80.0;
/// The stretch begins so long after the direct sound: the high-pass of a loudspeaker (120 1/s at 28 Hz) has fallen by 16 dB
/// until then, and is no unit. Our own choice.
const START_S: f64 = 0.015;
/// Later starts whose results should be the same; what they differ by goes into the intervals.
const LATER_S: [f64; 2] = [0.010, 0.020];
/// A second pole must better the fit by χ² of its unknowns at one in a thousand, and this much more for
/// the search over starts.
const SEARCHED: f64 = 8.0;
/// With more poles than this near the mode the pairs among them are not all tried.
const MANY: usize = 5;
/// Poles nearer than this are one, hertz.
const SAME_HZ: f64 = 0.3;
/// Starts that are followed down.
const FOLLOWED: usize = 4;
/// … and of the grid's frequencies so many.
const EACH: usize = 7;

/// What is known before the fit.
#[derive(Debug, Clone)]
pub(super) struct Expected {
    /// The mode without the unit.
    pub mode: Complex64,
    /// Other poles of the stretch.
    pub neighbours: Vec<Complex64>,
    /// Which of them are modes so near that one unit may work on them and the target at once.
    pub near: Vec<usize>,
    /// Poles that the search for modes found in this state and that are no neighbour's.
    pub candidates: Vec<Complex64>,
    /// The mode's residue at each place, from the direct sound there; empty where not known yet.
    pub shape: Vec<Option<Complex64>>,
    /// Whether the measuring chain's poles are known from the baseline.
    pub chain_known: bool,
    /// Up to where poles were sought, Hz: what lies above is not known and stays out of the fit.
    pub top_hz: f64,
}

/// What a fit to one state resolves of the target: two poles, one, or none.
#[derive(Debug, Clone)]
pub(super) enum PoleObservation {
    Two(Box<Two>),
    /// One pole only stands out.
    One(Box<LocalFit>),
    Nothing,
}

/// Two poles in place of the mode.
#[derive(Debug, Clone)]
pub(super) struct Two {
    pub seen: LocalFit,
    /// Where modes lie near and another pair keeps the mode's shape better: that one.
    pub shaped: Option<LocalFit>,
    /// What a fit of one pole finds: where the second is faint, still the mode's own.
    pub alone: PoleWithSd,
}

/// Poles with their covariance and residues.
#[derive(Debug, Clone)]
pub(super) struct LocalFit {
    pub target: Target,
    pub covariance: DMatrix<f64>,
    /// At each place: residues (slower pole first) at the record's start, and its time.
    pub residues: Vec<Option<(Vec<Complex64>, f64)>>,
    /// All neighbours, as fitted or held.
    pub neighbours: Vec<Complex64>,
    /// How many of them, from the first, moved along.
    pub free: usize,
    /// Up to where it was looked at, Hz.
    pub top_hz: f64,
    /// Exponent of the noise's power over frequency.
    pub colour: f64,
    /// Variance of the whitened noise at each place.
    pub variances: Vec<Option<f64>>,
    /// The near modes' poles, in the order of [`Expected::near`].
    pub near: Vec<Complex64>,
    /// Covariance of the target's numbers and of the near poles' real and imaginary parts.
    pub joint: DMatrix<f64>,
}

impl LocalFit {
    /// Sum of the residues at each place, from the direct sound.
    pub fn shape(&self) -> Vec<Option<Complex64>> {
        self.residues.iter().map(|r| r.as_ref().map(|(values, _)| values.iter().sum())).collect()
    }

    /// One pole with its sds; of two the middle.
    pub fn known(&self) -> PoleWithSd {
        let sd = |i: usize| self.covariance[(i, i)].sqrt();
        match self.target {
            Target::One(pole) => PoleWithSd { pole, sds: (sd(0), sd(1)) },
            Target::Two(pair) => PoleWithSd { pole: 0.5 * pair.sum, sds: (0.5 * sd(0), 0.5 * sd(1)) },
        }
    }

    /// The slower pole's decay constant with its sd, over the spread of the pair as it is known.
    pub fn slower(&self) -> Option<Estimate> {
        let Target::Two(pair) = self.target else {
            let Target::One(pole) = self.target else { return None };
            return Some(Estimate::new(-pole.re, self.covariance[(0, 0)].sqrt()));
        };
        let root = Cholesky::new(self.covariance.clone())?.l();
        let numbers = pair.numbers();
        let (mut sum, mut squares) = (0.0, 0.0);
        // Three nodes of Gauss and Hermite in each of four directions.
        for node in 0..81 {
            let turn = |d: u32| (node / 3_i32.pow(d)) % 3 - 1;
            let step = DVector::from_fn(4, |d, _| 3f64.sqrt() * f64::from(turn(d as u32)));
            let weight: f64 = (0..4).map(|d| if turn(d) == 0 { 2.0 / 3.0 } else { 1.0 / 6.0 }).product();
            let moved = &root * step;
            let n = [0, 1, 2, 3].map(|i| numbers[i] + moved[i]);
            let decay = -Pair::of_numbers(n).poles()[0].re;
            sum += weight * decay;
            squares += weight * decay * decay;
        }
        let sd = (squares - sum * sum).max(0.0).sqrt();
        Some(Estimate::new(-pair.poles()[0].re, sd))
    }
}

/// The mode alone, in the state without the unit.
pub(super) fn one(records: &[&LowRecord], expected: &Expected) -> Option<LocalFit> {
    let (free, held) = expected.neighbours();
    let stretch = Stretch::new(records, cut(expected, 0.0), held, 0.0)?;
    let (_, found) = stretch.fit(&Start { target: Target::One(expected.mode), neighbours: free })?;
    Some(widened(records, expected, &found))
}

/// Looks for two poles in place of the mode.
pub(super) fn look(records: &[&LowRecord], expected: &Expected) -> PoleObservation {
    two_or_one(records, expected).unwrap_or(PoleObservation::Nothing)
}

fn two_or_one(records: &[&LowRecord], expected: &Expected) -> Option<PoleObservation> {
    let (free, held) = expected.neighbours();
    let start = |target: Target| Start { target, neighbours: free.clone() };
    let stretch = Stretch::new(records, cut(expected, 0.0), held, 0.0)?;
    let (stretch, one) = stretch.fit(&start(Target::One(expected.mode)))?;
    let others = expected.candidates.iter().filter_map(|c| stretch.finish(&start(Target::One(*c))));
    let one = others.chain([one]).min_by(|a, b| a.score.total_cmp(&b.score))?;
    let mut pairs: Vec<Fitted> = starts(&stretch, expected, &start)
        .into_iter()
        .filter_map(|pair| stretch.finish(&start(Target::Two(pair))))
        .collect();
    pairs.extend(of_candidates(&stretch, expected, &free));
    pairs.retain(|found| expected.is_unit_like(found));
    pairs.sort_by(|a, b| a.score.total_cmp(&b.score));
    let (two, shaped) = expected.choose(&pairs);
    let shows = |two: &&Fitted| one.score - two.score > needed(stretch.used());
    let settle = |two: &Fitted| settled(records, expected, two.clone());
    let alone = widened(records, expected, &one);
    let Some(two) = two.filter(shows) else { return Some(PoleObservation::One(Box::new(alone))) };
    let shaped = shaped.filter(shows).map(settle);
    Some(PoleObservation::Two(Box::new(Two { seen: settle(two), shaped, alone: alone.known() })))
}

impl Expected {
    /// Whether both poles may be those of this mode with a unit, and not one with what the measuring chain leaves.
    fn is_unit_like(&self, found: &Fitted) -> bool {
        let near = |s: &Complex64| (s.im - self.mode.im).abs() < TAU * UNIT_HZ && -s.re < UNIT_PER_S;
        match found.target {
            Target::Two(pair) => pair.poles().iter().all(near),
            Target::One(_) => true,
        }
    }

    /// How alike the sum of the residues is to the mode's shape; 1 where a shape says nothing.
    fn likeness(&self, found: &Fitted) -> f64 {
        let (mut product, mut squares, mut count) = (Complex64::default(), (0.0, 0.0), 0);
        for (old, new) in self.shape.iter().zip(&found.residues) {
            let (Some(old), Some((new, _))) = (old, new) else { continue };
            let new: Complex64 = new.iter().sum();
            product += old * new.conj();
            squares = (squares.0 + old.norm_sqr(), squares.1 + new.norm_sqr());
            count += 1;
        }
        if count < 2 { 1.0 } else { product.norm_sqr() / (squares.0 * squares.1) }
    }

    /// The pair that is the mode's among fitted ones, the best first.
    ///
    /// One that keeps the mode's shape; where modes lie near, whose shapes the unit mixes, a clearly better
    /// fit goes before that: all poles of the group together are then what counts. The one that keeps the shape
    /// comes second then.
    fn choose<'a>(&self, pairs: &'a [Fitted]) -> (Option<&'a Fitted>, Option<&'a Fitted>) {
        let Some(best) = pairs.first() else { return (None, None) };
        let alike = |least: f64| pairs.iter().find(|found| self.likeness(found) >= least);
        // The same poles may be told apart in several ways: the one whose two make up the shape best.
        let most = |among: f64| {
            let equal = pairs.iter().filter(move |p| (p.score - among).abs() < 1.0);
            equal.max_by(|a, b| self.likeness(a).total_cmp(&self.likeness(b)))
        };
        let shaped = SAME_SHAPE.into_iter().find_map(alike).and_then(|found| most(found.score));
        if self.near.is_empty() || shaped.is_some_and(|s| s.score < best.score + CLEARLY) {
            return (shaped, None);
        }
        (most(best.score), shaped)
    }

    /// Where in the list of those that move along the near modes are.
    pub fn near_places(&self) -> Vec<usize> {
        let free: Vec<usize> =
            (0..self.neighbours.len()).filter(|k| self.moves(&self.neighbours[*k])).collect();
        self.near.iter().filter_map(|n| free.iter().position(|k| k == n)).collect()
    }

    fn moves(&self, s: &Complex64) -> bool {
        let fastest = if self.chain_known { MOVING[1] } else { MOVING[2] };
        (s.im - self.mode.im).abs() < TAU * FREE_HZ && (MOVING[0]..fastest).contains(&-s.re)
    }

    /// Neighbours that move along, and those that are held.
    fn neighbours(&self) -> (Vec<Complex64>, Vec<Complex64>) {
        let free = |s: &&Complex64| self.moves(s);
        let near = |s: &&Complex64| (s.im - self.mode.im).abs() < TAU * (REACH_HZ + 6.0);
        let all = || self.neighbours.iter().filter(near);
        (all().filter(free).copied().collect(), all().filter(|s| !free(s)).copied().collect())
    }
}

/// χ² that noise alone reaches once in a thousand with two free numbers more and two a place.
fn needed(places: usize) -> f64 {
    let freedom = 2.0 * (places as f64 + 1.0);
    // Wilson & Hilferty's approximation of the χ² quantile.
    let (a, z) = (2.0 / (9.0 * freedom), 3.09);
    freedom * (1.0 - a + z * a.sqrt()).powi(3) + SEARCHED
}

fn same_pole(a: &Complex64, b: &Complex64) -> bool {
    (a - b).norm() < TAU * SAME_HZ
}

/// Pairs of what the search for modes saw, the rest of it fitted along: two treated modes near each other have
/// four poles. Each pole more must pay for its unknowns: the score is raised by what noise would give.
fn of_candidates(stretch: &Stretch, expected: &Expected, free: &[Complex64]) -> Vec<Fitted> {
    let all = &expected.candidates;
    if !(3..=MANY).contains(&all.len()) {
        return Vec::new();
    }
    let twos = (0..all.len()).flat_map(|i| (i + 1..all.len()).map(move |j| (i, j)));
    let fitted = twos.filter_map(|(i, j)| {
        let rest = (0..all.len()).filter(|k| *k != i && *k != j).map(|k| all[k]);
        let neighbours: Vec<Complex64> = free.iter().copied().chain(rest).collect();
        let mut found =
            stretch.finish(&Start { target: Target::Two(Pair::of_poles(all[i], all[j])), neighbours })?;
        found.score += (all.len() - 2) as f64 * needed(stretch.used());
        Some(found)
    });
    fitted.collect()
}

/// Takes in what the search for modes saw besides, then fits to the end.
fn settled(records: &[&LowRecord], expected: &Expected, two: Fitted) -> LocalFit {
    let Target::Two(pair) = two.target else { return widened(records, expected, &two) };
    let poles = pair.poles();
    let own =
        |c: &Complex64| poles.iter().any(|s| (s.im - c.im).abs() < TAU * 1.5 + 0.5 * (s.re + c.re).abs());
    let taken =
        |c: &Complex64| two.neighbours[expected.neighbours().0.len()..].iter().any(|s| same_pole(s, c));
    let more = expected.candidates.iter().filter(|c| !own(c) && !taken(c));
    let neighbours: Vec<Complex64> = two.neighbours.iter().copied().chain(more.copied()).collect();
    let start = Start { target: two.target, neighbours };
    let held = expected.neighbours().1;
    let again =
        Stretch::new(records, cut(expected, 0.0), held, two.colour).and_then(|s| Some(s.fit(&start)?.1));
    let same = |f: &Fitted| matches!(f.target, Target::Two(_)) && expected.is_unit_like(f);
    widened(records, expected, &again.filter(same).unwrap_or(two))
}

fn cut(expected: &Expected, later_s: f64) -> Cut {
    cut_round(expected.mode, later_s, expected.top_hz)
}

/// The stretch round a mode, from [`START_S`] on or so much later.
pub(super) fn cut_round(mode: Complex64, later_s: f64, top_hz: f64) -> Cut {
    Cut { centre_hz: mode.im / TAU, reach_hz: REACH_HZ, top_hz, degree: DEGREE, later_s: later_s + START_S }
}

/// Pairs to start from: candidates by twos, and units on a grid round the mode; the best few, and the best at each
/// frequency of the grid (else what soaks up a neighbour crowds out the unit).
fn starts(stretch: &Stretch, expected: &Expected, start: &dyn Fn(Target) -> Start) -> Vec<Pair> {
    let mode = Resonator::of_pole(expected.mode);
    let score = |pair: Pair| Some((stretch.score(&start(Target::Two(pair)))?, pair));
    let best = |mut scored: Vec<(f64, Pair)>, count: usize| {
        scored.sort_by(|a, b| a.0.total_cmp(&b.0));
        scored.truncate(count);
        scored
    };
    let twos = expected.candidates.iter().enumerate();
    let twos = twos.flat_map(|(i, a)| expected.candidates[i + 1..].iter().map(|b| Pair::of_poles(*a, *b)));
    let mut all: Vec<(f64, Pair)> = twos.filter_map(score).collect();
    let mut each: Vec<(f64, Pair)> = Vec::new();
    for off_hz in [-6.0, -4.0, -2.5, -1.2, -0.4, 0.4, 1.2, 2.5, 4.0, 6.0] {
        let settings = [(4.0, 0.3), (4.0, 1.2), (10.0, 0.2), (10.0, 0.7), (10.0, 1.4), (20.0, 0.6)];
        let pair = |(g, damping): (f64, f64)| couple(mode, mode.unit(off_hz, g, damping), g * g);
        let here = settings.into_iter().filter_map(pair);
        let here: Vec<(f64, Pair)> = here.filter_map(score).collect();
        all.extend(here.iter().copied());
        each.extend(best(here, 1));
    }
    let all = best(all, FOLLOWED);
    let new = best(each, EACH).into_iter().filter(|e| all.iter().all(|a| a.1 != e.1));
    let new: Vec<(f64, Pair)> = new.collect();
    all.into_iter().chain(new).map(|s| s.1).collect()
}

/// Fits again from later starts: their mean square distance widens the covariance.
fn widened(records: &[&LowRecord], expected: &Expected, found: &Fitted) -> LocalFit {
    let (here, own) = numbers(found);
    let mut all = found.joint.clone();
    let again = LATER_S.iter().filter_map(|later| {
        let held = expected.neighbours().1;
        let stretch = Stretch::new(records, cut(expected, *later), held, found.colour)?;
        stretch.finish(&Start { target: found.target, neighbours: found.neighbours.clone() })
    });
    let moves: Vec<Vec<f64>> =
        again.map(|f| numbers(&f).0.iter().zip(&here).map(|(a, b)| a - b).collect()).collect();
    let count = moves.len().max(1) as f64;
    for away in &moves {
        for i in 0..here.len() {
            for j in 0..here.len() {
                all[(i, j)] += (1.0 + 1.0 / count) / count * away[i] * away[j];
            }
        }
    }
    let places = expected.near_places();
    LocalFit {
        top_hz: expected.top_hz,
        target: found.target,
        covariance: all.view((0, 0), (own, own)).into_owned(),
        residues: found.residues.clone(),
        neighbours: found.neighbours.iter().copied().chain(expected.neighbours().1).collect(),
        free: found.neighbours.len(),
        colour: found.colour,
        variances: found.variances.clone(),
        near: places.iter().filter_map(|k| found.neighbours.get(*k)).copied().collect(),
        joint: with_near(&all, own, &places),
    }
}

/// Of the covariance of all free numbers, `own` of them the target's, the target's part and that of the neighbours at
/// these places among those that move along.
fn with_near(all: &DMatrix<f64>, own: usize, places: &[usize]) -> DMatrix<f64> {
    let near = places.iter().flat_map(|k| [own + 2 * k, own + 2 * k + 1]);
    let rows: Vec<usize> = (0..own).chain(near).collect();
    DMatrix::from_fn(rows.len(), rows.len(), |i, j| all[(rows[i], rows[j])])
}

/// All free numbers of a fit, and how many of them are the target's.
fn numbers(found: &Fitted) -> (Vec<f64>, usize) {
    let mut all = match found.target {
        Target::One(pole) => vec![pole.re, pole.im],
        Target::Two(pair) => pair.numbers().to_vec(),
    };
    let own = all.len();
    all.extend(found.neighbours.iter().flat_map(|s| [s.re, s.im]));
    (all, own)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The target's two numbers and the real and imaginary part of the second of three neighbours.
    #[test]
    fn near_modes_keep_their_part_of_the_covariance() {
        let all = DMatrix::from_fn(8, 8, |i, j| (10 * i + j) as f64);
        let part = with_near(&all, 2, &[1]);
        let rows = [0.0, 1.0, 4.0, 5.0];
        assert_eq!(part, DMatrix::from_fn(4, 4, |i, j| 10.0 * rows[i] + rows[j]));
    }
}
