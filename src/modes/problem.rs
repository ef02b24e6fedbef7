//! One frequency window of the fit: spectra of all places, the smooth terms beside the poles, the prior.

use super::basis::Bins;
use super::pole::Pole;
use super::projection::GroupFit;
use super::smooth::Smooth;
use nalgebra::DMatrix;
use std::f64::consts::PI;

/// Places whose records have one rate and one length, so that one set of columns serves them all.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    /// Their bins within the window.
    pub bins: Bins,
    /// Weighted spectra over fs: real parts above imaginary parts, one column a place. Where poles are
    /// held, freed from them, with the rows of their prior below.
    pub data: DMatrix<f64>,
    /// Which place each column is.
    pub places: Vec<usize>,
    /// Orthonormal basis of what poles held (and the smooth terms) span.
    pub held: Option<DMatrix<f64>>,
}

/// All that a window of the fit knows before any pole is chosen.
#[derive(Debug, Clone)]
pub(crate) struct Problem {
    /// The groups; every place of the fit is in exactly one.
    pub groups: Vec<Group>,
    /// How many places there are.
    pub places: usize,
    /// What takes what the poles don't.
    pub smooth: Smooth,
    /// Edges of the bins used, Hz.
    pub band_hz: (f64, f64),
    /// Power of frequency that the weights take the noise to follow beside its background.
    pub exponent: f64,
    /// What amplitudes to expect, if anything.
    pub prior: Option<Prior>,
}

/// A weak Gaussian prior on amplitudes: a pole is not much stronger than the response around it.
///
/// Neighbouring poles with huge opposite amplitudes describe what is no resonance; the prior's sd,
/// `WIDTH` times the amplitude of one pole that makes up the whole response, leaves all others alone.
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
                    for (column, place) in group.data.column_iter().zip(&group.places) {
                        let square = column[k] * column[k] + column[n + k] * column[n + k];
                        sum += square / whitening / variances[*place];
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

    /// Weight of the row that draws an amplitude of this pole to zero, in a record of `seconds`.
    fn weight(&self, pole: &Pole, seconds: f64) -> f64 {
        let at = self.omegas.partition_point(|o| *o < pole.omega_per_s).min(self.omegas.len() - 1);
        1.0 / (WIDTH * pole.decay_per_s.max(1.0 / seconds) * self.response_over_noise[at].max(1.0))
    }
}

impl Group {
    /// Real numbers per place.
    pub fn rows(&self) -> usize {
        2 * self.bins.len()
    }

    /// Columns of all poles and of the smooth terms; below them the prior's rows.
    pub fn matrix(&self, poles: &[Pole], smooth: Smooth, prior: Option<&Prior>) -> DMatrix<f64> {
        let (rows, given) = (self.rows(), self.data.nrows());
        let whole = given + if prior.is_some() { 2 * poles.len() } else { 0 };
        let mut matrix = DMatrix::zeros(whole, 2 * poles.len() + 2 * smooth.terms());
        let mut pairs = matrix.as_mut_slice().chunks_exact_mut(2 * whole);
        for (j, (pole, pair)) in poles.iter().zip(&mut pairs).enumerate() {
            let (first, second) = pair.split_at_mut(whole);
            self.bins.columns(pole, &mut first[..rows], &mut second[..rows]);
            if let Some(prior) = prior {
                let weight = prior.weight(pole, self.bins.seconds());
                first[given + 2 * j] = weight;
                second[given + 2 * j + 1] = weight;
            }
        }
        for (at, pair) in pairs.enumerate() {
            let (first, second) = pair.split_at_mut(whole);
            smooth.columns(at, &self.bins, &mut first[..rows], &mut second[..rows]);
        }
        matrix
    }

    /// Derivatives along the real direction of λ: of the Re A column, then the Im A column of each pole.
    pub fn derivatives(&self, poles: &[Pole], rows: usize) -> DMatrix<f64> {
        let own = self.rows();
        let mut matrix = DMatrix::zeros(rows, 2 * poles.len());
        for (pole, pair) in poles.iter().zip(matrix.as_mut_slice().chunks_exact_mut(2 * rows)) {
            let (first, second) = pair.split_at_mut(rows);
            self.bins.derivatives(pole, &mut first[..own], &mut second[..own]);
        }
        matrix
    }
}

impl Problem {
    /// What is left to fit where these poles and the smooth terms keep to their place but not to their
    /// amplitudes: their columns are taken out once, and a few poles can move at little cost.
    pub fn holding(&self, poles: &[Pole]) -> Option<Problem> {
        let groups = self.groups.iter().map(|group| {
            let fit = GroupFit::new(self, group, poles)?;
            let (bins, places) = (group.bins.clone(), group.places.clone());
            Some(Group { bins, data: fit.residual, places, held: Some(fit.basis) })
        });
        let groups = groups.collect::<Option<Vec<_>>>()?;
        Some(Problem { groups, smooth: Smooth::NONE, prior: self.prior.clone(), ..*self })
    }

    /// Real numbers of a place.
    pub fn rows_of(&self, place: usize) -> usize {
        self.groups.iter().find(|g| g.places.contains(&place)).map_or(0, Group::rows)
    }

    /// Mean square of a place's numbers.
    pub fn mean_square(&self, place: usize) -> f64 {
        let found = self.groups.iter().find_map(|group| {
            let column = group.places.iter().position(|p| *p == place)?;
            Some(group.data.column(column).norm_squared() / group.rows() as f64)
        });
        found.unwrap_or(0.0).max(f64::MIN_POSITIVE)
    }

    /// Parameters that a place pays for `poles` poles: its amplitudes, its smooth terms, its share of the poles.
    pub fn price(&self, poles: usize) -> f64 {
        let poles = poles as f64;
        2.0 * poles * (1.0 + 1.0 / self.places as f64) + 2.0 * self.smooth.terms() as f64
    }

    /// The most poles that leave more than `1 − share` of the numbers to the noise.
    pub fn most_poles(&self, share: f64) -> usize {
        let rows = self.groups.iter().map(Group::rows).min().unwrap_or(0) as f64;
        let per_pole = 2.0 * (1.0 + 1.0 / self.places as f64);
        ((share * rows - 2.0 * self.smooth.terms() as f64) / per_pole).max(0.0) as usize
    }

    /// Longest record, s.
    pub fn seconds(&self) -> f64 {
        self.groups.iter().map(|g| g.bins.seconds()).fold(0.0, f64::max)
    }
}
