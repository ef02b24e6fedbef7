//! What the microphone picks up before the signal: noise by octave, hum, and a calibrator's tone.

use super::transform::spectrum;
use crate::mean::upper_median;
use std::f64::consts::TAU;

/// The silence before a signal.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Background {
    /// Mid-band frequency in Hz and mean square of each octave that the silence is long enough for.
    pub octaves: Vec<(f64, f64)>,
    /// Frequency in Hz of each mains harmonic that stands out, and its power over that of the lines beside it.
    pub hum: Vec<(f64, f64)>,
}

/// Shortest silence that is looked at, s; hum takes twice as long.
const LEAST_S: f64 = 0.5;
/// A mean square of an octave needs this many degrees of freedom (±1.5 dB); own choice.
const LEAST_B_T: f64 = 8.0;
/// Mains frequencies of the world's grids (IEC 60038), Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// A line is hum if it stands this far over the lines beside it (15 dB): the largest of ten lines of noise stays
/// under 10 dB.
const STANDS_OUT: f64 = 31.6;
/// Harmonics that are looked for.
const HARMONICS: u32 = 8;

/// Reads the stretch before the signal.
pub(super) fn background(silence: &[f64], rate_hz: f64) -> Background {
    let seconds = silence.len() as f64 / rate_hz;
    if seconds < LEAST_S {
        return Background::default();
    }
    let n = silence.len() - silence.len() % 2;
    let mean = silence[..n].iter().sum::<f64>() / n as f64;
    let window = |k: usize| 0.5 - 0.5 * (TAU * k as f64 / n as f64).cos();
    let windowed: Vec<f64> = silence[..n].iter().enumerate().map(|(k, x)| (x - mean) * window(k)).collect();
    // A Hann window passes 3/8 of the power; both sides of the spectrum count.
    let scale = 2.0 / (0.375 * (n as f64).powi(2));
    let powers: Vec<f64> = spectrum(&windowed, n).iter().map(|line| scale * line.norm_sqr()).collect();
    Background { octaves: octaves(&powers, seconds, rate_hz), hum: hum(&powers, seconds) }
}

fn octaves(powers: &[f64], seconds: f64, rate_hz: f64) -> Vec<(f64, f64)> {
    (-5..=4)
        .map(|k| 1_000.0 * 2.0_f64.powi(k))
        .filter(|hz| hz * 0.5_f64.sqrt() * seconds > LEAST_B_T && hz * 2.0_f64.sqrt() < 0.5 * rate_hz)
        .map(|hz| {
            let line = |edge: f64| ((hz * edge * seconds) as usize).min(powers.len());
            (hz, powers[line(0.5_f64.sqrt())..line(2.0_f64.sqrt())].iter().sum())
        })
        .collect()
}

fn hum(powers: &[f64], seconds: f64) -> Vec<(f64, f64)> {
    if seconds < 2.0 * LEAST_S {
        return Vec::new();
    }
    let of_grid = |mains: f64| -> Vec<(f64, f64)> {
        let found = (1..=HARMONICS).map(|order| mains * f64::from(order));
        found.filter_map(|hz| Some((hz, over_neighbours(powers, hz * seconds)?))).collect()
    };
    let grids = MAINS_HZ.map(of_grid);
    let loud = |lines: &[(f64, f64)]| lines.iter().map(|line| line.1).sum::<f64>();
    let [a, b] = grids;
    if loud(&a) >= loud(&b) { a } else { b }
}

/// Power of a line over the median of those 3 to 12 lines beside it, if it stands out.
fn over_neighbours(powers: &[f64], line: f64) -> Option<f64> {
    let at = line.round() as usize;
    let own = powers.get(at.checked_sub(1)?..=at + 1)?.iter().fold(0.0_f64, |most, p| most.max(*p));
    let mut beside: Vec<f64> = (3..=12)
        .flat_map(|d| [at.checked_sub(d), Some(at + d)])
        .flatten()
        .filter_map(|k| powers.get(k).copied())
        .collect();
    let usual = upper_median(&mut beside).filter(|usual| *usual > 0.0)?;
    (own > STANDS_OUT * usual).then(|| own / usual)
}

/// A recording that holds no calibrator's tone.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "no steady tone: {found}\n  allowed  at least a second of the calibrator on the microphone, at the gain of the \
     measurement\n  do       seat the microphone in the calibrator, wait until it is steady, and record again"
)]
#[non_exhaustive]
pub struct CalibratorError {
    /// What was found instead.
    pub found: String,
}

