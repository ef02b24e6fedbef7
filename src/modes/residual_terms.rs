//! Residual terms: columns for the direct sound, for a start before the modes' own, and for the tails of poles outside the
//! window, none of which a pole inside models.
//!
//! A polynomial does for the first two. The response of a pole just outside is steep at the window's edge, where a
//! polynomial needs a high degree, and each degree takes from the modes as well: at 80 dB over the noise the
//! poles above the range, not the noise, limited the fit. Upper and lower terms, shaped like such poles, need a few.

use super::basis::Bins;
use super::tall::Tall;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// How many terms of each sort there are; every one has a complex amplitude at each place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct ResidualTerms {
    /// Chebyshev polynomials over the window, from the constant up.
    pub polynomial: usize,
    /// Terms shaped like poles above the window.
    pub upper: usize,
    /// Terms shaped like poles below the window.
    pub lower: usize,
}

/// Distances of the terms' poles from the window's edge, in the order they are taken, Hz. Points in
/// geometric progression are what rational approximation up to a singularity asks for (Newman 1964, from
/// memory); which ones was chosen on rooms in closed form (docs/accuracy.md), and other such series did as well.
const DISTANCES_HZ: [f64; 4] = [8.0, 16.0, 32.0, 64.0];
/// Damping of the terms' poles over their distance: between that of a mode and of a row of them; our own choice.
const DAMPING: f64 = 0.25;

impl ResidualTerms {
    /// Nothing beside the poles.
    pub const NONE: ResidualTerms = ResidualTerms::of_degree_below(0);
    /// Most terms on one side.
    const MOST_OUTSIDE: usize = DISTANCES_HZ.len();
    /// Most terms of the polynomial.
    const MOST_POLYNOMIAL: usize = 7;

    /// A polynomial of so many terms alone.
    pub const fn of_degree_below(terms: usize) -> Self {
        Self { polynomial: terms, upper: 0, lower: 0 }
    }

    /// Each set with one outer term more: an upper one, and where `poles_below` says that poles lie below the window
    /// too a lower.
    pub fn with_one_outer_more(self, poles_below: bool) -> impl Iterator<Item = ResidualTerms> {
        let upper = (self.upper < Self::MOST_OUTSIDE).then(|| Self { upper: self.upper + 1, ..self });
        let lower =
            (poles_below && self.lower < Self::MOST_OUTSIDE).then(|| Self { lower: self.lower + 1, ..self });
        upper.into_iter().chain(lower)
    }

    /// The terms with a polynomial two degrees higher, if that is allowed.
    pub fn of_higher_degree(self) -> Option<ResidualTerms> {
        let polynomial = self.polynomial + 2;
        (polynomial <= Self::MOST_POLYNOMIAL).then_some(Self { polynomial, ..self })
    }

    /// Number of terms.
    pub fn count(&self) -> usize {
        self.polynomial + self.upper + self.lower
    }

    /// The terms' columns for real and imaginary amplitude of each, `2 * bins.len()` rows.
    pub fn columns(&self, bins: &Bins) -> Tall {
        let edges = (bins.omegas[0], bins.omegas[bins.len() - 1]);
        let n = bins.len();
        let mut all = Tall::zeros(2 * n, 2 * self.count());
        for (k, (omega, weight)) in bins.omegas.iter().zip(&bins.weights).enumerate() {
            for at in 0..self.count() {
                let value = self.value(at, *omega, edges) * *weight;
                all.set(k, 2 * at, value.re);
                all.set(n + k, 2 * at, value.im);
                all.set(k, 2 * at + 1, -value.im);
                all.set(n + k, 2 * at + 1, value.re);
            }
        }
        all
    }

    fn value(&self, at: usize, omega: f64, (low, high): (f64, f64)) -> Complex<f64> {
        let reach = |i: usize| 2.0 * PI * DISTANCES_HZ[i.min(Self::MOST_OUTSIDE - 1)];
        let first_lower = self.polynomial + self.upper;
        if at < self.polynomial {
            let half = (0.5 * (high - low)).max(f64::MIN_POSITIVE);
            let x = ((omega - low) / half - 1.0).clamp(-1.0, 1.0);
            Complex::from((at as f64 * x.acos()).cos())
        } else if at < first_lower {
            outer(high - omega, reach(at - self.polynomial))
        } else {
            outer(omega - low, reach(at - first_lower)).conj()
        }
    }
}

/// d / (i(ω − ω₀) + δ) at a distance below the window's upper edge, of a pole d above the edge.
fn outer(inside: f64, d: f64) -> Complex<f64> {
    Complex::new(DAMPING, -(inside + d) / d).inv()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::factor::Factor;
    use crate::modes::pole::Pole;

    /// Share of the norm that is left of the response of poles outside 15 to 150 Hz, the terms fitted.
    fn left(terms: ResidualTerms) -> f64 {
        let bins = Bins::new(2000.0, 6000, 45, 450);
        let signs = [(158.0, 1.0), (163.0, -1.4), (171.0, 0.7), (180.0, 1.1), (195.0, -0.8)];
        let poles = signs.map(|(hz, _)| Pole::new(hz, 0.6));
        let mut columns = Tall::zeros(2 * bins.len(), 2 * poles.len());
        bins.columns(&poles, &mut columns);
        let sum = |row: usize| {
            signs.iter().enumerate().map(|(j, (_, sign))| sign * columns.at(row, 2 * j + 1)).sum()
        };
        let mut outside = Tall::from_fn(2 * bins.len(), 1, |row, _| sum(row));
        let whole = outside.squares()[0];
        Factor::orthonormal(&terms.columns(&bins)).project_out(&mut outside).unwrap();
        (outside.squares()[0] / whole).sqrt()
    }

    #[test]
    fn upper_terms_take_poles_outside_that_a_polynomial_of_as_many_terms_leaves() {
        let quadratic = ResidualTerms::of_degree_below(3);
        let upper = left(ResidualTerms { upper: 3, ..quadratic });
        let (before, polynomial) = (left(quadratic), left(ResidualTerms::of_degree_below(6)));
        assert!(upper < 0.1 * polynomial && upper < 0.01 * before, "{upper} {polynomial} {before}");
    }

    #[test]
    fn lower_terms_mirror_upper_ones() {
        let bins = Bins::new(1000.0, 1000, 100, 200);
        let column = |terms: ResidualTerms| terms.columns(&bins).column(0).collect::<Vec<f64>>();
        let above = column(ResidualTerms { upper: 1, ..ResidualTerms::NONE });
        let below = column(ResidualTerms { lower: 1, ..ResidualTerms::NONE });
        for k in 0..bins.len() {
            assert!((above[k] - below[bins.len() - 1 - k]).abs() < 1e-12);
        }
    }
}
