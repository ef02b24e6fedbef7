//! Where another pole would help most: the exact gain of each candidate after projection.

use super::linear::transpose_times;
use super::pole::{LN_1000, Pole};
use super::problem::Problem;
use super::projection::Projection;
use nalgebra::DMatrix;
use std::f64::consts::PI;

/// Decay times tried, s; each step at most doubles it, and the fit does the rest.
const T60S_S: [f64; 7] = [0.12, 0.25, 0.5, 1.0, 1.8, 3.2, 6.0];

/// Candidate poles of a window and their columns, made once and used at each step of the search.
#[derive(Debug)]
pub(crate) struct Candidates {
    /// The poles, decay by decay, each in rising frequency.
    pub poles: Vec<Pole>,
    /// For each group its columns, (Re A, Im A) of each pole, without the prior's rows.
    columns: Vec<DMatrix<f64>>,
}

/// A candidate that helps more than its neighbours in frequency.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Peak {
    /// The pole.
    pub pole: Pole,
    /// Fall of χ² when it is added and nothing else moves.
    pub gain: f64,
}

impl Candidates {
    /// Candidates between two frequencies.
    pub fn new(problem: &Problem, low_hz: f64, high_hz: f64) -> Self {
        let least = 0.25 / problem.seconds();
        let mut poles = Vec::new();
        for t60_s in T60S_S {
            let step = (0.55 * LN_1000 / t60_s / (2.0 * PI)).max(least);
            let count = ((high_hz - low_hz) / step).ceil().max(1.0) as usize;
            let step = (high_hz - low_hz) / count as f64;
            poles.extend((0..=count).map(|i| Pole::new(low_hz + step * i as f64, t60_s)));
        }
        let columns = problem.groups.iter().map(|group| {
            let rows = group.rows();
            let mut matrix = DMatrix::zeros(rows, 2 * poles.len());
            for (pole, pair) in poles.iter().zip(matrix.as_mut_slice().chunks_exact_mut(2 * rows)) {
                let (first, second) = pair.split_at_mut(rows);
                group.bins.columns(pole, first, second);
            }
            matrix
        });
        Self { columns: columns.collect(), poles }
    }

    /// Gain of each candidate over the fit as it stands.
    pub fn gains(&self, problem: &Problem, fit: &Projection, variances: &[f64]) -> Vec<f64> {
        let mut gains = vec![0.0; self.poles.len()];
        for ((columns, group), fit) in self.columns.iter().zip(&problem.groups).zip(&fit.groups) {
            let rows = group.rows();
            let within = transpose_times(&fit.basis.rows(0, rows).into_owned(), columns);
            let slopes = transpose_times(columns, &fit.residual.rows(0, rows).into_owned());
            let weights: Vec<f64> = group.places.iter().map(|m| 1.0 / variances[*m]).collect();
            for (i, gain) in gains.iter_mut().enumerate() {
                let gram = |a: usize, b: usize| {
                    let (a, b) = (2 * i + a, 2 * i + b);
                    columns.column(a).dot(&columns.column(b)) - within.column(a).dot(&within.column(b))
                };
                let whole = columns.column(2 * i).norm_squared();
                let (aa, ab, bb) = (gram(0, 0), gram(0, 1), gram(1, 1));
                let determinant = aa * bb - ab * ab;
                if aa.min(bb) < NEW * whole || determinant < NEW * aa * bb {
                    continue;
                }
                for (m, weight) in weights.iter().enumerate() {
                    let (u, v) = (slopes[(2 * i, m)], slopes[(2 * i + 1, m)]);
                    *gain += weight * (bb * u * u - 2.0 * ab * u * v + aa * v * v) / determinant;
                }
            }
        }
        gains
    }

    /// The candidates that help more than all others within `apart_hz`, best first.
    pub fn peaks(&self, gains: &[f64], apart_hz: f64, at_least: f64) -> Vec<Peak> {
        let mut order: Vec<usize> = (0..gains.len()).filter(|i| gains[*i] > at_least).collect();
        order.sort_by(|a, b| gains[*b].total_cmp(&gains[*a]));
        let mut peaks: Vec<Peak> = Vec::new();
        for i in order {
            let pole = self.poles[i];
            if peaks.iter().all(|p| (p.pole.frequency_hz() - pole.frequency_hz()).abs() > apart_hz) {
                peaks.push(Peak { pole, gain: gains[i] });
            }
        }
        peaks
    }
}

/// A candidate counts as already there when less than this share of its column is new.
const NEW: f64 = 1e-7;
