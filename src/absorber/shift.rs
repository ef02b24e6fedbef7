//! On which side the unit lies, from the mode's own pole alone.
//!
//! Where no second pole shows, the unit still moves the mode's: by `s − s0 = −(g²/4)/(s0 − sa)` (first order of
//! the coupled equation), away from the unit's frequency and towards its damping. Two numbers don't give
//! three unknowns, so g and damping are taken over what units are like; the side is sure, the distance a guess. Among near
//! modes ([`CROWD_HZ`]) the side isn't sure either.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// What units are like: coupling, 1/s, and damping over δ0 as a share of it (our own range: from hardly worth
/// standing there to the strongest corner unit, from a fifth to twice the best damping).
const COUPLINGS: (f64, f64) = (2.0, 16.0);
const SHARES: (f64, f64) = (0.1, 2.0);
/// Farther away it moves nothing that can be measured, hertz.
const FARTHEST_HZ: f64 = 6.0;
/// The frequency must have moved by this many sd, and by this much, hertz.
const SURE_SD: f64 = 4.0;
const LEAST_HZ: f64 = 0.01;
/// A pole that went farther than this is another one, hertz; or one whose decay constant grew by more than the factor.
const SAME_HZ: f64 = 1.5;
const SAME_DECAY: f64 = 1.6;
/// Two modes nearer to each other than this leave a pole between them wherever the unit is tuned, and it may pass for
/// either's, so its way tells no side: how far a pole is followed, and how far the strongest unit moves a mode, hertz.
pub(super) const CROWD_HZ: f64 = SAME_HZ + COUPLINGS.1 / (2.0 * TAU);
/// First order errs by about this share.
const FIRST_ORDER: f64 = 0.1;
const GRID: usize = 16;

/// A pole with the standard deviations of decay constant and angular frequency, 1/s.
#[derive(Debug, Clone, Copy)]
pub(super) struct PoleWithSd {
    pub pole: Complex64,
    pub sds: (f64, f64),
}

/// Change of the unit's frequency that leads to the mode, hertz; `None` where the side isn't sure.
pub(super) fn step_hz(before: PoleWithSd, after: PoleWithSd) -> Option<f64> {
    let moved = after.pole - before.pole;
    let sds = (before.sds.0.hypot(after.sds.0), before.sds.1.hypot(after.sds.1));
    let same = moved.im.abs() < TAU * SAME_HZ && after.pole.re / before.pole.re < SAME_DECAY;
    if !same || moved.im.abs() < (SURE_SD * sds.1).max(TAU * LEAST_HZ) {
        return None;
    }
    let spread =
        |range: (f64, f64), k: usize| range.0 * (range.1 / range.0).powf((k as f64 + 0.5) / GRID as f64);
    let loose = FIRST_ORDER * moved.norm();
    let (mut sum, mut weights) = (0.0, 0.0);
    for cell in 0..GRID * GRID * GRID {
        let [i, j, k] = [cell % GRID, cell / GRID % GRID, cell / GRID / GRID];
        let away_hz = FARTHEST_HZ * (i as f64 + 0.5) / GRID as f64;
        let (g, share) = (spread(COUPLINGS, j), spread(SHARES, k));
        // Measured from the mode: the unit is more damped, and on the other side than where the mode went.
        let unit = Complex64::new(share * g, away_hz * TAU * moved.im.signum());
        let expected = -0.25 * g * g / unit;
        let off =
            ((moved.re - expected.re) / sds.0.hypot(loose), (moved.im - expected.im) / sds.1.hypot(loose));
        let weight = (-0.5 * (off.0 * off.0 + off.1 * off.1)).exp();
        (sum, weights) = (sum + weight * away_hz, weights + weight);
    }
    let away_hz = sum / weights;
    (away_hz.is_finite() && weights > 1e-6).then_some(away_hz * moved.im.signum())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::absorber::coupled::{Resonator, couple};

    /// Units 2 and 4 Hz away by the closed form: the side is right in all, the distance within a factor of two.
    #[test]
    fn the_side_is_right() {
        let mode = Resonator { omega_per_s: TAU * 40.0, decay_per_s: 4.0 };
        for off_hz in [-4.0, -2.0, 2.0, 4.0] {
            for (g, share) in [(4.0, 0.5), (8.0, 1.0), (8.0, 0.3), (13.0, 1.4)] {
                let unit =
                    Resonator { omega_per_s: mode.omega_per_s + TAU * off_hz, decay_per_s: 4.0 + share * g };
                let pole = couple(mode, unit, g * g).unwrap().poles()[0];
                let known = |pole| PoleWithSd { pole, sds: (0.02, 0.02) };
                let found = step_hz(known(mode.pole()), known(pole));
                let Some(found) = found else {
                    assert!(g > 10.0, "{off_hz} {g}: the pole moved little");
                    continue;
                };
                assert!((0.4..2.2).contains(&(found / -off_hz)), "{off_hz} {g} {share}: {found}");
            }
        }
    }

    /// A mode that stayed where it was says nothing.
    #[test]
    fn no_shift_no_side() {
        let at = |hz: f64| PoleWithSd { pole: Complex64::new(-4.0, TAU * hz), sds: (0.02, 0.02) };
        assert_eq!(step_hz(at(40.0), at(40.005)), None);
        assert_eq!(step_hz(at(40.0), at(44.0)), None);
    }
}
