//! Where another pole would help most: the exact gain of each candidate after projection.

use super::basis::Bins;
use super::linear::{free_of, orthonormal, transpose_times};
use super::pole::{LN_1000, Pole};
use super::problem::{Group, Problem};
use super::projection::GroupFit;
use super::refine::{Fitted, OUTSIDE_HZ};
use super::smooth::Smooth;
use nalgebra::DMatrix;
use std::f64::consts::PI;
use std::ops::Range;

/// Decay times tried, s; each step at most doubles it, and the fit does the rest.
const T60S_S: [f64; 7] = [0.12, 0.25, 0.5, 1.0, 1.8, 3.2, 6.0];

/// Candidate poles of a window and their columns, made once and used at each step of the search.
///
/// A wide window is looked at in bands: a pole's gain lies in the bins around it.
#[derive(Debug)]
pub(crate) struct Candidates {
    bands: Vec<Band>,
}

/// Candidates of one band.
#[derive(Debug)]
struct Band {
    /// The poles, decay by decay, each in rising frequency.
    poles: Vec<Pole>,
    /// Frequencies of the bins looked at, Hz.
    looks_hz: (f64, f64),
    /// The bins of each group.
    parts: Vec<Part>,
}

/// The bins of one group in a band.
#[derive(Debug)]
struct Part {
    bins: Bins,
    /// Which bins of the group these are.
    range: Range<usize>,
    /// (Re A, Im A) columns of each candidate.
    columns: DMatrix<f64>,
}

/// A candidate that helps more than its neighbours in frequency.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Peak {
    /// The pole.
    pub pole: Pole,
    /// Fall of χ² when it is added and nothing else moves.
    pub gain: f64,
}

/// A band owns so much, and looks half as far again on both sides, Hz.
const BAND_HZ: f64 = 30.0;
const BESIDE_HZ: f64 = 10.0;

impl Candidates {
    /// Candidates between two frequencies.
    pub fn new(problem: &Problem, low_hz: f64, high_hz: f64) -> Self {
        let count = ((high_hz - low_hz) / BAND_HZ).ceil().max(1.0);
        let step = (high_hz - low_hz) / count;
        let bands = (0..count as usize).map(|i| {
            let from = low_hz + step * i as f64;
            Band::new(problem, (from, from + step))
        });
        Self { bands: bands.collect() }
    }

    /// The candidates that gain at least so much and more than all others within `apart_hz`, best first.
    pub fn peaks(&self, problem: &Problem, fit: &Fitted, variances: &[f64], rule: &PeakRule) -> Vec<Peak> {
        let mut all: Vec<Peak> = Vec::new();
        for band in &self.bands {
            let gains = band.gains(problem, fit, variances);
            let enough = band.poles.iter().zip(gains).filter(|(_, gain)| *gain > rule.at_least);
            all.extend(enough.map(|(pole, gain)| Peak { pole: *pole, gain }));
        }
        all.sort_by(|a, b| b.gain.total_cmp(&a.gain));
        let mut peaks: Vec<Peak> = Vec::new();
        for peak in all {
            let hz = peak.pole.frequency_hz();
            if peaks.iter().all(|p| (p.pole.frequency_hz() - hz).abs() > rule.apart_hz) {
                peaks.push(peak);
            }
        }
        peaks
    }
}

/// Which candidates are worth a try.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PeakRule {
    /// Distance between two of them, Hz.
    pub apart_hz: f64,
    /// Least fall of χ².
    pub at_least: f64,
}

impl Band {
    fn new(problem: &Problem, owns_hz: (f64, f64)) -> Self {
        let least = 0.25 / problem.seconds();
        let mut poles = Vec::new();
        for t60_s in T60S_S {
            let step = (0.55 * LN_1000 / t60_s / (2.0 * PI)).max(least);
            let count = ((owns_hz.1 - owns_hz.0) / step).ceil().max(1.0) as usize;
            let step = (owns_hz.1 - owns_hz.0) / count as f64;
            poles.extend((0..=count).map(|i| Pole::new(owns_hz.0 + step * i as f64, t60_s)));
        }
        let looks_hz = (owns_hz.0 - BESIDE_HZ, owns_hz.1 + BESIDE_HZ);
        let parts = problem.groups.iter().map(|group| {
            let (range, bins) = group.bins.part(looks_hz);
            let rows = 2 * bins.len();
            let mut columns = DMatrix::zeros(rows, 2 * poles.len());
            if rows > 0 {
                for (pole, pair) in poles.iter().zip(columns.as_mut_slice().chunks_exact_mut(2 * rows)) {
                    let (first, second) = pair.split_at_mut(rows);
                    bins.columns(pole, first, second);
                }
            }
            Part { bins, range, columns }
        });
        Self { parts: parts.collect(), looks_hz, poles }
    }

