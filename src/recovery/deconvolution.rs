//! Spectral division by the test signal (ISO 18233:2006, annex B; Farina 2000 for what lands where), kept to
//! the range in which the recording stands over its own noise.

use super::arrival::{Arrival, Ring, locate};
use super::background::background;
use super::broken::{Break, fallen, spreads};
use super::clock::drift_in;
use super::evidence::TakeEvidence;
use super::recovered::{BEFORE_S, Deconvolution, Recovered};
use super::reference::{Edges, Rise, Signal, edges};
use super::transform::{fall, inverse_to, ring_length, spectrum, spectrum_of};
use super::{RecoveryError, trouble};
use crate::recording::is_silent;
use rustfft::num_complex::Complex64;

/// Smallest share of the signal's power density that is divided by, relative to the largest in range:
/// −100 dB only keeps zeros from dividing.
const FLOOR: f64 = 1e-10;
/// Response kept at the least after the emission, s.
const LEAST_AFTER_S: f64 = 0.5;
/// A recorder that starts apart from the player by less than this may as well have started with it: the file
/// keeps its zero, and with it what it shares with files of the same start, s.
const STARTED_TOGETHER_S: f64 = 0.08;
/// A sweep may be heard this much before the level that counts as its start, s.
const FADE_S: f64 = 0.15;
/// Where noise ends the range, the response fades out over this, octaves; a steep edge would ring.
const NOISE_EDGE_OCTAVES: f64 = 0.5;

/// Divides the spectrum of a recording by that of the signal (`reference`: as recorded from the output, or as
/// written). Both at `rate_hz`; recorded together, both from the same instant.
///
/// # Errors
/// [`RecoveryError`] where no response comes of it.
pub fn deconvolve(
    recording: &[f64],
    reference: &[f64],
    rate_hz: f64,
    settings: &Deconvolution,
) -> Result<Recovered, RecoveryError> {
    let signal = Signal::of(reference, rate_hz).ok_or(RecoveryError::SilentReference)?;
    if is_silent(recording) {
        return Err(RecoveryError::SilentRecording);
    }
    if signal.bursts.len() > 1 {
        return Err(RecoveryError::SeveralSignals { found: signal.bursts.len() });
    }
    let Quotient { mut lines, length, range_hz, rise } =
        quotient(recording, (reference, &signal), rate_hz, settings.together);
    let filled = recording.len() as f64 / length as f64;
    let ring = Ring::of(&lines, length, rate_hz, range_hz).filled(filled);
    let ring = if settings.together { ring } else { ring.apart(reference.len() as f64 / rate_hz) };
    let signal_end = signal.bursts[0].1;
    let mut arrival =
        locate(&ring, rise.as_ref()).map_err(|error| trouble::cause(recording, rate_hz, error))?;
    if let (None, Some(rise)) = (arrival.broken, &rise) {
        let found = fallen(&lines, length, rate_hz, (range_hz.0, range_hz.1, arrival.lag_s));
        // A crossover makes no band click at a time of its own.
        let clicks = |hz: f64| {
            arrival.against.is_some() || spreads(&ring.bands, ring.lags(), rise, (hz, arrival.lag_s))
        };
        arrival.broken = found.map(|found| Break { sure: found.sure || clicks(found.hz), ..found });
    }
    if let (None, Some(error)) = (arrival.broken, &arrival.against) {
        return Err(trouble::cause(recording, rate_hz, error.clone()));
    }
    let held = held_s(recording.len(), signal_end, rate_hz, (settings, arrival.lag_s))?;
    let after_s = settings.after_s.unwrap_or(held).clamp(LEAST_AFTER_S.min(held), held.max(LEAST_AFTER_S));
    let levels = ring.levels(&arrival, after_s, signal.bursts[0].0 as f64 / rate_hz);
    let (low, high) = levels.range().ok_or(RecoveryError::NoResponse)?;
    fade_to(&mut lines, (low, high), |bin| bin_hz(bin, rate_hz, length));
    let zero_s = zero_s(settings.together, &arrival);
    let stretch = (zero_s - BEFORE_S, BEFORE_S + after_s);
    let samples = kept(lines, length, rate_hz, stretch);
    let mut recovered = Recovered {
        emission_s: settings.together.then_some(BEFORE_S),
        arrival_s: BEFORE_S + arrival.lag_s - zero_s,
        start_offset_s: arrival.lag_s,
        drift: rise.as_ref().and_then(|rise| drift_in(&ring.bands, rise, range_hz)),
        range_hz: (low.0.max(range_hz.0), high.0.min(range_hz.1)),
        peak_to_noise: levels.octaves((low.0, high.0)),
        harmonics: rise.map(|rise| ring.harmonics(&rise, &arrival, &levels)).unwrap_or_default(),
        background: background(silence(recording, &signal, arrival.lag_s, rate_hz), rate_hz),
        troubles: Vec::new(),
        samples,
    };
    recovered.troubles = trouble::of_take(&TakeEvidence {
        signal: &signal,
        reference,
        recording,
        rate_hz,
        settings,
        arrival: &arrival,
        levels: &levels,
        rise: rise.as_ref(),
        signal_to_hz: range_hz.1,
        recovered: &recovered,
    });
    Ok(recovered)
}

