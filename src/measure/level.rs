//! How loud: levels from quiet to the limit, and what a short sweep at one of them foretells.

use super::Judged;
use crate::excitation::{Sweep, WANTED_DB};

/// The first level, dB of full scale.
pub const FIRST_DB: f64 = -40.0;
/// From one level to the next, dB.
pub const STEP_DB: f64 = 6.0;

/// Levels in dB of full scale: from −40 in steps of 6, the last one the limit itself.
#[must_use]
pub fn levels(limit_db: f64) -> Vec<f64> {
    let steps = (0_u8..).map(|k| FIRST_DB + STEP_DB * f64::from(k)).take_while(|db| *db < limit_db);
    steps.chain([limit_db]).collect()
}

/// Length of the short sweep, s.
const PROBE_S: f64 = 3.0;
/// Octaves below this are those of the modes, Hz.
const MODES_TO_HZ: f64 = 200.0;

/// The signal in short, for the level.
#[must_use]
pub fn probe_of(sweep: &Sweep) -> Sweep {
    Sweep { seconds: PROBE_S.min(sweep.seconds), ..*sweep }
}

/// What a short sweep showed.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Probe {
    /// Largest magnitude at the microphone, full scale 1.
    pub peak: f64,
    /// Mid-band frequency of the weakest octave below 200 Hz, Hz, and the peak-to-noise there that the full signal will
    /// give, dB; `None` where the signal isn't heard over the noise at all.
    pub expected: Option<(f64, f64)>,
}

impl Probe {
    /// From the judged short sweep; `sweep`: the full one. Twice as long gives 3 dB more (ISO 18233:2006, B.6).
    #[must_use]
    pub fn of(judged: &Judged, microphone: &[f64], sweep: &Sweep) -> Self {
        let gain_db = 10.0 * (sweep.seconds / probe_of(sweep).seconds).log10();
        let octaves = judged.response.iter().flat_map(|response| &response.record.peak_to_noise);
        let low = octaves.filter(|octave| octave.band_hz < MODES_TO_HZ);
        let known = low.filter_map(|octave| Some((octave.band_hz, octave.db? + gain_db)));
        Self {
            peak: microphone.iter().fold(0.0, |most, x| f64::max(most, x.abs())),
            expected: known.min_by(|a, b| a.1.total_cmp(&b.1)),
        }
    }

    /// Whether the full signal at this level will do for T30 wherever there are modes.
    #[must_use]
    pub fn is_enough(&self) -> bool {
        self.expected.is_some_and(|(_, db)| db >= WANTED_DB)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_rise_from_quiet_to_the_limit() {
        assert_eq!(levels(-12.0), [-40.0, -34.0, -28.0, -22.0, -16.0, -12.0]);
        assert_eq!(levels(-28.0), [-40.0, -34.0, -28.0]);
        assert_eq!(levels(-50.0), [-50.0]);
    }

    #[test]
    fn a_probe_is_never_longer_than_the_signal() {
        let short = Sweep { seconds: 1.0, ..Sweep::default() };
        assert_eq!(probe_of(&short), short);
        assert!((probe_of(&Sweep::default()).seconds - 3.0).abs() < 1e-12);
    }
}
