//! Where another pole would help most: the exact gain of each candidate after projection.

use super::basis::Bins;
use super::factor::Factor;
use super::pole::{LN_1000, Pole};
use super::problem::{Group, Problem};
use super::projection::GroupFit;
use super::refine::{Fitted, OUTSIDE_HZ};
use super::residual_terms::ResidualTerms;
use super::tall::Tall;
use nalgebra::DMatrix;
use std::f64::consts::PI;
use std::ops::Range;

/// Decay times tried, s; each step at most doubles it, and the fit does the rest. With five of them, or further apart in
/// frequency, a search costs half, but single records of large rooms show other poles (docs/accuracy.md's halls).
const T60S_S: [f64; 7] = [0.12, 0.25, 0.5, 1.0, 1.8, 3.2, 6.0];
/// Distance of candidates in units of δ: half of it off, one gains 1/(1 + (distance/4)²) of the pole's own, 0.98.
const APART: f64 = 0.55;

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
    /// A polynomial, which within a band comes close to any flank.
    polynomial: Factor,
    /// (Re A, Im A) columns of each candidate, the polynomial projected out.
    columns: Tall,
    /// Of each candidate's two columns: squares before and after that, and their product.
    squares: Vec<OwnProducts>,
}

/// Products of a candidate's own two columns.
#[derive(Debug, Clone, Copy)]
struct OwnProducts {
    /// Square of the first column as it is.
    whole: f64,
    /// Products of the columns with the polynomial projected out: first by first, first by second, second by second.
    projected: [f64; 3],
}

/// A candidate that helps more than its neighbours in frequency.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Peak {
    /// The pole.
    pub pole: Pole,
    /// Fall of χ² when it is added and nothing else moves.
    pub gain: f64,
}

/// A band reports candidates over so much, and looks half as far again on both sides, Hz.
const CANDIDATE_BAND_HZ: f64 = 30.0;
const BESIDE_HZ: f64 = 10.0;

impl Candidates {
    /// Candidates between two frequencies.
    pub fn new(problem: &Problem, low_hz: f64, high_hz: f64) -> Self {
        let count = ((high_hz - low_hz) / CANDIDATE_BAND_HZ).ceil().max(1.0);
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
    fn new(problem: &Problem, reports_hz: (f64, f64)) -> Self {
        let least = 0.25 / problem.seconds();
        let mut poles = Vec::new();
        for t60_s in T60S_S {
            let step = (APART * LN_1000 / t60_s / (2.0 * PI)).max(least);
            let count = ((reports_hz.1 - reports_hz.0) / step).ceil().max(1.0) as usize;
            let step = (reports_hz.1 - reports_hz.0) / count as f64;
            poles.extend((0..=count).map(|i| Pole::new(reports_hz.0 + step * i as f64, t60_s)));
        }
        let looks_hz = (reports_hz.0 - BESIDE_HZ, reports_hz.1 + BESIDE_HZ);
        let polynomial = ResidualTerms::of_degree_below(problem.terms.polynomial);
        let parts =
            problem.groups.iter().map(|group| Part::new(group, looks_hz, &poles, polynomial)).collect();
        Self { parts, looks_hz, poles }
    }

    /// Gain of each candidate over the fit as it stands, the poles of the band and a polynomial free to give way.
    fn gains(&self, problem: &Problem, fit: &Fitted, variances: &[f64]) -> Vec<f64> {
        let (low, high) = (self.looks_hz.0 - OUTSIDE_HZ, self.looks_hz.1 + OUTSIDE_HZ);
        let near: Vec<Pole> =
            fit.poles.iter().filter(|p| (low..high).contains(&p.frequency_hz())).copied().collect();
        let mut gains = vec![0.0; self.poles.len()];
        for ((part, group), whole) in self.parts.iter().zip(&problem.groups).zip(&fit.projection.groups) {
            let weights: Vec<f64> = group.records.iter().map(|m| 1.0 / variances[*m]).collect();
            if let Some(residual) = part.residual(group, whole, &near) {
                part.add_gains(&mut gains, residual, &weights);
            }
        }
        gains
    }
}

impl Part {
    fn new(group: &Group, looks_hz: (f64, f64), poles: &[Pole], polynomial: ResidualTerms) -> Self {
        let (range, bins) = group.bins.part(looks_hz);
        let rows = 2 * bins.len();
        let mut columns = Tall::zeros(rows, 2 * poles.len());
        let mut polynomial = if 2 * polynomial.count() < rows { polynomial } else { ResidualTerms::NONE };
        if rows > 0 {
            bins.columns(poles, &mut columns);
        } else {
            polynomial = ResidualTerms::NONE;
        }
        let terms = if polynomial.count() > 0 { polynomial.columns(&bins) } else { Tall::zeros(rows, 0) };
        let polynomial = Factor::orthonormal(&terms);
        let whole = columns.squares();
        let squares = match polynomial.project_out(&mut columns) {
            Some(_) => own_products(&columns, &whole),
            None => Vec::new(),
        };
        Self { bins, range, polynomial, columns, squares }
    }

