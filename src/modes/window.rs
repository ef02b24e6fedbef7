//! One window while it is fitted: its poles and noise variances, and the criterion by which poles are added and removed.

use super::gain::{Candidates, PeakRule};
use super::pole::Pole;
use super::problem::{Group, Problem};
use super::projection::Projection;
use super::refine::{Effort, Fitted, refine};
use statrs::distribution::{ChiSquared, ContinuousCDF};
use std::f64::consts::PI;

/// A problem, the poles chosen so far and the noise they leave.
#[derive(Debug, Clone)]
pub(crate) struct Window {
    /// Data and columns.
    pub problem: Problem,
    /// Poles and linear fit.
    pub fit: Fitted,
    /// Noise variance of each place, in units of the weighted bins.
    pub variances: Vec<f64>,
}

/// At most this share of the data may go into parameters: beyond, noise is interpolated. Our own choice.
pub(super) const MOST_PARAMETERS: f64 = 0.45;
/// Significance level: chance that noise alone adds a pole somewhere in the window.
const SIGNIFICANCE: f64 = 0.01;
/// A few steps while poles are still being searched for.
pub(crate) const QUICK: Effort = Effort { steps: 4, enough: 0.5 };
/// Steps to convergence.
pub(crate) const THOROUGH: Effort = Effort { steps: 25, enough: 0.01 };
/// Steps that bring known poles near their optimum.
pub(crate) const CLOSE: Effort = Effort { steps: 6, enough: 0.1 };
/// Steps that bring poles from one way of fitting to another that is as good.
pub(crate) const NEARBY: Effort = Effort { steps: 3, enough: 0.1 };

/// Poles further than this from a change stay where they are until all are refined together, Hz.
const NEAR_HZ: f64 = 12.0;

/// Poles nearer to one another than this share of their decay constant are one; our own choice, far below what the
/// closed-form rooms' records tell apart.
const TWINS: f64 = 0.03;

/// Squares below this share of the data are rounding, not noise.
const ROUNDING: f64 = 1e-25;

/// A residual 70 dB under the response is the model's own error (direct sound as a polynomial, resampling), and no more
/// poles are added to explain it.
const MODEL_ERROR: f64 = 1e-7;

/// Noise variance from what a fit leaves, for the degrees of freedom it leaves.
pub(crate) fn variances_of(problem: &Problem, fit: &Projection, poles: usize) -> Vec<f64> {
    let mut variances = vec![1.0; problem.records];
    for group in &problem.groups {
        let rows = group.rows() as f64;
        let degrees_of_freedom = (rows - problem.penalty(poles)).max(1.0);
        for (square, record) in group.spectra.squares().into_iter().zip(&group.records) {
            let rounding = ROUNDING * square.max(f64::MIN_POSITIVE);
            variances[*record] = fit.squares[*record].max(rounding) / degrees_of_freedom;
        }
    }
    variances
}

impl Window {
    /// A window with these poles to start from; `None` where they can't be fitted.
    pub fn new(problem: Problem, poles: &[Pole]) -> Option<Self> {
        let fit = Fitted::at(&problem, poles)?;
        let variances = variances_of(&problem, &fit.projection, poles.len());
        Some(Self { problem, fit, variances })
    }

    /// −2 ln likelihood (but for a constant), each place's noise variance put in as RSS/(n − p).
    ///
    /// Not RSS/n: the logarithm of a residual that many poles interpolate away would outweigh any penalty. Variances have
    /// a floor, the model's own error.
    pub fn deviance(&self) -> f64 {
        self.deviance_of(&self.fit.projection, self.fit.poles.len())
    }

    /// The criterion that sets of poles are compared by, lower is better: the deviance of the data before weighting, so
    /// that fits with other weights compare, plus the χ² threshold for each pole and for each residual term.
    pub fn cost(&self) -> f64 {
        let weighting = |group: &Group| {
            // ln of a weight's square, for real and imaginary part.
            4.0 * group.bins.weights.iter().map(|w| w.ln()).sum::<f64>() * group.records.len() as f64
        };
        let weighting: f64 = self.problem.groups.iter().map(weighting).sum();
        self.deviance() - weighting + self.threshold() * self.fit.poles.len() as f64 + self.penalty_of_terms()
    }

    /// Penalty of the residual terms: for each the χ² quantile that noise alone exceeds with the chance `SIGNIFICANCE`.
    fn penalty_of_terms(&self) -> f64 {
        let degrees = 2.0 * self.problem.records as f64;
        let penalty = ChiSquared::new(degrees).map_or(f64::INFINITY, |d| d.inverse_cdf(1.0 - SIGNIFICANCE));
        penalty * self.problem.terms.count() as f64
    }

