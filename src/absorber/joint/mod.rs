//! One mode and one unit, fitted to the records of the state without the unit and of that with it at once.
//!
//! The poles of both states follow from mode, unit and coupling (`coupled`). So do the residues with the unit from those
//! without it ([`tie`]), up to offsets that other modes add; the size of these offsets is estimated from the data.
//! Neighbours have poles and residues of their own in each state. There is one likelihood, with the noise of each record;
//! quantities derived from it (decay, ringing, their change) have profile-likelihood intervals.

mod likelihood;
mod reach;
mod side;
mod tie;

use super::coupled::{Pair, Resonator, identify};
use super::local::{DECAYS, invert, same_neighbour, solve};
use crate::change::ring_s;
use crate::modes::{LN_1000, Mode};
pub(super) use likelihood::Data;
use likelihood::{Place, Point};
use nalgebra::{DMatrix, DVector};
pub(super) use reach::{Ends, ends};
use rustfft::num_complex::Complex64;
pub(super) use side::{Side, WAYS};
use std::f64::consts::TAU;
pub(super) use tie::Shared;

/// Steps of one descent.
const STEPS: usize = 30;
/// No unit lies farther from the mode, hertz.
const REACH_HZ: f64 = 8.0;
/// Sizes of offsets that are tried, as shares of g/2.
const SLACKS: [f64; 5] = [0.03, 0.1, 0.25, 0.6, 1.5];
/// Of sizes whose −2 ln likelihoods are within this the largest is taken: a place near a plane where the mode isn't heard
/// has a larger offset than the others, and if it is held down the poles give way. So do they where unit and loudspeaker
/// share a corner, as offsets then have a common sign: with 12 for 40 the intervals of T60 held in 22 of 28 own sessions of
/// five such rooms, with 40 in 24, with 80 in 26, no wider in others. From 50 on the panel of the finite-element room is told
/// 7 % too long. The next larger size is one of the other ways that widen the intervals.
const AS_GOOD: f64 = 40.0;
/// The joint fit may be worse than fits of each state by itself by χ² of the unknowns that it saves at this many sd.
const SOUND_SD: f64 = 8.0;
/// A coupling that stands out of its own error by less than this many sd is none that shows.
pub(super) const SHOWS_SD: f64 = 2.0;
/// In simulated rooms (docs/absorber.md) intervals by the likelihood and other cuts missed the truth too often: they are
/// wider by this factor, and by this share for what one mode and one unit leave out.
pub(super) const WIDER: f64 = 1.15;
const MODEL: f64 = 0.003;
/// Starts that are followed down.
const FOLLOWED: usize = 2;

/// The fitted pair.
#[derive(Debug, Clone)]
pub(super) struct Treated {
    pub shared: Shared,
    /// Covariance of [`Shared::numbers`].
    pub covariance: DMatrix<f64>,
    /// Weighted squares of the residuals.
    pub misfit: f64,
    /// Expected size of the offsets, as a share of g/2, and the common phase of the residues.
    pub slack: f64,
    pub phase: f64,
    /// Times of the fit itself, without intervals.
    pub times: Times,
    /// Times of the fit with larger offsets.
    pub looser: Option<Times>,
    /// Weighted squares left by fits of each state by itself, and how many fewer unknowns the joint fit has.
    pub untied: (f64, usize),
    /// The poles with the unit, the slower first.
    pub poles: [Complex64; 2],
    /// These poles as sum and squared half distance, with the covariance of those four numbers.
    pub pair: (Pair, DMatrix<f64>),
    /// At each place the residue without the unit, and the two with it (slower pole first), at the origin.
    pub residues: Vec<Option<(Complex64, [Complex64; 2])>>,
    /// At each place the expected squared error of the sum of these two.
    pub variances: Vec<Option<f64>>,
    pub spoken: Spoken,
    /// The two poles of the state's own fit, where they replace those of the joint fit in the times above.
    pub own: Option<[Mode; 2]>,
}

/// Decay and ringing of the mode in a take, seconds, and after over before (logarithms; of T60 the slower pole's).
#[derive(Debug, Clone, Copy)]
pub(super) struct Spoken {
    pub before_s: f64,
    /// Of the slower and of the faster pole.
    pub t60_s: [Ends; 2],
    pub ring_s: Ends,
    pub t60_log: Ends,
    pub ring_log: Ends,
}

/// Decay times without and with the unit (the slower pole first), and the ringing with it, seconds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Times {
    pub before_s: f64,
    pub after_s: [f64; 2],
    pub ring_s: f64,
}

