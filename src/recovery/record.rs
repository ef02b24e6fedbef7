//! What was seen while a response was recovered, as its capture record.

use super::{ClockError, OctavePeak, PeriodicResponse, Recovered, Trouble};
use crate::capture::{CaptureRecord, Clock, Finding, HarmonicDb, OctaveDb};
use crate::recording::Recording;

fn decibels(ratio: f64) -> f64 {
    // Tenths: no reader needs more, and the last bits of a logarithm are another machine's.
    (100.0 * ratio.log10()).round() / 10.0
}

fn octaves(peaks: &[OctavePeak]) -> Vec<OctaveDb> {
    let db = |peak: &OctavePeak| peak.ratio.is_finite().then(|| decibels(peak.ratio));
    peaks.iter().map(|peak| OctaveDb { band_hz: peak.band_hz, db: db(peak) }).collect()
}

fn findings(troubles: &[Trouble]) -> Vec<Finding> {
    let mut sorted: Vec<&Trouble> = troubles.iter().collect();
    sorted.sort_by_key(|trouble| !trouble.again);
    sorted
        .into_iter()
        .map(|trouble| Finding {
            word: trouble.word.to_owned(),
            again: trouble.again,
            found: trouble.found.clone(),
            advice: trouble.advice.to_owned(),
        })
        .collect()
}

/// Rounded to millihertz and microseconds: more than either is known to.
fn rounded(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// The record of a sweep's response; what the samples of the response itself decide is still to be filled in.
#[must_use]
pub fn record_of_sweep(found: &Recovered, clock: Option<ClockError>, recording: &Recording) -> CaptureRecord {
    CaptureRecord {
        schema: crate::capture::SCHEMA,
        response_sha256: String::new(),
        recording: String::new(),
        recording_sha256: recording.provenance.sha256.clone(),
        signal: "sweep".to_owned(),
        emission_s: found.emission_s,
        arrival_s: rounded(found.arrival_s.max(0.0), 1e6),
        start_offset_s: rounded(found.start_offset_s, 1e6),
        range_hz: [rounded(found.range_hz.0, 1e3), rounded(found.range_hz.1, 1e3)],
        peak_to_noise: octaves(&found.peak_to_noise),
        harmonics: found
            .harmonics
            .iter()
            .map(|h| HarmonicDb { order: h.order, db: decibels(h.ratio), band_hz: rounded(h.band_hz, 10.0) })
            .collect(),
        clock: clock
            .map(|c| Clock { ppm: rounded(c.ppm, 100.0), sd_ppm: rounded(c.sd_ppm.max(0.01), 100.0) }),
        repeats: 1,
        repeat_difference_db: None,
        coherence: None,
        temperature_c: None,
        note: None,
        findings: findings(&found.troubles),
    }
}

/// The record of a response from periods of noise.
#[must_use]
pub fn record_of_noise(found: &PeriodicResponse, recording: &Recording) -> CaptureRecord {
    CaptureRecord {
        schema: crate::capture::SCHEMA,
        response_sha256: String::new(),
        recording: String::new(),
        recording_sha256: recording.provenance.sha256.clone(),
        signal: "noise".to_owned(),
        emission_s: Some(found.emission_s),
        arrival_s: rounded(found.arrival_s.max(0.0), 1e6),
        start_offset_s: rounded(found.arrival_s - found.emission_s, 1e6),
        range_hz: [rounded(found.range_hz.0, 1e3), rounded(found.range_hz.1, 1e3)],
        peak_to_noise: octaves(&found.peak_to_noise),
        harmonics: Vec::new(),
        clock: None,
        repeats: u32::try_from(found.averages).unwrap_or(u32::MAX),
        repeat_difference_db: None,
        coherence: found.coherence().map(|c| rounded(c, 1e4)),
        temperature_c: None,
        note: None,
        findings: findings(&found.troubles),
    }
}

impl CaptureRecord {
    /// The record of averaged repeats: how many, and how far the worst lies from their mean (a share of energy).
    #[must_use]
    pub fn averaged(self, repeats: usize, difference: f64) -> Self {
        let several = repeats > 1 && difference > 0.0;
        Self {
            repeats: u32::try_from(repeats).unwrap_or(u32::MAX),
            repeat_difference_db: several.then(|| decibels(difference)),
            ..self
        }
    }
}
