//! Both states side by side: the places that they share, and their resonances brought to one origin
//! and one gain.

use super::facts::{PlaceFacts, StateFacts};
use crate::flag::{Flag, Flags};
use crate::mean::median;
use crate::modes::{Kind, Mode, ModeSet};
use rustfft::num_complex::Complex64;

/// Arrivals this near each other are those of one place, seconds (5 cm of travel).
pub(super) const SAME_ARRIVAL_S: f64 = 1.5e-4;

/// A place that both states have.
#[derive(Debug, Clone, Copy)]
pub(super) struct Common<'a> {
    pub before: &'a PlaceFacts<'a>,
    pub after: &'a PlaceFacts<'a>,
    /// Index of its amplitudes in each state.
    pub indices: (usize, usize),
    /// By how much the origin of the after state must be moved so that it lies before its arrival as
    /// that of the before state does, seconds.
    pub shift_s: f64,
    /// How far its own shift is from that of all, where the emission tells; seconds.
    pub arrival_off_s: Option<f64>,
}

/// Places of both states without a fault in either, in the order of the before state.
pub(super) fn common_places<'a>(before: &'a StateFacts<'a>, after: &'a StateFacts<'a>) -> Vec<Common<'a>> {
    let mut places = Vec::new();
    for (i, old) in before.places.iter().enumerate() {
        let same = |new: &PlaceFacts<'_>| new.position == old.position && new.source == old.source;
        if old.fault.is_some() || after.places.iter().any(|new| same(new) && new.fault.is_some()) {
            continue;
        }
        if let Some(j) = after.places.iter().position(same) {
            let new = &after.places[j];
            let lead = |p: &PlaceFacts<'_>| p.arrival_s - p.origin_s;
            places.push(Common {
                before: old,
                after: new,
                indices: (i, j),
                shift_s: lead(new) - lead(old),
                arrival_off_s: None,
            });
        }
    }
    let known = |p: &Common<'_>| p.before.emission_known && p.after.emission_known;
    let usual = median(places.iter().filter(|p| known(p)).map(|p| p.shift_s).collect());
    for place in &mut places {
        let (Some(usual), true) = (usual, known(place)) else { continue };
        let off = place.shift_s - usual;
        place.arrival_off_s = Some(off);
        // What all places share is the clock's; the rest, within what arrivals can tell, is none.
        let within = place.before.arrival_within_s.max(place.after.arrival_within_s);
        if off.abs() <= SAME_ARRIVAL_S.max(within) {
            place.shift_s = usual;
        }
        if off.abs() <= within {
            place.arrival_off_s = Some(0.0);
        }
    }
    places
}

/// The residue of a resonance at one place times the sample rate, fs·A: so scaled it doesn't depend on the rate, and the
/// gain between the states is removed.
#[derive(Debug, Clone, Copy)]
pub(super) struct ScaledResidue {
    /// fs·A, gain removed, referred to the origin that both states share.
    pub value: Complex64,
    /// Expected squared error of the value at a fixed pole.
    pub variance: f64,
}

/// A resonance of one state.
#[derive(Debug, Clone)]
pub(super) struct Resonance {
    /// Index in the state's list.
    pub index: usize,
    /// −δ + iω, 1/s.
    pub pole: Complex64,
    /// Standard deviation of ω, rad/s.
    pub omega_sd: f64,
    /// Standard deviation of δ, 1/s.
    pub decay_sd: f64,
    /// What it is taken for.
    pub kind: Kind,
    /// Whether single modes can't be told where it lies.
    pub overlapping: bool,
    /// The remarks on it in `modes.csv`: if it isn't claimed, the reasons.
    pub remarks: Flags,
    /// Its residue at each common place; `None` where it has no amplitude (whether that stands out of the noise, the
    /// variance tells).
    pub residues: Vec<Option<ScaledResidue>>,
}

impl Resonance {
    /// Decay constant, 1/s.
    pub fn decay(&self) -> f64 {
        -self.pole.re
    }

    /// Frequency, hertz.
    pub fn hz(&self) -> f64 {
        self.pole.im / (2.0 * std::f64::consts::PI)
    }

    /// Standard deviation of ln δ.
    pub fn log_sd(&self) -> f64 {
        self.decay_sd / self.decay()
    }

    /// Expected squared relative error that the pole's own error puts into every residue alike.
    ///
    /// A damped oscillation fitted with its pole free has dA = A dλ/(2δ) on top of what the noise
    /// does at a fixed pole (normal equations of a e^{λt}; neighbours left out).
    pub fn common_variance(&self) -> f64 {
        (self.decay_sd.powi(2) + self.omega_sd.powi(2)) / (4.0 * self.decay().powi(2))
    }
}

