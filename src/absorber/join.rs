//! All takes together: the modes and their couplings shared, the unit's own pole for each take.
//!
//! Least squares on sums and squared half distances of the poles, weighted by each take's covariance:
//! takes with little damping, which place the unit best, carry the weight. Where other modes lie near
//! the target, their poles take part, each with a coupling of its own.

use super::coupled::{Pair, Resonator, couple, identify};
use super::group::{Coupled, Group};
use super::local::invert;
use nalgebra::{DMatrix, DVector};
use rustfft::num_complex::Complex64;

/// What an untried mode's g² may be, 1/s²: so weak a guess that only a mode without any say leans on it.
const LOOSE_COUPLING: f64 = 400.0;

/// A pair with the covariance of its numbers.
#[derive(Debug, Clone)]
pub(super) struct PairEstimate {
    pub pair: Pair,
    /// Poles of the near modes in this take.
    pub near: Vec<Complex64>,
    /// Of the pair's four numbers, then of the near poles' real and imaginary parts.
    pub covariance: DMatrix<f64>,
}

/// A pole with the covariance of its real and imaginary part.
#[derive(Debug, Clone)]
pub(super) struct PoleEstimate {
    pub pole: Complex64,
    /// Poles of the near modes.
    pub near: Vec<Complex64>,
    /// Of the pole's real and imaginary part, then of the near ones'.
    pub covariance: DMatrix<f64>,
}

/// The numbers that describe a take, with their joint covariance.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub mode: Resonator,
    /// As the target meets it.
    pub unit: Resonator,
    /// g², 1/s²; may come out below zero.
    pub coupling: f64,
    /// Covariance of (ω0, δ0, ωa, δa, g²).
    pub covariance: DMatrix<f64>,
    /// With near modes: the unit with all of them.
    pub cluster: Option<Cluster>,
}

/// Target, near modes and unit of one take.
#[derive(Debug, Clone)]
pub(super) struct Cluster {
    pub group: Group,
    /// Covariance of ωa, δa and each mode's g², the target's first.
    pub covariance: DMatrix<f64>,
}

/// What the takes say together.
#[derive(Debug, Clone)]
pub(super) struct Joint {
    /// One for each take.
    pub takes: Vec<State>,
    /// Sum of squared misfits in sd.
    pub misfit: f64,
}

/// Least squares over takes; those with equal `groups` share their coupling.
///
/// `None` where the numbers don't settle.
pub(super) fn join(mode: &PoleEstimate, takes: &[PairEstimate], groups: &[usize]) -> Option<Joint> {
    if takes.iter().any(|t| t.near.len() != mode.near.len()) {
        return None;
    }
    let fit = Fit { mode, takes, groups, couplings: groups.iter().max()? + 1 };
    let weights = fit.weights()?;
    let ends = fit.starts()?.into_iter().filter_map(|start| fit.descend(start, &weights));
    let (now, misfit, normal) = ends.min_by(|a, b| a.1.total_cmp(&b.1))?;
    let covariance = invert(&normal)?;
    let states = (0..takes.len()).map(|k| fit.state(&now, &covariance, k)).collect::<Option<_>>()?;
    Some(Joint { takes: states, misfit })
}

struct Fit<'a> {
    mode: &'a PoleEstimate,
    takes: &'a [PairEstimate],
    groups: &'a [usize],
    couplings: usize,
}

/// Inverse covariances of the baseline and of each take.
type Weights = (DMatrix<f64>, Vec<DMatrix<f64>>);
/// Residuals of the same, and of the loose guesses.
type Residuals = (DVector<f64>, Vec<DVector<f64>>, Vec<f64>);

