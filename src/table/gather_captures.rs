//! Capture records become rows.

use super::cell::Name;
use super::{CaptureBandRow, CaptureRow, HarmonicRow, HumRow};
use crate::analysis::File;
use crate::capture::{CaptureRecord, OctaveDb};
use crate::session::Session;

/// The rows of all capture records of a run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Captures {
    /// One a file with a record.
    pub takes: Vec<CaptureRow>,
    /// Its octaves.
    pub bands: Vec<CaptureBandRow>,
    /// Hum before its signal.
    pub hum: Vec<HumRow>,
    /// Harmonics of its loudspeaker.
    pub harmonics: Vec<HarmonicRow>,
}

/// Which file and channel a row is about.
struct Of<'a> {
    file: Name,
    channel: Option<u32>,
    record: &'a CaptureRecord,
}

/// The rows of the files that came with a record.
pub(super) fn captures(session: &Session, files: &[File]) -> Captures {
    let mut found = Captures::default();
    for file in files {
        let Some(record) = &file.capture else { continue };
        let channel = u32::try_from(session.channel_of(&file.take)).ok();
        let of = Of { file: file.take.file.as_str().into(), channel, record };
        found.takes.push(of.take());
        found.bands.extend(of.bands());
        found.hum.extend(of.hum());
        found.harmonics.extend(of.harmonics());
    }
    found
}

impl Of<'_> {
    fn take(&self) -> CaptureRow {
        let record = self.record;
        CaptureRow {
            file: self.file.clone(),
            channel: self.channel,
            signal: record.signal.clone(),
            recording: record.recording.clone(),
            recording_sha256: Some(record.recording_sha256.clone()).filter(|hash| !hash.is_empty()),
            again: record.again().is_some(),
            advice: record.advice().to_owned(),
            arrival_s: record.arrival_s,
            start_offset_s: record.start_offset_s,
            repeats: record.repeats,
            repeat_difference_db: record.repeat_difference_db,
            coherence: record.coherence,
            magnitude_interval_db: record.magnitude_95_db,
            bracket_db: record.bracket_db,
            clock_limit_ppm: record.clock_limit_ppm,
            temperature_c: record.temperature_c,
            note: record.note.clone(),
            corrections: record.corrections.clone(),
            full_scale_spl_db: record.full_scale_db_spl,
            zero_spl_db: record.zero_db_spl,
            quieter_lower_db: record.quieter.map(|run| run.lower_db),
            quieter_change_db: record.quieter.map(|run| run.change_db),
            quieter_band_hz: record.quieter.map(|run| run.band_hz),
        }
    }

    /// One row an octave that either list holds, in rising frequency.
    fn bands(&self) -> Vec<CaptureBandRow> {
        let record = self.record;
        let of = |octaves: &[OctaveDb], hz: f64| octaves.iter().find(|o| o.band_hz == hz).and_then(|o| o.db);
        let all = record.peak_to_noise.iter().chain(&record.background);
        let mut hertz: Vec<f64> = all.map(|octave| octave.band_hz).collect();
        hertz.sort_by(f64::total_cmp);
        hertz.dedup();
        let row = |band_hz: f64| {
            let noise = of(&record.background, band_hz);
            CaptureBandRow {
                file: self.file.clone(),
                channel: self.channel,
                band_hz,
                peak_to_noise_db: of(&record.peak_to_noise, band_hz),
                noise_fs_db: noise,
                noise_spl_db: record.background_db_spl(noise),
            }
        };
        hertz.into_iter().map(row).collect()
    }

    fn hum(&self) -> impl Iterator<Item = HumRow> {
        self.record.hum.iter().map(|line| HumRow {
            file: self.file.clone(),
            channel: self.channel,
            frequency_hz: line.hz,
            over_noise_db: line.over_noise_db,
        })
    }

    fn harmonics(&self) -> impl Iterator<Item = HarmonicRow> {
        self.record.harmonics.iter().map(|harmonic| HarmonicRow {
            file: self.file.clone(),
            channel: self.channel,
            order: harmonic.order,
            level_db: harmonic.db,
            band_hz: harmonic.band_hz,
        })
    }
}
