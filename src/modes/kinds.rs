//! The kind of each resonance, and the flags that say why one is not taken for a mode.

use super::chain::Chain;
use super::limit::Predicted;
use super::pole::{Pole, STEADY};
use super::settings::MANY_PLACES;
use super::{Amplitude, Kind, Mode};
use crate::flag::{Flag, Flags};

/// Poles that ring shorter belong to the measuring chain: the high-pass of a loudspeaker (order 4 at
/// 28 Hz: 0.10 and 0.04 s); a room mode of that decay can't be told from it. Common practice, no source.
const CHAIN_T60_S: f64 = 0.15;
/// Relative sd of a decay beyond which it is no statement (chosen on the measured rooms of docs/accuracy.md).
pub(crate) const WIDE: f64 = 0.20;
/// In units of the record: a decay that may, within its interval, be longer is an extrapolation (less than 48 dB of it was
/// seen; chosen on the measured rooms), which only a small sd backs up.
const LONGEST_RECORDS: f64 = 1.25;
/// In units of the record: a decay that may be longer than this (24 dB seen) is no statement even with a small sd.
const LONGEST_RECORDS_WELL_KNOWN: f64 = 2.5;
/// Relative sd up to which a decay longer than the record stands: in hard rooms such intervals hold (own simulations,
/// docs/accuracy.md).
const BACKED_UP: f64 = 0.10;

/// A resonance is detected at a place if its amplitude there lowers χ² by more than this with the poles fixed (2 degrees
/// of freedom, the chance of three standard deviations).
const DETECTED: f64 = 11.83;
/// With many places a mode must be detected at this many: what one place alone shows is its own disturbance. Our
/// own choice.
const DETECTED_AT: usize = 2;

/// What a resonance is judged by, beside its pole, its uncertainty and the places that see it.
pub(crate) struct Evidence<'a> {
    /// Length of the longest record, s.
    pub seconds: f64,
    /// Where poles predict how the sound goes on; `None` where that was not looked at.
    pub predicted: Option<&'a Predicted>,
    /// Whether it had to be predicted by itself and was not.
    pub unpredicted: bool,
    /// The low end of the measuring chain.
    pub chain: &'a Chain,
}

/// Judges one resonance.
pub(crate) fn judge(mode: &mut Mode, evidence: &Evidence<'_>) {
    let &Evidence { seconds, predicted, unpredicted, chain } = evidence;
    let pole = Pole { omega_per_s: mode.omega_per_s, decay_per_s: mode.decay_per_s };
    let mut flags = Flags::default();
    let reproduced = !mode.flags.has(Flag::NotReproduced);
    let steady =
        pole.decay_per_s < STEADY / seconds && pole.decay_per_s < 3.0 * mode.decay_sd_per_s + 0.1 / seconds;
    let mains = near_mains(&pole, mode.omega_sd_per_s, seconds);
    if steady && reproduced && (mains || runs_throughout(mode)) {
        mode.kind = Kind::Hum;
        flags.add(if mains { Flag::MainsHum } else { Flag::SteadyTone });
    } else if (pole.t60_s() < CHAIN_T60_S || chain.has(mode)) && reproduced {
        mode.kind = Kind::Loudspeaker;
    } else {
        let log_sd = mode.decay_sd_per_s / pole.decay_per_s;
        if log_sd > WIDE {
            flags.add(Flag::WideInterval);
        }
        if is_long(&pole, log_sd, seconds) {
            flags.add(Flag::LongForRecord);
        }
        if predicted.is_some_and(|predicted| !predicted.holds(pole.frequency_hz(), log_sd)) {
            flags.add(Flag::Overlapping);
        }
        if unpredicted {
            flags.add(Flag::OwnShareUnpredicted);
        }
        if detected_at_too_few(mode) {
            flags.add(Flag::SeenAtOnePlace);
        }
        mode.kind = if flags.is_empty() && reproduced { Kind::Mode } else { Kind::Unsure };
    }
    mode.flags.extend(&flags);
}

/// A claim whose interval came to be too wide is none.
pub(super) fn unclaim_wide(mode: &mut Mode) {
    if mode.kind == Kind::Mode && mode.decay_sd_per_s > WIDE * mode.decay_per_s {
        mode.kind = Kind::Unsure;
        mode.flags.add(Flag::WideInterval);
    }
}

/// Whether a decay with this relative sd is an extrapolation beyond a record of so many seconds.
fn is_long(pole: &Pole, log_sd: f64, seconds: f64) -> bool {
    let longest = pole.t60_s() * (1.0 + 2.0 * log_sd) / seconds;
    longest > if log_sd < BACKED_UP { LONGEST_RECORDS_WELL_KNOWN } else { LONGEST_RECORDS }
}

