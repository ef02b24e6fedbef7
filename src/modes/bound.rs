//! The least standard deviations that any unbiased estimator can have (Cramér–Rao), all poles and all
//! amplitudes unknown, in Gaussian noise of known density.

use super::basis::Bins;
use super::covariance::inverse_information;
use super::pole::Pole;
use super::problem::{Group, Problem};
use super::projection::Projection;
use super::residual_terms::ResidualTerms;
use super::tall::Tall;
use nalgebra::DMatrix;
use rustfft::num_complex::Complex;

/// Rate, length and noise of a place's record.
#[derive(Clone, Copy)]
pub struct RecordConditions<'a> {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Samples from the start of the fit to the end.
    pub samples: usize,
    /// One-sided noise density at a frequency in hertz, full scale squared per hertz.
    pub density: &'a (dyn Fn(f64) -> f64 + Sync),
}

/// Joint Cramér–Rao covariance of (ω₁, δ₁, ω₂, δ₂, …), (rad/s)², row by row.
///
/// `amplitudes[j][m]`: of pole `j` at place `m` at the first sample of its record. Bins within
/// `range_hz` count, each with the noise's density there (for noise that varies slowly over 1/T this is
/// the bound of the time signal; Yao & Pandit 1995 give it for white noise). `None` where the poles can't
/// be told apart in double precision or there are more unknowns than numbers.
#[must_use]
pub fn bound(
    places: &[RecordConditions<'_>],
    poles: &[Pole],
    amplitudes: &[Vec<Complex<f64>>],
    range_hz: (f64, f64),
) -> Option<DMatrix<f64>> {
    let mut groups = Vec::with_capacity(places.len());
    for (m, place) in places.iter().enumerate() {
        let width = place.rate_hz / place.samples as f64;
        let last = ((range_hz.1 / width).floor() as usize).min(place.samples.saturating_sub(1) / 2);
        let first = (range_hz.0 / width).ceil().max(1.0) as usize;
        if last <= first {
            return None;
        }
        let mut bins = Bins::new(place.rate_hz, place.samples, first, last);
        // E|X|² = T S/2 for X = Σ x exp(−iωn/fs)/fs; half of it in the real part.
        let seconds = bins.seconds();
        let hz = |omega: f64| omega / (2.0 * std::f64::consts::PI);
        bins.weights = bins.omegas.iter().map(|o| 2.0 / (seconds * (place.density)(hz(*o))).sqrt()).collect();
        let mut columns = Tall::zeros(2 * bins.len(), 2 * poles.len());
        bins.columns(poles, &mut columns);
        let amplitude = |r: usize| amplitudes.get(r / 2).and_then(|a| a.get(m)).copied().unwrap_or_default();
        let part = |r: usize| if r.is_multiple_of(2) { amplitude(r).re } else { amplitude(r).im };
        let sum = |row: usize| columns.row(row).iter().enumerate().map(|(r, value)| value * part(r)).sum();
        let spectra = Tall::from_fn(columns.height(), 1, |row, _| sum(row));
        groups.push(Group::new(bins, spectra, vec![m]));
    }
    let problem = Problem {
        groups,
        records: places.len(),
        terms: ResidualTerms::NONE,
        band_hz: range_hz,
        slope: 0.0,
        prior: None,
    };
    let projection = Projection::new(&problem, poles)?;
    inverse_information(&projection.normal(&problem, poles, &vec![1.0; places.len()])?)
}
