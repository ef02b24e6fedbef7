//! Levenberg–Marquardt on the poles of a window, amplitudes projected out.

use super::pole::{LN_1000, Pole};
use super::problem::Problem;
use super::projection::{Normal, Projection};
use nalgebra::{Cholesky, DVector};
use std::f64::consts::PI;

/// When the iteration stops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Effort {
    /// Greatest number of accepted steps.
    pub steps: usize,
    /// Stop when a step gains less than this of χ², in units of the noise variance.
    pub enough: f64,
}

/// A set of poles with the linear fit (residues, residual terms) at these poles.
#[derive(Debug, Clone)]
pub(crate) struct Fitted {
    /// The poles.
    pub poles: Vec<Pole>,
    /// Linear fit at these poles.
    pub projection: Projection,
}

/// Shortest and longest T60 that the fit will try, s; outside is no room mode at these frequencies.
const T60_RANGE_S: (f64, f64) = (0.02, 200.0);
/// Damping that a step begins with, and the least, as shares of the matrix's diagonal. Common practice, no source.
const FIRST_DAMPING: f64 = 1e-3;
const LEAST_DAMPING: f64 = 1e-10;
/// How often the damping is raised by ten before a step is given up.
const MOST_TRIES: usize = 8;
/// How far outside the window a pole may lie, Hz: its response still reaches in.
pub(crate) const OUTSIDE_HZ: f64 = 6.0;

/// Moves the poles to the minimum of the weighted squares, noise variances fixed.
pub(crate) fn refine(problem: &Problem, start: Fitted, variances: &[f64], effort: Effort) -> Fitted {
    if start.poles.is_empty() {
        return start;
    }
    let mut best = start;
    let mut damping = FIRST_DAMPING;
    for _ in 0..effort.steps {
        let before = best.projection.chi_square(variances);
        let Some(normal) = best.normal(problem, variances) else { break };
        let from = Start { fit: &best, normal: &normal, damping };
        let Some((next, used)) = from.improved(problem, variances, effort.enough) else { break };
        let gained = before - next.projection.chi_square(variances);
        best = next;
        damping = (used / 10.0).max(LEAST_DAMPING);
        if gained < effort.enough {
            break;
        }
    }
    best
}

impl Fitted {
    /// The best linear fit at these poles; `None` where they can't be fitted (dependent columns, too many poles).
    pub fn at(problem: &Problem, poles: &[Pole]) -> Option<Self> {
        Some(Self { poles: poles.to_vec(), projection: Projection::new(problem, poles)? })
    }

    /// The matrix of a step, by the longer way where the quick one has lost its digits.
    fn normal(&self, problem: &Problem, variances: &[f64]) -> Option<Normal> {
        let quick = self.projection.step_normal(problem, &self.poles, variances)?;
        if damped_step(&quick, LEAST_DAMPING).is_some() {
            return Some(quick);
        }
        self.projection.normal(problem, &self.poles, variances)
    }

    /// The fit after a step.
    fn moved(&self, problem: &Problem, step: &DVector<f64>) -> Option<Self> {
        let poles = moved(problem, &self.poles, step);
        let projection = Projection::new(problem, &poles)?;
        Some(Self { poles, projection })
    }

    /// Fall of χ² that the linear model predicts for a step: gᵀH⁻¹g.
    pub fn expected_gain(&self, problem: &Problem, variances: &[f64]) -> Option<f64> {
        let normal = self.projection.step_normal(problem, &self.poles, variances)?;
        Some(damped_step(&normal, 1e-9)?.dot(&normal.gradient))
    }
}

/// Where a step begins.
struct Start<'a> {
    fit: &'a Fitted,
    normal: &'a Normal,
    damping: f64,
}

impl Start<'_> {
    /// One step that lowers χ², the damping raised until one does; `None` if none does that could gain `enough`.
    fn improved(&self, problem: &Problem, variances: &[f64], enough: f64) -> Option<(Fitted, f64)> {
        let before = self.fit.projection.chi_square(variances);
        let mut damping = self.damping;
        for _ in 0..MOST_TRIES {
            if let Some(step) = damped_step(self.normal, damping) {
                let next = self.fit.moved(problem, &step);
                if let Some(better) = next.filter(|f| f.projection.chi_square(variances) < before) {
                    return Some((better, damping));
                }
                if step.dot(&self.normal.gradient) < enough {
                    return None;
                }
            }
            damping *= 10.0;
        }
        None
    }
}

fn damped_step(normal: &Normal, damping: f64) -> Option<DVector<f64>> {
    let mut matrix = normal.matrix.clone();
    for i in 0..matrix.nrows() {
        matrix[(i, i)] *= 1.0 + damping;
    }
    let step = Cholesky::new(matrix)?.solve(&normal.gradient);
    step.iter().all(|s| s.is_finite()).then_some(step)
}

/// Applies a step, at most 0.6 δ + 0.5/T each way, within the window and the allowed decays.
fn moved(problem: &Problem, poles: &[Pole], step: &DVector<f64>) -> Vec<Pole> {
    let (low, high) = problem.band_hz;
    let omegas = (2.0 * PI * (low - OUTSIDE_HZ).max(1.0), 2.0 * PI * (high + OUTSIDE_HZ));
    let decays = (LN_1000 / T60_RANGE_S.1, LN_1000 / T60_RANGE_S.0);
    let least = 0.5 / problem.seconds();
    let reach = |pole: &Pole| 0.6 * pole.decay_per_s + least;
    poles
        .iter()
        .enumerate()
        .map(|(j, pole)| {
            let r = reach(pole);
            let omega = pole.omega_per_s + step[2 * j].clamp(-r, r);
            let decay = (pole.decay_per_s + step[2 * j + 1].clamp(-r, r)).max(0.3 * pole.decay_per_s);
            Pole {
                omega_per_s: omega.clamp(omegas.0, omegas.1),
                decay_per_s: decay.clamp(decays.0, decays.1),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::noise::NoiseSpectrum;
    use crate::modes::record::{Cut, Records};
    use crate::modes::residual_terms::ResidualTerms;
    use crate::modes::tests::closed_form::Case;

    /// A window from 46 Hz on lets poles go 6 Hz below it, and a step go 0.6 δ and half a turn of the record.
    #[test]
    fn a_step_ends_at_the_window_s_reach() {
        let case = Case::new(3600, 0.01, 1);
        let records = Records::new(&case.places(), Cut::WHOLE);
        let terms = ResidualTerms::of_degree_below(3);
        let problem = records.problem((46.0, 105.0), terms, &NoiseSpectrum::default()).unwrap();
        let down = |hz: f64| {
            let pole = Pole::new(hz, 0.3);
            let step = DVector::from_row_slice(&[-100.0, 0.0]);
            (pole, moved(&problem, &[pole], &step)[0])
        };
        assert!((down(40.5).1.frequency_hz() - 40.0).abs() < 1e-9, "{:?}", down(40.5));
        let (before, after) = down(60.0);
        let reach = 0.6 * before.decay_per_s + 0.5 / problem.seconds();
        assert!((before.omega_per_s - after.omega_per_s - reach).abs() < 1e-9, "{after:?}");
    }
}
