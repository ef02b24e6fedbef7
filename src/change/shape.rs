//! How alike two resonances are over the places.

use super::view::{PlaceStrength, Resonance};
use rustfft::num_complex::Complex64;

/// Places where both are known.
pub(super) fn both<'a>(
    a: &'a Resonance,
    b: &'a Resonance,
) -> impl Iterator<Item = (usize, PlaceStrength, PlaceStrength)> + 'a {
    a.seen.iter().zip(&b.seen).enumerate().filter_map(|(m, (a, b))| Some((m, (*a)?, (*b)?)))
}

/// Modal assurance criterion |Σ a b*|² / (Σ|a|² Σ|b|²) (Allemang & Brown 1982); `None` under two places.
pub(super) fn mac(a: &Resonance, b: &Resonance) -> Option<f64> {
    let (mut product, mut squares, mut count) = (Complex64::default(), (0.0, 0.0), 0);
    for (_, x, y) in both(a, b) {
        product += x.strength * y.strength.conj();
        squares.0 += x.strength.norm_sqr();
        squares.1 += y.strength.norm_sqr();
        count += 1;
    }
    let whole = squares.0 * squares.1;
    (count >= 2 && whole > 0.0).then(|| (product.norm_sqr() / whole).min(1.0))
}

/// One factor for all places: `after ≈ factor × before`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Factor {
    /// The complex factor.
    pub value: Complex64,
    /// Its expected squared error: the noise's part and that of both poles.
    pub variance: f64,
    /// Misfit over its expectation, with `freedom` degrees (two for each place beyond the first).
    pub misfit: f64,
    /// Degrees of freedom.
    pub freedom: usize,
}

/// The factor with errors on both sides, weights by the places' own noise plus `slack` times the rms
/// strength; `without` leaves one place out. `None` where no place shows both.
pub(super) fn factor(before: &Resonance, after: &Resonance, slack: f64, without: &[bool]) -> Option<Factor> {
    let places: Vec<(PlaceStrength, PlaceStrength)> = both(before, after)
        .filter(|(m, ..)| !without.get(*m).copied().unwrap_or(false))
        .map(|(_, a, b)| (a, b))
        .collect();
    let mean = places.iter().map(|(a, _)| a.strength.norm_sqr()).sum::<f64>() / places.len().max(1) as f64;
    let mut value = Complex64::new(1.0, 0.0);
    let mut weights = vec![0.0; places.len()];
    for _ in 0..6 {
        let (mut top, mut bottom) = (Complex64::default(), 0.0);
        for ((a, b), weight) in places.iter().zip(&mut weights) {
            *weight = 1.0 / (b.variance + value.norm_sqr() * (a.variance + slack * slack * mean));
            top += *weight * b.strength * a.strength.conj();
            // The noise in a² would pull the factor towards zero.
            bottom += *weight * (a.strength.norm_sqr() - a.variance).max(0.5 * a.strength.norm_sqr());
        }
        if !(bottom > 0.0 && top.is_finite()) {
            return None;
        }
        value = top / bottom;
    }
    let information: f64 = places.iter().zip(&weights).map(|((a, _), w)| w * a.strength.norm_sqr()).sum();
    let misfit =
        places.iter().zip(&weights).map(|((a, b), w)| w * (b.strength - value * a.strength).norm_sqr());
    let poles = before.common_variance() + after.common_variance();
    Some(Factor {
        value,
        variance: 1.0 / information + value.norm_sqr() * poles,
        // Twice: the weights are those of a complex error, whose parts have half of it each.
        misfit: 2.0 * misfit.sum::<f64>(),
        freedom: 2 * (places.len() - 1),
    })
}
