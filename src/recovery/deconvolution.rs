//! Spectral division by the test signal (ISO 18233:2006, annex B; Farina 2000 for what lands where).

use super::{RecoveryError, quick_length};
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;

/// How a sweep recording is turned into a response.
#[derive(Debug, Clone, PartialEq)]
pub struct Deconvolution {
    /// Time kept before the emission, s; default 0.1. Harmonic products of a sweep of some seconds land
    /// earlier and stay outside, so the noise before the onset can be read.
    pub before_s: f64,
    /// Length kept after the emission, s; `None`: what the recording holds after the signal's end.
    pub after_s: Option<f64>,
}

impl Default for Deconvolution {
    fn default() -> Self {
        Self { before_s: 0.1, after_s: None }
    }
}

/// A response, and what was seen on the way.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Recovered {
    /// The response; a direct connection gives 1 at `emission_s`.
    pub samples: Vec<f64>,
    /// Instant of the emission from sample 0, s: the same in every response made this way.
    pub emission_s: f64,
    /// Range in which the signal carries the response, Hz: its level falls 20 dB under an even spread
    /// over octaves outside.
    pub range_hz: (f64, f64),
    /// Largest value before the kept stretch over the response's peak: distortion of the loudspeaker,
    /// a noise burst, or a wrong reference.
    pub before_over_peak: f64,
}

/// Smallest share of the signal's power density that is divided by, relative to the largest in range:
/// −100 dB only keeps zeros from dividing.
const FLOOR: f64 = 1e-10;
/// Where the signal's power per octave falls by this factor (−20 dB), its range ends.
const RANGE_EDGE: f64 = 1e-2;
/// Response kept at the least after the emission, s.
const LEAST_AFTER_S: f64 = 0.5;

/// Divides the spectrum of a recording by that of the signal (`reference`: as written, or better, as
/// recorded from the output). Both at `rate_hz`, both from the same instant.
///
/// Outside the signal's range the quotient is faded out over a third of an octave.
///
/// # Errors
/// [`RecoveryError::SilentReference`], [`RecoveryError::TooShort`].
pub fn deconvolve(
    recording: &[f64],
    reference: &[f64],
    rate_hz: f64,
    settings: &Deconvolution,
) -> Result<Recovered, RecoveryError> {
    let signal_end = end_of(reference).ok_or(RecoveryError::SilentReference)?;
    let after_s = after(recording.len(), signal_end, rate_hz, settings)?;
    let length = quick_length(recording.len() + reference.len());
    let signal = spectrum(reference, length);
    let range = range_bins(&signal);
    let quotient = divide(&spectrum(recording, length), &signal, range);
    let response = inverse(quotient, length);
    // A recording shorter than what is wanted before the emission holds no more than half of it there.
    let before = ((settings.before_s.max(0.0) * rate_hz).round() as usize).min(length / 2);
    let kept = ((after_s * rate_hz).round() as usize).min(length - before);
    // Circular: what lies before the emission stands at the end.
    let samples: Vec<f64> = (0..before + kept).map(|n| response[(length - before + n) % length]).collect();
    let peak = largest(&samples);
    let earlier = largest(&response[length / 2..length - before]);
    let hertz = |bin: usize| bin as f64 * rate_hz / length as f64;
    Ok(Recovered {
        samples,
        emission_s: before as f64 / rate_hz,
        range_hz: (hertz(range.0), hertz(range.1)),
        before_over_peak: if peak > 0.0 { earlier / peak } else { 0.0 },
    })
}

/// Seconds to keep after the emission.
fn after(
    recording: usize,
    signal_end: usize,
    rate_hz: f64,
    settings: &Deconvolution,
) -> Result<f64, RecoveryError> {
    let seconds = |samples: usize| samples as f64 / rate_hz;
    if recording <= signal_end {
        return Err(RecoveryError::TooShort {
            recording_s: seconds(recording),
            signal_s: seconds(signal_end),
        });
    }
    let held = seconds(recording - signal_end);
    Ok(settings.after_s.unwrap_or(held).clamp(LEAST_AFTER_S.min(held), held.max(LEAST_AFTER_S)))
}

/// One past the last sample within 40 dB of the peak: where the signal ends. A sweep ends at full level; a
/// recorded one has noise behind it.
fn end_of(reference: &[f64]) -> Option<usize> {
    let peak = largest(reference);
    if peak <= 0.0 {
        return None;
    }
    reference.iter().rposition(|sample| sample.abs() > 1e-2 * peak).map(|last| last + 1)
}

fn largest(samples: &[f64]) -> f64 {
    samples.iter().fold(0.0, |peak: f64, sample| peak.max(sample.abs()))
}

fn spectrum(samples: &[f64], length: usize) -> Vec<Complex64> {
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let mut padded = forward.make_input_vec();
    padded[..samples.len()].copy_from_slice(samples);
    let mut lines = forward.make_output_vec();
    // Can't fail: both lengths are the plan's own.
    let done = forward.process(&mut padded, &mut lines);
    debug_assert!(done.is_ok());
    lines
}

fn inverse(mut lines: Vec<Complex64>, length: usize) -> Vec<f64> {
    // Bin 0 and half the rate must be real.
    for edge in [0, lines.len() - 1] {
        lines[edge].im = 0.0;
    }
    let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(length);
    let mut samples = inverse.make_output_vec();
    let done = inverse.process(&mut lines, &mut samples);
    debug_assert!(done.is_ok());
    samples.iter_mut().for_each(|sample| *sample /= length as f64);
    samples
}