/// Share of the power that must lie within a tenth of the tone's frequency.
const PURE: f64 = 0.95;
/// Two halves of the tone may differ by this, a ratio of powers (0.2 dB; IEC 60942:2017 allows a class 1 calibrator 0.07).
const STEADY: f64 = 0.047;

/// Rms of a calibrator's tone.
///
/// # Errors
/// [`CalibratorError`] where the recording holds no steady tone.
pub fn calibrator_rms(samples: &[f64], rate_hz: f64) -> Result<f64, CalibratorError> {
    let wrong = |found: String| CalibratorError { found };
    // Handling noise at both ends is left out.
    let cut = samples.len() / 8;
    let middle = samples.get(cut..samples.len() - cut).unwrap_or_default();
    if (middle.len() as f64) < rate_hz {
        return Err(wrong(format!("{:.2} s of recording", samples.len() as f64 / rate_hz)));
    }
    let power = |part: &[f64]| part.iter().map(|x| x * x).sum::<f64>() / part.len().max(1) as f64;
    let (first, second) = middle.split_at(middle.len() / 2);
    let change = power(second) / power(first).max(f64::MIN_POSITIVE) - 1.0;
    if change.is_nan() || change.abs() >= STEADY {
        return Err(wrong(format!("its level changes by {:.1} dB", 10.0 * (1.0 + change).log10())));
    }
    let n = middle.len() - middle.len() % 2;
    let powers: Vec<f64> = spectrum(&middle[..n], n).iter().map(|line| line.norm_sqr()).collect();
    let peak = (0..powers.len()).max_by(|a, b| powers[*a].total_cmp(&powers[*b])).unwrap_or(0);
    let near = powers[peak * 9 / 10..(peak * 11 / 10 + 1).min(powers.len())].iter().sum::<f64>();
    let share = near / powers.iter().sum::<f64>();
    if share.is_nan() || share < PURE {
        return Err(wrong(format!("only {:.0} % of its power is one tone", 100.0 * share)));
    }
    Ok((power(middle) * share).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use chacha20::ChaCha8Rng;
    use chacha20::rand_core::{Rng, SeedableRng};

    fn noise(length: usize, rms: f64) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let even = |word: u64| 2.0 * (word as f64 / u64::MAX as f64) - 1.0;
        (0..length).map(|_| rms * 3.0_f64.sqrt() * even(random.next_u64())).collect()
    }

    fn tone(hz: f64, amplitude: f64, rate_hz: f64) -> impl Fn(usize) -> f64 {
        move |n| amplitude * (TAU * hz * n as f64 / rate_hz).sin()
    }

    /// White noise of rms σ has σ²·B/(fs/2) in a band; hum of 50 Hz and its third harmonic is found, 60 Hz is not.
    #[test]
    fn octaves_and_hum_of_a_silence() {
        let rate_hz = 8_000.0;
        let (first, third) = (tone(50.0, 2e-3, rate_hz), tone(150.0, 1e-3, rate_hz));
        let silence: Vec<f64> =
            noise(16_000, 1e-3).iter().enumerate().map(|(n, x)| x + first(n) + third(n)).collect();
        let found = background(&silence, rate_hz);
        let hertz: Vec<f64> = found.hum.iter().map(|line| line.0).collect();
        assert_eq!(hertz, [50.0, 150.0]);
        let (_, power) = found.octaves.iter().find(|octave| octave.0 == 500.0).expect("an octave");
        let expected = 1e-6 * 500.0 * 0.5_f64.sqrt() / 4_000.0;
        assert!((power / expected - 1.0).abs() < 0.25, "{power} {expected}");
        assert_eq!(background(&noise(16_000, 1e-3), rate_hz).hum, Vec::new());
        assert_eq!(background(&silence[..2_000], rate_hz), Background::default());
    }

    #[test]
    fn a_calibrators_tone_is_read_and_anything_else_refused() {
        let rate_hz = 8_000.0;
        let pure = tone(1_000.0, 0.1, rate_hz);
        let clean: Vec<f64> = noise(24_000, 1e-3).iter().enumerate().map(|(n, x)| x + pure(n)).collect();
        let rms = calibrator_rms(&clean, rate_hz).expect("a tone");
        assert!((rms / 0.1 * 2.0_f64.sqrt() - 1.0).abs() < 1e-3, "{rms}");
        let fading: Vec<f64> =
            clean.iter().enumerate().map(|(n, x)| x * (1.0 - n as f64 / 48_000.0)).collect();
        for wrong in [&noise(24_000, 0.1)[..], &fading, &clean[..4_000], &[]] {
            assert!(calibrator_rms(wrong, rate_hz).is_err());
        }
    }
}
