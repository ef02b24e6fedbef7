//! The low-frequency record of a response, below 300 Hz at about 2 kHz, that the mode fit works on.

use super::LowRecord;

/// Up to here the low-frequency record is the response itself, in hertz.
const PASS_HZ: f64 = 300.0;

/// Lowest rate that the decimator leaves, in hertz; files up to twice this pass unchanged.
const LEAST_RATE_HZ: f64 = 2000.0;

/// Ripple of the decimator, in dB: 10^(−140/20) = 1e-7, ten times less than what is promised.
const RIPPLE_DB: f64 = 140.0;

impl LowRecord {
    /// Low-passes and thins out `samples` (linear, at `rate_hz`) by a whole number, see [`LowRecord`].
    ///
    /// `onset_s`: direct sound, seconds from sample 0; sample 0 of the result is the same instant.
    /// Outside the record the response counts as zero. Files up to 4 kHz pass at their own rate.
    /// Accuracy: gain within 1e-6 of one up to 300 Hz, more than 120 dB down at what would fold back
    /// there; so a damped resonance keeps pole, amplitude and phase within 1e-6 from 4 ms after its
    /// start (single precision rounds each sample by 6e-8 of itself).
    #[must_use]
    pub fn new(samples: &[f64], rate_hz: f64, onset_s: f64) -> Self {
        let factor = factor(rate_hz);
        let taps = half_kernel(rate_hz, factor);
        let kept = samples.len().div_ceil(factor);
        let thinned = (0..kept).map(|m| value_at(samples, &taps, m * factor) as f32).collect();
        Self {
            samples: thinned,
            rate_hz: rate_hz / factor as f64,
            file_rate_hz: rate_hz,
            onset_s,
            emission_s: None,
        }
    }
}

/// By how much a file of this rate is thinned out.
fn factor(rate_hz: f64) -> usize {
    if rate_hz <= 2.0 * LEAST_RATE_HZ { 1 } else { (rate_hz / LEAST_RATE_HZ) as usize }
}

/// Middle tap and right half of the symmetric low-pass; one tap where nothing is thinned out.
///
/// Windowed sinc with the window and the formulas of Kaiser 1974 for its length and shape. It falls
/// between 300 Hz and the frequency that folds back onto 300 Hz.
fn half_kernel(rate_hz: f64, factor: usize) -> Vec<f64> {
    if factor == 1 {
        return vec![1.0];
    }
    let out_hz = rate_hz / factor as f64;
    let width = 2.0 * std::f64::consts::PI * (out_hz - 2.0 * PASS_HZ) / rate_hz;
    let half = ((RIPPLE_DB - 7.95) / (2.285 * width) / 2.0).ceil() as usize;
    let beta = 0.1102 * (RIPPLE_DB - 8.7);
    let cut = out_hz / rate_hz; // twice the middle of the fall, over the rate
    let mut taps: Vec<f64> = (0..=half)
        .map(|k| {
            let along = k as f64 / half as f64;
            let window = bessel_i0(beta * (1.0 - along * along).max(0.0).sqrt()) / bessel_i0(beta);
            window * cut * sinc(cut * k as f64)
        })
        .collect();
    let sum = taps[0] + 2.0 * taps[1..].iter().sum::<f64>();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps
}

/// The filtered signal at one sample; the two sides of the kernel share their taps.
fn value_at(samples: &[f64], taps: &[f64], centre: usize) -> f64 {
    let half = taps.len() - 1;
    let mut sum = taps[0] * samples[centre];
    if centre >= half && centre + half < samples.len() {
        let left = samples[centre - half..centre].iter().rev();
        let right = &samples[centre + 1..=centre + half];
        sum += taps[1..].iter().zip(left.zip(right)).map(|(t, (a, b))| t * (a + b)).sum::<f64>();
    } else {
        for (k, tap) in taps.iter().enumerate().skip(1) {
            let left = centre.checked_sub(k).map_or(0.0, |i| samples[i]);
            sum += tap * (left + samples.get(centre + k).copied().unwrap_or(0.0));
        }
    }
    sum
}

fn sinc(x: f64) -> f64 {
    let angle = std::f64::consts::PI * x;
    if angle.abs() < 1e-12 { 1.0 } else { angle.sin() / angle }
}

