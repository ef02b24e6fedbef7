//! A response from noise, with the loudspeaker's signal on a second channel: H1 with coherence
//! (Bendat & Piersol, *Random Data*, ch. 6 and 9).

use super::RecoveryError;
use super::recovered::BEFORE_S;
use super::transform::quick_length;
use crate::mean::upper_median;
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// A response, and how far it can be trusted.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct NoiseResponse {
    /// The response, with the window's known taper divided out where that is safe.
    pub samples: Vec<f64>,
    /// Instant of the emission from sample 0, s.
    pub emission_s: f64,
    /// Independent averages that the overlapping segments are worth.
    pub averages: f64,
    /// Median coherence between 20 and 200 Hz.
    pub coherence: f64,
    /// Relative standard deviation of the magnitude there: √((1 − γ²)/(2 n γ²)).
    pub magnitude_sd: f64,
    /// Averages that would bring this under 1 dB (a factor of 0.115).
    pub averages_for_1_db: f64,
}

/// Segments of a Hann window at half overlap are worth this share of independent ones (overlap
/// correlation 1/6: 1/(1 + 2/36)).
const OVERLAP_WORTH: f64 = 0.947;
/// One decibel as a relative change of magnitude: 1/8.686.
const ONE_DB: f64 = 0.115_13;
/// The taper is divided out down to this value; below it would lift noise more than it mends.
const LEAST_TAPER: f64 = 0.3;

/// Averaged spectra of one recording.
struct Spectra {
    reference: Vec<f64>,
    microphone: Vec<f64>,
    cross: Vec<Complex64>,
    segments: usize,
    length: usize,
}

/// Estimates the response from reference to microphone, both at `rate_hz` and of one length. `segment_s`: length of one
/// segment, s; eight times the longest decay keeps the bias of the peaks under 0.05 dB.
///
/// # Errors
/// [`RecoveryError::TooFewSegments`], [`RecoveryError::SilentReference`].
pub fn two_channel(
    reference: &[f64],
    microphone: &[f64],
    rate_hz: f64,
    segment_s: f64,
) -> Result<NoiseResponse, RecoveryError> {
    // Longer than the recording is too long already, however much longer.
    let most = reference.len().min(microphone.len()).max(16) + 1;
    let length = quick_length(((segment_s * rate_hz).ceil().max(16.0) as usize).min(most));
    let spectra = average(reference, microphone, length, rate_hz)?;
    let strongest = spectra.reference.iter().fold(0.0_f64, |most, power| most.max(*power));
    if strongest <= 0.0 {
        return Err(RecoveryError::SilentReference);
    }
    let response = respond(&spectra, strongest);
    let averages = OVERLAP_WORTH * spectra.segments as f64;
    let coherence = median_coherence(&spectra, rate_hz);
    let spread = (1.0 - coherence) / (2.0 * coherence.max(1e-9));
    let before = ((BEFORE_S * rate_hz).round() as usize).min(length / 4);
    Ok(NoiseResponse {
        samples: untaper(&response, before),
        emission_s: before as f64 / rate_hz,
        averages,
        coherence,
        magnitude_sd: (spread / averages).sqrt(),
        averages_for_1_db: spread / (ONE_DB * ONE_DB),
    })
}

fn average(
    reference: &[f64],
    microphone: &[f64],
    length: usize,
    rate_hz: f64,
) -> Result<Spectra, RecoveryError> {
    let held = reference.len().min(microphone.len());
    let segments = if held < length { 0 } else { (held - length) / (length / 2) + 1 };
    if segments < 2 {
        return Err(RecoveryError::TooFewSegments { found: segments, segment_s: length as f64 / rate_hz });
    }
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let window: Vec<f64> = (0..length).map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos()).collect();
    let bins = length / 2 + 1;
    let mut sums = Spectra {
        reference: vec![0.0; bins],
        microphone: vec![0.0; bins],
        cross: vec![Complex64::new(0.0, 0.0); bins],
        segments,
        length,
    };
    let spectrum = |samples: &[f64]| {
        let mut windowed: Vec<f64> = samples.iter().zip(&window).map(|(s, w)| s * w).collect();
        let mut lines = forward.make_output_vec();
        let done = forward.process(&mut windowed, &mut lines);
        debug_assert!(done.is_ok());
        lines
    };
    for segment in 0..segments {
        let at = segment * length / 2;
        let (x, y) = (spectrum(&reference[at..at + length]), spectrum(&microphone[at..at + length]));
        for k in 0..bins {
            sums.reference[k] += x[k].norm_sqr();
            sums.microphone[k] += y[k].norm_sqr();
            sums.cross[k] += y[k] * x[k].conj();
        }
    }
    Ok(sums)
}

/// H1 = cross spectrum over the reference's, back in time.
fn respond(spectra: &Spectra, strongest: f64) -> Vec<f64> {
    let guard = 1e-10 * strongest;
    let mut lines: Vec<Complex64> =
        spectra.cross.iter().zip(&spectra.reference).map(|(cross, power)| cross / (power + guard)).collect();
    let last = lines.len() - 1;
    lines[0].im = 0.0;
    lines[last].im = 0.0;
    let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(spectra.length);
    let mut samples = inverse.make_output_vec();
    let done = inverse.process(&mut lines, &mut samples);
    debug_assert!(done.is_ok());
    samples.iter_mut().for_each(|sample| *sample /= spectra.length as f64);
    samples
}

