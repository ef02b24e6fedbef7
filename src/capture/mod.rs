//! The capture record: what is known of a response from the recording it was made of.
//!
//! It lies beside the response as `NAME.capture.json` and holds for that file only (by its SHA-256): the
//! instant of emission, so that nobody has to search for it; the range in which the response stands over
//! the noise; how well player's and recorder's clocks agree; and whether the take was good. Without a
//! record nothing is assumed.
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let record = stillroom::capture::CaptureRecord::default();
//! assert_eq!(record.again(), None, "nothing was found wrong with the take");
//! assert!(stillroom::capture::text(&record)?.contains("\"emission_s\": null"));
//! # Ok(()) }
//! ```

mod beside;

pub use beside::{CaptureError, beside, path_beside, text};

use serde::{Deserialize, Serialize};

/// Number of this form of the record; one with a higher number is not read.
pub const SCHEMA: u32 = 1;

/// What is known of one response.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct CaptureRecord {
    /// [`SCHEMA`] of the program that wrote it.
    pub schema: u32,
    /// SHA-256 of the response that it belongs to.
    pub response_sha256: String,
    /// Name of the recording.
    pub recording: String,
    /// SHA-256 of the recording.
    pub recording_sha256: String,
    /// `sweep` or `noise`.
    pub signal: String,
    /// Instant of the emission, s from sample 0; none where player and recorder started each by itself.
    pub emission_s: Option<f64>,
    /// Arrival of the first sound, s from sample 0.
    pub arrival_s: f64,
    /// How much later than in the reference the sound stands in the recording, s.
    pub start_offset_s: f64,
    /// Lowest and highest frequency at which the response stands over the noise, Hz.
    pub range_hz: [f64; 2],
    /// Peak-to-noise by octave, within the range.
    #[serde(default)]
    pub peak_to_noise: Vec<OctaveDb>,
    /// Harmonics of the loudspeaker, by order.
    #[serde(default)]
    pub harmonics: Vec<HarmonicDb>,
    /// By how much the recorder's clock ran fast against the player's, and was put right; none if unknown.
    pub clock: Option<Clock>,
    /// Recordings of the signal that were averaged.
    pub repeats: u32,
    /// Largest difference of a repeat from their mean, dB against its energy; none for a single one.
    pub repeat_difference_db: Option<f64>,
    /// Median coherence between 20 and 200 Hz; noise only.
    pub coherence: Option<f64>,
    /// Half the 95 % interval of the level of a line, dB, median between 20 and 200 Hz, by Student's t from the scatter of
    /// the periods; noise only.
    #[serde(default)]
    pub magnitude_95_db: Option<f64>,
    /// H2 over H1, dB, median between 20 and 200 Hz: the truth lies between both; noise only.
    #[serde(default)]
    pub bracket_db: Option<f64>,
    /// Noise by octave before the signal, dB of a sine at full scale; none below what the numbers hold.
    #[serde(default)]
    pub background: Vec<OctaveDb>,
    /// Mains hum before the signal.
    #[serde(default)]
    pub hum: Vec<HumDb>,
    /// Sound pressure level of a sine that reaches full scale at the microphone's input, dB; by calibrator, or as the
    /// user said.
    #[serde(default)]
    pub full_scale_db_spl: Option<f64>,
    /// Sound pressure level that a steady tone of the signal's rms makes where the response reads 0 dB.
    #[serde(default)]
    pub zero_db_spl: Option<f64>,
    /// How far the clocks may differ where nothing tells exactly and a sweep's bands show more than is usual, ppm.
    #[serde(default)]
    pub clock_limit_ppm: Option<f64>,
    /// Names of the files by which microphone and reference were corrected.
    #[serde(default)]
    pub corrections: Vec<String>,
    /// What a second run at a lower level showed.
    #[serde(default)]
    pub quieter: Option<QuieterRun>,
    /// Air temperature during the take, °C, as the user said.
    pub temperature_c: Option<f64>,
    /// The user's remark: who opened the door.
    pub note: Option<String>,
    /// What is wrong with the take, what must be repeated first.
    #[serde(default)]
    pub findings: Vec<Finding>,
}

/// Peak-to-noise of an octave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OctaveDb {
    /// Mid-band frequency, Hz.
    pub band_hz: f64,
    /// Peak over mean noise, dB; none above digital silence.
    pub db: Option<f64>,
}

