//! What capture records say, applied where the analysis reads, fits and names.

use super::ModeRange;
use crate::capture::{CaptureError, CaptureRecord, beside};
use crate::decay::BandDecay;
use crate::flag::Flag;
use crate::modes::ModeSet;
use crate::recording::Recording;
use crate::response::{CaptureFacts, Response};
use crate::session::Take;

/// The record beside a take's file, if there is one for these very bytes.
pub(super) fn record(take: &Take, recording: &Recording) -> Result<Option<CaptureRecord>, CaptureError> {
    beside(&take.path, &recording.provenance.sha256)
}

/// What the response stage needs of it.
pub(super) fn known(record: &CaptureRecord) -> CaptureFacts {
    CaptureFacts {
        emission_s: record.emission_s,
        arrival_s: record.arrival_s,
        range_hz: (record.range_hz[0], record.range_hz[1]),
        zero_db_spl: record.zero_db_spl,
        frequency_sd: record.frequency_sd(),
    }
}

/// The range in which modes may be looked for: where no place's response stands over its noise, there is
/// only the edge of a filter to fit. Places without a record count as boundless.
pub(super) fn range<'a>(asked: ModeRange, places: impl Iterator<Item = &'a Response>) -> ModeRange {
    let widest = places.fold(None, |widest: Option<(f64, f64)>, response| {
        let own = response.known.as_ref().map_or((0.0, f64::INFINITY), |known| known.range_hz);
        Some(widest.map_or(own, |(low, high)| (low.min(own.0), high.max(own.1))))
    });
    let Some((low_hz, high_hz)) = widest else { return asked };
    let narrowed = ModeRange { from_hz: asked.from_hz.max(low_hz), to_hz: asked.to_hz.min(high_hz) };
    // Nothing in common: the fit says itself that it finds nothing there.
    if narrowed.to_hz > narrowed.from_hz + 5.0 { narrowed } else { asked }
}

/// The bands of a response; those whose middle it doesn't reach hold nothing of the room.
pub(super) fn within_range(mut bands: Vec<BandDecay>, response: &Response) -> Vec<BandDecay> {
    let Some((low_hz, high_hz)) = response.known.as_ref().map(|known| known.range_hz) else { return bands };
    for band in bands.iter_mut().filter(|band| !(low_hz..=high_hz).contains(&band.band.centre_hz)) {
        *band = BandDecay::void(band.band, Flag::OutsideCapture);
    }
    bands
}

/// Adds the uncertainty of the ratio of playback to recording clock: one common relative error of all ω and δ of a state,
/// fully correlated.
pub(super) fn widen(set: &mut ModeSet, relative_sd: f64) {
    if relative_sd <= 0.0 {
        return;
    }
    let scaled: Vec<f64> = set
        .modes
        .iter()
        .flat_map(|mode| [mode.omega_per_s, mode.decay_per_s].map(|v| v * relative_sd))
        .collect();
    let side = scaled.len();
    if set.covariance.len() == side * side {
        for (i, value) in set.covariance.iter_mut().enumerate() {
            *value += scaled[i / side] * scaled[i % side];
        }
    }
    for (mode, own) in set.modes.iter_mut().zip(scaled.chunks_exact(2)) {
        mode.omega_sd_per_s = mode.omega_sd_per_s.hypot(own[0]);
        mode.decay_sd_per_s = mode.decay_sd_per_s.hypot(own[1]);
    }
}

/// Largest relative sd that the clocks of some places leave.
pub(super) fn clock_sd<'a>(places: impl Iterator<Item = &'a Response>) -> f64 {
    places.filter_map(|response| response.known.as_ref()).map(|known| known.frequency_sd).fold(0.0, f64::max)
}
