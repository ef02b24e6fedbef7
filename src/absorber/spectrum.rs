//! A band of the spectrum round a mode, at all places of one state, as a linear problem: columns of damped oscillations
//! and of a low polynomial (for what lies outside the band), data of each place.
//!
//! N samples of A zⁿ have at a bin ω exactly the DFT A (1 − zᴺ)/(1 − z e^{−iω/fs}), a geometric sum;
//! a real oscillation adds the same with A* and z*. Two poles are not given a column each, which
//! would grow alike where they meet, but their mean and their divided difference.

use super::coupled::Pair;
use crate::response::LowRecord;
use nalgebra::DMatrix;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Which band of the spectrum is used, and from when on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cut {
    pub centre_hz: f64,
    /// Half of its width.
    pub reach_hz: f64,
    /// Nothing above is looked at: the poles there are not known.
    pub top_hz: f64,
    /// Degree of the polynomial.
    pub degree: usize,
    /// Start after the direct sound.
    pub later_s: f64,
}

/// Lowest frequency that is looked at.
const LOWEST_HZ: f64 = 8.0;
/// Longer records are cut: nothing of a mode is left after that.
const LONGEST_S: f64 = 6.0;
/// Shorter ones say nothing about two poles.
const SHORTEST_S: f64 = 0.2;
/// Records of one rate that differ by less than this in length share their bins.
const ALIKE: f64 = 0.03;
/// Poles nearer than this share a divided difference taken at this distance, 1/s.
const LEAST_DISTANCE: f64 = 1e-4;

/// Records of one rate and length.
#[derive(Debug, Clone)]
pub(super) struct Group {
    rate_hz: f64,
    len: usize,
    /// Angular frequency of each bin.
    pub omegas: Vec<f64>,
    /// Spectrum over fs: real parts of all bins, then imaginary ones; a column for each place.
    pub data: DMatrix<f64>,
    /// Which place, and when its record starts.
    pub places: Vec<(usize, f64)>,
}

/// What oscillates: one pole, or two that may have met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Target {
    One(Complex64),
    Two(Pair),
}

impl Target {
    /// How many columns it has, and how many free numbers.
    pub fn columns(&self) -> usize {
        match self {
            Self::One(_) => 2,
            Self::Two(_) => 4,
        }
    }
}

/// The groups of a state; empty where no record is usable.
pub(super) fn groups(records: &[&LowRecord], cut: Cut) -> Vec<Group> {
    let mut shared: Vec<SharedBins> = Vec::new();
    for (index, record) in records.iter().enumerate() {
        let Some((first, len)) = usable(record, cut.later_s) else { continue };
        let alike = |b: &&mut SharedBins| {
            b.rate_hz.total_cmp(&record.rate_hz).is_eq()
                && (b.len as f64 - len as f64).abs() <= ALIKE * b.len.max(len) as f64
        };
        match shared.iter_mut().find(alike) {
            Some(bins) => {
                bins.len = bins.len.min(len);
                bins.members.push((index, first));
            }
            None => shared.push(SharedBins { rate_hz: record.rate_hz, len, members: vec![(index, first)] }),
        }
    }
    shared.iter().filter_map(|bins| group(records, cut, bins)).collect()
}

/// Records that will share their bins: which, and the first sample of each.
struct SharedBins {
    rate_hz: f64,
    len: usize,
    members: Vec<(usize, usize)>,
}

fn usable(record: &LowRecord, later_s: f64) -> Option<(usize, usize)> {
    let sound = record.rate_hz.is_finite() && record.rate_hz > 0.0 && record.onset_s.is_finite();
    if !sound || record.samples.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let top = record.samples.iter().fold(0.0_f32, |t, x| t.max(x.abs()));
    let end = record.samples.iter().rposition(|x| x.abs() > 1e-10 * top).map_or(0, |last| last + 1);
    let first = ((record.onset_s + later_s) * record.rate_hz).ceil().max(0.0) as usize;
    let len = end.saturating_sub(first).min((LONGEST_S * record.rate_hz) as usize);
    (len as f64 >= SHORTEST_S * record.rate_hz).then_some((first, len))
}

