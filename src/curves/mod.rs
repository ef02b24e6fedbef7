//! What figures draw, as numbers: the decay of one resonance, the spectrum, level over time and
//! frequency. Energies and hertz; decibels and places on the paper come later.
//!
//! All of it comes from the low ends that the fit worked on ([`crate::response::LowRecord`]): no file is
//! opened again. Time 0 is each place's direct sound.

mod level_map;
mod place_map;
mod ringing;
mod spectrum;

pub use level_map::{Grid, LevelMap, level_map};
pub use place_map::{PlaceMap, place_map};
pub use ringing::{Band, Ringing, band_round, ringing};
pub use spectrum::{Spectrum, spectrum};

use crate::response::LowRecord;
use rustfft::num_complex::Complex64;

/// A low end from its direct sound on, scaled so that a unit sample of the file has a spectrum of one
/// at every frequency, whatever the rates.
struct Record {
    samples: Vec<f64>,
    rate_hz: f64,
}

impl Record {
    /// `None` where nothing follows the direct sound.
    fn new(low: &LowRecord) -> Option<Self> {
        let first = (low.onset_s * low.rate_hz).round().max(0.0) as usize;
        let last = low.samples.iter().rposition(|s| *s != 0.0)?;
        let scale = low.file_rate_hz / low.rate_hz;
        let samples: Vec<f64> =
            low.samples.get(first..=last)?.iter().map(|s| f64::from(*s) * scale).collect();
        (samples.len() > 1 && low.rate_hz > 0.0).then_some(Self { samples, rate_hz: low.rate_hz })
    }

    /// Its DFT, padded with zeros to `seconds` at least.
    fn transform(&self, seconds: f64) -> Vec<Complex64> {
        let wanted = ((seconds * self.rate_hz) as usize).max(self.samples.len()).next_power_of_two();
        let mut bins: Vec<Complex64> = self.samples.iter().map(|s| Complex64::new(*s, 0.0)).collect();
        bins.resize(wanted, Complex64::new(0.0, 0.0));
        rustfft::FftPlanner::new().plan_fft_forward(wanted).process(&mut bins);
        bins
    }
}

#[cfg(test)]
mod tests;