impl Treated {
    /// Wider by how far other cuts of the records move each value.
    pub fn widen(&mut self, others: &[Times]) {
        let count = others.len() as f64;
        let own = self.times;
        let sd = |log: &dyn Fn(&Times) -> f64| {
            let squares: f64 = others.iter().map(|t| (log(t) - log(&own)).powi(2)).sum();
            ((1.0 + 1.0 / count.max(1.0)) / count.max(1.0) * squares).sqrt().hypot(MODEL)
        };
        let seconds = |ends: Ends, sd: f64| ends.widened(sd * ends.value).times(WIDER);
        let of = &mut self.spoken;
        of.t60_s = [0, 1].map(|k: usize| seconds(of.t60_s[k], sd(&|t| t.after_s[k].ln())));
        of.ring_s = seconds(of.ring_s, sd(&|t| t.ring_s.ln()));
        of.t60_log = of.t60_log.widened(sd(&|t| (t.after_s[0] / t.before_s).ln())).times(WIDER);
        of.ring_log = of.ring_log.widened(sd(&|t| (t.ring_s / t.before_s).ln())).times(WIDER);
    }

    /// Distance of the two poles, sd.
    pub fn apart_sd(&self) -> f64 {
        apart_sd(self.pair.0, &self.pair.1)
    }

    /// Distance of the two poles as a share of the sum of their decay rates: near one, the state by itself resolves them.
    pub fn separation(&self) -> f64 {
        let [a, b] = self.poles;
        (a - b).norm() / -(a + b).re
    }

    /// Whether the records of both states agree with one mode and one unit whose coupling shows.
    pub fn sound(&self) -> bool {
        let (misfit, saved) = (self.misfit - self.untied.0, self.untied.1 as f64);
        self.shows(SHOWS_SD) && misfit < saved + SOUND_SD * (2.0 * saved).sqrt()
    }

    /// Whether the coupling is so many times its own error.
    pub fn shows(&self, sds: f64) -> bool {
        self.shared.coupling > sds * self.covariance[(4, 4)].sqrt()
    }

    /// Factor on all errors by what the joint fit leaves over those of each state by itself (Birge, Phys. Rev. 40 (1932):
    /// root of χ² over its freedom); at least one.
    pub fn strain(&self) -> f64 {
        let (misfit, saved) = (self.misfit - self.untied.0, self.untied.1.max(1) as f64);
        (misfit / saved).max(1.0).sqrt()
    }
}

/// Distance of a pair's poles by the covariance of its numbers, sd.
pub(super) fn apart_sd(pair: Pair, covariance: &DMatrix<f64>) -> f64 {
    let spread = DVector::from_row_slice(&pair.numbers()[2..]);
    let own = covariance.view((2, 2), (2, 2)).into_owned();
    // The distance is twice the root of the spread: its relative error is half as large.
    own.try_inverse().map_or(0.0, |inverse| 2.0 * spread.dot(&(inverse * &spread)).max(0.0).sqrt())
}

/// Fits from some starts; the best end.
pub(super) fn fit(mut data: Data, starts: &[Shared]) -> Option<Treated> {
    data.half_coupling = 0.5 * starts.first()?.coupling.max(1.0).sqrt();
    data.slack = SLACKS[2];
    let first = data.point(&data.start(starts.first()?))?;
    let squares = first.places.iter().flatten().map(|p| Complex64::new(p.unknowns[0], p.unknowns[1]).powi(2));
    data.phase = 0.5 * squares.sum::<Complex64>().arg();
    let mut scored: Vec<(f64, Vec<f64>)> = starts
        .iter()
        .map(|s| data.start(s))
        .filter_map(|numbers| Some((data.point(&numbers)?.misfit, numbers)))
        .collect();
    scored.sort_by(|a, b| a.0.total_cmp(&b.0));
    scored.truncate(FOLLOWED);
    let ends = scored.into_iter().filter_map(|(_, start)| data.descend(start));
    let (mut numbers, _) = ends.min_by(|a, b| a.1.misfit.total_cmp(&b.1.misfit))?;
    data.half_coupling = 0.5 * numbers[4].max(1.0).sqrt();
    let mut tried: Vec<Tried> = Vec::new();
    for slack in SLACKS {
        data.slack = slack;
        let Some((at, point)) = data.descend(numbers.clone()) else { continue };
        let Some((normal, _)) = data.normal(&at, &point) else { continue };
        let Some(evidence) = data.evidence(&at, &point, &normal) else { continue };
        let times = data.times(&Shared::of_numbers(&at), &point.places);
        tried.push(Tried { evidence, slack, numbers: at.clone(), times });
        numbers = at;
    }
    let least = tried.iter().map(|t| t.evidence).reduce(f64::min)?;
    let chosen = tried.iter().rposition(|t| t.evidence < least + AS_GOOD)?;
    data.slack = tried[chosen].slack;
    let (numbers, point) = data.descend(tried[chosen].numbers.clone())?;
    let looser = tried.get(chosen + 1).and_then(|t| t.times);
    Some(Treated { looser, ..data.joint(&numbers, &point)? })
}