fn group(records: &[&LowRecord], cut: Cut, bins: &SharedBins) -> Option<Group> {
    let SharedBins { rate_hz, len, members } = bins;
    let (rate_hz, len) = (*rate_hz, *len);
    let width = rate_hz / len as f64;
    let low = ((cut.centre_hz - cut.reach_hz).max(LOWEST_HZ) / width).ceil() as usize;
    let high = (((cut.centre_hz + cut.reach_hz).min(cut.top_hz) / width).floor() as usize).min((len - 1) / 2);
    if high < low + cut.degree + 8 {
        return None;
    }
    let bins = high - low + 1;
    let fft = FftPlanner::new().plan_fft_forward(len);
    let mut data = DMatrix::zeros(2 * bins, members.len());
    for (column, (index, first)) in members.iter().enumerate() {
        let mut buffer: Vec<Complex64> = records[*index].samples[*first..first + len]
            .iter()
            .map(|x| Complex64::from(f64::from(*x) / rate_hz))
            .collect();
        fft.process(&mut buffer);
        for (k, value) in buffer[low..=high].iter().enumerate() {
            (data[(k, column)], data[(bins + k, column)]) = (value.re, value.im);
        }
    }
    let omegas = (low..=high).map(|k| TAU * k as f64 * width).collect();
    let places = members.iter().map(|(index, first)| (*index, *first as f64 / rate_hz)).collect();
    Some(Group { rate_hz, len, omegas, data, places })
}

impl Group {
    /// Columns of the poles, unweighted.
    pub fn poles(&self, poles: &[Target]) -> DMatrix<f64> {
        let width = poles.iter().map(Target::columns).sum();
        let mut matrix = DMatrix::zeros(2 * self.omegas.len(), width);
        let mut at = 0;
        for target in poles {
            match *target {
                Target::One(pole) => self.put_single(&mut matrix, at, pole),
                Target::Two(pair) => self.put_pair(&mut matrix, at, pair),
            }
            at += target.columns();
        }
        matrix
    }

    /// Columns of the poles and then of the polynomial.
    pub fn columns(&self, poles: &[Target], degree: usize) -> DMatrix<f64> {
        let bins = self.omegas.len();
        let poles = self.poles(poles);
        let at = poles.ncols();
        let mut matrix = poles.resize_horizontally(at + 2 * (degree + 1), 0.0);
        let (low, high) = (self.omegas[0], self.omegas[bins - 1]);
        for (k, omega) in self.omegas.iter().enumerate() {
            let x = (2.0 * (omega - low) / (high - low) - 1.0).clamp(-1.0, 1.0);
            for term in 0..=degree {
                let value = (term as f64 * x.acos()).cos() / self.rate_hz;
                matrix[(k, at + 2 * term)] = value;
                matrix[(bins + k, at + 2 * term + 1)] = value;
            }
        }
        matrix
    }

    /// Columns of mean and divided difference.
    fn put_pair(&self, matrix: &mut DMatrix<f64>, at: usize, pair: Pair) {
        let middle = 0.5 * pair.sum;
        let mut half = pair.spread.sqrt();
        if half.norm() < LEAST_DISTANCE {
            half = Complex64::new(LEAST_DISTANCE, 0.0);
        }
        let (a, b) = (middle + half, middle - half);
        let waves = [self.wave(a), self.wave(b), self.wave(a.conj()), self.wave(b.conj())];
        for (k, w) in waves[0].iter().zip(&waves[1]).zip(waves[2].iter().zip(&waves[3])).enumerate() {
            let ((a, b), (c, d)) = w;
            put(matrix, k, at, 0.5 * (a + b), 0.5 * (c + d));
            put(matrix, k, at + 2, 0.5 * (a - b) / half, 0.5 * (c - d) / half.conj());
        }
    }

    /// Columns of one pole: of Re A and Im A.
    fn put_single(&self, matrix: &mut DMatrix<f64>, at: usize, pole: Complex64) {
        let (own, mirrored) = (self.wave(pole), self.wave(pole.conj()));
        for k in 0..self.omegas.len() {
            put(matrix, k, at, own[k], mirrored[k]);
        }
    }

    /// DFT over fs of e^{λ n/fs} at each bin.
    fn wave(&self, lambda: Complex64) -> Vec<Complex64> {
        let seconds = self.len as f64 / self.rate_hz;
        let missing = 1.0 - (lambda * seconds).exp();
        self.omegas
            .iter()
            .map(|omega| {
                let step = (lambda - Complex64::new(0.0, *omega)) / self.rate_hz;
                missing / (-exp_m1(step) * self.rate_hz)
            })
            .collect()
    }
}

