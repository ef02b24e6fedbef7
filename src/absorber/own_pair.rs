//! Decay and ringing by a take's own two poles, where the joint fit with the baseline says nothing.
//!
//! Near the unit's best setting the poles nearly coincide, and one pole in their place is off by tens of per cent with an
//! interval that doesn't know. The pair fitted as sum and squared half distance has intervals that hold there.

use super::joint::{Ends, WIDER, ends};
use super::sight::LocalFit;
use super::spectrum::Target;
use crate::change::ring_s;
use crate::modes::LN_1000;
use rustfft::num_complex::Complex64;

use super::coupled::Pair;
use nalgebra::DVector;

/// Poles nearer than this are taken this far apart, 1/s.
const LEAST_DISTANCE: f64 = 1e-3;

/// Times of a pair with their intervals, as logarithms of seconds: an end of a time that is widened stays above nothing.
#[derive(Debug, Clone, Copy)]
pub(super) struct PairTimes {
    /// T60 of the slower and of the faster pole.
    pub t60_logs: [Ends; 2],
    /// Until both together are 60 dB down for good.
    pub ring_log: Ends,
}

/// Half the distance of the slower pole from the faster, never nothing.
fn half([slow, fast]: [Complex64; 2]) -> Complex64 {
    let half = 0.5 * (slow - fast);
    if half.norm() < LEAST_DISTANCE { Complex64::new(LEAST_DISTANCE, 0.0) } else { half }
}

impl LocalFit {
    /// The two poles' times over all that the fit leaves open; `None` of one pole.
    ///
    /// What a place's record fixes as the poles move is the sum of its two residues and their moment about the middle.
    pub(super) fn pair_times(&self) -> Option<PairTimes> {
        let Target::Two(pair) = self.target else { return None };
        let middle = DVector::from_row_slice(&pair.numbers());
        let poles = |n: &DVector<f64>| Pair::of_numbers([n[0], n[1], n[2], n[3]]).poles();
        let log = |seconds: f64| (seconds > 0.0).then(|| seconds.ln()).filter(|log| log.is_finite());
        let t60 = |k: usize| {
            let of = |n: &DVector<f64>| log(-LN_1000 / poles(n)[k].re);
            Some(ends(&middle, &self.covariance, true, of)?.times(WIDER))
        };
        let apart = half(pair.poles());
        let moments = self.residues.iter().flatten().filter_map(|(values, _)| {
            let [slow, fast] = values[..] else { return None };
            Some((slow + fast, (slow - fast) * apart))
        });
        let moments: Vec<(Complex64, Complex64)> = moments.collect();
        let ring = |n: &DVector<f64>| {
            let poles = poles(n);
            let apart = half(poles);
            let residues = |(sum, moment): &(Complex64, Complex64)| {
                vec![0.5 * (sum + moment / apart), 0.5 * (sum - moment / apart)]
            };
            log(ring_s(&poles, &moments.iter().map(residues).collect::<Vec<_>>())?)
        };
        let ring_log = ends(&middle, &self.covariance, true, ring)?.times(WIDER);
        Some(PairTimes { t60_logs: [t60(0)?, t60(1)?], ring_log })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    const WIDTH: f64 = 1.96 * WIDER;

    /// Poles met at 9.6 1/s, known to `spread_sd` by the square of half their distance, 1/s².
    fn met(spread_sd: f64) -> LocalFit {
        let pole = Complex64::new(-9.6, 350.0);
        let mut covariance = DMatrix::from_diagonal_element(4, 4, 1e-8);
        (covariance[(2, 2)], covariance[(3, 3)]) = (spread_sd.powi(2), spread_sd.powi(2));
        LocalFit {
            target: Target::Two(Pair::of_poles(pole, pole)),
            covariance: covariance.clone(),
            residues: vec![Some((vec![Complex64::new(0.5, 0.0); 2], 0.0)); 3],
            neighbours: Vec::new(),
            free: 0,
            top_hz: 200.0,
            colour: 0.0,
            variances: vec![Some(1.0); 3],
            near: Vec::new(),
            joint: covariance,
        }
    }

    /// Where poles meet the slower decays with δ − √(spread): the interval reaches as far as the square of half the
    /// distance does, in closed form, though a single pole there is known to 1e-4.
    #[test]
    fn poles_that_met_reach_as_far_as_their_spread() {
        for spread_sd in [0.5, 2.0, 8.0] {
            let found = met(spread_sd).pair_times().unwrap();
            let log = |decay_per_s: f64| (LN_1000 / decay_per_s).ln();
            let middle = log(9.6);
            let slowest = log(9.6 - (1.96 * spread_sd).sqrt());
            let fastest = log(9.6 + (1.96 * spread_sd).sqrt());
            let [slow, fast] = found.t60_logs;
            let (reach, down) = (WIDER * (slowest - middle), WIDER * (middle - fastest));
            assert!((slow.high - middle - reach).abs() < 0.02 * reach, "{spread_sd}: {slow:?} {slowest}");
            assert!((middle - fast.low - down).abs() < 0.02 * down, "{spread_sd}: {fast:?} {fastest}");
            // Nothing is slower than the slower, nor faster than the faster pole of any pair.
            assert!(slow.low > middle - WIDTH * 1e-3 && fast.high < middle + WIDTH * 1e-3);
            // Both together are down before the slowest alone would be.
            let ring = found.ring_log;
            assert!(ring.high <= middle + reach && ring.high > middle, "{ring:?}");
            assert!([slow, fast, ring].iter().all(|ends| ends.low.is_finite() && ends.high.is_finite()));
        }
    }

    /// Poles that are known exactly ring as their residues say, here mostly by the faster one.
    #[test]
    fn known_poles_ring_by_their_residues() {
        let poles = [Complex64::new(-4.0, 250.0), Complex64::new(-9.0, 262.0)];
        let residues = vec![Complex64::new(0.3, 0.1), Complex64::new(-0.7, 1.5)];
        let seen = LocalFit {
            target: Target::Two(Pair::of_poles(poles[0], poles[1])),
            residues: vec![Some((residues.clone(), 0.0))],
            ..met(1e-4)
        };
        let found = seen.pair_times().unwrap().ring_log;
        let expected = ring_s(&poles, &[residues]).unwrap().ln();
        assert!((found.value - expected).abs() < 1e-9, "{found:?} {expected}");
    }
}
