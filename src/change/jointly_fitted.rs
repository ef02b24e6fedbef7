//! Modes with a tuned unit: the joint fit of mode and unit takes the place of each state's own fit.
//!
//! Near the unit's best setting the two poles nearly coincide. The search for modes then finds one or two, with wide
//! intervals; the joint fit determines both, and the ringing best of all.

use super::facts::JointlyFittedMode;
use super::finding::LogChange;
use super::outcome::Ratio;
use super::view::{Resonance, Widening, resonance};
use crate::estimate::SD_PER_95;

/// A pole of the after state this near one of the two, as a share of its decay constant, is that one.
const SAME_POLE: f64 = 0.5;

/// A joint fit's poles as resonances.
#[derive(Debug, Clone)]
pub(super) struct JointlyFitted<'a> {
    pub facts: &'a JointlyFittedMode,
    pub poles: [Resonance; 2],
}

/// `places`, `gain`, `widening`: as for the resonances of the after state.
pub(super) fn joined<'a>(
    jointly_fitted: &'a [JointlyFittedMode],
    places: &[(usize, f64, f64)],
    gain: f64,
    widening: Widening,
) -> Vec<JointlyFitted<'a>> {
    let one = |facts: &'a JointlyFittedMode| {
        let poles = [0, 1].map(|k: usize| resonance(facts.mode, &facts.poles[k], places, gain, widening));
        JointlyFitted { facts, poles }
    };
    jointly_fitted.iter().map(one).collect()
}

impl JointlyFitted<'_> {
    /// Whether a resonance of the after state is one of the two.
    pub fn has(&self, other: &Resonance) -> bool {
        self.poles.iter().any(|p| (p.pole - other.pole).norm() < SAME_POLE * p.decay())
    }

    /// How much the unit changes the shape of a mode at this angular frequency: other modes mix in by the share
    /// g/(2 |ω − ω0|) each way (first order of the coupled equation).
    pub fn mixes(&self, omega_per_s: f64) -> f64 {
        self.facts.coupling_per_s / (omega_per_s - self.poles[0].pole.im).abs().max(f64::MIN_POSITIVE)
    }

    /// How much two other modes mix at most that lie `apart_per_s` from each other: through the unit each moves the other's
    /// shape by the product of their couplings over 4 |ω − ω0| times that distance (second order of the coupled equation). At
    /// a corner an oblique mode couples twice as much as an axial one of the same volume (mean squares 1/8 and 1/2).
    pub fn mixes_neighbours(&self, omega_per_s: f64, apart_per_s: f64) -> f64 {
        self.mixes(omega_per_s) * self.facts.coupling_per_s / apart_per_s.max(f64::MIN_POSITIVE)
    }

    /// Change of the ringing, in the form of a change of decay; its sd is at least that of the mode before.
    pub fn ring_change(&self, before: &Resonance, widening: Widening) -> LogChange {
        let log_sd =
            widening * (self.facts.ring_ratio.high / self.facts.ring_ratio.low).ln() / (2.0 * SD_PER_95);
        LogChange { log: -self.facts.ring_ratio.value.ln(), sd: log_sd.max(before.log_sd()) }
    }

    /// Change of T60; its interval is at least that of the poles it is computed from.
    pub fn t60_ratio(&self, before: &Resonance) -> Ratio {
        let least = SD_PER_95 * before.log_sd().hypot(self.poles[0].log_sd());
        let ratio = self.facts.t60_ratio;
        let (down, up) =
            ((ratio.value / ratio.low).ln().max(least), (ratio.high / ratio.value).ln().max(least));
        Ratio { value: ratio.value, low: ratio.value * (-down).exp(), high: ratio.value * up.exp() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;
    use crate::modes::{Kind, Mode};
    use rustfft::num_complex::Complex64;

    fn joint(coupling_per_s: f64, omega_per_s: f64) -> JointlyFittedMode {
        JointlyFittedMode {
            mode: 0,
            poles: [5.0, 9.0].map(|decay_per_s| Mode {
                kind: Kind::Mode,
                omega_per_s,
                decay_per_s,
                omega_sd_per_s: 0.1,
                decay_sd_per_s: 0.1,
                amplitudes: Vec::new(),
                flags: Flags::default(),
            }),
            apart_sd: 9.0,
            coupling_per_s,
            t60_ratio: Ratio { value: 0.8, low: 0.7, high: 0.95 },
            ring_s: (1.7, 1.4),
            ring_ratio: Ratio { value: 0.8, low: 0.7, high: 0.95 },
            unit_shows: true,
        }
    }

    /// Eigenvectors of unit and two modes, 260 1/s above it and 6 1/s apart, each coupled by twice the half coupling of an
    /// axial mode: the share of one mode in the other's shape.
    #[test]
    fn a_unit_mixes_neighbours_as_the_coupled_equation_says() {
        let (g, far, apart) = (11.0, 260.0, 6.0);
        let coupled = nalgebra::Matrix3::new(0.0, g, g, g, far, 0.0, g, 0.0, far + apart).symmetric_eigen();
        let off = |k: &usize| f64::abs(coupled.eigenvalues[*k] - far);
        let nearest = (0..3).min_by(|a, b| off(a).total_cmp(&off(b)));
        let shape = coupled.eigenvectors.column(nearest.expect("three"));
        let pole = Resonance::known(Complex64::new(-5.0, 250.0), &[]);
        let facts = joint(g, 250.0);
        let unit = JointlyFitted { facts: &facts, poles: [pole.clone(), pole] };
        let told = unit.mixes_neighbours(250.0 + far, apart);
        let mixed = (shape[2] / shape[1]).abs();
        assert!((told / mixed - 1.0).abs() < 0.1, "{told} {mixed}");
    }

    /// The interval of T60's change is the joint fit's, but never narrower than the poles' decays make it: before and slower
    /// pole known to 0.1 of 4 and of 5 1/s.
    #[test]
    fn a_change_is_no_better_known_than_its_poles() {
        let pole = |decay_per_s: f64| Resonance::known(Complex64::new(-decay_per_s, 250.0), &[]);
        let told = |low: f64, high: f64| {
            let ratio = Ratio { value: 0.8, low, high };
            let facts = JointlyFittedMode { t60_ratio: ratio, ring_ratio: ratio, ..joint(10.0, 250.0) };
            JointlyFitted { facts: &facts, poles: [pole(5.0), pole(9.0)] }.t60_ratio(&pole(4.0))
        };
        let wide = told(0.7, 0.95);
        assert!((wide.low - 0.7).abs() < 1e-12 && (wide.high - 0.95).abs() < 1e-12, "{wide:?}");
        let least = SD_PER_95 * (0.1_f64 / 4.0).hypot(0.1 / 5.0);
        let narrow = told(0.799, 0.801);
        assert!((narrow.high / 0.8 - least.exp()).abs() < 1e-12, "{narrow:?}");
        assert!((0.8 / narrow.low - least.exp()).abs() < 1e-12, "{narrow:?}");
    }
}