/// Modified Bessel function of order zero by its power series (Abramowitz & Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..200 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::sample::{damped, sine_gain};
    use approx::assert_relative_eq;

    /// Abramowitz & Stegun, table 9.8: e^{-x} I0(x) at x = 5 is 0.18354 08126; I0(1) = 1.26606 58778.
    #[test]
    fn bessel_function_is_the_handbook_s() {
        assert_relative_eq!(
            bessel_i0(5.0) * (-5.0_f64).exp(),
            0.183_540_812_6,
            epsilon = 0.0,
            max_relative = 1e-9
        );
        assert_relative_eq!(bessel_i0(1.0), 1.266_065_877_8, epsilon = 0.0, max_relative = 1e-9);
    }

    #[test]
    fn thins_out_by_a_whole_number_to_two_kilohertz_or_more() {
        let cases = [
            (1_000.0, 1),
            (2_000.0, 1),
            (4_000.0, 1),
            (8_000.0, 4),
            (11_025.0, 5),
            (16_000.0, 8),
            (44_100.0, 22),
            (48_000.0, 24),
            (96_000.0, 48),
            (192_000.0, 96),
        ];
        for (rate_hz, expected) in cases {
            let low = LowRecord::new(&vec![0.0; 5000], rate_hz, 0.0);
            assert_eq!(factor(rate_hz), expected, "{rate_hz}");
            assert_eq!(low.samples.len(), 5000_usize.div_ceil(expected));
            assert_relative_eq!(low.rate_hz * expected as f64, rate_hz, epsilon = 0.0, max_relative = 1e-15);
        }
    }

    /// The kernel's exact response, summed tap by tap, over the whole pass band and every image of it.
    #[test]
    fn flat_to_300_hz_and_deaf_to_what_folds_back_there() {
        for rate_hz in [4_100.0, 8_000.0, 11_025.0, 16_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            let factor = factor(rate_hz);
            let taps = half_kernel(rate_hz, factor);
            for hz in (0..=60).map(|k| f64::from(k) * 5.0) {
                let gain = sine_gain(&taps, hz / rate_hz);
                assert!((gain - 1.0).abs() < 1e-6, "{rate_hz} Hz file: gain {gain} at {hz} Hz");
                let out_hz = rate_hz / factor as f64;
                for image in (1..=factor / 2).flat_map(|k| [k as f64 * out_hz - hz, k as f64 * out_hz + hz]) {
                    let leak = sine_gain(&taps, image / rate_hz).abs();
                    assert!(leak < 1e-6, "{rate_hz} Hz file: {leak} at {image} Hz");
                }
            }
        }
    }

    /// A resonance that began before the record is a pure damped sine in it: every sample of the low
    /// end must be that sine at its own instant. Measured: 1.1e-7 of the envelope at worst.
    #[test]
    fn a_damped_resonance_keeps_pole_amplitude_and_phase() {
        for rate_hz in [1_000.0, 8_000.0, 44_100.0, 48_000.0, 96_000.0] {
            for (hz, t60_s) in [(20.0, 3.0), (43.7, 0.3), (120.0, 0.8), (299.0, 0.5)] {
                let decay = 3.0 * std::f64::consts::LN_10 / t60_s;
                let full = damped(hz, decay, 0.4, rate_hz, rate_hz as usize);
                let low = LowRecord::new(&full, rate_hz, 0.0);
                let edge = (0.005 * low.rate_hz).ceil() as usize;
                let truth = damped(hz, decay, 0.4, low.rate_hz, low.samples.len());
                let inside = edge..low.samples.len() - edge;
                for (k, expected) in truth.iter().enumerate().filter(|(k, _)| inside.contains(k)) {
                    let envelope = (-decay * k as f64 / low.rate_hz).exp();
                    let miss = (f64::from(low.samples[k]) - expected).abs() / envelope;
                    assert!(miss < 1e-6, "{hz} Hz at {rate_hz}: {miss} at {k}");
                }
            }
        }
    }

    #[test]
    fn three_seconds_take_at_most_32_kilobytes() {
        for rate_hz in [8_000.0, 16_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0] {
            let low = LowRecord::new(&vec![0.0; 3 * rate_hz as usize], rate_hz, 0.0);
            assert!(size_of_val(low.samples.as_slice()) <= 32_000, "{rate_hz}");
        }
    }

    #[test]
    fn records_shorter_than_the_kernel_and_empty_ones_do_no_harm() {
        for n in [0, 1, 2, 100] {
            let low = LowRecord::new(&vec![1.0; n], 48_000.0, 0.0);
            assert!(low.samples.iter().all(|x| x.is_finite()));
        }
    }
}
