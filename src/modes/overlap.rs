//! Where modes overlap one pole stands for several, and no refit shows it: intervals there are widened empirically, by the
//! overlap and by what the poles leave unexplained.
//!
//! Measured on the finite-element rooms and the demo (283 claims with known truth): of the intervals of T60 that
//! one fit and its refits give, 91 % hold the truth where modal overlap is under 0.75, 78 % up to 1, 77 % up to 1.5
//! and 67 % beyond; of those of frequency 91, 86, 84 and 89 %.

use super::pole::STEADY;
use super::{Mode, ModeSet};

/// Modes are counted this far to both sides, Hz.
const AROUND_HZ: f64 = 12.0;
/// Modal overlap (half-power bandwidth times modes per hertz) up to which intervals hold as they are.
const APART: f64 = 0.7;
/// Overlap beyond which an sd grows no further: there the claims above are too few to tell.
const CROWDED: f64 = 1.25;
/// Growth of an sd for each unit of overlap beyond, of ω and of δ: chosen on the claims above.
const GROWTH: [f64; 2] = [0.6, 1.8];

/// Where the prediction of the next part leaves this share of a band or more, noise off, poles are missing there …
const MISSING: f64 = 0.05;
/// … and both sds grow by so much, below in proportion. In 48 states of own rooms with all modes to 400 Hz and a diffuse
/// tail (1, 3, 6, 10 places, 921 claims) intervals held in 96 % of the claims where less than 0.02 is left, in 89 %
/// elsewhere; chosen on these.
const MISSING_GROWTH: f64 = 0.3;

/// Widens the intervals of resonances whose neighbours overlap them; `seconds` is the longest record.
pub(super) fn widen_overlapping(set: &mut ModeSet, seconds: f64) {
    // A tone that outlasts the record is no neighbour.
    let rings = |decay_per_s: f64| decay_per_s > STEADY / seconds;
    let others: Vec<f64> =
        set.modes.iter().filter(|m| rings(m.decay_per_s)).map(|m| m.frequency().value).collect();
    widen(set, |mode| {
        let hz = mode.frequency().value;
        let count = others.iter().filter(|other| (*other - hz).abs() < AROUND_HZ).count();
        let bandwidth_hz = mode.decay_per_s / std::f64::consts::PI;
        let overlap = bandwidth_hz * count as f64 / (2.0 * AROUND_HZ);
        GROWTH.map(|growth| 1.0 + growth * (overlap.min(CROWDED) - APART).max(0.0))
    });
}

/// Widens the intervals of resonances in bands that the poles don't wholly explain: `unexplained` gives the share that the
/// prediction leaves around a frequency in Hz.
pub(super) fn widen_unexplained(set: &mut ModeSet, unexplained: impl Fn(f64) -> Option<f64>) {
    widen(set, |mode| {
        let left = unexplained(mode.frequency().value).unwrap_or(0.0);
        [1.0 + MISSING_GROWTH * (left / MISSING).min(1.0); 2]
    });
}

/// Multiplies the sds of ω and δ of each resonance, the covariances with them, and the amplitudes' sds as that of δ.
fn widen(set: &mut ModeSet, growth: impl Fn(&Mode) -> [f64; 2]) {
    let growths: Vec<f64> = set.modes.iter().flat_map(growth).collect();
    for (mode, growth) in set.modes.iter_mut().zip(growths.chunks_exact(2)) {
        mode.omega_sd_per_s *= growth[0];
        mode.decay_sd_per_s *= growth[1];
        for amplitude in mode.amplitudes.iter_mut().flatten() {
            amplitude.covariance = amplitude.covariance.map(|c| c * growth[1] * growth[1]);
        }
    }
    let side = growths.len();
    for (i, covariance) in set.covariance.iter_mut().enumerate() {
        *covariance *= growths[i / side] * growths[i % side];
    }
}

#[cfg(test)]
mod tests {
    use super::super::Kind;
    use super::*;
    use crate::flag::Flags;
    use std::f64::consts::TAU;

    fn set(apart_hz: f64) -> ModeSet {
        let mode = |i: u32| Mode {
            kind: Kind::Unsure,
            omega_per_s: TAU * (100.0 + apart_hz * f64::from(i)),
            decay_per_s: 6.9,
            omega_sd_per_s: 0.1,
            decay_sd_per_s: 0.1,
            amplitudes: Vec::new(),
            flags: Flags::default(),
        };
        ModeSet { modes: (0..5).map(mode).collect(), covariance: vec![0.01; 100], ..ModeSet::default() }
    }

    /// T60 of 1 s is 2.2 Hz wide: alone an interval stays, five of them within 4 Hz don't reach an overlap of
    /// 0.7 in 24 Hz; five with twenty more do. Variances grow with the squares.
    #[test]
    fn only_crowded_modes_are_widened() {
        for apart_hz in [30.0, 1.0] {
            let mut set = set(apart_hz);
            widen_overlapping(&mut set, 3.0);
            assert_eq!(set.modes[2].decay_sd_per_s, 0.1);
        }
        let mut crowd = set(1.0);
        let more: Vec<Mode> = (0..3).flat_map(|_| crowd.modes.clone()).collect();
        crowd.modes.extend(more);
        crowd.covariance = vec![0.01; 1600];
        widen_overlapping(&mut crowd, 3.0);
        let overlap = 1.25; // 1.83, of which no more counts
        let expected = 0.1 * (1.0 + 1.8 * (overlap - 0.7));
        assert!((crowd.modes[0].decay_sd_per_s - expected).abs() < 1e-12);
        let variance = crowd.modes[0].decay_sd_per_s.powi(2);
        assert!((crowd.covariance[41] - variance).abs() < 1e-12);
    }

    /// Where a fortieth of the band is left unexplained sds grow by half of 0.3, where a tenth is by all of it.
    #[test]
    fn what_the_prediction_leaves_widens() {
        for (left, growth) in [(0.0, 1.0), (0.025, 1.15), (0.1, 1.3)] {
            let mut set = set(30.0);
            widen_unexplained(&mut set, |_| Some(left));
            let mode = &set.modes[2];
            assert!(
                (mode.decay_sd_per_s - 0.1 * growth).abs() < 1e-12
                    && mode.omega_sd_per_s == mode.decay_sd_per_s
            );
        }
    }
}
