//! Noise of a low-frequency record, from its end.

use crate::response::LowRecord;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of the record, from its end, that is taken for noise, and the least of it in seconds.
const TAIL: f64 = 0.3;
const LEAST_S: f64 = 0.25;
/// Bins within this many hertz are pooled.
const REACH_HZ: f64 = 12.0;

/// Noise density over frequency at one place.
#[derive(Debug, Clone)]
pub(super) struct Noise {
    step_hz: f64,
    /// One-sided, full scale squared per hertz.
    density: Vec<f64>,
}

impl Noise {
    /// Periodogram of the record's end behind a Hann window; `None` where that is too short.
    ///
    /// What still decays there counts as noise: the statement that a mode would have been seen gets
    /// weaker, never stronger.
    pub fn of(low: &LowRecord) -> Option<Self> {
        let length = (TAIL * low.samples.len() as f64) as usize;
        let sounds = low.rate_hz > 0.0 && length as f64 >= LEAST_S * low.rate_hz;
        if !sounds {
            return None;
        }
        let tail = &low.samples[low.samples.len() - length..];
        let window = |n: usize| (PI * (n as f64 + 0.5) / length as f64).sin().powi(2);
        let mut buffer: Vec<Complex64> =
            tail.iter().enumerate().map(|(n, x)| Complex64::from(f64::from(*x) * window(n))).collect();
        let power: f64 = (0..length).map(|n| window(n).powi(2)).sum();
        FftPlanner::new().plan_fft_forward(length).process(&mut buffer);
        let scale = 2.0 / (power * low.rate_hz);
        let density: Vec<f64> = buffer.iter().take(length / 2).map(|x| scale * x.norm_sqr()).collect();
        density.iter().all(|x| x.is_finite()).then(|| Self { step_hz: low.rate_hz / length as f64, density })
    }

    /// Density near a frequency: of a falling or rising spectrum the geometric mean, which for
    /// exponentially distributed powers lies e^γ = 1.781 under the mean.
    pub fn at(&self, hz: f64) -> f64 {
        const E_TO_GAMMA: f64 = 1.781_072_417_990_198;
        let first = ((hz - REACH_HZ).max(2.0 * self.step_hz) / self.step_hz).ceil() as usize;
        let last = ((hz + REACH_HZ) / self.step_hz).floor() as usize;
        let near: Vec<f64> = self.density.iter().take(last + 1).skip(first).copied().collect();
        let logs: f64 = near.iter().map(|x| x.max(f64::MIN_POSITIVE).ln()).sum();
        E_TO_GAMMA * (logs / near.len().max(1) as f64).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::simulate::Gauss;
    use crate::room::simulate::sound::Background;

    /// Noise of known density, white and rising by 6 dB an octave, found within three standard errors
    /// of the geometric mean of 144 bins, half of them independent: 1.28/√72 = 15 %.
    #[test]
    fn known_noise_is_found() {
        for knee_hz in [0.0, 90.0] {
            let background = Background { floor_per_hz: 3e-9, knee_hz };
            let mut samples = vec![0.0; 40_000];
            background.add(&mut samples, 2000.0, &mut Gauss::new(5));
            let low = LowRecord {
                samples: samples.iter().map(|x| *x as f32).collect(),
                rate_hz: 2000.0,
                file_rate_hz: 48_000.0,
                onset_s: 0.0,
                emission_s: None,
            };
            let noise = Noise::of(&low).unwrap();
            for hz in [30.0, 60.0, 120.0] {
                let ratio = noise.at(hz) / background.density(hz);
                assert!((ratio - 1.0).abs() < 0.5, "{knee_hz} {hz}: {ratio}");
            }
        }
        let short = LowRecord {
            samples: vec![0.0; 100],
            rate_hz: 2000.0,
            file_rate_hz: 1.0,
            onset_s: 0.0,
            emission_s: None,
        };
        assert!(Noise::of(&short).is_none());
    }
}