impl Fit<'_> {
    /// Modes: the target and the near ones.
    fn modes(&self) -> usize {
        1 + self.mode.near.len()
    }

    /// Where the unit of a take starts in the list of numbers: after ω and δ of each mode and g² of each mode in
    /// each group.
    fn own(&self, take: usize) -> usize {
        (2 + self.couplings) * self.modes() + 2 * take
    }

    /// Where to start. With near modes the unit may be any of the poles: each once.
    fn starts(&self) -> Option<Vec<Vec<f64>>> {
        let mode = Resonator::of_pole(self.mode.pole);
        let single: Vec<_> = self.takes.iter().map(|t| identify(mode, t.pair)).collect();
        let mut numbers = vec![mode.omega_per_s, mode.decay_per_s];
        for near in &self.mode.near {
            let near = Resonator::of_pole(*near);
            numbers.extend([near.omega_per_s, near.decay_per_s]);
        }
        for group in 0..self.couplings {
            // The take that knows its spread best speaks first for its group.
            let of_group = (0..single.len()).filter(|k| self.groups[*k] == group);
            let sharp = |k: &usize| self.takes[*k].covariance[(2, 2)] + self.takes[*k].covariance[(3, 3)];
            let best = of_group.min_by(|a, b| sharp(a).total_cmp(&sharp(b)))?;
            let coupling = single[best].coupling.max(0.25);
            numbers.extend((0..self.modes()).map(|n| if n == 0 { coupling } else { coupling.min(50.0) }));
        }
        numbers.extend(single.iter().flat_map(|s| [s.unit.omega_per_s, s.unit.decay_per_s]));
        if numbers.iter().any(|x| !x.is_finite()) {
            return None;
        }
        let mut all = vec![numbers.clone()];
        for choice in 0..if self.modes() > 1 { self.modes() + 1 } else { 0 } {
            all.push(self.chosen(&numbers, choice)?);
        }
        Some(all)
    }

    /// The unit's trace goes by the sum of all poles: what they have over the modes' is the unit's.
    fn chosen(&self, numbers: &[f64], choice: usize) -> Option<Vec<f64>> {
        let mut moved = numbers.to_vec();
        let before: Complex64 = self.mode.pole + self.mode.near.iter().sum::<Complex64>();
        for (k, take) in self.takes.iter().enumerate() {
            let all: Complex64 = take.pair.sum + take.near.iter().sum::<Complex64>();
            let own = self.own(k);
            let unit = Resonator::of_pole(all - before);
            if !(unit.omega_per_s.is_finite() && unit.decay_per_s.is_finite()) {
                return None;
            }
            (moved[own], moved[own + 1]) = (unit.omega_per_s, unit.decay_per_s.max(0.2));
        }
        for group in 0..self.couplings {
            for n in 0..self.modes() {
                let g = [2.0, 5.0, 9.0, 13.0, 7.0][(choice + n) % 5];
                moved[2 * self.modes() + group * self.modes() + n] = g * g;
            }
        }
        Some(moved)
    }

    fn weights(&self) -> Option<Weights> {
        let takes = self.takes.iter().map(|t| invert(&t.covariance)).collect::<Option<_>>()?;
        Some((invert(&self.mode.covariance)?, takes))
    }

    fn descend(&self, start: Vec<f64>, weights: &Weights) -> Option<(Vec<f64>, f64, DMatrix<f64>)> {
        let mut now = start;
        let mut misfit = self.misfit(&now, weights)?;
        let mut normal = None;
        let mut damping = 1e-6;
        for _ in 0..60 {
            let (matrix, right) = self.normal(&now, weights)?;
            let mut damped = matrix.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] *= 1.0 + damping;
            }
            normal = Some(matrix);
            let step = invert(&damped)? * right;
            let next: Vec<f64> = now.iter().zip(step.iter()).map(|(a, b)| a + b).collect();
            match self.misfit(&next, weights) {
                Some(better) if better <= misfit => {
                    let gained = misfit - better;
                    (now, misfit) = (next, better);
                    damping = (damping * 0.1).max(1e-12);
                    if gained < 1e-9 {
                        break;
                    }
                }
                _ => {
                    damping *= 30.0;
                    if damping > 1e6 {
                        break;
                    }
                }
            }
        }
        Some((now, misfit, normal?))
    }

    /// Modes with their couplings, and the unit, of one take.
    fn group(&self, numbers: &[f64], k: usize) -> Group {
        let at = |n: usize| Resonator { omega_per_s: numbers[n], decay_per_s: numbers[n + 1] };
        let couplings = 2 * self.modes() + self.groups[k] * self.modes();
        let coupled = |n: usize| Coupled { mode: at(2 * n), coupling: numbers[couplings + n] };
        Group { modes: (0..self.modes()).map(coupled).collect(), unit: at(self.own(k)) }
    }

    /// Found less expected of the modes.
    fn off_modes(&self, numbers: &[f64]) -> DVector<f64> {
        let poles = std::iter::once(&self.mode.pole).chain(&self.mode.near);
        let off = poles.enumerate().flat_map(|(n, found)| {
            let mode = Resonator { omega_per_s: numbers[2 * n], decay_per_s: numbers[2 * n + 1] };
            let away = found - mode.pole();
            [away.re, away.im]
        });
        DVector::from_iterator(2 * self.modes(), off)
    }

    /// Found less expected of a take.
    fn off_take(&self, numbers: &[f64], k: usize) -> Option<DVector<f64>> {
        let (take, group) = (&self.takes[k], self.group(numbers, k));
        let expected = if group.modes.len() == 1 {
            couple(group.modes[0].mode, group.unit, group.modes[0].coupling)?.numbers().to_vec()
        } else {
            matched(group.poles()?, take)?
        };
        let near = take.near.iter().flat_map(|s| [s.re, s.im]);
        let found = take.pair.numbers().into_iter().chain(near);
        Some(DVector::from_iterator(expected.len(), found.zip(&expected).map(|(a, b)| a - b)))
    }

    /// Couplings of near modes against nothing.
    fn loose(&self, numbers: &[f64]) -> Vec<f64> {
        let couplings = numbers[2 * self.modes()..self.own(0)].chunks(self.modes());
        couplings.flat_map(|g| g[1..].iter().map(|g| -g / LOOSE_COUPLING)).collect()
    }

    fn residuals(&self, numbers: &[f64]) -> Option<Residuals> {
        let takes = (0..self.takes.len()).map(|k| self.off_take(numbers, k)).collect::<Option<_>>()?;
        Some((self.off_modes(numbers), takes, self.loose(numbers)))
    }

    fn misfit(&self, numbers: &[f64], weights: &Weights) -> Option<f64> {
        let (mode, takes, loose) = self.residuals(numbers)?;
        let square = |r: &DVector<f64>, w: &DMatrix<f64>| r.dot(&(w * r));
        let of_takes: f64 = takes.iter().zip(&weights.1).map(|(r, w)| square(r, w)).sum();
        let of_guesses: f64 = loose.iter().map(|x| x * x).sum();
        Some(square(&mode, &weights.0) + of_takes + of_guesses).filter(|x| x.is_finite())
    }

    /// Whether a number has a say in a take.
    fn concerns(&self, p: usize, k: usize) -> bool {
        let couplings = 2 * self.modes();
        let (first, own) = (couplings + self.groups[k] * self.modes(), self.own(k));
        p < couplings || (first..first + self.modes()).contains(&p) || (own..own + 2).contains(&p)
    }

    /// Slopes of the residuals by one number.
    fn slope(&self, numbers: &[f64], here: &Residuals, p: usize) -> Option<Residuals> {
        let step = 1e-5 * (1.0 + numbers[p].abs());
        let at = |by: f64| {
            let mut moved = numbers.to_vec();
            moved[p] += by;
            moved
        };
        let (up, down) = (at(step), at(-step));
        let slope = |a: &DVector<f64>, b: &DVector<f64>| (b - a) / (2.0 * step);
        let takes = (0..self.takes.len())
            .map(|k| {
                if self.concerns(p, k) {
                    Some(slope(&self.off_take(&up, k)?, &self.off_take(&down, k)?))
                } else {
                    Some(DVector::zeros(here.1[k].len()))
                }
            })
            .collect::<Option<_>>()?;
        let guesses = self.loose(&up).into_iter().zip(self.loose(&down));
        let loose = guesses.map(|(a, b)| (b - a) / (2.0 * step)).collect();
        Some((slope(&self.off_modes(&up), &self.off_modes(&down)), takes, loose))
    }

    fn normal(&self, numbers: &[f64], weights: &Weights) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let here = self.residuals(numbers)?;
        let size = numbers.len();
        let slopes: Vec<Residuals> =
            (0..size).map(|p| self.slope(numbers, &here, p)).collect::<Option<_>>()?;
        let product = |p: usize, b: &Residuals| {
            let a = &slopes[p];
            let takes = (0..self.takes.len()).filter(|k| self.concerns(p, *k));
            let takes: f64 = takes.map(|k| a.1[k].dot(&(&weights.1[k] * &b.1[k]))).sum();
            let loose: f64 = a.2.iter().zip(&b.2).map(|(x, y)| x * y).sum();
            a.0.dot(&(&weights.0 * &b.0)) + takes + loose
        };
        let matrix = DMatrix::from_fn(size, size, |p, q| product(p, &slopes[q]));
        let right = DVector::from_iterator(size, (0..size).map(|p| product(p, &here)));
        Some((matrix, right))
    }

    fn state(&self, numbers: &[f64], covariance: &DMatrix<f64>, k: usize) -> Option<State> {
        let group = self.group(numbers, k);
        let (own, couplings) = (self.own(k), 2 * self.modes() + self.groups[k] * self.modes());
        if self.modes() == 1 {
            let picked = [0, 1, own, own + 1, couplings];
            return Some(State {
                mode: group.modes[0].mode,
                unit: group.unit,
                coupling: group.modes[0].coupling,
                covariance: DMatrix::from_fn(5, 5, |i, j| covariance[(picked[i], picked[j])]),
                cluster: None,
            });
        }
        let picked: Vec<usize> =
            [own, own + 1].into_iter().chain(couplings..couplings + self.modes()).collect();
        let (unit, coupling) = group.loaded()?;
        let seen = self.seen(numbers, k)?;
        let slopes = DMatrix::from_columns(
            &(0..numbers.len())
                .map(|p| {
                    let step = 1e-5 * (1.0 + numbers[p].abs());
                    let at = |by: f64| {
                        let mut moved = numbers.to_vec();
                        moved[p] += by;
                        self.seen(&moved, k)
                    };
                    Some((at(step)? - at(-step)?) / (2.0 * step))
                })
                .collect::<Option<Vec<DVector<f64>>>>()?,
        );
        let sound = seen.iter().chain(slopes.iter()).all(|x| x.is_finite());
        let cluster = Cluster {
            covariance: DMatrix::from_fn(picked.len(), picked.len(), |i, j| {
                covariance[(picked[i], picked[j])]
            }),
            group,
        };
        sound.then(|| State {
            mode: cluster.group.modes[0].mode,
            unit,
            coupling,
            covariance: &slopes * covariance * slopes.transpose(),
            cluster: Some(cluster),
        })
    }

    /// (ω0, δ0, ωa, δa, g²) as the target meets them.
    fn seen(&self, numbers: &[f64], k: usize) -> Option<DVector<f64>> {
        let group = self.group(numbers, k);
        let (unit, coupling) = group.loaded()?;
        let mode = group.modes[0].mode;
        let all = [mode.omega_per_s, mode.decay_per_s, unit.omega_per_s, unit.decay_per_s, coupling];
        Some(DVector::from_row_slice(&all))
    }
}

