//! What was seen while a response was recovered, as its capture record.

use super::{Background, ClockError, Linearity, OctavePeak, PeriodicResponse, Recovered, Trouble};
use crate::capture::{CaptureRecord, Clock, Finding, HarmonicDb, HumDb, OctaveDb, QuieterRun};
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

/// Octaves of a silence, dB of a sine at full scale, whose mean square is one half.
fn noise(background: &Background) -> Vec<OctaveDb> {
    let db = |power: f64| (power > 0.0).then(|| decibels(2.0 * power));
    background.octaves.iter().map(|(band_hz, power)| OctaveDb { band_hz: *band_hz, db: db(*power) }).collect()
}

fn hum(background: &Background) -> Vec<HumDb> {
    background.hum.iter().map(|(hz, ratio)| HumDb { hz: *hz, over_noise_db: decibels(*ratio) }).collect()
}

/// Rounded to millihertz and microseconds: more than either is known to.
fn rounded(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// What every record holds: of the recording, its background and the troubles found.
fn begun(recording: &Recording, background: &Background, troubles: &[Trouble]) -> CaptureRecord {
    CaptureRecord {
        schema: crate::capture::SCHEMA,
        recording_sha256: recording.provenance.sha256.clone(),
        background: noise(background),
        hum: hum(background),
        findings: findings(troubles),
        ..CaptureRecord::default()
    }
}

/// The record of a sweep's response; what the samples of the response itself decide is still to be filled in.
#[must_use]
pub fn record_of_sweep(found: &Recovered, clock: Option<ClockError>, recording: &Recording) -> CaptureRecord {
    CaptureRecord {
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
        ..begun(recording, &found.background, &found.troubles)
    }
}

/// The record of a response from periods of noise.
#[must_use]
pub fn record_of_noise(found: &PeriodicResponse, recording: &Recording) -> CaptureRecord {
    CaptureRecord {
        signal: "noise".to_owned(),
        emission_s: Some(found.emission_s),
        arrival_s: rounded(found.arrival_s.max(0.0), 1e6),
        start_offset_s: rounded(found.arrival_s - found.emission_s, 1e6),
        range_hz: [rounded(found.range_hz.0, 1e3), rounded(found.range_hz.1, 1e3)],
        peak_to_noise: octaves(&found.peak_to_noise),
        repeats: u32::try_from(found.averages).unwrap_or(u32::MAX),
        coherence: found.coherence().map(|c| rounded(c, 1e4)),
        magnitude_95_db: found.magnitude_interval().map(|share| rounded(20.0 * (1.0 + share).log10(), 100.0)),
        bracket_db: found.bracket().map(|ratio| rounded(20.0 * ratio.log10(), 100.0)),
        ..begun(recording, &found.background, &found.troubles)
    }
}

impl CaptureRecord {
    /// The record with what a quieter run showed.
    #[must_use]
    pub fn with_quieter(mut self, found: &Linearity) -> Self {
        self.quieter = Some(QuieterRun {
            lower_db: rounded(found.lower_db, 10.0),
            change_db: rounded(found.change_db, 100.0),
            band_hz: rounded(found.band_hz, 10.0),
        });
        self.with_troubles(&[found.trouble()])
    }

    /// The record with more that is wrong, what it says already left out.
    #[must_use]
    pub fn with_troubles(mut self, troubles: &[Trouble]) -> Self {
        for more in findings(troubles) {
            let subject = |finding: &Finding| finding.found.split(" is ").next().map(str::to_owned);
            let same = |known: &Finding| known.word == more.word && subject(known) == subject(&more);
            if !self.findings.iter().any(same) {
                self.findings.push(more);
            }
        }
        self.findings.sort_by_key(|finding| !finding.again);
        self
    }

    /// The record of a single sweep whose bands drift as if the clocks differed by up to this.
    #[must_use]
    pub fn with_clock_limit(mut self, limit_ppm: f64) -> Self {
        self.clock_limit_ppm = Some(rounded(limit_ppm, 1.0));
        self.with_troubles(&[Trouble::note(
            "clock",
            format!("its bands drift as if the clocks differed by {limit_ppm:.0} ppm: frequencies are that unsure"),
            "play the sweep twice (excite --repeats 2), or record the signal beside the microphone (--reference)",
        )])
    }

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