    /// Gain of each candidate over the fit as it stands, the poles of the band and a polynomial free to give way.
    fn gains(&self, problem: &Problem, fit: &Fitted, variances: &[f64]) -> Vec<f64> {
        let (low, high) = (self.looks_hz.0 - OUTSIDE_HZ, self.looks_hz.1 + OUTSIDE_HZ);
        let near: Vec<Pole> =
            fit.poles.iter().filter(|p| (low..high).contains(&p.frequency_hz())).copied().collect();
        // Within a band a polynomial comes close to any flank.
        let polynomial = Smooth::of_degree_below(problem.smooth.polynomial);
        let mut gains = vec![0.0; self.poles.len()];
        for ((part, group), whole) in self.parts.iter().zip(&problem.groups).zip(&fit.projection.groups) {
            let weights: Vec<f64> = group.places.iter().map(|m| 1.0 / variances[*m]).collect();
            if let Some(left) = part.left(group, whole, &near, polynomial) {
                part.add_gains(&mut gains, left, &weights);
            }
        }
        gains
    }
}

impl Part {
    /// What is left in these bins after the fit, and an orthonormal basis of what could still give way; `None` where
    /// that takes all their numbers.
    fn left(
        &self,
        group: &Group,
        whole: &GroupFit,
        near: &[Pole],
        smooth: Smooth,
    ) -> Option<(DMatrix<f64>, DMatrix<f64>)> {
        let (n, m) = (group.bins.len(), self.range.len());
        let row = |r: usize| if r < m { self.range.start + r } else { n + self.range.start + r - m };
        let mut left = DMatrix::from_fn(2 * m, whole.residual.ncols(), |r, c| whole.residual[(row(r), c)]);
        let here =
            Group { bins: self.bins.clone(), data: DMatrix::zeros(2 * m, 0), places: Vec::new(), held: None };
        let mut columns = here.matrix(near, smooth, None);
        if columns.ncols() >= columns.nrows() {
            return None;
        }
        for mut column in columns.column_iter_mut() {
            let norm = column.norm().max(f64::MIN_POSITIVE);
            column.unscale_mut(norm);
        }
        let (basis, _) = orthonormal(columns);
        free_of(&basis, &mut left);
        Some((left, basis))
    }

    fn add_gains(&self, gains: &mut [f64], (left, basis): (DMatrix<f64>, DMatrix<f64>), weights: &[f64]) {
        let columns = &self.columns;
        let within = transpose_times(&basis, columns);
        let slopes = transpose_times(columns, &left);
        for (i, gain) in gains.iter_mut().enumerate() {
            let gram = |a: usize, b: usize| {
                let (a, b) = (2 * i + a, 2 * i + b);
                columns.column(a).dot(&columns.column(b)) - within.column(a).dot(&within.column(b))
            };
            let whole = columns.column(2 * i).norm_squared();
            let (aa, ab, bb) = (gram(0, 0), gram(0, 1), gram(1, 1));
            let determinant = aa * bb - ab * ab;
            if aa.min(bb) <= NEW * whole || determinant <= NEW * aa * bb {
                continue;
            }
            for (m, weight) in weights.iter().enumerate() {
                let (u, v) = (slopes[(2 * i, m)], slopes[(2 * i + 1, m)]);
                *gain += weight * (bb * u * u - 2.0 * ab * u * v + aa * v * v) / determinant;
            }
        }
    }
}

/// A candidate counts as already there when less than this share of its column is new.
const NEW: f64 = 1e-7;
