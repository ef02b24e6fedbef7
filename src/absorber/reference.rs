//! A baseline and its target mode, fitted once, and the fit of that mode in each take.

use super::facts::SettingFacts;
use super::join::PoleEstimate;
use super::joint::{Side, Treated, WAYS};
use super::neighbours::{believed, known_poles, strength};
use super::sight::{Expected, PoleObservation, look, one};
use super::spectrum::Target;
use super::target::{TuneError, nearest_hz, none, others_hz, says_nothing, target};
use crate::modes::{Kind, Mode, ModeSet};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Modes within this of the target, whose decay constants are no more than the second and known this well, make a
/// group with it: the unit may work on all of them (hertz, 1/s, share).
const NEAR_HZ: f64 = 8.0;
const NEAR_DECAY: (f64, f64) = (20.0, 0.1);

/// A baseline and its target mode, fitted once: what takes are compared with.
#[derive(Debug, Clone)]
pub struct Reference {
    /// Index of the target in the baseline's list of resonances.
    pub(super) index: usize,
    /// The mode as the search for modes has it.
    pub(super) searched: Mode,
    pub(super) mode: PoleEstimate,
    pub(super) nearest_hz: f64,
    /// Distance of the nearest mode that the model leaves out.
    pub(super) outside_hz: f64,
    /// The established modes besides the target, hertz.
    pub(super) others_hz: Vec<f64>,
    pub(super) state: String,
    pub(super) places: Vec<(String, String)>,
    /// Units that stood there already.
    pub(super) units: Vec<String>,
    pub(super) expected: Expected,
    /// Its records, for the joint fit with a take's, in each of the ways they are cut.
    pub(super) sides: Vec<Option<Side>>,
    /// For each record the onset and, where known, the emission, seconds from sample 0.
    pub(super) emissions_s: Vec<Option<f64>>,
}

/// The target in one take: its own fit, and the joint one with the baseline where that was possible.
#[derive(Debug, Clone)]
pub struct SettingFit {
    pub(super) observation: PoleObservation,
    pub(super) joint: Option<Treated>,
}

/// Whether a mode is one of the target's group.
fn is_near(other: &Mode, target: Complex64) -> bool {
    other.kind == Kind::Mode
        && (other.omega_per_s - target.im).abs() < TAU * NEAR_HZ
        && other.decay_per_s < NEAR_DECAY.0
        && other.decay_sd_per_s < NEAR_DECAY.1 * other.decay_per_s
}

impl Reference {
    /// Looks at the mode nearest `asked_hz` in the baseline.
    ///
    /// # Errors
    /// [`TuneError`]: the baseline doesn't show the mode.
    pub fn new(baseline: &SettingFacts<'_>, asked_hz: f64) -> Result<Self, TuneError> {
        let empty = ModeSet::default();
        let modes = baseline.modes.unwrap_or(&empty);
        let index = target(modes, asked_hz, baseline.state)?;
        let pole = |m: &Mode| Complex64::new(-m.decay_per_s, m.omega_per_s);
        let sound = |s: &Complex64| s.is_finite() && s.re < 0.0;
        let loud = strength(&modes.modes[index]);
        let others = modes.modes.iter().enumerate().filter(|(i, m)| *i != index && believed(m, loud));
        let others: Vec<&Mode> = others.map(|(_, m)| m).filter(|m| sound(&pole(m))).collect();
        let mode = pole(&modes.modes[index]);
        let near = (0..others.len()).filter(|k| is_near(others[*k], mode)).collect();
        let alone = Expected {
            mode,
            neighbours: others.iter().map(|m| pole(m)).collect(),
            near,
            candidates: Vec::new(),
            shape: Vec::new(),
            chain_known: false,
            top_hz: modes.sought_to_hz.unwrap_or(f64::INFINITY),
        };
        let failed = || TuneError::Baseline { state: baseline.state.to_owned() };
        let seen = one(&baseline.lows, &alone).ok_or_else(failed)?;
        let Target::One(found) = seen.target else { return Err(failed()) };
        if says_nothing(-found.re, seen.covariance[(0, 0)].sqrt()) {
            return Err(none(modes, asked_hz, baseline.state));
        }
        let owned = |p: &(&str, &str)| (p.0.to_owned(), p.1.to_owned());
        let within = |hz: f64| if hz < NEAR_HZ && !seen.near.is_empty() { NEAR_HZ } else { hz };
        Ok(Self {
            index,
            searched: modes.modes[index].clone(),
            sides: WAYS.iter().map(|way| Side::of(baseline, found, &seen, 1.0, *way)).collect(),
            emissions_s: baseline.lows.iter().map(|low| low.emission_s).collect(),
            nearest_hz: nearest_hz(modes, index),
            outside_hz: within(nearest_hz(modes, index)),
            others_hz: others_hz(modes, index),
            state: baseline.state.to_owned(),
            places: baseline.places.iter().map(owned).collect(),
            units: baseline.units.iter().map(|unit| unit.name.clone()).collect(),
            expected: Expected {
                mode: found,
                near: alone.near_places(),
                shape: seen.shape(),
                neighbours: seen.neighbours,
                chain_known: true,
                ..alone
            },
            mode: PoleEstimate { pole: found, near: seen.near, covariance: seen.joint },
        })
    }

    /// Whether a unit stood there already.
    pub(super) fn occupied(&self) -> bool {
        !self.units.is_empty()
    }

    /// Looks at the target in a take.
    #[must_use]
    pub fn look(&self, take: &SettingFacts<'_>) -> SettingFit {
        let at =
            |place: &(&str, &str)| self.places.iter().position(|p| (p.0.as_str(), p.1.as_str()) == *place);
        let shape = |place| self.expected.shape.get(at(place)?).copied().flatten();
        let mut expected =
            Expected { shape: take.places.iter().map(shape).collect(), ..self.expected.clone() };
        if let Some(modes) = take.modes {
            known_poles(&mut expected, modes);
        }
        let observation = look(&take.lows, &expected);
        let joint = self.joint(take, &observation);
        SettingFit { observation, joint }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;

    /// A mode of the target's group lies within 8 Hz, decays no faster than 20 1/s, and that is known to a tenth.
    #[test]
    fn who_belongs_to_the_target_s_group() {
        let near = |off_hz: f64, decay_per_s: f64, share: f64, kind: Kind| {
            let mode = Mode {
                kind,
                omega_per_s: TAU * (40.0 + off_hz),
                decay_per_s,
                omega_sd_per_s: 0.1,
                decay_sd_per_s: share * decay_per_s,
                amplitudes: Vec::new(),
                flags: Flags::default(),
            };
            is_near(&mode, Complex64::new(-4.0, TAU * 40.0))
        };
        assert!(near(7.0, 15.0, 0.05, Kind::Mode) && near(-7.0, 15.0, 0.05, Kind::Mode));
        assert!(!near(9.0, 15.0, 0.05, Kind::Mode) && !near(-9.0, 15.0, 0.05, Kind::Mode));
        assert!(!near(7.0, 25.0, 0.05, Kind::Mode) && !near(7.0, 15.0, 0.15, Kind::Mode));
        assert!(!near(7.0, 15.0, 0.05, Kind::Unsure));
    }
}