/// A model's poles in the order of a take's numbers: the nearest two first are given away one by one.
fn matched(mut poles: Vec<Complex64>, take: &PairEstimate) -> Option<Vec<f64>> {
    let found: Vec<Complex64> = take.pair.poles().into_iter().chain(take.near.iter().copied()).collect();
    let mut given = vec![None; found.len()];
    for _ in 0..found.len() {
        let open = (0..found.len()).filter(|k| given[*k].is_none());
        let ways = open.flat_map(|k| (0..poles.len()).map(move |p| (k, p)));
        let away = |way: &(usize, usize)| (found[way.0] - poles[way.1]).norm();
        let (k, p) = ways.min_by(|a, b| away(a).total_cmp(&away(b)))?;
        given[k] = Some(poles.remove(p));
    }
    let mut numbers = Pair::of_poles(given[0]?, given[1]?).numbers().to_vec();
    for pole in &given[2..] {
        let s = (*pole)?;
        numbers.extend([s.re, s.im]);
    }
    Some(numbers)
}

impl PoleEstimate {
    /// The mode by itself.
    pub fn alone(&self) -> Self {
        let covariance = self.covariance.view((0, 0), (2, 2)).into_owned();
        Self { pole: self.pole, near: Vec::new(), covariance }
    }
}

