//! Damped oscillations whose poles and amplitudes are known, with white noise of known density.

use super::super::pole::Pole;
use super::super::settings::Place;
use crate::draws::Draws;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

pub(in crate::modes) const RATE_HZ: f64 = 2000.0;

/// What is measured.
pub(in crate::modes) struct Case {
    pub poles: Vec<Pole>,
    /// The records, noise included.
    pub records: Vec<Vec<f64>>,
    /// Sd of a sample's noise.
    pub noise_sd: f64,
}

impl Case {
    /// Five modes, two of them half a bandwidth apart, amplitudes of about one at each of three places.
    pub fn new(samples: usize, noise_sd: f64, seed: u64) -> Self {
        Self::of(&[(38.2, 1.1), (52.7, 0.7), (54.1, 0.9), (71.4, 0.5), (88.9, 0.6)], samples, noise_sd, seed)
    }

    /// Modes of these frequencies, Hz, and T60, s, amplitudes of about one at each of three places.
    pub fn of(poles: &[(f64, f64)], samples: usize, noise_sd: f64, seed: u64) -> Self {
        let poles: Vec<Pole> = poles.iter().map(|(hz, t60_s)| Pole::new(*hz, *t60_s)).collect();
        let mut draws = Draws::new(seed);
        let amplitudes: Vec<Vec<Complex<f64>>> = (0..3)
            .map(|_| {
                poles
                    .iter()
                    .map(|_| Complex::from_polar(0.3 + draws.uniform(), TAU * draws.uniform()))
                    .collect()
            })
            .collect();
        let records = amplitudes.iter().map(|own: &Vec<Complex<f64>>| {
            let value = |n: usize| -> f64 {
                let t = n as f64 / RATE_HZ;
                poles.iter().zip(own).map(|(pole, a)| 2.0 * (a * (pole.lambda() * t).exp()).re).sum()
            };
            (0..samples).map(|n| value(n) + noise_sd * draws.normal()).collect()
        });
        let records: Vec<Vec<f64>> = records.collect();
        Self { poles, records, noise_sd }
    }

    /// The records as the fit takes them, from their first sample on.
    pub fn places(&self) -> Vec<Place<'_>> {
        let records = self.records.iter().enumerate();
        records.map(|(m, samples)| Place::new(&format!("p{m}"), "", samples, RATE_HZ, 0.0)).collect()
    }
}
