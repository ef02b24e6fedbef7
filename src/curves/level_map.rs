//! Level over time and frequency.

use super::Record;
use crate::state::PlaceResult;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Where the map has values, and how sharply it sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Lowest frequency, Hz; above zero.
    pub from_hz: f64,
    /// Highest, Hz.
    pub to_hz: f64,
    /// Rows, at equal ratios of frequency.
    pub rows: usize,
    /// Time of the last column, s; the first is the direct sound.
    pub span_s: f64,
    /// Columns.
    pub columns: usize,
    /// Standard deviation of the window in time, s. In frequency it is 1/(2π) of its inverse: a Gaussian
    /// window blurs least in both at once (Gabor, J. IEE 93 (1946) 429).
    pub blur_s: f64,
}

/// Mean power over places at each frequency and time.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct LevelMap {
    /// Frequencies of the rows, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Times of the columns, s after the direct sound.
    pub time_s: Vec<f64>,
    /// Row by row.
    pub power: Vec<f64>,
}

/// Bins farther off than so many standard deviations count for nothing (−69 dB).
const REACH: f64 = 4.0;

/// The map of some places; `None` without a low end, or for a grid that is none.
#[must_use]
pub fn level_map(places: &[&PlaceResult], grid: &Grid) -> Option<LevelMap> {
    let usable = grid.from_hz > 0.0
        && grid.to_hz > grid.from_hz
        && grid.span_s > 0.0
        && grid.blur_s > 0.0
        && grid.rows > 1
        && grid.columns > 1;
    if !usable {
        return None;
    }
    let ratio = (grid.to_hz / grid.from_hz).ln() / (grid.rows - 1) as f64;
    let step_s = grid.span_s / (grid.columns - 1) as f64;
    let frequency_hz: Vec<f64> = (0..grid.rows).map(|r| grid.from_hz * (ratio * r as f64).exp()).collect();
    let mut power = vec![0.0; grid.rows * grid.columns];
    let mut counted = 0.0;
    for record in places.iter().filter_map(|place| Record::new(&place.response.low)) {
        // Room behind the end, so that the window's reach doesn't fold back onto the start.
        let bins = record.transform(record.samples.len() as f64 / record.rate_hz + 2.0 * REACH * grid.blur_s);
        for (row, hz) in frequency_hz.iter().enumerate() {
            let out = &mut power[row * grid.columns..(row + 1) * grid.columns];
            add_row(out, &bins, record.rate_hz, *hz, grid.blur_s, step_s);
        }
        counted += 1.0;
    }
    power.iter_mut().for_each(|p| *p /= counted);
    let time_s = (0..grid.columns).map(|c| step_s * c as f64).collect();
    (counted > 0.0).then_some(LevelMap { frequency_hz, time_s, power })
}

/// Adds the power near one frequency at each time: the bins round it, weighted and turned back in time.
fn add_row(out: &mut [f64], bins: &[Complex64], rate_hz: f64, hz: f64, blur_s: f64, step_s: f64) {
    let spacing = rate_hz / bins.len() as f64;
    let sd_hz = 1.0 / (TAU * blur_s);
    let first = ((hz - REACH * sd_hz) / spacing).ceil().max(1.0) as usize;
    let last = (((hz + REACH * sd_hz) / spacing) as usize).min(bins.len() / 2);
    let mut turning: Vec<(Complex64, Complex64)> = (first..=last.max(first))
        .filter_map(|k| {
            let off = k as f64 * spacing - hz;
            let weight = (-0.5 * (off / sd_hz).powi(2)).exp() / bins.len() as f64;
            Some((bins.get(k)? * weight, Complex64::cis(TAU * off * step_s)))
        })
        .collect();
    for value in out {
        let mut sum = Complex64::new(0.0, 0.0);
        for (now, turn) in &mut turning {
            (sum, *now) = (sum + *now, *now * *turn);
        }
        *value += 4.0 * sum.norm_sqr(); // both halves of the spectrum
    }
}