/// First and last bin in which the power per octave, smoothed over a sixth of an octave, lies within
/// [`RANGE_EDGE`] of its largest.
fn range_bins(signal: &[Complex64]) -> (usize, usize) {
    let mut running = vec![0.0; signal.len() + 1];
    for (k, line) in signal.iter().enumerate() {
        running[k + 1] = running[k] + line.norm_sqr();
    }
    // A band of fixed relative width holds the power per octave times a constant.
    let half = 2.0_f64.powf(1.0 / 12.0);
    let per_octave: Vec<f64> = (0..signal.len())
        .map(|k| {
            let low = (k as f64 / half).ceil() as usize;
            let high = ((k as f64 * half).floor() as usize + 1).min(signal.len());
            running[high] - running[low.min(high)]
        })
        .collect();
    // The first bins hold less than one line per band.
    let limit = RANGE_EDGE * per_octave.iter().skip(8).fold(0.0_f64, |a, b| a.max(*b));
    let inside = |power: &f64| *power >= limit;
    let first = per_octave.iter().position(inside).unwrap_or(0).max(1);
    let last = per_octave.iter().rposition(inside).unwrap_or(signal.len() - 1);
    (first, last.max(first))
}

fn divide(recording: &[Complex64], signal: &[Complex64], range: (usize, usize)) -> Vec<Complex64> {
    let strongest = signal[range.0..=range.1].iter().fold(0.0_f64, |most, line| most.max(line.norm_sqr()));
    let guard = FLOOR * strongest;
    recording
        .iter()
        .zip(signal)
        .enumerate()
        .map(|(k, (y, x))| y * x.conj() / (x.norm_sqr() + guard) * fade(k, range))
        .collect()
}

/// 1 inside the range, a raised cosine over a third of an octave outside it, then 0.
fn fade(bin: usize, (first, last): (usize, usize)) -> f64 {
    let outside_octaves = if bin < first {
        if bin == 0 { return 0.0 } else { (first as f64 / bin as f64).log2() }
    } else if bin > last {
        (bin as f64 / last as f64).log2()
    } else {
        return 1.0;
    };
    let share = outside_octaves * 3.0;
    if share >= 1.0 { 0.0 } else { 0.5 + 0.5 * (std::f64::consts::PI * share).cos() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::Sweep;

    fn sweep() -> Vec<f64> {
        let sweep = Sweep {
            from_hz: 10.0,
            to_hz: 3_800.0,
            seconds: 4.0,
            rate_hz: 8_000.0,
            tail_s: 2.0,
            ..Sweep::default()
        };
        sweep.samples().unwrap_or_default()
    }

    /// A room of one damped resonance, excited by the sweep and recovered, has the resonance's own
    /// response: a closed form. The sweep's fades and its finite range leave 1e-3.
    /// Found by damage: 0.1 s before the emission is more than a tenth of a second's recording has.
    #[test]
    fn a_recording_shorter_than_what_is_kept_before_gives_what_it_has() {
        let sweep: Vec<f64> = (0..40).map(|n| f64::from(n * n).sin()).collect();
        let recording = [sweep.clone(), vec![0.0; 20]].concat();
        let found = deconvolve(&recording, &sweep, 768_000.0, &Deconvolution::default()).unwrap();
        assert!(!found.samples.is_empty() && found.samples.iter().all(|x| x.is_finite()));
    }

    #[test]
    fn a_resonance_comes_back() -> Result<(), RecoveryError> {
        let (rate, signal) = (8_000.0, sweep());
        let pole = Complex64::new(-9.0, std::f64::consts::TAU * 63.0);
        let step = (pole / rate).exp();
        let mut state = Complex64::new(0.0, 0.0);
        let recording: Vec<f64> = signal
            .iter()
            .map(|x| {
                state = state * step + x;
                state.re
            })
            .collect();
        let found = deconvolve(&recording, &signal, rate, &Deconvolution::default())?;
        let start = (found.emission_s * rate).round() as usize;
        let worst = (200..8_000)
            .map(|n| ((pole * (n as f64 / rate)).exp().re - found.samples[start + n]).abs())
            .fold(0.0_f64, f64::max);
        assert!(worst < 2e-3, "{worst}");
        assert!(found.before_over_peak < 1e-3, "{}", found.before_over_peak);
        Ok(())
    }

    /// A loudspeaker with a cubic part (third harmonic 28 dB down): the products land before the kept stretch and are seen.
    #[test]
    fn distortion_lands_before_the_response() -> Result<(), RecoveryError> {
        let signal = sweep();
        let recording: Vec<f64> = signal.iter().map(|x| x + 2.5 * x.powi(3)).collect();
        let found = deconvolve(&recording, &signal, 8_000.0, &Deconvolution::default())?;
        assert!((1e-3..0.2).contains(&found.before_over_peak), "{}", found.before_over_peak);
        Ok(())
    }

    #[test]
    fn a_recording_that_stops_before_the_signal_is_refused() {
        let signal = sweep();
        let found = deconvolve(&signal[..20_000], &signal, 8_000.0, &Deconvolution::default());
        assert!(matches!(found, Err(RecoveryError::TooShort { .. })));
        assert_eq!(
            deconvolve(&signal, &[0.0; 100], 8_000.0, &Deconvolution::default()),
            Err(RecoveryError::SilentReference)
        );
    }
}