/// A machine that runs while it is measured is in most records; what few of many hold is a peak of their noise.
fn runs_throughout(mode: &Mode) -> bool {
    let places = mode.amplitudes.iter().flatten().count();
    places < MANY_PLACES || 2 * mode.amplitudes.iter().flatten().filter(|a| a.is_detected()).count() > places
}

fn detected_at_too_few(mode: &Mode) -> bool {
    let places = mode.amplitudes.iter().flatten().count();
    places >= MANY_PLACES
        && mode.amplitudes.iter().flatten().filter(|a| a.is_detected()).count() < DETECTED_AT
}

impl Amplitude {
    /// Whether the resonance is detected at this place: its amplitude is significant at fixed poles, whatever their own
    /// uncertainty.
    #[must_use]
    pub fn is_detected(&self) -> bool {
        self.delta_chi2 > DETECTED
    }
}

/// Whether a steady tone lies at a multiple of 50 or 60 Hz (mains frequency held within 0.2 %: common practice).
fn near_mains(pole: &Pole, omega_sd_per_s: f64, seconds: f64) -> bool {
    let hz = pole.frequency_hz();
    let reach = 0.002 * hz + 0.1 / seconds + 3.0 * omega_sd_per_s / (2.0 * std::f64::consts::PI);
    [50.0, 60.0].iter().any(|mains| (hz - mains * (hz / mains).round().max(1.0)).abs() < reach)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tone in records of 4 s that the first `heard` of some places hold, judged.
    fn tone(hz: f64, heard: usize, places: usize) -> Mode {
        let at = |k: usize| {
            let delta_chi2 = if k < heard { 100.0 } else { 1.0 };
            Some(Amplitude { re: 1.0, im: 0.0, covariance: [0.1, 0.0, 0.1], delta_chi2 })
        };
        let mut mode = Mode {
            kind: Kind::Unsure,
            omega_per_s: std::f64::consts::TAU * hz,
            decay_per_s: 0.01,
            omega_sd_per_s: 0.001,
            decay_sd_per_s: 0.01,
            amplitudes: (0..places).map(at).collect(),
            flags: Flags::default(),
        };
        let chain = Chain::of(&[]);
        judge(&mut mode, &Evidence { seconds: 4.0, predicted: None, unpredicted: false, chain: &chain });
        mode
    }

    /// A tone at a multiple of 50 or 60 Hz is hum, one beside them another steady tone; each says so and not the contrary.
    #[test]
    fn a_steady_tone_is_hum_or_not_by_its_frequency() {
        let flags = [50.0, 100.05, 120.0, 53.0].map(|hz| {
            let tone = tone(hz, 0, 0);
            assert_eq!(tone.kind, Kind::Hum);
            tone.flags.to_string()
        });
        assert_eq!(flags, ["mains-hum", "mains-hum", "mains-hum", "steady-tone"]);
    }

    /// A tone that half of ten places hold is none that ran throughout, unless it is the mains'; one at six of ten is.
    #[test]
    fn a_steady_tone_is_in_most_records() {
        let kinds = [tone(53.0, 6, 10), tone(53.0, 5, 10), tone(50.0, 5, 10)].map(|tone| tone.kind);
        assert_eq!(kinds, [Kind::Hum, Kind::Unsure, Kind::Hum]);
    }

    /// In a record of 4 s: a decay of 6 s stands if it is known well, one of 11 s never, one of 3 s always.
    #[test]
    fn a_decay_beyond_the_record_must_be_known_well() {
        let long = |t60_s: f64, log_sd: f64| is_long(&Pole::new(60.0, t60_s), log_sd, 4.0);
        assert!(!long(6.0, 0.002) && !long(6.0, 0.08) && long(6.0, 0.12));
        assert!(long(11.0, 0.001));
        assert!(!long(3.0, 0.1));
    }

    /// At 100 Hz in a record of 2 s the reach is 0.2 Hz of the mains' own and 0.05 Hz of the record's; 3 sd more where the
    /// frequency isn't known.
    #[test]
    fn mains_reach_as_far_as_they_and_the_record_are_uncertain() {
        let near = |hz: f64, sd_hz: f64| near_mains(&Pole::new(hz, 9.0), std::f64::consts::TAU * sd_hz, 2.0);
        assert!(near(100.24, 0.0) && !near(100.26, 0.0));
        assert!(near(100.53, 0.1) && !near(100.56, 0.1));
    }
}