/// The recording's spectrum over the signal's.
struct Quotient {
    lines: Vec<Complex64>,
    /// Length of the transforms.
    length: usize,
    /// Range that the signal covers.
    range_hz: (f64, f64),
    /// How its frequency rises, where it is a sweep.
    rise: Option<Rise>,
}

/// Divides the two spectra within the signal's range.
fn quotient(
    recording: &[f64],
    (reference, signal): (&[f64], &Signal),
    rate_hz: f64,
    together: bool,
) -> Quotient {
    let length = ring_length(recording.len(), reference.len(), rate_hz, together);
    let sent = if together {
        spectrum_of(length, |record| signal.only(reference, 0, rate_hz, record))
    } else {
        spectrum(reference, length)
    };
    let edges = edges(&sent);
    let mut lines = spectrum(recording, length);
    divide(&mut lines, &sent, &edges);
    let range_hz = (bin_hz(edges.inner.0, rate_hz, length), bin_hz(edges.inner.1, rate_hz, length));
    let rise = Rise::of(&sent, length, rate_hz, range_hz);
    Quotient { lines, length, range_hz, rise }
}

fn bin_hz(bin: usize, rate_hz: f64, length: usize) -> f64 {
    bin as f64 * rate_hz / length as f64
}

/// The recording before the signal and its fade.
fn silence<'a>(recording: &'a [f64], signal: &Signal, lag_s: f64, rate_hz: f64) -> &'a [f64] {
    let start_s = signal.bursts[0].0 as f64 / rate_hz + lag_s - FADE_S;
    &recording[..((start_s.max(0.0) * rate_hz) as usize).min(recording.len())]
}

/// What the recording holds after the signal's end, s.
fn held_s(
    recording: usize,
    signal_end: usize,
    rate_hz: f64,
    (settings, lag_s): (&Deconvolution, f64),
) -> Result<f64, RecoveryError> {
    let shift_s = if settings.together { 0.0 } else { lag_s };
    let (recording_s, signal_s) = (recording as f64 / rate_hz, signal_end as f64 / rate_hz + shift_s);
    if recording_s <= signal_s + 0.05 {
        return Err(RecoveryError::TooShort { recording_s, signal_s });
    }
    Ok(recording_s - signal_s)
}

/// Lag that the response is counted from, s.
fn zero_s(together: bool, arrival: &Arrival) -> f64 {
    if together || (0.0..STARTED_TOGETHER_S).contains(&arrival.lag_s) { 0.0 } else { arrival.lag_s }
}

pub(super) fn divide(recording: &mut [Complex64], signal: &[Complex64], edges: &Edges) {
    let (first, last) = edges.inner;
    let strongest = signal[first..=last].iter().fold(0.0_f64, |most, line| most.max(line.norm_sqr()));
    let guard = FLOOR * strongest;
    for (k, (y, x)) in recording.iter_mut().zip(signal).enumerate() {
        let gain = within(k, edges);
        *y = if gain > 0.0 {
            *y * x.conj() / (x.norm_sqr() + guard + edges.guard(k)) * gain
        } else {
            Complex64::new(0.0, 0.0)
        };
    }
}

/// 1 where the signal is at full strength, a raised cosine over the logarithm of frequency where it rises and
/// falls off, 0 beyond.
fn within(bin: usize, edges: &Edges) -> f64 {
    let octaves = |from: usize, to: usize| (to as f64 / from.max(1) as f64).log2();
    let (inner, outer) = (edges.inner, edges.outer);
    if bin < inner.0 {
        if bin <= outer.0 { 0.0 } else { fall(octaves(bin, inner.0) / octaves(outer.0, inner.0)) }
    } else if bin > inner.1 {
        if bin >= outer.1 { 0.0 } else { fall(octaves(inner.1, bin) / octaves(inner.1, outer.1)) }
    } else {
        1.0
    }
}

/// Fades a quotient out beyond the edges that noise sets: (frequency, whether noise is what ends it there).
pub(super) fn fade_to(
    quotient: &mut [Complex64],
    (low, high): ((f64, bool), (f64, bool)),
    hertz: impl Fn(usize) -> f64,
) {
    for (k, line) in quotient.iter_mut().enumerate() {
        let hz = hertz(k);
        let below = if low.1 && hz < low.0 { (low.0 / hz).log2() } else { 0.0 };
        let above = if high.1 && hz > high.0 { (hz / high.0).log2() } else { 0.0 };
        let outside = below.max(above);
        if outside > 0.0 {
            *line *= fall(outside / NOISE_EDGE_OCTAVES);
        }
    }
}

/// A stretch of the ring of samples with these lines, `from_s` at its start; between two samples the nearest is meant.
pub(super) fn kept(
    lines: Vec<Complex64>,
    length: usize,
    rate_hz: f64,
    (from_s, length_s): (f64, f64),
) -> Vec<f64> {
    let (from, count) = ((from_s * rate_hz).round() as i64, (length_s * rate_hz).round() as i64);
    let samples = from..from + count.min(length as i64);
    inverse_to(lines, length, |ring| {
        samples.map(|n| ring[n.rem_euclid(length as i64) as usize] / length as f64).collect()
    })
}