/// e^x − 1 without cancellation: e^a cos b − 1 = (e^a − 1) cos b − 2 sin²(b/2).
fn exp_m1(x: Complex64) -> Complex64 {
    let half = (0.5 * x.im).sin();
    Complex64::new(x.re.exp_m1() * x.im.cos() - 2.0 * half * half, x.re.exp() * x.im.sin())
}

fn put(matrix: &mut DMatrix<f64>, k: usize, at: usize, own: Complex64, mirrored: Complex64) {
    let bins = matrix.nrows() / 2;
    let (re, im) = (own + mirrored, Complex64::i() * (own - mirrored));
    (matrix[(k, at)], matrix[(bins + k, at)]) = (re.re, re.im);
    (matrix[(k, at + 1)], matrix[(bins + k, at + 1)]) = (im.re, im.im);
}

/// Weight of a bin whose noise power goes with frequency to the power `colour`.
pub(super) fn weight(omega: f64, centre_hz: f64, colour: f64) -> f64 {
    (omega / (2.0 * PI * centre_hz)).powf(-0.5 * colour)
}

/// A record that begins with its direct sound.
#[cfg(test)]
pub(super) fn record_of(samples: Vec<f32>, rate_hz: f64) -> LowRecord {
    LowRecord { samples, rate_hz, file_rate_hz: rate_hz, onset_s: 0.0, emission_s: None }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two damped oscillations, one far below and one near: columns times residues are the spectrum of
    /// the samples, to the rounding of single precision.
    #[test]
    fn columns_carry_the_samples() {
        let poles = [Complex64::new(-9.0, TAU * 41.0), Complex64::new(-6.0, TAU * 43.0)];
        let residues = [Complex64::new(0.3, -0.2), Complex64::new(-0.1, 0.25)];
        let samples: Vec<f32> = (0..3000)
            .map(|n| {
                let t = f64::from(n) / 2000.0;
                poles.iter().zip(residues).map(|(s, a)| 2.0 * (a * (s * t).exp()).re).sum::<f64>() as f32
            })
            .collect();
        let cut = Cut { centre_hz: 42.0, reach_hz: 20.0, top_hz: 100.0, degree: 0, later_s: 0.0 };
        let groups = groups(&[&record_of(samples, 2000.0)], cut);
        let group = &groups[0];
        let pair = Pair::of_poles(poles[0], poles[1]);
        let matrix = group.columns(&[Target::Two(pair)], 0);
        let (sum, difference) = (residues[0] + residues[1], residues[0] - residues[1]);
        // R1 = a/2 + b/(2h), R2 = a/2 − b/(2h) with h half the distance.
        let scaled = difference * pair.spread.sqrt();
        let signs = if (pair.sum * 0.5 + pair.spread.sqrt() - poles[0]).norm() < 1e-6 { 1.0 } else { -1.0 };
        let unknowns = [sum.re, sum.im, signs * scaled.re, signs * scaled.im];
        for row in 0..matrix.nrows() {
            let found: f64 = (0..4).map(|c| matrix[(row, c)] * unknowns[c]).sum();
            assert!((found - group.data[(row, 0)]).abs() < 2e-8, "{row}: {found} {}", group.data[(row, 0)]);
        }
    }

    /// A pair and a single pole stand side by side as each stands by itself.
    #[test]
    fn poles_have_their_columns_side_by_side() {
        let samples = vec![1.0; 3000];
        let cut = Cut { centre_hz: 42.0, reach_hz: 20.0, top_hz: 100.0, degree: 0, later_s: 0.0 };
        let groups = groups(&[&record_of(samples, 2000.0)], cut);
        let pole = |hz: f64| Complex64::new(-6.0, TAU * hz);
        let pair = Target::Two(Pair::of_poles(pole(41.0), pole(43.0)));
        let single = Target::One(pole(50.0));
        let both = groups[0].poles(&[pair, single]);
        assert_eq!(both.columns(0, 4), groups[0].poles(&[pair]));
        assert_eq!(both.columns(4, both.ncols() - 4), groups[0].poles(&[single]));
    }

    /// A band must hold nine bins and one for each degree of the polynomial; bins of half a second are 2 Hz apart.
    #[test]
    fn too_few_bins_say_nothing() {
        let samples = vec![1.0; 500];
        let found = |reach_hz: f64| {
            let cut = Cut { centre_hz: 50.0, reach_hz, top_hz: 200.0, degree: 2, later_s: 0.0 };
            groups(&[&record_of(samples.clone(), 1000.0)], cut).len()
        };
        assert_eq!([found(10.1), found(9.9)], [1, 0]);
    }
}
