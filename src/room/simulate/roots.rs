//! Zeros of the characteristic function of many modes and a few units.

use super::basis::Basis;
use super::{SceneError, Unit};
use nalgebra::DMatrix;
use rustfft::num_complex::Complex64;

/// The characteristic matrix of the units, `M_jk(s) = (s² + 2δ_j s + ω_j²)·[j = k] + s² Σ_n g_nj g_nk/D_n(s)`,
/// with `D_n(s) = s² + 2δ_n s + ω_n²`. The poles of the coupled system are the zeros of
/// `det M · Π D_n`; with one mode and one unit that is the familiar quartic.
pub(super) struct Characteristic<'a> {
    /// Coupled modes only.
    pub modes: &'a [Basis],
    pub units: &'a [Unit],
}

impl Characteristic<'_> {
    /// M and its derivative at s.
    pub fn matrices(&self, s: Complex64) -> (DMatrix<Complex64>, DMatrix<Complex64>) {
        let side = self.units.len();
        let mut m = DMatrix::zeros(side, side);
        let mut slope = DMatrix::zeros(side, side);
        for (j, unit) in self.units.iter().enumerate() {
            m[(j, j)] = s * s + 2.0 * unit.decay_per_s * s + unit.omega_per_s.powi(2);
            slope[(j, j)] = 2.0 * (s + unit.decay_per_s);
        }
        for mode in self.modes {
            let d = mode.quadratic(s);
            let value = s * s / d;
            let change = (2.0 * s - value * mode.slope(s)) / d;
            for j in 0..side {
                for k in 0..side {
                    let g2 = mode.coupling[j] * mode.coupling[k];
                    m[(j, k)] += value * g2;
                    slope[(j, k)] += change * g2;
                }
            }
        }
        (m, slope)
    }

    /// Logarithmic derivative of the characteristic polynomial: `tr(M⁻¹M′) + Σ D_n′/D_n`.
    fn log_slope(&self, s: Complex64) -> Option<Complex64> {
        let (m, slope) = self.matrices(s);
        let units = if m.nrows() == 1 { slope[(0, 0)] / m[(0, 0)] } else { m.lu().solve(&slope)?.trace() };
        let modes: Complex64 = self.modes.iter().map(|mode| mode.slope(s) / mode.quadratic(s)).sum();
        Some(units + modes)
    }

    /// All zeros in the upper half plane, one a mode and one a unit, in that order.
    ///
    /// Simultaneous iteration of Ehrlich (1967) and Aberth (Math. Comp. 27 (1973)): each zero is
    /// corrected by Newton's step with the other zeros and all mirror images divided out, so that
    /// no two can fall on the same one.
    pub fn zeros(&self) -> Result<Vec<Complex64>, SceneError> {
        let mut zeros = self.start();
        let mut settled = vec![false; zeros.len()];
        for _ in 0..200 {
            for k in 0..zeros.len() {
                if settled[k] {
                    continue;
                }
                let s = zeros[k];
                // No solution means that s is a zero already: M is singular there.
                let Some(step) = self.log_slope(s).map(|log_slope| 1.0 / (log_slope - repulsion(&zeros, k)))
                else {
                    settled[k] = true;
                    continue;
                };
                if !step.is_finite() {
                    return Err(SceneError::NotSolved);
                }
                let next = s - step;
                zeros[k] = Complex64::new(next.re, next.im.abs());
                settled[k] = step.norm() < 4.0 * f64::EPSILON * s.norm();
            }
            if settled.iter().all(|&done| done) {
                return Ok(zeros);
            }
        }
        // Rounding may keep the last digit alive: a millionth of a millionth is settled too.
        let still =
            |k: &usize| self.log_slope(zeros[*k]).is_none_or(|l| (1.0 / l).norm() < 1e-11 * zeros[*k].norm());
        if (0..zeros.len()).all(|k| still(&k)) { Ok(zeros) } else { Err(SceneError::NotSolved) }
    }

    /// Where the iteration starts: each mode moved as the units move it to first order, at most by
    /// half its coupling; each unit on its own pole, a little aside so that equal units differ.
    fn start(&self) -> Vec<Complex64> {
        let modes = self.modes.iter().map(|mode| {
            let s = mode.pole();
            let shift: Complex64 = self
                .units
                .iter()
                .zip(&mode.coupling)
                .map(|(unit, g)| {
                    let d = s * s + 2.0 * unit.decay_per_s * s + unit.omega_per_s.powi(2) + g * s;
                    -s * s * g * g / (d * mode.slope(s))
                })
                .sum();
            let most = mode.coupling.iter().fold(0.0f64, |most, g| most.max(0.5 * g.abs()));
            s + shift * (most / shift.norm()).min(1.0)
        });
        let units = self.units.iter().enumerate().map(|(j, unit)| {
            let damped = (unit.omega_per_s.powi(2) - unit.decay_per_s.powi(2)).sqrt();
            let aside = 1e-3 * (j as f64 + 1.0) * unit.coupling_per_s;
            Complex64::new(-unit.decay_per_s - aside, damped + 0.7 * aside)
        });
        modes.chain(units).collect()
    }
}

/// Σ 1/(s − other zero) over all other zeros and all mirror images.
fn repulsion(zeros: &[Complex64], k: usize) -> Complex64 {
    let s = zeros[k];
    let others: Complex64 =
        zeros.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, z)| 1.0 / (s - z)).sum();
    let images: Complex64 = zeros.iter().map(|z| 1.0 / (s - z.conj())).sum();
    others + images
}
