//! Signals whose decay is known.

use super::super::{BandDecay, Signal as Usable, Value, band_decays, bank};
use crate::estimate::Reading;
use crate::filter::Fraction;
use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};
use std::f64::consts::{LN_10, TAU};

/// Gaussian noise of unit variance (Box & Muller, Ann. Math. Stat. 29 (1958) 610), the same for one seed.
pub fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut bits = ChaCha8Rng::seed_from_u64(seed);
    let mut uniform = move || ((bits.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
    move || (-2.0 * uniform().ln()).sqrt() * (TAU * uniform()).cos()
}

/// A response under test: silence, direct sound at `onset`, decay, floor.
#[derive(Clone)]
pub struct Signal {
    pub samples: Vec<f64>,
    pub rate_hz: f64,
    pub onset: usize,
}

/// Envelope of a decay that falls 60 dB in `t60_s`.
pub fn envelope(time_s: f64, t60_s: f64) -> f64 {
    (-3.0 * LN_10 * time_s / t60_s).exp()
}

impl Signal {
    /// Noise that decays from the onset on, amplitude 1, over a record of `length_s` after it.
    pub fn noise_decay(seed: u64, rate_hz: f64, t60_s: f64, length_s: f64) -> Self {
        let mut noise = noise(seed);
        Self::made(rate_hz, length_s, |time_s| noise() * envelope(time_s, t60_s))
    }

    /// A tone that decays from the onset on.
    pub fn tone_decay(hz: f64, rate_hz: f64, t60_s: f64, length_s: f64) -> Self {
        Self::made(rate_hz, length_s, |time_s| (TAU * hz * time_s + 0.7).sin() * envelope(time_s, t60_s))
    }

    pub fn made(rate_hz: f64, length_s: f64, mut value: impl FnMut(f64) -> f64) -> Self {
        let onset = (0.02 * rate_hz) as usize;
        let mut samples = vec![0.0; onset];
        samples.extend((0..(length_s * rate_hz) as usize).map(|k| value(k as f64 / rate_hz)));
        Self { samples, rate_hz, onset }
    }

    /// Adds noise of an rms value to the whole record.
    pub fn with_floor(mut self, seed: u64, rms: f64) -> Self {
        let mut noise = noise(seed);
        for sample in &mut self.samples {
            *sample += rms * noise();
        }
        self
    }

    pub fn usable(&self) -> Usable<'_> {
        Usable { samples: &self.samples, rate_hz: self.rate_hz, onset_s: self.onset as f64 / self.rate_hz }
    }

    pub fn bands(&self, fraction: Fraction) -> Vec<BandDecay> {
        band_decays(&self.usable(), fraction, &bank(fraction, self.rate_hz))
    }

    /// The band around a frequency.
    pub fn band(&self, fraction: Fraction, hz: f64) -> BandDecay {
        let inside = |band: &BandDecay| band.band.lower_hz <= hz && hz < band.band.upper_hz;
        self.bands(fraction).into_iter().find(inside).expect("a band of the fraction holds the frequency")
    }
}

/// A time that must exist.
pub fn time(reading: Reading) -> f64 {
    reading.expect("the time must exist").value
}

/// A time without its spread.
pub fn seconds(reading: Reading) -> Value {
    reading.map(|time| time.value)
}

/// A value that must exist.
pub fn value(value: Value) -> f64 {
    value.expect("the value must exist")
}

/// A ratio that must exist, in dB.
pub fn db(ratio: Value) -> f64 {
    10.0 * value(ratio).log10()
}