    fn deviance_of(&self, projection: &Projection, poles: usize) -> f64 {
        let variances = variances_of(&self.problem, projection, poles);
        let floor = |place: usize| MODEL_ERROR * self.problem.mean_square(place);
        let places = variances.iter().enumerate();
        places.map(|(m, v)| self.problem.rows_of(m) as f64 * v.max(floor(m)).ln()).sum()
    }

    /// By how much one more pole must lower the deviance: what noise alone reaches somewhere in the window with the chance
    /// `SIGNIFICANCE`, from χ² with 2 + 2 × places degrees of freedom in 3 B T independent tries (that number is our own
    /// choice).
    pub fn threshold(&self) -> f64 {
        let tries = 3.0 * (self.problem.band_hz.1 - self.problem.band_hz.0) * self.problem.seconds();
        let degrees = 2.0 + 2.0 * self.problem.records as f64;
        ChiSquared::new(degrees).map_or(f64::INFINITY, |d| d.inverse_cdf(1.0 - SIGNIFICANCE / tries.max(1.0)))
    }

    /// Refines the poles and the noise levels in turn.
    pub fn refine_with_noise(&mut self, effort: Effort, rounds: usize) {
        for _ in 0..rounds {
            self.fit = refine(&self.problem, self.fit.clone(), &self.variances, effort);
            self.variances = variances_of(&self.problem, &self.fit.projection, self.fit.poles.len());
        }
    }

    /// The fit's poles without those left `out` and with the `added` ones; those near a change are moved to where they fit
    /// best, the others stay fixed. Returns the poles and the deviance.
    fn try_poles(&self, out: &[usize], added: &[Pole]) -> Option<(Vec<Pole>, f64)> {
        let own = &self.fit.poles;
        let changes: Vec<Pole> = out.iter().map(|j| own[*j]).chain(added.iter().copied()).collect();
        let near =
            |p: &Pole| changes.iter().any(|a| (a.omega_per_s - p.omega_per_s).abs() < 2.0 * PI * NEAR_HZ);
        let kept = (0..own.len()).filter(|j| !out.contains(j));
        let (moving, fixed): (Vec<usize>, Vec<usize>) = kept.partition(|j| near(&own[*j]));
        let moving: Vec<Pole> = moving.into_iter().map(|j| own[j]).chain(added.iter().copied()).collect();
        let reduced = self.problem.with_poles_fixed(&self.fit.projection, &fixed)?;
        let fit = refine(&reduced, Fitted::at(&reduced, &moving)?, &self.variances, QUICK);
        let mut poles: Vec<Pole> = fixed.into_iter().map(|j| own[j]).chain(fit.poles).collect();
        let deviance = self.deviance_of(&fit.projection, poles.len());
        poles.sort_by(|a, b| a.omega_per_s.total_cmp(&b.omega_per_s));
        Some((poles, deviance))
    }

    fn set_fit(&mut self, fit: Fitted) {
        self.fit = fit;
        self.variances = variances_of(&self.problem, &self.fit.projection, self.fit.poles.len());
    }

    /// Adds poles from the candidates until none lowers the deviance by the threshold.
    ///
    /// It stops after more than `patience` additions in a row that stay below their threshold: several poles together may
    /// pass it.
    pub fn grow(&mut self, candidates: &Candidates, patience: usize, cancelled: &dyn Fn() -> bool) {
        let most = self.problem.most_poles(MOST_PARAMETERS);
        let threshold = self.threshold();
        let (mut best, mut best_deviance, mut worse) = (self.fit.clone(), self.deviance(), 0);
        while self.fit.poles.len() < most && worse <= patience && !cancelled() {
            let missing = self.fit.poles.len() - best.poles.len();
            let required = |poles: &[Pole]| threshold * (poles.len() - best.poles.len()) as f64;
            let enough = |poles: &[Pole], deviance: f64| best_deviance - deviance > required(poles);
            let Some((poles, deviance)) = self.best_addition(candidates, most, missing, &enough) else {
                break;
            };
            let better = enough(&poles, deviance);
            let Some(fit) = Fitted::at(&self.problem, &poles) else { break };
            if better {
                (best, best_deviance, worse) = (fit.clone(), deviance, 0);
            } else {
                worse += 1;
            }
            self.set_fit(fit);
        }
        self.set_fit(best);
    }