/// Divides the autocorrelation of the Hann window, r(u) = (1 − u)(2/3 + cos(2πu)/3) + sin(2πu)/(2π)
/// with u the lag over the segment, out of the response: for white input H1 is exactly the transform
/// of h(t)·r(t). Ends where r falls under [`LEAST_TAPER`].
fn untaper(response: &[f64], before: usize) -> Vec<f64> {
    let length = response.len();
    let taper = |lag: usize| {
        let u = lag as f64 / length as f64;
        (1.0 - u) * (2.0 / 3.0 + (TAU * u).cos() / 3.0) + (TAU * u).sin() / TAU
    };
    let early = (1..=before).rev().map(|lag| response[length - lag] / taper(lag));
    let late =
        (0..length / 2).take_while(|lag| taper(*lag) > LEAST_TAPER).map(|lag| response[lag] / taper(lag));
    early.chain(late).collect()
}

/// Median coherence between 20 and 200 Hz, weighted by nothing.
fn median_coherence(spectra: &Spectra, rate_hz: f64) -> f64 {
    let bin = |hz: f64| ((hz * spectra.length as f64 / rate_hz) as usize).min(spectra.cross.len() - 1);
    let mut values: Vec<f64> = (bin(20.0)..=bin(200.0))
        .map(|k| {
            let powers = spectra.reference[k] * spectra.microphone[k];
            if powers > 0.0 { spectra.cross[k].norm_sqr() / powers } else { 0.0 }
        })
        .collect();
    upper_median(&mut values).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::{Colour, Noise};

    fn white(seconds: f64, seed: u64) -> Vec<f64> {
        let noise = Noise {
            colour: Colour::White,
            from_hz: 1.0,
            to_hz: 990.0,
            period_s: seconds,
            periods: 1,
            rate_hz: 8_000.0,
            seed,
            ..Noise::default()
        };
        noise.samples().unwrap_or_default()
    }

    /// At T_seg/T60 = 1 the level at resonance is 1.63 dB too low behind a Hann window (computed from
    /// the taper: 0.829 of the amplitude); divided out, under 0.3 dB of it is left.
    #[test]
    fn a_segment_beyond_all_bounds_is_too_long() {
        let noise: Vec<f64> = (0..400).map(|n| f64::from(n * n).sin()).collect();
        for segment_s in [1e300, f64::INFINITY, 1.0] {
            let refused = two_channel(&noise, &noise, 1_000.0, segment_s).unwrap_err();
            assert!(matches!(refused, RecoveryError::TooFewSegments { found: 0, .. }), "{refused}");
        }
    }

    #[test]
    fn the_windows_taper_is_divided_out() -> Result<(), RecoveryError> {
        let rate = 8_000.0;
        let pole = Complex64::new(-6.9078 / 1.024, TAU * 60.0);
        let step = (pole / rate).exp();
        let input = white(100.0, 3);
        let mut state = Complex64::new(0.0, 0.0);
        let output: Vec<f64> = input
            .iter()
            .map(|x| {
                state = state * step + x;
                state.re
            })
            .collect();
        let found = two_channel(&input, &output, rate, 1.0)?;
        let from = (found.emission_s * rate).round() as usize;
        let projected = |samples: &[f64]| {
            let sum: Complex64 = samples
                .iter()
                .take(4_000)
                .enumerate()
                .map(|(n, s)| (pole.conj() * (n as f64 / rate)).exp() * s)
                .sum();
            sum.norm()
        };
        let truth: Vec<f64> = (0..4_000).map(|n| (pole * (n as f64 / rate)).exp().re).collect();
        let level_db = 20.0 * (projected(&found.samples[from..]) / projected(&truth)).log10();
        assert!(level_db.abs() < 0.3, "{level_db}");
        Ok(())
    }

    /// Noise of equal power on the microphone: coherence one half, and 38 averages for 1 dB
    /// (Bendat & Piersol's formula: (1 − γ²)/(2 γ² 0.1151²)).
    #[test]
    fn coherence_tells_how_many_averages_are_needed() -> Result<(), RecoveryError> {
        let (signal, noise) = (white(110.0, 5), white(110.0, 6));
        let microphone: Vec<f64> = signal.iter().zip(&noise).map(|(s, n)| s + n).collect();
        let found = two_channel(&signal, &microphone, 8_000.0, 1.0)?;
        assert!((found.coherence - 0.5).abs() < 0.03, "{}", found.coherence);
        assert!((found.averages_for_1_db - 38.0).abs() < 5.0, "{}", found.averages_for_1_db);
        Ok(())
    }

    #[test]
    fn one_segment_is_not_enough() {
        let found = two_channel(&[0.1; 9_000], &[0.1; 9_000], 8_000.0, 1.0);
        assert!(matches!(found, Err(RecoveryError::TooFewSegments { found: 1, .. })));
    }
}
