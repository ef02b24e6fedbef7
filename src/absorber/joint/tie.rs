//! What the model of one mode and one unit makes of the mode's residue.
//!
//! A source drives the mode only, and only the mode is heard: the response is the mode's own times
//! `(s² + 2δa s + ωa²)(s² + 2δ0 s + ω0²)/D(s)`, so that a residue R0 of the mode alone becomes
//! `R0 · 2(s0 + δ0)/s0 · s (s² + 2δa s + ωa²)/D′(s)` at each of the two poles. Written as the sum of the two
//! residues and their moment about the middle of the poles, it stays smooth where the poles meet. The other
//! modes, which the unit drives too, and a measuring chain whose phase turns between the poles change the
//! moment at first order and the sum at second only: the moment has an offset of its own.

use crate::absorber::coupled::{Pair, Resonator, couple};
use rustfft::num_complex::Complex64;

/// Poles nearer than this are taken this far apart, 1/s.
const LEAST_DISTANCE: f64 = 1e-4;

/// The numbers that both states share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::absorber) struct Shared {
    pub mode: Resonator,
    pub unit: Resonator,
    /// g², 1/s².
    pub coupling: f64,
    /// Offset of the moment that all places have in common, 1/s.
    pub offset: Complex64,
    /// ln of the factor of all residues in the state with the unit: the chain's gain, and its phase.
    pub gain: Complex64,
}

/// The treated mode's two poles and what becomes of a residue of one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::absorber) struct Tied {
    pub pair: Pair,
    /// R1 + R2.
    pub sum: Complex64,
    /// (R1 − R2) times half the distance of the poles.
    pub moment: Complex64,
}

impl Shared {
    /// How many numbers.
    pub const COUNT: usize = 9;

    /// As numbers.
    pub(super) fn numbers(&self) -> [f64; Self::COUNT] {
        let (mode, unit) = (self.mode, self.unit);
        [
            mode.decay_per_s,
            mode.omega_per_s,
            unit.decay_per_s,
            unit.omega_per_s,
            self.coupling,
            self.offset.re,
            self.offset.im,
            self.gain.re,
            self.gain.im,
        ]
    }

    /// From numbers, of which there are at least [`Self::COUNT`].
    pub(super) fn of_numbers(n: &[f64]) -> Self {
        Self {
            mode: Resonator { decay_per_s: n[0], omega_per_s: n[1] },
            unit: Resonator { decay_per_s: n[2], omega_per_s: n[3] },
            coupling: n[4],
            offset: Complex64::new(n[5], n[6]),
            gain: Complex64::new(n[7], n[8]),
        }
    }

    /// The treated mode, with all frequencies times `factor`.
    pub(super) fn tied(&self, factor: f64) -> Option<Tied> {
        let pair = couple(self.mode, self.unit, self.coupling)?;
        let middle = 0.5 * pair.sum;
        let half = half_distance(pair);
        let (a, b) = (middle + half, middle - half);
        let s0 = self.mode.pole();
        let scale = 2.0 * (s0 + self.mode.decay_per_s) / s0;
        let own = |s: Complex64| {
            let unit = s * s + 2.0 * self.unit.decay_per_s * s + self.unit.omega_per_s.powi(2);
            scale * s * unit / ((s - a.conj()) * (s - b.conj()))
        };
        let (at_a, at_b, gain) = (own(a), own(b), self.gain.exp());
        let tied = Tied {
            pair: scaled(pair, factor),
            sum: gain * 0.5 * (at_a - at_b) / half,
            moment: gain * (0.5 * (at_a + at_b) + self.offset),
        };
        (tied.sum.is_finite() && tied.moment.is_finite()).then_some(tied)
    }
}

/// Half the distance of two poles, never nothing.
pub(in crate::absorber) fn half_distance(pair: Pair) -> Complex64 {
    let half = pair.spread.sqrt();
    if half.norm() < LEAST_DISTANCE { Complex64::new(LEAST_DISTANCE, 0.0) } else { half }
}

