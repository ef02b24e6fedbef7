//! The noise around a response, and whether the record is long enough to reach it.

use crate::mean::mean_square;

/// Shortest stretch before the direct sound that tells about noise, in seconds.
const LEAST_BEFORE_S: f64 = 0.01;

/// Kept clear of the direct sound's own rise, in seconds.
const CLEAR_S: f64 = 0.002;

/// A decay seen over this range needs no longer record: 60 dB as a ratio of powers.
const AMPLE_RANGE: f64 = 1e6;

/// Noise before and after a response: mean squares, in the file's full scale.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Floor {
    /// Before the direct sound, without the harmonic products of a sweep; `None` below 10 ms.
    pub before: Option<f64>,
    /// Over the last tenth of the usable record, decaying or not.
    pub tail: f64,
    /// Whether the record ends while the response is still falling, less than 60 dB down.
    pub still_falling: bool,
}

/// Looks at the noise of `samples`; `from` is the first sample that every take has.
#[must_use]
pub fn floor(samples: &[f64], rate_hz: f64, from: usize, start_s: f64) -> Floor {
    let until = ((start_s - CLEAR_S) * rate_hz).max(0.0) as usize;
    let before = samples.get(from..until.min(samples.len())).unwrap_or_default();
    let enough = before.len() as f64 >= LEAST_BEFORE_S * rate_hz;
    Floor {
        before: enough.then(|| without_pulses(before, rate_hz)),
        tail: mean_square(&samples[samples.len() - samples.len() / 10..]),
        still_falling: still_falling(samples, rate_hz, start_s),
    }
}

/// Mean square without the short stretches that stand 6 dB out of the median one: harmonic products
/// of a sweep and their like are pulses, noise isn't.
fn without_pulses(samples: &[f64], rate_hz: f64) -> f64 {
    let length = ((0.005 * rate_hz).ceil() as usize).max(samples.len() / 50).max(1);
    let powers: Vec<f64> = samples.chunks_exact(length).map(mean_square).collect();
    let mut sorted = powers.clone();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let kept: Vec<f64> = powers.into_iter().filter(|&p| p <= 4.0 * median).collect();
    kept.iter().sum::<f64>() / kept.len().max(1) as f64
}

/// Compares the last three of seven equal stretches after the direct sound. From the first of them to the
/// last it must have fallen by 4 dB and by three standard deviations of such a ratio, for noise of 100 Hz
/// width (the least that a low end has); from the second to the last by half of that, so that a record
/// that reaches its noise between the first two is not taken for one that never does.
pub(super) fn still_falling(samples: &[f64], rate_hz: f64, start_s: f64) -> bool {
    let first = ((start_s * rate_hz).max(0.0) as usize).min(samples.len());
    let length = (samples.len() - first) / 7;
    if length < 2 {
        return true;
    }
    let stretch = |k: usize| mean_square(&samples[first + k * length..first + (k + 1) * length]);
    let loudest = (0..7).map(stretch).fold(0.0, f64::max);
    let (early, late, last) = (stretch(4), stretch(5), stretch(6));
    let sd = 2.0_f64.sqrt() / (100.0 * length as f64 / rate_hz).sqrt();
    let limit = (3.0 * sd).max(4.0 / 10.0 * std::f64::consts::LN_10);
    let falls = |from: f64, by: f64| from > 0.0 && last > 0.0 && (from / last).ln() > by;
    falls(early, limit) && falls(late, limit / 2.0) && loudest / last < AMPLE_RANGE
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::sample::{add_impulse, damped, noise};
    use approx::assert_relative_eq;

    fn decay(t60_s: f64, floor: f64, seconds: f64) -> Vec<f64> {
        let n = (8_000.0 * seconds) as usize;
        let (tail, hiss) = (noise(1, n), noise(2, n));
        let fall = |k: usize| (-6.908 * k as f64 / 8_000.0 / t60_s).exp();
        let response = (0..n).map(|k| tail[k] * fall(k) + floor * hiss[k]);
        [noise(3, 2_000).iter().map(|x| floor * x).collect(), response.collect::<Vec<f64>>()].concat()
    }

    #[test]
    fn noise_before_and_after_is_the_noise_put_in() {
        let found = floor(&decay(0.3, 1e-3, 2.0), 8_000.0, 0, 0.25);
        assert_relative_eq!(found.before.expect("250 ms"), 1e-6, epsilon = 0.0, max_relative = 0.1);
        assert_relative_eq!(found.tail, 1e-6, epsilon = 0.0, max_relative = 0.1);
        assert!(!found.still_falling);
    }

    #[test]
    fn harmonic_products_before_the_response_are_not_noise() {
        let mut samples = decay(0.3, 1e-4, 2.0);
        add_impulse(&mut samples, 500.0, 0.1);
        add_impulse(&mut samples, 1_200.0, 0.02);
        let found = floor(&samples, 8_000.0, 0, 0.25).before.expect("250 ms");
        assert_relative_eq!(found, 1e-8, epsilon = 0.0, max_relative = 0.15);
        assert!(mean_square(&samples[..1_900]) > 50.0 * found, "they would have counted");
    }

    #[test]
    fn too_little_before_the_direct_sound_says_nothing() {
        assert_eq!(floor(&decay(0.3, 1e-3, 1.0)[1_950..], 8_000.0, 0, 0.006).before, None);
        assert_eq!(floor(&[1.0], 8_000.0, 0, 0.0).before, None);
        assert_eq!(floor(&decay(0.3, 1e-3, 1.0), 8_000.0, 1_950, 0.25).before, None);
    }

    /// 30 dB seen of a decay: cut off. 70 dB seen, or its floor reached: not.
    #[test]
    fn a_record_that_ends_too_early_is_seen() {
        assert!(floor(&decay(2.0, 1e-5, 1.0), 8_000.0, 0, 0.25).still_falling);
        assert!(!floor(&decay(0.85, 1e-9, 1.0), 8_000.0, 0, 0.25).still_falling);
        for seconds in [0.5, 1.0, 3.0] {
            assert!(!floor(&decay(0.3, 3e-3, seconds), 8_000.0, 0, 0.25).still_falling, "{seconds}");
        }
        let ringing = damped(40.0, 3.0 / 1.0, 0.0, 8_000.0, 8_000);
        assert!(still_falling(&ringing, 8_000.0, 0.0));
        assert!(!still_falling(&damped(50.0, 0.0, 0.0, 8_000.0, 8_000), 8_000.0, 0.0));
    }
}
