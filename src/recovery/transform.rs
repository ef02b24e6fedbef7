//! Fourier transforms of real signals, and what a quotient of two spectra holds band by band.

use realfft::RealFftPlanner;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::cell::OnceCell;
use std::f64::consts::PI;

/// The next even length whose only prime factors are 2, 3 and 5: the transform is quick there.
pub(super) fn quick_length(samples: usize) -> usize {
    let smooth = |n: &usize| {
        let mut rest = *n;
        for factor in [2, 3, 5] {
            while rest.is_multiple_of(factor) {
                rest /= factor;
            }
        }
        rest == 1
    };
    // A power of two is found at the latest.
    (samples.max(2).next_multiple_of(2)..).step_by(2).find(smooth).unwrap_or(samples.next_power_of_two())
}

/// Spectrum of `samples`, padded with zeros to `length` (even).
pub(super) fn spectrum(samples: &[f64], length: usize) -> Vec<Complex64> {
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let mut padded = forward.make_input_vec();
    let held = samples.len().min(length);
    padded[..held].copy_from_slice(&samples[..held]);
    let mut lines = forward.make_output_vec();
    // Can't fail: both lengths are the plan's own.
    let done = forward.process(&mut padded, &mut lines);
    debug_assert!(done.is_ok());
    lines
}

/// The samples of a spectrum, `length` of them.
pub(super) fn inverse(mut lines: Vec<Complex64>, length: usize) -> Vec<f64> {
    // Bin 0 and half the rate must be real.
    let last = lines.len() - 1;
    lines[0].im = 0.0;
    lines[last].im = 0.0;
    let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(length);
    let mut samples = inverse.make_output_vec();
    let done = inverse.process(&mut lines, &mut samples);
    debug_assert!(done.is_ok());
    samples.iter_mut().for_each(|sample| *sample /= length as f64);
    samples
}

/// A raised cosine that falls from 1 to 0 while `share` runs from 0 to 1.
pub(super) fn fall(share: f64) -> f64 {
    0.5 + 0.5 * (PI * share.clamp(0.0, 1.0)).cos()
}

/// Power of a quotient in one band over all lags, as a ring: a clean impulse reads 1.
pub(super) struct Lags {
    /// Mid-band frequency, Hz.
    pub centre_hz: f64,
    /// Width between the points where the band is 6 dB down, Hz.
    pub width_hz: f64,
    /// Power, lag 0 first; what comes before the emission stands at the end.
    pub power: Vec<f64>,
    /// Time between two values, s.
    pub step_s: f64,
    /// See [`Lags::usual`]; found when it is first asked for.
    usual: OnceCell<f64>,
}

/// A band reaches this far to both sides of its middle, octaves: raised cosines a third of an octave
/// apart then add up to an even gain.
const REACH_OCTAVES: f64 = 1.0 / 3.0;

impl Lags {
    /// The band round `centre_hz` of a quotient on `length` samples; `None` if it holds too few lines.
    pub fn of(quotient: &[Complex64], length: usize, rate_hz: f64, centre_hz: f64) -> Option<Self> {
        let spacing_hz = rate_hz / length as f64;
        let edge = 2.0_f64.powf(REACH_OCTAVES);
        let first = (centre_hz / edge / spacing_hz).ceil().max(1.0) as usize;
        let last = (centre_hz * edge / spacing_hz).floor() as usize;
        if last >= quotient.len() || last < first + 8 {
            return None;
        }
        let values = quick_length(2 * (last - first + 1));
        let mut ring = vec![Complex64::new(0.0, 0.0); values];
        let mut whole = 0.0;
        for k in first..=last {
            let octaves = (k as f64 * spacing_hz / centre_hz).log2().abs();
            let gain = fall(octaves / REACH_OCTAVES);
            whole += gain;
            ring[k - first] = quotient[k] * gain;
        }
        FftPlanner::new().plan_fft_inverse(values).process(&mut ring);
        let power = ring.iter().map(|z| z.norm_sqr() / (whole * whole)).collect();
        let width_hz = centre_hz * (edge.sqrt() - edge.sqrt().recip());
        Some(Self {
            centre_hz,
            width_hz,
            power,
            step_s: length as f64 / rate_hz / values as f64,
            usual: OnceCell::new(),
        })
    }

    /// Mean power over lags from `from_s` to `to_s`; zero for an empty stretch.
    pub fn mean(&self, from_s: f64, to_s: f64) -> f64 {
        let (first, count) = self.stretch(from_s, to_s);
        let sum: f64 = self.runs(first, count).into_iter().flatten().sum();
        sum / count.max(1) as f64
    }

    /// Largest power between two lags, and its lag, s.
    pub fn largest(&self, from_s: f64, to_s: f64) -> (f64, f64) {
        let (first, count) = self.stretch(from_s, to_s);
        let powers = self.runs(first, count).into_iter().flatten().enumerate();
        let most = powers.max_by(|a, b| a.1.total_cmp(b.1));
        most.map_or((0.0, from_s), |(k, power)| (*power, (first + k as i64) as f64 * self.step_s))
    }

    /// Power that three lags in four stay under. A recording fills only about half of the ring at any one
    /// frequency, so this is the median of what it fills.
    pub fn usual(&self) -> f64 {
        *self.usual.get_or_init(|| {
            let mut sorted = self.power.clone();
            let place = 3 * sorted.len() / 4;
            *sorted.select_nth_unstable_by(place, f64::total_cmp).1
        })
    }

    /// A stretch of the ring: up to its end, and on from its start.
    fn runs(&self, first: i64, count: usize) -> [&[f64]; 2] {
        let from = first.rem_euclid(self.power.len().max(1) as i64) as usize;
        let to_end = count.min(self.power.len() - from);
        [&self.power[from..from + to_end], &self.power[..count - to_end]]
    }

    fn stretch(&self, from_s: f64, to_s: f64) -> (i64, usize) {
        let first = (from_s / self.step_s).ceil();
        let count = (to_s / self.step_s).floor() - first + 1.0;
        (first as i64, count.clamp(0.0, self.power.len() as f64) as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quick_lengths_are_even_smooth_and_near() {
        for (asked, found) in [(0, 2), (7, 8), (11, 12), (1_001, 1_024), (480_001, 486_000)] {
            let length = quick_length(asked);
            assert!(length >= asked && length <= found, "{asked}: {length}");
            assert_eq!(length % 2, 0);
        }
    }

    /// A delayed impulse of half the height: a quarter of the power, at its lag, in every band.
    #[test]
    fn an_impulse_reads_its_power_at_its_lag() {
        let mut samples = vec![0.0; 16_000];
        samples[4_000] = 0.5;
        let quotient = spectrum(&samples, 16_000);
        for centre in [40.0, 500.0, 2_000.0] {
            let lags = Lags::of(&quotient, 16_000, 8_000.0, centre).expect("lines enough");
            let (power, lag) = lags.largest(-1.0, 1.0);
            assert!((power - 0.25).abs() < 0.03, "{centre}: {power}");
            assert!((lag - 0.5).abs() <= lags.step_s, "{centre}: {lag}");
        }
        assert!(Lags::of(&quotient, 16_000, 8_000.0, 3_900.0).is_none());
    }
}
