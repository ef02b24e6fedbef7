//! One frequency window of the fit: spectra of all places, the residual terms beside the poles, the prior.

use super::basis::Bins;
use super::factor::Factor;
use super::pole::Pole;
use super::projection::Projection;
use super::residual_terms::ResidualTerms;
use super::tall::Tall;
use nalgebra::DMatrix;
use std::f64::consts::PI;
use std::sync::Arc;

/// Records of places that have one rate and one length, so that one set of columns serves them all.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    /// Their bins within the window.
    pub bins: Bins,
    /// Weighted spectra over fs: real parts above imaginary parts, one column a record.
    pub spectra: Arc<Tall>,
    /// Index in `Records::records` of each column.
    pub records: Vec<usize>,
    /// What is projected out of every pole's columns first: an orthonormal basis of the residual terms.
    pub terms: Arc<Factor>,
    /// What is projected out of them then: the columns of poles that are fixed.
    pub fixed: Vec<Arc<Factor>>,
    /// The spectra with these projected out, the rows of the fixed poles' prior below.
    pub data: Tall,
}

/// All that a window of the fit knows before any pole is chosen.
#[derive(Debug, Clone)]
pub(crate) struct Problem {
    /// The groups; every record of the fit is in exactly one.
    pub groups: Vec<Group>,
    /// How many records there are.
    pub records: usize,
    /// Residual terms: polynomial and poles outside the window, for everything that the fitted poles don't model.
    pub terms: ResidualTerms,
    /// Edges of the bins used, Hz.
    pub band_hz: (f64, f64),
    /// Power of frequency that the weights take the noise to follow beside its background.
    pub slope: f64,
    /// What amplitudes to expect, if anything.
    pub prior: Option<Prior>,
}

/// A weak Gaussian prior on amplitudes: a pole is not much stronger than the response around it.
///
/// Neighbouring poles with huge opposite amplitudes describe what is no resonance; the prior's sd, `WIDTH` times the
/// amplitude of one broad pole that makes up the whole response, leaves all others alone. It is the same for every decay: a
/// weight that falls as a pole grows broader would draw poles that the data hardly hold, against the gradient of the data,
/// and their window's other poles would stay where they are.
#[derive(Debug, Clone)]
pub(crate) struct Prior {
    /// Frequencies, rad/s, rising.
    pub omegas: Vec<f64>,
    /// Rms over places of response over noise around each frequency.
    pub response_over_noise: Vec<f64>,
}

/// Prior sd in units of the amplitude that alone explains the response. Wide enough to cost nothing
/// where the data speak; common practice in ridge regression, no source for the figure.
const WIDTH: f64 = 3.0;

/// Frequencies within this of one another share an expectation, Hz.
const AROUND_HZ: f64 = 4.0;

/// Decay of a pole as broad as that, 1/s. With half as much 965 of 1,086 modes in closed-form rooms are claimed, with this 970, with
/// twice as much 972.
const BROAD: f64 = 2.0 * PI * AROUND_HZ;

impl Prior {
    /// What the data themselves suggest: the rms response within some hertz, over the noise.
    pub fn new(problem: &Problem, variances: &[f64]) -> Self {
        let (low, high) = problem.band_hz;
        let steps = (high - low).ceil().max(1.0) as usize;
        let hertz = |i: usize| low + (high - low) * i as f64 / steps as f64;
        let power = |hz: f64| -> f64 {
            let (mut sum, mut count) = (0.0, 0.0);
            for group in &problem.groups {
                let n = group.bins.len();
                let reach = 2.0 * PI * (hz - AROUND_HZ)..2.0 * PI * (hz + AROUND_HZ);
                for k in (0..n).filter(|k| reach.contains(&group.bins.omegas[*k])) {
                    let whitening = group.bins.weights[k].powi(2);
                    for (column, record) in group.records.iter().enumerate() {
                        let (re, im) = (group.spectra.at(k, column), group.spectra.at(n + k, column));
                        sum += (re * re + im * im) / whitening / variances[*record];
                        count += 1.0;
                    }
                }
            }
            sum / f64::max(count, 1.0)
        };
        Self {
            omegas: (0..=steps).map(|i| 2.0 * PI * hertz(i)).collect(),
            response_over_noise: (0..=steps).map(|i| power(hertz(i)).sqrt()).collect(),
        }
    }

    /// Weight of the row that draws an amplitude of a pole of this frequency to zero, s.
    fn weight(&self, omega_per_s: f64) -> f64 {
        let at = self.omegas.partition_point(|o| *o < omega_per_s).min(self.omegas.len() - 1);
        1.0 / (WIDTH * BROAD * self.response_over_noise[at].max(1.0))
    }
}

impl Group {
    /// Spectra without residual terms and without fixed poles.
    pub fn new(bins: Bins, spectra: Tall, records: Vec<usize>) -> Self {
        let terms = Arc::new(Factor::orthonormal(&Tall::zeros(spectra.height(), 0)));
        Self { bins, data: spectra.clone(), spectra: Arc::new(spectra), records, terms, fixed: Vec::new() }
    }

    /// The group with other residual terms and no fixed poles; `None` where these terms take all numbers.
    fn with_terms(&self, terms: ResidualTerms) -> Option<Self> {
        let mut data = (*self.spectra).clone();
        let terms = terms.columns(&self.bins);
        if terms.width() > 0 && terms.width() >= terms.height() {
            return None;
        }
        let terms = Arc::new(Factor::orthonormal(&terms));
        terms.project_out(&mut data)?;
        Some(Self { data, terms, fixed: Vec::new(), ..self.clone() })
    }

