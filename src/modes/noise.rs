//! The noise spectrum: its course over frequency, which all places share.
//!
//! The level at each place is estimated from the fit's own residual. The course over frequency starts from the background in
//! the last part of the records, where there is one, times a power of frequency fitted to the residual.

use super::problem::Problem;
use super::projection::Projection;
use super::record::sounding_len;
use super::settings::Place;
use crate::mean::mean;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// Noise density over frequency, relative: its scale is arbitrary.
#[derive(Debug, Clone, Default)]
pub(crate) struct NoiseSpectrum {
    /// ln of the density at 0, 1, 2 … Hz; empty: flat.
    log_density: Vec<f64>,
    /// Exponent of a power of frequency that multiplies it (density ∝ f^slope).
    pub slope: f64,
}

impl NoiseSpectrum {
    /// ln of the density at an angular frequency.
    fn log_at(&self, omega: f64) -> f64 {
        let hz = omega / (2.0 * PI);
        let power = self.slope * (hz / 50.0).max(1e-3).ln();
        let Some(last) = self.log_density.len().checked_sub(1) else { return power };
        let at = hz.clamp(0.0, last as f64);
        let (low, part) = (at.floor() as usize, at.fract());
        power + self.log_density[low] * (1.0 - part) + self.log_density[(low + 1).min(last)] * part
    }

    /// Amplitude weight that whitens noise of this spectrum.
    pub fn weight(&self, omega: f64) -> f64 {
        (-0.5 * self.log_at(omega)).exp()
    }

