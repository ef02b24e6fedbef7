//! How alike two resonances are over the places.

use super::view::{Resonance, ScaledResidue};
use rustfft::num_complex::Complex64;

/// Places where both are known.
pub(super) fn both<'a>(
    a: &'a Resonance,
    b: &'a Resonance,
) -> impl Iterator<Item = (usize, ScaledResidue, ScaledResidue)> + 'a {
    a.residues.iter().zip(&b.residues).enumerate().filter_map(|(m, (a, b))| Some((m, (*a)?, (*b)?)))
}

/// Modal assurance criterion |Σ a b*|² / (Σ|a|² Σ|b|²) (Allemang & Brown 1982); `None` under two places.
pub(super) fn mac(a: &Resonance, b: &Resonance) -> Option<f64> {
    let (mut product, mut squares, mut count) = (Complex64::default(), (0.0, 0.0), 0);
    for (_, x, y) in both(a, b) {
        product += x.value * y.value.conj();
        squares.0 += x.value.norm_sqr();
        squares.1 += y.value.norm_sqr();
        count += 1;
    }
    let whole = squares.0 * squares.1;
    (count >= 2 && whole > 0.0).then(|| (product.norm_sqr() / whole).min(1.0))
}

/// One complex ratio of residues for all places: `after ≈ ratio × before`.
#[derive(Debug, Clone, Copy)]
pub(super) struct ResidueRatio {
    /// The ratio.
    pub value: Complex64,
    /// Its expected squared error: the noise's part and that of both poles.
    pub variance: f64,
    /// Misfit over its expectation, with `freedom` degrees (two for each place beyond the first).
    pub misfit: f64,
    /// Degrees of freedom.
    pub freedom: usize,
}

/// The ratio with errors on both sides, weights by the places' own noise plus `slack` times the rms
/// residue; `without` leaves one place out. `None` where no place shows both.
pub(super) fn residue_ratio(
    before: &Resonance,
    after: &Resonance,
    slack: f64,
    without: &[bool],
) -> Option<ResidueRatio> {
    let places: Vec<(ScaledResidue, ScaledResidue)> = both(before, after)
        .filter(|(m, ..)| !without.get(*m).copied().unwrap_or(false))
        .map(|(_, a, b)| (a, b))
        .collect();
    let mean = places.iter().map(|(a, _)| a.value.norm_sqr()).sum::<f64>() / places.len().max(1) as f64;
    let mut value = Complex64::new(1.0, 0.0);
    let mut weights = vec![0.0; places.len()];
    for _ in 0..6 {
        let (mut top, mut bottom) = (Complex64::default(), 0.0);
        for ((a, b), weight) in places.iter().zip(&mut weights) {
            *weight = 1.0 / (b.variance + value.norm_sqr() * (a.variance + slack * slack * mean));
            top += *weight * b.value * a.value.conj();
            // The noise in a² would pull the ratio towards zero.
            bottom += *weight * (a.value.norm_sqr() - a.variance).max(0.5 * a.value.norm_sqr());
        }
        if !(bottom > 0.0 && top.is_finite()) {
            return None;
        }
        value = top / bottom;
    }
    let information: f64 = places.iter().zip(&weights).map(|((a, _), w)| w * a.value.norm_sqr()).sum();
    let misfit = places.iter().zip(&weights).map(|((a, b), w)| w * (b.value - value * a.value).norm_sqr());
    let poles = before.common_variance() + after.common_variance();
    Some(ResidueRatio {
        value,
        variance: 1.0 / information + value.norm_sqr() * poles,
        // Twice: the weights are those of a complex error, whose parts have half of it each.
        misfit: 2.0 * misfit.sum::<f64>(),
        freedom: 2 * (places.len() - 1),
    })
}

/// What treatment does to shapes, relative to the rms residue. Our own choice.
pub(super) const SLACK: f64 = 0.03;