    /// Real numbers per record.
    pub fn rows(&self) -> usize {
        2 * self.bins.len()
    }

    /// Projects residual terms and fixed poles out of columns; returns the coefficient of each term in them.
    pub fn project_out(&self, columns: &mut Tall) -> Option<DMatrix<f64>> {
        let of_terms = self.terms.project_out(columns)?;
        self.fixed.iter().try_for_each(|fixed| fixed.project_out(columns).map(|_| ()))?;
        Some(of_terms)
    }

    /// Columns of all poles; below the data's rows those of the prior.
    pub fn matrix(&self, poles: &[Pole], prior: Option<&Prior>) -> Tall {
        let given = self.data.height();
        let whole = given + if prior.is_some() { 2 * poles.len() } else { 0 };
        let mut matrix = Tall::zeros(whole, 2 * poles.len());
        self.bins.columns(poles, &mut matrix);
        if let Some(prior) = prior {
            for (j, pole) in poles.iter().enumerate() {
                let weight = prior.weight(pole.omega_per_s);
                matrix.set(given + 2 * j, 2 * j, weight);
                matrix.set(given + 2 * j + 1, 2 * j + 1, weight);
            }
        }
        matrix
    }

    /// Derivatives along the real direction of λ, residual terms and fixed poles projected out: of the Re A column,
    /// then the Im A column of each pole.
    pub fn derivatives(&self, poles: &[Pole], rows: usize) -> Option<Tall> {
        let mut matrix = Tall::zeros(rows, 2 * poles.len());
        self.bins.derivatives(poles, &mut matrix);
        self.project_out(&mut matrix)?;
        Some(matrix)
    }
}

impl Problem {
    /// The problem with other residual terms; `None` where these take all numbers.
    pub fn with_terms(&self, terms: ResidualTerms) -> Option<Problem> {
        let groups = self.groups.iter().map(|group| group.with_terms(terms)).collect::<Option<Vec<_>>>()?;
        Some(Problem { groups, terms, prior: self.prior.clone(), ..*self })
    }

    /// The problem with some of a fit's poles fixed and their residues free: their columns are projected out of data
    /// and model once, so that a few other poles can move at little cost.
    pub fn with_poles_fixed(&self, fit: &Projection, poles: &[usize]) -> Option<Problem> {
        let columns: Vec<usize> = poles.iter().flat_map(|j| [2 * j, 2 * j + 1]).collect();
        let groups = self.groups.iter().zip(&fit.groups).map(|(group, fit)| {
            let poles = fit.factor.of(&columns)?;
            let mut data = group.data.clone().with_height(poles.height());
            poles.project_out(&mut data)?;
            let fixed = group.fixed.iter().cloned().chain([Arc::new(poles)]).collect();
            Some(Group { data, fixed, ..group.clone() })
        });
        let groups = groups.collect::<Option<Vec<_>>>()?;
        Some(Problem { groups, prior: self.prior.clone(), ..*self })
    }

    /// Real numbers of a record.
    pub fn rows_of(&self, record: usize) -> usize {
        self.groups.iter().find(|g| g.records.contains(&record)).map_or(0, Group::rows)
    }

    /// Mean square of a record's numbers.
    pub fn mean_square(&self, record: usize) -> f64 {
        let found = self.groups.iter().find_map(|group| {
            let column = group.records.iter().position(|r| *r == record)?;
            Some(group.spectra.squares()[column] / group.rows() as f64)
        });
        found.unwrap_or(0.0).max(f64::MIN_POSITIVE)
    }

    /// Number of parameters charged to one place with `poles` poles: its residues and residual terms, and its share of the
    /// poles. A count, to take from the degrees of freedom; what a pole must gain is `Window::threshold`.
    pub fn penalty(&self, poles: usize) -> f64 {
        let poles = poles as f64;
        2.0 * poles * (1.0 + 1.0 / self.records as f64) + 2.0 * self.terms.count() as f64
    }

    /// The most poles that leave more than `1 − share` of the numbers to the noise.
    pub fn most_poles(&self, share: f64) -> usize {
        let rows = self.groups.iter().map(Group::rows).min().unwrap_or(0) as f64;
        let per_pole = 2.0 * (1.0 + 1.0 / self.records as f64);
        ((share * rows - 2.0 * self.terms.count() as f64) / per_pole).max(0.0) as usize
    }

    /// Longest record, s.
    pub fn seconds(&self) -> f64 {
        self.groups.iter().map(|g| g.bins.seconds()).fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three times the amplitude of a pole of δ = 8π 1/s that makes up the response, 4 times the noise: 1/(3 · 8π · 4). A response
    /// under the noise is the noise, and above the highest frequency the last holds.
    #[test]
    fn the_prior_draws_by_its_formula() {
        let prior = Prior { omegas: vec![100.0, 200.0, 300.0], response_over_noise: vec![0.5, 4.0, 10.0] };
        for (omega_per_s, over_noise) in [(150.0, 4.0), (50.0, 1.0), (400.0, 10.0)] {
            let width = 3.0 * 8.0 * PI * over_noise;
            assert!((prior.weight(omega_per_s) * width - 1.0).abs() < 1e-12, "{omega_per_s}");
        }
    }

    /// As many terms as bins explain anything.
    #[test]
    fn terms_that_take_all_numbers_are_refused() {
        let bins = Bins::new(2000.0, 2000, 40, 43);
        let count = bins.len();
        let group = Group::new(bins, Tall::zeros(2 * count, 1), vec![0]);
        assert!(group.with_terms(ResidualTerms::of_degree_below(count - 1)).is_some());
        assert!(group.with_terms(ResidualTerms::of_degree_below(count)).is_none());
    }
}