    /// The first of several additions that passes the threshold, else the one with the lowest deviance.
    fn best_addition(
        &self,
        candidates: &Candidates,
        most: usize,
        missing: usize,
        enough: &dyn Fn(&[Pole], f64) -> bool,
    ) -> Option<(Vec<Pole>, f64)> {
        let threshold = self.threshold();
        let rule = PeakRule { apart_hz: 2.0, at_least: 0.5 * threshold };
        let peaks = candidates.peaks(&self.problem, &self.fit, &self.variances, &rule);
        let strong = threshold.max(0.3 * peaks.first()?.gain);
        let together = peaks.iter().filter(|p| p.gain > strong).take((most - self.fit.poles.len()).min(4));
        let together: Vec<Pole> = together.map(|p| p.pole).collect();
        let singles = peaks.iter().take(3).map(|p| vec![p.pole]);
        let first = (missing == 0 && together.len() > 1).then_some(together);
        let mut best: Option<(Vec<Pole>, f64)> = None;
        for added in first.into_iter().chain(singles) {
            let Some((poles, deviance)) = self.try_poles(&[], &added) else { continue };
            if enough(&poles, deviance) {
                return Some((poles, deviance));
            }
            if best.as_ref().is_none_or(|(_, s)| deviance < *s) {
                best = Some((poles, deviance));
            }
        }
        best
    }

    /// Wald statistic of each pole's residues, the other poles fixed: an upper bound of the rise of χ² when the pole is
    /// removed and the others are refitted. Noise variances are floored as in the deviance.
    pub fn wald_statistics(&self) -> Vec<f64> {
        let over_floor = |(place, variance): (usize, &f64)| {
            variance / variance.max(MODEL_ERROR * self.problem.mean_square(place))
        };
        let shares: Vec<f64> = self.variances.iter().enumerate().map(over_floor).collect();
        let sum = |falls: &Vec<f64>| falls.iter().zip(&shares).map(|(fall, share)| fall * share).sum();
        self.delta_chi2_by_place().iter().map(sum).collect()
    }

    /// Fall of χ² that each pole brings at each place with all poles fixed, variances without the floor: pole by record.
    pub fn delta_chi2_by_place(&self) -> Vec<Vec<f64>> {
        let mut falls = vec![vec![0.0; self.problem.records]; self.fit.poles.len()];
        for (group, fit) in self.problem.groups.iter().zip(&self.fit.projection.groups) {
            let Some(unscaled) = fit.factor.unscaled_covariance() else { continue };
            for (j, falls) in falls.iter_mut().enumerate() {
                let block = unscaled.view((2 * j, 2 * j), (2, 2));
                let determinant = block[(0, 0)] * block[(1, 1)] - block[(0, 1)] * block[(1, 0)];
                for (m, record) in group.records.iter().enumerate() {
                    let (a, b) = (fit.coefficients[(2 * j, m)], fit.coefficients[(2 * j + 1, m)]);
                    let square = block[(1, 1)] * a * a - 2.0 * block[(0, 1)] * a * b + block[(0, 0)] * b * b;
                    falls[*record] += square / determinant / self.variances[*record];
                }
            }
        }
        falls
    }

    /// Refined, with one pole in place of two that end within a small part of their width: in low noise such a pair
    /// follows what is no exponential, and no record could tell it from one pole.
    pub fn refined_without_twins(mut self, effort: Effort, rounds: usize) -> Self {
        self.refine_with_noise(effort, rounds);
        while let Some(twin) = self.twin() {
            let mut poles = self.fit.poles.clone();
            poles.remove(twin);
            let Some(fit) = Fitted::at(&self.problem, &poles) else { break };
            self.set_fit(fit);
            self.refine_with_noise(effort, rounds);
        }
        self
    }

    /// The second of two poles closer than `TWINS` of their decay constant.
    fn twin(&self) -> Option<usize> {
        let poles = &self.fit.poles;
        let near = |a: &Pole, b: &Pole| a.distance_per_s(b) < TWINS * a.decay_per_s.min(b.decay_per_s);
        (1..poles.len()).find(|k| poles[..*k].iter().any(|other| near(other, &poles[*k])))
    }

    /// Removes poles whose removal raises the deviance by less than the threshold, those with the smallest Wald statistic
    /// first; the four smallest are tried with a refit of their neighbours.
    pub fn prune(&mut self, cancelled: &dyn Fn() -> bool) {
        let threshold = self.threshold();
        while !self.fit.poles.is_empty() && !cancelled() {
            let wald_statistics = self.wald_statistics();
            let mut order: Vec<usize> =
                (0..wald_statistics.len()).filter(|j| wald_statistics[*j] < 4.0 * threshold).collect();
            order.sort_by(|a, b| wald_statistics[*a].total_cmp(&wald_statistics[*b]));
            let deviance = self.deviance();
            let trial = order.into_iter().take(4).find_map(|j| {
                let (poles, without) = self.try_poles(&[j], &[])?;
                (without - deviance < threshold).then_some(poles)
            });
            let Some(fit) = trial.and_then(|poles| Fitted::at(&self.problem, &poles)) else { break };
            self.set_fit(fit);
        }
    }
}