/// A mode in both states.
#[derive(Clone, Copy)]
pub(super) struct ModePair<'a> {
    pub before: &'a Resonance,
    pub after: &'a Resonance,
    /// How much its shape may differ though nothing moved, as a share of its rms residue: [`SLACK`], and what a unit mixes.
    pub slack: f64,
}

#[cfg(test)]
impl<'a> ModePair<'a> {
    /// Pairs that no unit mixes.
    pub fn of(both: &'a [(Resonance, Resonance)]) -> Vec<Self> {
        both.iter().map(|(before, after)| Self { before, after, slack: SLACK }).collect()
    }
}

impl ModePair<'_> {
    /// The ratio of its residues over the places.
    pub fn ratio(&self, without: &[bool]) -> Option<ResidueRatio> {
        residue_ratio(self.before, self.after, self.slack, without)
    }
}

/// Upper quartile over the pairs of misfit over its expectation: the modes with the shorter waves show a
/// moved microphone first, and treated ones are few.
pub(super) fn disagreement(pairs: &[ModePair<'_>], without: &[bool]) -> Option<f64> {
    let each = pairs.iter().filter_map(|pair| pair.ratio(without));
    let mut misfits: Vec<f64> = each.filter(|f| f.freedom > 0).map(|f| f.misfit / f.freedom as f64).collect();
    misfits.sort_by(f64::total_cmp);
    misfits.get(3 * misfits.len() / 4).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One place: the noise's share comes off |a|² = 4 ± 1, so that 2 → 3 is a ratio of 6/3.
    #[test]
    fn noise_before_pulls_no_ratio_towards_zero() {
        let of = |value: f64, variance: f64| {
            Resonance::known(Complex64::new(-4.0, 250.0), &[(Complex64::from(value), variance)])
        };
        let found = residue_ratio(&of(2.0, 1.0), &of(3.0, 0.1), 0.0, &[]).unwrap();
        assert!((found.value - 2.0).norm() < 1e-12, "{}", found.value);
    }

    /// Residues 1 and 2 that become 1 and 4: the ratio by least squares is 9/5, and leaves 0.8 over (1.8 s)² · 2.5 for a slack
    /// s of the rms residue; twice that is the misfit.
    #[test]
    fn slack_is_a_share_of_the_rms_residue() {
        let of = |values: [f64; 2]| {
            Resonance::known(
                Complex64::new(-4.0, 250.0),
                &values.map(|value| (Complex64::from(value), 1e-12)),
            )
        };
        let found = residue_ratio(&of([1.0, 2.0]), &of([1.0, 4.0]), 0.1, &[]).unwrap();
        assert!((found.value - 1.8).norm() < 1e-9, "{}", found.value);
        assert!((found.misfit - 2.0 * 0.8 / (0.18_f64.powi(2) * 2.5)).abs() < 1e-6, "{}", found.misfit);
    }

    /// By hand: the same shape at another size and phase is alike, one at right angles isn't, (1, 0) and (1, 1) are by half; one
    /// place says nothing.
    #[test]
    fn shapes_are_alike_by_their_angle() {
        let of = |values: &[f64], turn: Complex64| {
            let scaled: Vec<(Complex64, f64)> = values.iter().map(|value| (turn * value, 1e-6)).collect();
            Resonance::known(Complex64::new(-4.0, 250.0), &scaled)
        };
        let alike =
            |a: &[f64], b: &[f64]| mac(&of(a, Complex64::new(1.0, 0.0)), &of(b, Complex64::new(0.0, 3.0)));
        for (a, b, expected) in
            [([1.0, -2.0], [1.0, -2.0], 1.0), ([1.0, 1.0], [1.0, -1.0], 0.0), ([1.0, 0.0], [1.0, 1.0], 0.5)]
        {
            assert!((alike(&a, &b).unwrap() - expected).abs() < 1e-12, "{a:?} {b:?}");
        }
        assert_eq!(alike(&[1.0], &[1.0]), None);
    }
}