/// A harmonic of the loudspeaker.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HarmonicDb {
    /// Order: 2 is an octave above.
    pub order: u32,
    /// Against the response, dB, in the third octave where it is largest.
    pub db: f64,
    /// Middle of that third octave, Hz.
    pub band_hz: f64,
}

/// A line of mains hum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HumDb {
    /// Frequency, Hz.
    pub hz: f64,
    /// Over the noise beside it, dB.
    pub over_noise_db: f64,
}

/// A second run at a lower level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct QuieterRun {
    /// By how much it was lower, dB.
    pub lower_db: f64,
    /// Largest change of the response in a third octave against it, dB.
    pub change_db: f64,
    /// Middle of that third octave, Hz.
    pub band_hz: f64,
}

/// Two clocks against each other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Clock {
    /// By how much the recorder's runs fast, parts per million.
    pub ppm: f64,
    /// One standard deviation.
    pub sd_ppm: f64,
}

/// Something wrong with a take.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// One word, e.g. `clipped`.
    pub word: String,
    /// Whether the take must be repeated.
    pub again: bool,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: String,
}

/// Relative sd of any frequency against the true hertz: sound devices keep their rate within ±50 ppm (common
/// practice, no source), read as the 95 % interval.
const ABSOLUTE_SD: f64 = 25e-6;
/// Relative sd where the player's and the recorder's clock may differ and nothing tells by how much: ±100 ppm
/// between two devices (common practice, no source).
const UNKNOWN_SD: f64 = 50e-6;

impl CaptureRecord {
    /// Why the take must be repeated, in one sentence; `None` if it need not.
    #[must_use]
    pub fn again(&self) -> Option<String> {
        let bad: Vec<&str> = self.findings.iter().filter(|f| f.again).map(|f| f.found.as_str()).collect();
        (!bad.is_empty()).then(|| bad.join("; "))
    }

    /// What to do about the first thing that is wrong; empty if nothing is.
    #[must_use]
    pub fn advice(&self) -> &str {
        self.findings.first().map_or("", |finding| &finding.advice)
    }

    /// A level of the background, dB of a sine at full scale, as a sound pressure level; `None` without a calibrator or
    /// the level of full scale.
    #[must_use]
    pub fn background_db_spl(&self, db: Option<f64>) -> Option<f64> {
        Some(self.full_scale_db_spl? + db?)
    }

    /// Relative sd that the clocks leave in any frequency of the response.
    #[must_use]
    pub fn frequency_sd(&self) -> f64 {
        let between = match self.clock {
            Some(clock) => 1e-6 * clock.sd_ppm,
            // One device played and recorded: one clock.
            None if self.emission_s.is_some() => 0.0,
            // The limit read as a 95 % interval.
            None => UNKNOWN_SD.max(0.5e-6 * self.clock_limit_ppm.unwrap_or(0.0)),
        };
        ABSOLUTE_SD.hypot(between)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) fn record() -> CaptureRecord {
        CaptureRecord {
            schema: SCHEMA,
            response_sha256: "00".into(),
            recording: "raw/seat.wav".into(),
            recording_sha256: "11".into(),
            signal: "sweep".into(),
            emission_s: Some(0.1),
            arrival_s: 0.106,
            start_offset_s: 0.006,
            range_hz: [18.0, 15_000.0],
            repeats: 1,
            ..CaptureRecord::default()
        }
    }

    #[test]
    fn clocks_that_may_differ_widen_frequencies() {
        let together = record();
        let apart = CaptureRecord { emission_s: None, ..record() };
        let measured = CaptureRecord { clock: Some(Clock { ppm: 120.0, sd_ppm: 1.0 }), ..apart.clone() };
        let drifting = CaptureRecord { clock_limit_ppm: Some(320.0), ..apart.clone() };
        assert!((drifting.frequency_sd() - 161.9e-6).abs() < 1e-7);
        assert!((together.frequency_sd() - 25e-6).abs() < 1e-9);
        assert!((apart.frequency_sd() - 55.9e-6).abs() < 1e-7);
        assert!((measured.frequency_sd() - 25.02e-6).abs() < 1e-7);
    }

    #[test]
    fn only_what_asks_for_a_repeat_says_again() {
        let finding =
            |again| Finding { word: "weak".into(), again, found: "peak".into(), advice: "louder".into() };
        let mut taken = record();
        taken.findings.push(finding(false));
        assert_eq!((taken.again(), taken.advice()), (None, "louder"));
        taken.findings.push(finding(true));
        assert_eq!(taken.again().as_deref(), Some("peak"));
    }
}
