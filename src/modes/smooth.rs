//! What takes what no fitted pole takes: direct sound, a start too early, and the flanks of poles outside the window.
//!
//! A polynomial does for the first two. The flank of a pole just outside is steep at the window's edge, where a
//! polynomial needs many degrees, each of which takes from the modes as well: at 80 dB over the noise the
//! poles above the range, not the noise, limited the fit. Terms shaped like such flanks need a few.

use super::basis::Bins;
use super::tall::Tall;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// How many terms of each sort there are; every one has a complex amplitude at each place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Smooth {
    /// Chebyshev polynomials over the window, from the constant up.
    pub polynomial: usize,
    /// Flanks of poles above the window.
    pub above: usize,
    /// Flanks of poles below the window.
    pub below: usize,
}

/// Distances of the flanks' poles from the window's edge, in the order they are taken, Hz. Points in
/// geometric progression are what rational approximation up to a singularity asks for (Newman 1964, from
/// memory); which ones was chosen on rooms in closed form (docs/accuracy.md), and other such series did as well.
const DISTANCES_HZ: [f64; 4] = [8.0, 16.0, 32.0, 64.0];
/// Damping of the flanks' poles over their distance: between that of a mode and of a row of them; our own choice.
const DAMPING: f64 = 0.25;

impl Smooth {
    /// Nothing beside the poles.
    pub const NONE: Smooth = Smooth::of_degree_below(0);
    /// Most flanks on one side.
    const MOST_FLANKS: usize = DISTANCES_HZ.len();
    /// Most terms of the polynomial.
    const MOST_POLYNOMIAL: usize = 7;

    /// A polynomial of so many terms alone.
    pub const fn of_degree_below(terms: usize) -> Self {
        Self { polynomial: terms, above: 0, below: 0 }
    }

    /// What has one flank more, those below among them if asked for.
    pub fn with_a_flank(self, below: bool) -> impl Iterator<Item = Smooth> {
        let above = (self.above < Self::MOST_FLANKS).then(|| Self { above: self.above + 1, ..self });
        let below = (below && self.below < Self::MOST_FLANKS).then(|| Self { below: self.below + 1, ..self });
        above.into_iter().chain(below)
    }

    /// The same with a polynomial two degrees higher, if that is allowed.
    pub fn of_higher_degree(self) -> Option<Smooth> {
        let polynomial = self.polynomial + 2;
        (polynomial <= Self::MOST_POLYNOMIAL).then_some(Self { polynomial, ..self })
    }

    /// Number of terms.
    pub fn terms(&self) -> usize {
        self.polynomial + self.above + self.below
    }

    /// The terms' columns for real and imaginary amplitude of each, `2 * bins.len()` rows.
    pub fn columns(&self, bins: &Bins) -> Tall {
        let edges = (bins.omegas[0], bins.omegas[bins.len() - 1]);
        let n = bins.len();
        let mut all = Tall::zeros(2 * n, 2 * self.terms());
        for (k, (omega, weight)) in bins.omegas.iter().zip(&bins.weights).enumerate() {
            for at in 0..self.terms() {
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
        let reach = |i: usize| 2.0 * PI * DISTANCES_HZ[i.min(Self::MOST_FLANKS - 1)];
        let first_below = self.polynomial + self.above;
        if at < self.polynomial {
            let half = (0.5 * (high - low)).max(f64::MIN_POSITIVE);
            let x = ((omega - low) / half - 1.0).clamp(-1.0, 1.0);
            Complex::from((at as f64 * x.acos()).cos())
        } else if at < first_below {
            flank(high - omega, reach(at - self.polynomial))
        } else {
            flank(omega - low, reach(at - first_below)).conj()
        }
    }
}

/// d / (i(ω − ω₀) + δ) at a distance below the window's upper edge, of a pole d above the edge.
fn flank(inside: f64, d: f64) -> Complex<f64> {
    Complex::new(DAMPING, -(inside + d) / d).inv()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::factor::Factor;
    use crate::modes::pole::Pole;

    /// Share of the norm that is left of the response of poles outside 15 to 150 Hz, the terms fitted.
    fn left(smooth: Smooth) -> f64 {
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
        Factor::orthonormal(&smooth.columns(&bins)).free(&mut outside).unwrap();
        (outside.squares()[0] / whole).sqrt()
    }

    #[test]
    fn flanks_take_poles_outside_that_a_polynomial_of_as_many_terms_leaves() {
        let quadratic = Smooth::of_degree_below(3);
        let flanks = left(Smooth { above: 3, ..quadratic });
        let (before, polynomial) = (left(quadratic), left(Smooth::of_degree_below(6)));
        assert!(flanks < 0.1 * polynomial && flanks < 0.01 * before, "{flanks} {polynomial} {before}");
    }

    #[test]
    fn flanks_below_mirror_those_above() {
        let bins = Bins::new(1000.0, 1000, 100, 200);
        let column = |smooth: Smooth| smooth.columns(&bins).column(0).collect::<Vec<f64>>();
        let above = column(Smooth { above: 1, ..Smooth::NONE });
        let below = column(Smooth { below: 1, ..Smooth::NONE });
        for k in 0..bins.len() {
            assert!((above[k] - below[bins.len() - 1 - k]).abs() < 1e-12);
        }
    }
}