/// A fit with offsets of one size.
struct Tried {
    /// −2 ln of its likelihood.
    evidence: f64,
    slack: f64,
    numbers: Vec<f64>,
    times: Option<Times>,
}

impl Data {
    fn descend(&self, start: Vec<f64>) -> Option<(Vec<f64>, Point)> {
        let mut now = start.clone();
        let mut point = self.point(&now)?;
        let mut damping = 1e-4;
        for _ in 0..STEPS {
            let (normal, right) = self.normal(&now, &point)?;
            let mut gained = 0.0;
            for _ in 0..8 {
                let mut damped = normal.clone();
                for i in 0..damped.nrows() {
                    damped[(i, i)] *= 1.0 + damping;
                }
                let step = solve(&damped, &right)?;
                let next: Vec<f64> = now.iter().zip(step.iter()).map(|(x, d)| x + d).collect();
                let better = self.allowed(&next, &start).then(|| self.point(&next)).flatten();
                if let Some(better) = better.filter(|p| p.misfit < point.misfit) {
                    gained = point.misfit - better.misfit;
                    (now, point) = (next, better);
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
                damping *= 8.0;
            }
            if gained < 1e-3 {
                break;
            }
        }
        Some((now, point))
    }

    fn allowed(&self, next: &[f64], start: &[f64]) -> bool {
        let shared = Shared::of_numbers(next);
        let damped = |r: Resonator| (DECAYS.0..DECAYS.1).contains(&r.decay_per_s);
        let off = (shared.unit.omega_per_s - shared.mode.omega_per_s).abs();
        let same = self.neighbours(next).concat().into_iter().zip(self.neighbours(start).concat());
        damped(shared.mode) && damped(shared.unit) && off < TAU * REACH_HZ && { same }
            .all(|(a, b)| same_neighbour(a, b))
    }

    fn joint(&self, numbers: &[f64], point: &Point) -> Option<Treated> {
        let (normal, _) = self.normal(numbers, point)?;
        let covariance = invert(&normal)?.view((0, 0), (Shared::COUNT, Shared::COUNT)).into_owned();
        let shared = Shared::of_numbers(numbers);
        let middle = DVector::from_row_slice(&shared.numbers());
        let of = |n: &DVector<f64>| Shared::of_numbers(n.as_slice());
        let decays = |n: &DVector<f64>| of(n).tied(1.0).map(|t| t.pair.poles().map(|s| -s.re));
        let t60 = |k: usize| {
            reach::ends(&middle, &covariance, true, |n| Some(LN_1000 / decays(n)?[k]).filter(|t| *t > 0.0))
        };
        let ring = |n: &DVector<f64>| {
            let places = self.beside(&of(n), point)?.0;
            ring_of(&of(n), &places, self.phase)
        };
        let noise = self.ring_noise(&shared, &point.places)?;
        let ring_log = |n: &DVector<f64>| Some((ring(n)? * n[0] / LN_1000).ln());
        let t60_log = |n: &DVector<f64>| Some((n[0] / decays(n)?[0]).ln()).filter(|l| l.is_finite());
        let spoken = Spoken {
            before_s: LN_1000 / middle[0],
            t60_s: [t60(0)?, t60(1)?],
            ring_s: reach::ends(&middle, &covariance, false, ring)?.widened(noise * ring(&middle)?),
            t60_log: reach::ends(&middle, &covariance, true, t60_log)?,
            ring_log: reach::ends(&middle, &covariance, false, ring_log)?.widened(noise),
        };
        let tied = shared.tied(1.0)?;
        Some(Treated {
            misfit: point.misfit,
            slack: self.slack,
            phase: self.phase,
            times: self.times(&shared, &point.places)?,
            looser: None,
            own: None,
            untied: self.untied(point),
            poles: tied.pair.poles(),
            residues: point
                .places
                .iter()
                .map(|p| p.as_ref().and_then(|p| residues(&shared, p, self.phase)))
                .collect(),
            variances: point.places.iter().map(|p| p.as_ref().map(variance)).collect(),
            pair: (tied.pair, pair_covariance(&shared, &covariance)?),
            spoken,
            covariance,
            shared,
        })
    }

    /// The fit found in other records of the same states, followed down in these.
    pub(super) fn again(mut self, found: &Treated) -> Option<Times> {
        (self.slack, self.phase) = (found.slack, found.phase);
        self.half_coupling = 0.5 * found.shared.coupling.max(1.0).sqrt();
        let (numbers, point) = self.descend(self.start(&found.shared))?;
        self.times(&Shared::of_numbers(&numbers), &point.places)
    }

    fn times(&self, shared: &Shared, places: &[Option<Place>]) -> Option<Times> {
        let slower_first = shared.tied(1.0)?.pair.poles();
        Some(Times {
            before_s: LN_1000 / shared.mode.decay_per_s,
            after_s: slower_first.map(|s| -LN_1000 / s.re),
            ring_s: ring_of(shared, places, self.phase)?,
        })
    }

    /// Sd of ln of the ringing that the residues' own noise makes, the shared numbers held.
    fn ring_noise(&self, shared: &Shared, places: &[Option<Place>]) -> Option<f64> {
        let mut variance = 0.0;
        for (m, place) in places.iter().enumerate() {
            let Some(place) = place else { continue };
            let root = place.covariance.cholesky()?.l();
            for k in 0..place.unknowns.len() {
                let at = |by: f64| {
                    let mut moved = places.to_vec();
                    let unknowns = place.unknowns + root.column(k) * by;
                    moved[m] = Some(Place { unknowns, ..place.clone() });
                    ring_of(shared, &moved, self.phase)
                };
                variance += (0.5 * (at(1.0)? / at(-1.0)?).ln()).powi(2);
            }
        }
        Some(variance.sqrt())
    }
}

/// The mode's residue, and those of its two poles with the unit, the slower first.
fn residues(shared: &Shared, place: &Place, phase: f64) -> Option<(Complex64, [Complex64; 2])> {
    let tied = shared.tied(1.0)?;
    let u = &place.unknowns;
    let own = Complex64::new(u[0], u[1]);
    let then = own + Complex64::new(u[4], u[5]);
    let (sum, moment) =
        (then * tied.sum, then * tied.moment + Complex64::cis(phase) * Complex64::new(u[2], u[3]));
    let half = tie::half_distance(tied.pair);
    let (a, b) = (0.5 * (sum + moment / half), 0.5 * (sum - moment / half));
    Some((own, if half.re >= 0.0 { [a, b] } else { [b, a] }))
}

/// Expected squared error of the residue with the unit.
fn variance(place: &Place) -> f64 {
    let c = &place.covariance;
    (0..2).map(|i| c[(i, i)] + c[(i + 4, i + 4)] + 2.0 * c[(i, i + 4)]).sum()
}

/// Covariance of [`Pair::numbers`].
fn pair_covariance(shared: &Shared, covariance: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let numbers = shared.numbers();
    let mut slopes = DMatrix::zeros(4, Shared::COUNT);
    for p in 0..Shared::COUNT {
        let step = 1e-5 * (1.0 + numbers[p].abs());
        let at = |by: f64| {
            let mut moved = numbers;
            moved[p] += by;
            Some(Shared::of_numbers(&moved).tied(1.0)?.pair.numbers())
        };
        let (up, down) = (at(step)?, at(-step)?);
        slopes.set_column(p, &DVector::from_fn(4, |i, _| (up[i] - down[i]) / (2.0 * step)));
    }
    Some(&slopes * covariance * slopes.transpose())
}

/// Time until the treated mode is 60 dB down for good.
fn ring_of(shared: &Shared, places: &[Option<Place>], phase: f64) -> Option<f64> {
    let tied = shared.tied(1.0)?;
    let half = tie::half_distance(tied.pair);
    let middle = 0.5 * tied.pair.sum;
    let poles = if half.re >= 0.0 { [middle + half, middle - half] } else { [middle - half, middle + half] };
    let strengths: Vec<Vec<Complex64>> =
        places.iter().flatten().filter_map(|p| Some(residues(shared, p, phase)?.1.to_vec())).collect();
    ring_s(&poles, &strengths)
}

/// Starts for the descent: what the treated poles by themselves say, and units round the mode.
pub(super) fn starts(mode: Resonator, pair: Option<Pair>) -> Vec<Shared> {
    let at = |unit: Resonator, coupling: f64| Shared {
        mode,
        unit,
        coupling,
        offset: Complex64::default(),
        gain: Complex64::default(),
    };
    let identified =
        pair.map(|p| identify(mode, p)).filter(|i| i.coupling > 1.0 && i.unit.decay_per_s > DECAYS.0);
    let mut all: Vec<Shared> = identified.into_iter().map(|i| at(i.unit, i.coupling)).collect();
    for off_hz in [-1.0, -0.3, 0.0, 0.3, 1.0] {
        for (g, damping) in [(5.0, 0.7), (8.0, 0.5), (8.0, 1.1), (11.0, 0.8), (14.0, 1.2)] {
            all.push(at(mode.unit(off_hz, g, damping), g * g));
        }
    }
    all
}
