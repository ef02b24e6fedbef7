//! Periodic noise: one period of random-phase sines, repeated without a seam.
//!
//! For two-channel measurements (reference and microphone). Every line of the period has the same
//! known magnitude, so no average is spent on the signal's own scatter; the period must not be
//! shorter than the longest decay (ISO 18233:2006, annex A).

use super::{RATES_HZ, SECONDS, SignalError, within};
use crate::spectrum::to_real;
use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// How the noise's power is spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colour {
    /// Equal power in every hertz.
    White,
    /// Equal power in every octave.
    Pink,
}

/// Periodic noise between two frequencies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Spectrum; default pink.
    pub colour: Colour,
    /// Lowest line, Hz; default 15.
    pub from_hz: f64,
    /// Highest line, Hz; default 20 000.
    pub to_hz: f64,
    /// Length of one period, s; default 10.
    pub period_s: f64,
    /// Periods; default 6 (the first only brings the room into its steady state).
    pub periods: usize,
    /// Sample rate, Hz; default 48 000.
    pub rate_hz: f64,
    /// Peak amplitude, full scale 1; default 0.25.
    pub peak: f64,
    /// Seed of the phases; default 1.
    pub seed: u64,
}

impl Default for Noise {
    fn default() -> Self {
        Self {
            colour: Colour::Pink,
            from_hz: 15.0,
            to_hz: 20_000.0,
            period_s: 10.0,
            periods: 6,
            rate_hz: 48_000.0,
            peak: 0.25,
            seed: 1,
        }
    }
}

impl Noise {
    /// The samples of all periods.
    ///
    /// # Errors
    /// [`SignalError`] names the setting that is out of range.
    pub fn samples(&self) -> Result<Vec<f64>, SignalError> {
        self.check()?;
        let period = self.one_period();
        Ok(period.iter().copied().cycle().take(period.len() * self.periods).collect())
    }

    fn one_period(&self) -> Vec<f64> {
        let length = (self.period_s * self.rate_hz).round() as usize;
        let mut lines = vec![Complex64::default(); length / 2 + 1];
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        let spacing_hz = self.rate_hz / length as f64;
        // The last line is left out: at an even length it is half the rate, which must be real.
        let last = lines.len() - 1;
        for (k, line) in lines.iter_mut().enumerate().take(last) {
            // Every line draws, used or not, so that the range doesn't move the other lines' phases.
            let turn = random.next_u64() as f64 / u64::MAX as f64;
            let hz = k as f64 * spacing_hz;
            if (self.from_hz..=self.to_hz).contains(&hz) {
                *line = Complex64::from_polar(self.magnitude(hz), TAU * turn);
            }
        }
        let mut period = to_real(&mut lines, length);
        let peak = period.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
        if peak > 0.0 {
            period.iter_mut().for_each(|sample| *sample *= self.peak / peak);
        }
        period
    }

    fn magnitude(&self, hz: f64) -> f64 {
        match self.colour {
            Colour::White => 1.0,
            Colour::Pink => hz.sqrt().recip(),
        }
    }

    /// Whether it can be made.
    ///
    /// # Errors
    /// [`SignalError`] names the setting that is out of range.
    pub fn check(&self) -> Result<(), SignalError> {
        within("rate", self.rate_hz, RATES_HZ, "Hz")?;
        within("period", self.period_s, (0.1, 120.0), "s")?;
        within("length", self.period_s * self.periods as f64, SECONDS, "s")?;
        within("lowest frequency", self.from_hz, (1.0, 0.45 * self.rate_hz), "Hz")?;
        within("highest frequency", self.to_hz, (self.from_hz, 0.495 * self.rate_hz), "Hz")?;
        within("peak", self.peak, (1e-4, 1.0), "of full scale")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn short() -> Noise {
        Noise { period_s: 0.5, periods: 3, rate_hz: 8_000.0, to_hz: 3_000.0, ..Noise::default() }
    }

    /// Pink: an octave holds the same energy as the next (equal to a line's width at these counts).
    #[test]
    fn pink_noise_has_the_same_energy_in_every_octave() -> Result<(), SignalError> {
        let noise = Noise { period_s: 4.0, ..short() };
        let mut period = noise.samples()?;
        period.truncate(32_000);
        let forward = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(period.len());
        let mut lines = forward.make_output_vec();
        assert!(forward.process(&mut period, &mut lines).is_ok());
        let energy = |from: usize, to: usize| lines[from..to].iter().map(|l| l.norm_sqr()).sum::<f64>();
        assert_relative_eq!(energy(400, 800), energy(2000, 4000), epsilon = 0.0, max_relative = 2e-3);
        // Line 12 000 is 3 kHz: nothing above it.
        assert!(lines[12_001..].iter().all(|line| line.norm() < 1e-9 * lines[800].norm()));
        Ok(())
    }

    #[test]
    fn periods_are_equal_and_the_peak_is_as_asked() -> Result<(), SignalError> {
        let samples = short().samples()?;
        assert_eq!(samples[..4_000], samples[8_000..]);
        let peak = samples.iter().fold(0.0_f64, |peak, s| peak.max(s.abs()));
        assert_relative_eq!(peak, 0.25, epsilon = 0.0, max_relative = 1e-12);
        Ok(())
    }

    /// The generator's first word for a seed is a documented constant of the ChaCha8 stream; a change
    /// of generator would silently change every signal.
    #[test]
    fn the_random_stream_is_the_one_we_know() {
        assert_eq!(ChaCha8Rng::seed_from_u64(42).next_u64(), 0xae90_bfb5_395d_5ba1);
    }
}