impl PairEstimate {
    /// The pair by itself.
    pub fn alone(&self) -> Self {
        let covariance = self.covariance.view((0, 0), (4, 4)).into_owned();
        Self { pair: self.pair, near: Vec::new(), covariance }
    }
}

/// How badly a take by itself fits the model of all near modes and one unit: χ² and what is left over for it.
pub(super) fn misfit(mode: &PoleEstimate, take: &PairEstimate) -> Option<(f64, usize)> {
    Some((join(mode, std::slice::from_ref(take), &[0])?.misfit, 1 + mode.near.len()))
}

/// The check that one take leaves over, in sd of its own and as a share of its sides.
pub(super) fn consistency(mode: &PoleEstimate, take: &PairEstimate) -> Option<(f64, f64)> {
    let value = |n: &[f64]| {
        let found = identify(
            Resonator::of_pole(Complex64::new(n[0], n[1])),
            Pair::of_numbers([n[2], n[3], n[4], n[5]]),
        );
        let side = 2.0 * found.unit.decay_per_s.abs() * n[1] * n[1] + 2.0 * n[0].abs() * n[1] * n[1];
        (found.check, side)
    };
    let mut numbers = vec![mode.pole.re, mode.pole.im];
    numbers.extend(take.pair.numbers());
    let slopes: Vec<f64> = (0..6)
        .map(|p| {
            let step = 1e-5 * (1.0 + numbers[p].abs());
            let at = |by: f64| {
                let mut moved = numbers.clone();
                moved[p] += by;
                value(&moved).0
            };
            (at(step) - at(-step)) / (2.0 * step)
        })
        .collect();
    let mut variance = 0.0;
    for i in 0..6 {
        for j in 0..6 {
            let covariance = match (i < 2, j < 2) {
                (true, true) => mode.covariance[(i, j)],
                (false, false) => take.covariance[(i - 2, j - 2)],
                _ => 0.0,
            };
            variance += slopes[i] * slopes[j] * covariance;
        }
    }
    let (check, side) = value(&numbers);
    let in_sd = check / variance.sqrt();
    in_sd.is_finite().then_some((in_sd, check / side))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::simulate::{Gauss, seed_from};
    use nalgebra::Cholesky;
    use std::f64::consts::TAU;

    fn mode() -> Resonator {
        Resonator { omega_per_s: TAU * 40.0, decay_per_s: 4.0 }
    }

    /// Draws from the covariance must be covered by the stated intervals: 400 draws of three takes, one of
    /// them at the meeting point. 95 % of 400 is 380 ± 4.4; four of those either way.
    #[test]
    fn intervals_hold_at_the_meeting_point() {
        let g = 9.0;
        let units: Vec<Resonator> = [(2.0, 0.2), (0.3, 0.4), (0.0, 1.0)]
            .iter()
            .map(|(off, r)| Resonator { omega_per_s: TAU * (40.0 + off), decay_per_s: 4.0 + r * g })
            .collect();
        let root = DMatrix::from_row_slice(
            4,
            4,
            &[0.3, 0.0, 0.0, 0.0, 0.1, 0.3, 0.0, 0.0, 0.5, 0.2, 1.5, 0.0, -0.3, 0.4, 0.2, 1.2],
        );
        let covariance = &root * root.transpose();
        assert!(Cholesky::new(covariance.clone()).is_some());
        let mut gauss = Gauss::new(seed_from(&["joined"]));
        let mut held = [0usize; 5];
        for _ in 0..400 {
            let noise = DVector::from_fn(2, |_, _| 0.02 * gauss.normal());
            let pole = mode().pole() + Complex64::new(noise[0], noise[1]);
            let covariance_of_mode = DMatrix::from_diagonal_element(2, 2, 4e-4);
            let measured = PoleEstimate { pole, near: Vec::new(), covariance: covariance_of_mode };
            let takes: Vec<PairEstimate> = units
                .iter()
                .map(|u| {
                    let exact = couple(mode(), *u, g * g).unwrap().numbers();
                    let noise = &root * DVector::from_fn(4, |_, _| gauss.normal());
                    let numbers = [0, 1, 2, 3].map(|i| exact[i] + noise[i]);
                    let near = Vec::new();
                    PairEstimate { pair: Pair::of_numbers(numbers), near, covariance: covariance.clone() }
                })
                .collect();
            let found = join(&measured, &takes, &[0, 0, 0]).unwrap();
            let last = &found.takes[2];
            let values = [
                (last.unit.omega_per_s, units[2].omega_per_s, 2),
                (last.unit.decay_per_s, units[2].decay_per_s, 3),
                (found.takes[0].unit.omega_per_s, units[0].omega_per_s, 2),
                (found.takes[0].unit.decay_per_s, units[0].decay_per_s, 3),
                (last.coupling, g * g, 4),
            ];
            for (k, (value, truth, at)) in values.into_iter().enumerate() {
                let state = if k == 2 || k == 3 { &found.takes[0] } else { last };
                held[k] += usize::from((value - truth).abs() < 1.96 * state.covariance[(at, at)].sqrt());
            }
        }
        for count in held {
            assert!((362..=396).contains(&count), "{held:?}");
        }
    }
}