    /// The residual of the fit in these bins, and what the columns of the poles near could still give way to; `None`
    /// where these take all numbers.
    fn residual(&self, group: &Group, whole: &GroupFit, near: &[Pole]) -> Option<(Tall, Option<Factor>)> {
        let (n, m) = (group.bins.len(), self.range.len());
        let row = |r: usize| if r < m { self.range.start + r } else { n + self.range.start + r - m };
        let mut residual = Tall::from_fn(2 * m, whole.residual.width(), |r, c| whole.residual.at(row(r), c));
        let mut columns = Tall::zeros(2 * m, 2 * near.len());
        if columns.width() + self.polynomial.width() >= 2 * m {
            return None;
        }
        self.polynomial.project_out(&mut residual)?;
        if near.is_empty() {
            return Some((residual, None));
        }
        self.bins.columns(near, &mut columns);
        self.polynomial.project_out(&mut columns)?;
        let near = Factor::new(columns)?;
        near.project_out(&mut residual)?;
        Some((residual, Some(near)))
    }

    fn add_gains(&self, gains: &mut [f64], (residual, near): (Tall, Option<Factor>), weights: &[f64]) {
        let Some((slopes, within)) = self.slopes_and_within(&residual, near.as_ref()) else { return };
        for ((i, gain), own) in gains.iter_mut().enumerate().zip(&self.squares) {
            let taken = |a: usize, b: usize| within.column(2 * i + a).dot(&within.column(2 * i + b));
            let [aa, ab, bb] = own.projected;
            let (aa, ab, bb) = (aa - taken(0, 0), ab - taken(0, 1), bb - taken(1, 1));
            let determinant = aa * bb - ab * ab;
            if aa.min(bb) <= NEW * own.whole || determinant <= NEW * aa * bb {
                continue;
            }
            for (m, weight) in weights.iter().enumerate() {
                let (u, v) = (slopes[(m, 2 * i)], slopes[(m, 2 * i + 1)]);
                *gain += weight * (bb * u * u - 2.0 * ab * u * v + aa * v * v) / determinant;
            }
        }
    }

    /// The residual times the candidates' columns, and these in an orthonormal basis of the near poles' span; the
    /// candidates are many, so both come from one product.
    fn slopes_and_within(
        &self,
        residual: &Tall,
        near: Option<&Factor>,
    ) -> Option<(DMatrix<f64>, DMatrix<f64>)> {
        let Some(near) = near else {
            return Some((residual.times(&self.columns), DMatrix::zeros(0, self.columns.width())));
        };
        let products = residual.beside(near.scaled_columns()).times(&self.columns);
        let (slopes, within) =
            (products.rows(0, residual.width()), products.rows(residual.width(), near.width()));
        Some((slopes.clone_owned(), near.within_of(within.clone_owned())?))
    }
}

fn own_products(columns: &Tall, whole: &[f64]) -> Vec<OwnProducts> {
    let mut products: Vec<OwnProducts> =
        whole.iter().step_by(2).map(|whole| OwnProducts { whole: *whole, projected: [0.0; 3] }).collect();
    for row in 0..columns.height() {
        let pairs = columns.row(row).as_chunks::<2>().0;
        for (own, [a, b]) in products.iter_mut().zip(pairs) {
            own.projected[0] += a * a;
            own.projected[1] += a * b;
            own.projected[2] += b * b;
        }
    }
    products
}

/// A candidate counts as already there when less than this share of its column is new.
const NEW: f64 = 1e-7;

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: the pole near takes the first axis, so the candidate's columns (1, 1, 0, 0) and (1, 1, 1, 0) are
    /// free to explain the second and third of what is left, 3² + 4², at a weight of 2.
    #[test]
    fn a_candidate_gains_what_its_columns_explain_beside_the_poles_near() {
        let columns = Tall::from_fn(4, 2, |row, column| f64::from(u8::from(row < 2 + column)));
        let part = Part {
            bins: Bins::new(1000.0, 1000, 40, 41),
            range: 0..2,
            polynomial: Factor::orthonormal(&Tall::zeros(4, 0)),
            squares: own_products(&columns, &columns.squares()),
            columns,
        };
        let near = Factor::new(Tall::from_fn(4, 1, |row, _| if row == 0 { 7.0 } else { 0.0 })).unwrap();
        let residual = Tall::from_fn(4, 1, |row, _| [0.0, 3.0, 4.0, 5.0][row]);
        let mut gains = [0.0];
        part.add_gains(&mut gains, (residual, Some(near)), &[2.0]);
        assert!((gains[0] - 50.0).abs() < 1e-9, "{}", gains[0]);
    }
}
