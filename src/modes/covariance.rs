//! Uncertainty of poles and amplitudes where the model holds: the inverse of the Fisher information.

use super::Amplitude;
use super::pole::Pole;
use super::problem::Group;
use super::projection::{GroupFit, Normal};
use super::window::Window;
use nalgebra::{Cholesky, DMatrix, Matrix2, Matrix2xX};
use rustfft::num_complex::Complex;

/// Joint covariance of (ω₁, δ₁, ω₂, δ₂, …), (rad/s)²; `None` where the information is singular.
pub(crate) fn pole_covariance(window: &Window) -> Option<DMatrix<f64>> {
    let normal = window.fit.projection.normal(&window.problem, &window.fit.poles, &window.variances)?;
    inverse_information(&normal)
}

/// Inverse of a Fisher information, scaled to unit diagonal first.
pub(crate) fn inverse_information(normal: &Normal) -> Option<DMatrix<f64>> {
    let size = normal.matrix.nrows();
    let scales: Vec<f64> = normal.matrix.diagonal().iter().map(|d| d.sqrt()).collect();
    if scales.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return None;
    }
    let scaled = DMatrix::from_fn(size, size, |i, j| normal.matrix[(i, j)] / scales[i] / scales[j]);
    let inverse = Cholesky::new(scaled)?.inverse();
    Some(DMatrix::from_fn(size, size, |i, j| inverse[(i, j)] / scales[i] / scales[j]))
}

/// How a group's linear unknowns move with the poles, kept for all its places.
pub(crate) struct Sensitivity {
    /// (ΦᵀΦ)⁻¹.
    unscaled: DMatrix<f64>,
    /// Φ⁺ times the derivatives (D₁, D₂) of each pole.
    reaction: DMatrix<f64>,
}

impl Sensitivity {
    /// `None` where the columns are dependent.
    pub fn new(group: &Group, fit: &GroupFit, poles: &[Pole]) -> Option<Self> {
        let derivatives = group.derivatives(poles, fit.factor.height())?;
        let reaction = fit.factor.pseudo_inverse_times(&derivatives)?;
        Some(Self { unscaled: fit.factor.unscaled_covariance()?, reaction })
    }

    /// Amplitude of pole `j` in column `m`, `earlier_s` before the record's start, with its covariance.
    ///
    /// A(t) = A exp(−λ τ); its covariance is the noise's at fixed poles plus that of the poles.
    pub fn amplitude(
        &self,
        fit: &GroupFit,
        poles: &[Pole],
        covariance: &DMatrix<f64>,
        at: (usize, usize),
        variance: f64,
        earlier_s: f64,
    ) -> Amplitude {
        let (j, m) = at;
        let (a, b) = (fit.coefficients[(2 * j, m)], fit.coefficients[(2 * j + 1, m)]);
        let mut moves = Matrix2xX::zeros(2 * poles.len());
        for k in 0..poles.len() {
            let (ak, bk) = (fit.coefficients[(2 * k, m)], fit.coefficients[(2 * k + 1, m)]);
            for row in 0..2 {
                let (first, second) =
                    (self.reaction[(2 * j + row, 2 * k)], self.reaction[(2 * j + row, 2 * k + 1)]);
                moves[(row, 2 * k)] = bk * first - ak * second;
                moves[(row, 2 * k + 1)] = ak * first + bk * second;
            }
        }
        // dA(t) = exp(−λτ)(dA − τ A dλ), dλ = −dδ + i dω.
        moves[(0, 2 * j)] += earlier_s * b;
        moves[(1, 2 * j)] -= earlier_s * a;
        moves[(0, 2 * j + 1)] += earlier_s * a;
        moves[(1, 2 * j + 1)] += earlier_s * b;
        let turn = (-poles[j].lambda() * earlier_s).exp();
        let turned = Matrix2::new(turn.re, -turn.im, turn.im, turn.re);
        let own = self.unscaled.fixed_view::<2, 2>(2 * j, 2 * j) * variance;
        // In this order the long product runs down the covariance's columns.
        let by_poles = &moves * (covariance * moves.transpose());
        let spread = turned * (own + by_poles) * turned.transpose();
        let value = Complex::new(a, b) * turn;
        let covariance = [spread[(0, 0)], 0.5 * (spread[(0, 1)] + spread[(1, 0)]), spread[(1, 1)]];
        Amplitude { re: value.re, im: value.im, covariance, delta_chi2: 0.0 }
    }
}