fn scaled(pair: Pair, factor: f64) -> Pair {
    if (factor - 1.0).abs() <= 0.0 {
        return pair;
    }
    let [a, b] = pair.poles().map(|s| Complex64::new(s.re, s.im * factor));
    Pair::of_poles(a, b)
}

/// Sum and moment of a pair after `seconds`: each residue times its own e^{st}.
pub(in crate::absorber) fn later(
    pair: Pair,
    sum: Complex64,
    moment: Complex64,
    seconds: f64,
) -> (Complex64, Complex64) {
    let half = half_distance(pair);
    let turn = (0.5 * pair.sum * seconds).exp();
    let (cosh, sinh) = ((half * seconds).cosh(), (half * seconds).sinh());
    (turn * (sum * cosh + moment * sinh / half), turn * (moment * cosh + sum * half * sinh))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn shared(off_hz: f64, damping: f64, g: f64) -> Shared {
        Shared {
            mode: Resonator { omega_per_s: TAU * 40.0, decay_per_s: 4.0 },
            unit: Resonator { omega_per_s: TAU * (40.0 + off_hz), decay_per_s: 4.0 + damping * g },
            coupling: g * g,
            offset: Complex64::default(),
            gain: Complex64::default(),
        }
    }

    /// Sum and moment are those of the residues F(s)/D'(s) at each pole, D'(s) by its own formula.
    #[test]
    fn residues_are_those_of_the_transfer_function() {
        for (off_hz, damping, g) in [(0.0, 0.9, 10.0), (0.4, 0.7, 8.0), (3.0, 0.2, 12.0), (0.1, 1.3, 10.0)] {
            let shared = shared(off_hz, damping, g);
            let tied = shared.tied(1.0).unwrap();
            let (s0, d0) = (shared.mode.pole(), shared.mode.decay_per_s);
            let residue = |s: Complex64| {
                let quadratic = |r: Resonator| s * s + 2.0 * r.decay_per_s * s + r.omega_per_s.powi(2);
                let slope = |r: Resonator| 2.0 * (s + r.decay_per_s);
                let (mode, unit) = (shared.mode, shared.unit);
                let whole = slope(mode) * quadratic(unit) + quadratic(mode) * slope(unit) + 2.0 * g * g * s;
                2.0 * (s0 + d0) / s0 * s * quadratic(unit) / whole
            };
            let [a, b] = tied.pair.poles();
            let (sum, moment) = (residue(a) + residue(b), 0.5 * (residue(a) - residue(b)) * (a - b));
            assert!((tied.sum - sum).norm() < 1e-7, "{off_hz} {damping}: {} {sum}", tied.sum);
            assert!((tied.moment - moment).norm() < 1e-6, "{off_hz} {damping}: {} {moment}", tied.moment);
            assert!((tied.sum - 1.0).norm() < 0.1, "{}", tied.sum);
        }
    }

    /// A weak unit far away leaves the mode's residue where it was.
    #[test]
    fn nothing_coupled_is_the_mode_alone() {
        let tied = shared(4.0, 0.5, 1e-3).tied(1.0).unwrap();
        assert!((tied.sum - 1.0).norm() < 1e-6, "{}", tied.sum);
        // All of it at the mode's own pole: the moment is its distance from the middle.
        let own = shared(4.0, 0.5, 1e-3).mode.pole() - 0.5 * tied.pair.sum;
        assert!((tied.moment - own).norm() < 1e-4, "{} {own}", tied.moment);
    }

    /// A later start is each residue times e^{st}.
    #[test]
    fn a_later_start_turns_each_residue() {
        let pair = Pair::of_poles(Complex64::new(-4.0, 250.0), Complex64::new(-11.0, 256.0));
        let half = half_distance(pair);
        let (a, b) = (0.5 * pair.sum + half, 0.5 * pair.sum - half);
        let (r, q) = (Complex64::new(0.3, 0.1), Complex64::new(-0.2, 0.5));
        let (sum, moment) = later(pair, r + q, (r - q) * half, 0.013);
        let (r, q) = (r * (a * 0.013).exp(), q * (b * 0.013).exp());
        assert!((sum - r - q).norm() < 1e-12 && (moment - (r - q) * half).norm() < 1e-12);
    }
}