/// For tests: a claimed mode known to 0.1 1/s both ways, with residues (value, variance).
#[cfg(test)]
impl Resonance {
    pub fn known(pole: Complex64, residues: &[(Complex64, f64)]) -> Self {
        let scaled =
            |(value, variance): &(Complex64, f64)| Some(ScaledResidue { value: *value, variance: *variance });
        Self {
            index: 0,
            pole,
            omega_sd: 0.1,
            decay_sd: 0.1,
            kind: Kind::Mode,
            overlapping: false,
            remarks: Flags::default(),
            residues: residues.iter().map(scaled).collect(),
        }
    }
}

/// Modes whose ln δ has a larger standard deviation bear no witness of chain or set-up. Our own choice.
pub(super) const DECAY_SD: f64 = 0.15;

/// Factor on a pole's standard deviations: repeats scatter by so much more than the fit claims; 1 without repeats.
pub(super) type Widening = f64;

/// The resonances of a state that the comparison can use, at the common places.
///
/// `places`: of each common place the amplitude's index, the file's rate, and by how much the origin moves there.
pub(super) fn resonances(
    set: &ModeSet,
    places: &[(usize, f64, f64)],
    gain: f64,
    widening: Widening,
) -> Vec<Resonance> {
    let usable = |mode: &Mode| {
        let numbers = [mode.omega_per_s, mode.decay_per_s, mode.omega_sd_per_s, mode.decay_sd_per_s];
        numbers.iter().all(|x| x.is_finite() && *x > 0.0) && mode.kind != Kind::Hum
    };
    let modes = set.modes.iter().enumerate().filter(|(_, mode)| usable(mode));
    modes.map(|(index, mode)| resonance(index, mode, places, gain, widening)).collect()
}

/// One of them.
pub(super) fn resonance(
    index: usize,
    mode: &Mode,
    places: &[(usize, f64, f64)],
    gain: f64,
    widening: Widening,
) -> Resonance {
    let mut resonance = Resonance {
        index,
        pole: Complex64::new(-mode.decay_per_s, mode.omega_per_s),
        omega_sd: widening * mode.omega_sd_per_s,
        decay_sd: widening * mode.decay_sd_per_s,
        kind: mode.kind,
        overlapping: mode.flags.has(Flag::Overlapping),
        remarks: mode.flags.clone(),
        residues: Vec::new(),
    };
    let common = resonance.common_variance();
    resonance.residues = places
        .iter()
        .map(|&(at, rate_hz, shift_s)| {
            let amplitude = mode.amplitudes.get(at).copied().flatten()?;
            let turn = (resonance.pole * shift_s).exp() * rate_hz / gain;
            let value = Complex64::new(amplitude.re, amplitude.im) * turn;
            let total =
                (amplitude.covariance[0] + amplitude.covariance[2]) * turn.norm_sqr() * widening * widening;
            // The share of the pole's error is an estimate too; a tenth is always left to the noise.
            let variance = (total - common * value.norm_sqr()).max(0.1 * total);
            let sound = value.is_finite() && total.is_finite() && total > 0.0;
            sound.then_some(ScaledResidue { value, variance })
        })
        .collect();
    resonance
}

/// Spread round a middle that outliers don't move: 1.4826 times the median distance, which is the
/// standard deviation of a normal distribution (common practice).
pub(super) fn robust_sd(values: &[f64], middle: f64) -> f64 {
    1.4826 * median(values.iter().map(|v| (v - middle).abs()).collect()).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::Amplitude;

    /// Without an error of the pole's own the noise is that of both parts, 4e-6, times the rate and the widening squared.
    #[test]
    fn a_residue_s_noise_goes_with_rate_and_widening_squared() {
        let amplitude = Amplitude { re: 0.3, im: 0.1, covariance: [1e-6, 0.0, 3e-6], delta_chi2: 99.0 };
        let mode = Mode {
            kind: Kind::Mode,
            omega_per_s: 250.0,
            decay_per_s: 4.0,
            omega_sd_per_s: 1e-12,
            decay_sd_per_s: 1e-12,
            amplitudes: vec![Some(amplitude)],
            flags: Flags::default(),
        };
        let residue = resonance(0, &mode, &[(0, 1000.0, 0.0)], 2.0, 3.0).residues[0].unwrap();
        assert!((residue.value - Complex64::new(150.0, 50.0)).norm() < 1e-9, "{residue:?}");
        assert!((residue.variance - 4e-6 * 500.0 * 500.0 * 9.0).abs() < 1e-9, "{residue:?}");
    }
}