    /// The spectrum of the last part of the records, or flat where that part is short or still decays.
    pub fn of_background(places: &[&Place<'_>]) -> Self {
        let tails: Vec<Tail> = places.iter().filter_map(|place| Tail::new(place)).collect();
        let fall = mean(&tails.iter().map(|t| t.log_fall).collect::<Vec<_>>());
        // A place whose record is too short to show its background takes the spectrum of the others.
        if 2 * tails.len() < places.len().max(1) || fall > MOST_FALL {
            return Self::default();
        }
        Self { log_density: pooled(&tails), slope: 0.0 }
    }
}

/// Share of the record, at its end, that the background is taken from.
const TAIL: f64 = 0.3;
/// Least and greatest length of that tail, s.
const TAIL_S: (f64, f64) = (0.25, 2.0);
/// Reach of the running median, Hz: passes over lines and single modes, follows the background.
const REACH_HZ: f64 = 6.0;
/// A tail whose first half holds twice (ln 2) the power density of its second isn't background yet.
pub(super) const MOST_FALL: f64 = std::f64::consts::LN_2;
/// Highest frequency of a spectrum, Hz.
const TOP_HZ: usize = 310;

/// Spectrum of the end of one record.
pub(super) struct Tail {
    /// Bin width, Hz.
    pub step_hz: f64,
    /// Density of each bin over the record's own geometric mean.
    pub log_power: Vec<f64>,
    /// That mean as a one-sided density, full scale squared per hertz.
    pub density: f64,
    /// ln of the first half's density over the second's, mean over frequency: one strong mode that
    /// still rings, or one band of noise, doesn't decide.
    pub log_fall: f64,
}

impl Tail {
    pub fn new(place: &Place<'_>) -> Option<Self> {
        let end = sounding_len(&place.samples);
        let first = (place.onset_s * place.rate_hz).max(0.0) as usize;
        let whole = end.checked_sub(first)?;
        let len = ((TAIL * whole as f64) as usize).min((TAIL_S.1 * place.rate_hz) as usize);
        if (len as f64) < TAIL_S.0 * place.rate_hz {
            return None;
        }
        let samples = &place.samples[end - len..end];
        let power = hann_periodogram(samples);
        let step_hz = place.rate_hz / len as f64;
        let range = ((15.0 / step_hz) as usize + 1)..((200.0 / step_hz) as usize).min(power.len());
        let log_density = |half: &[f64]| -> f64 {
            let step_hz = place.rate_hz / half.len() as f64;
            let power = hann_periodogram(half);
            let inside =
                power.iter().enumerate().filter(|(k, _)| (15.0..200.0).contains(&(*k as f64 * step_hz)));
            mean(&inside.map(|(_, p)| p.max(f64::MIN_POSITIVE).ln()).collect::<Vec<_>>())
        };
        let half = len / 2;
        let log_fall = log_density(&samples[..half]) - log_density(&samples[half..2 * half]);
        let log_power: Vec<f64> = power.iter().map(|p| p.max(f64::MIN_POSITIVE).ln()).collect();
        let middle = mean(log_power.get(range)?);
        // The window's squares add up to 3/8 of its samples.
        let density = middle.exp() * 2.0 / (place.rate_hz * 0.375 * len as f64);
        let log_power = log_power.iter().map(|p| p - middle).collect();
        Some(Self { step_hz, log_power, density, log_fall })
    }
}

/// Samples behind a Hann window.
pub(super) fn behind_hann(samples: &[f64]) -> Vec<Complex<f64>> {
    let window = |i: usize| (PI * (i as f64 + 0.5) / samples.len() as f64).sin().powi(2);
    samples.iter().enumerate().map(|(i, s)| Complex::from(s * window(i))).collect()
}

/// Spectrum behind a Hann window, as many bins as samples.
pub(super) fn hann_spectrum(samples: &[f64]) -> Vec<Complex<f64>> {
    let mut bins = behind_hann(samples);
    FftPlanner::new().plan_fft_forward(samples.len()).process(&mut bins);
    bins
}

/// Periodogram behind a Hann window (a strong hum must not leak over the background beside it).
fn hann_periodogram(samples: &[f64]) -> Vec<f64> {
    hann_spectrum(samples).iter().take(samples.len() / 2).map(|v| v.norm_sqr()).collect()
}

/// Running median over all tails, its departures from a power of frequency shrunk where they are within chance.
fn pooled(tails: &[Tail]) -> Vec<f64> {
    let median = |hz: f64| -> (f64, f64) {
        let mut near: Vec<f64> = Vec::new();
        for tail in tails {
            let first = ((hz - REACH_HZ).max(3.0) / tail.step_hz).ceil() as usize;
            let last = ((hz + REACH_HZ) / tail.step_hz).floor() as usize;
            near.extend(tail.log_power.iter().take(last + 1).skip(first));
        }
        near.sort_by(f64::total_cmp);
        (near.get(near.len() / 2).copied().unwrap_or(0.0), near.len() as f64)
    };
    let raw: Vec<(f64, f64)> = (0..=TOP_HZ).map(|hz| median((hz as f64).max(8.0))).collect();
    let trend = power_law(&raw);
    let shrunk: Vec<f64> = raw
        .iter()
        .zip(&trend)
        .map(|((value, count), trend)| {
            // Variance of the log of a median of exponentials, 1/ln²2 over the count; a Hann window
            // leaves about 1/1.9 of the bins independent.
            let (departure, chance) = (value - trend, 4.0 / count.max(1.0));
            trend + departure * departure * departure / (departure * departure + chance)
        })
        .collect();
    (0..=TOP_HZ).map(|i| mean(&shrunk[i.saturating_sub(3)..(i + 4).min(TOP_HZ + 1)])).collect()
}

/// Straight line through ln density over ln f, 15 to 200 Hz.
fn power_law(raw: &[(f64, f64)]) -> Vec<f64> {
    let x = |hz: usize| (hz.max(8) as f64).ln();
    let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (hz, (y, _)) in raw.iter().enumerate().take(201).skip(15) {
        n += 1.0;
        sx += x(hz);
        sy += y;
        sxx += x(hz) * x(hz);
        sxy += x(hz) * y;
    }
    let slope = (n * sxy - sx * sy) / (n * sxx - sx * sx);
    let offset = (sy - slope * sx) / n;
    (0..raw.len()).map(|hz| offset + slope * x(hz)).collect()
}

/// Exponent of the power of frequency that the weighted residual still follows: maximum likelihood for
/// exponentially distributed powers with a level for each place (a gamma regression with log link).
pub(crate) fn residual_slope(problem: &Problem, fit: &Projection) -> f64 {
    let mut b = 0.0;
    for _ in 0..6 {
        let (mut slope, mut curvature) = (0.0, 0.0);
        for (group, fit) in problem.groups.iter().zip(&fit.groups) {
            let n = group.bins.len();
            let x: Vec<f64> = group.bins.omegas.iter().map(|o| (o / (2.0 * PI * 50.0)).ln()).collect();
            let middle = mean(&x);
            for column in 0..fit.residual.width() {
                let column: Vec<f64> = fit.residual.column(column).take(2 * n).collect();
                let scaled: Vec<f64> = (0..n)
                    .map(|k| {
                        (column[k] * column[k] + column[n + k] * column[n + k]) * (-b * (x[k] - middle)).exp()
                    })
                    .collect();
                let level = mean(&scaled).max(f64::MIN_POSITIVE);
                for k in 0..n {
                    let (x, ratio) = (x[k] - middle, scaled[k] / level);
                    slope += x * (ratio - 1.0);
                    curvature += x * x;
                }
            }
        }
        b += (slope / curvature.max(f64::MIN_POSITIVE)).clamp(-2.0, 2.0);
    }
    b.clamp(-8.0, 8.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Between 1 and 2 Hz the logarithm runs straight; beyond the last it stays, and before the first.
    #[test]
    fn the_density_runs_straight_between_its_points() {
        let noise = NoiseSpectrum { log_density: vec![0.0, 2.0, 6.0], slope: 0.0 };
        for (hz, log) in [(0.5, 1.0), (1.25, 3.0), (9.0, 6.0)] {
            assert!((noise.log_at(2.0 * PI * hz) - log).abs() < 1e-12, "{hz}");
        }
    }
}
