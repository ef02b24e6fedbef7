//! Both states' records in one likelihood: residues of the mode alone and, at each place, an offset of the treated
//! moment, worked out for given poles; then the misfit, and its Gauss–Newton matrix over the poles.

use super::side::{Part, Row, Side};
use super::tie::{Shared, later};
use crate::absorber::spectrum::Target;
use nalgebra::{Cholesky, DMatrix, DVector, Matrix6, Vector6};
use rustfft::num_complex::Complex64;

/// What a place has of its own: residue, offset of the moment, change of the residue; real and imaginary parts.
const UNKNOWNS: usize = 6;
/// How far a residue changes for reasons of its own (a microphone put back a centimetre off), share of its rms.
const REPLACED: f64 = 0.005;
/// The common factor of all residues: any gain, hardly a phase (sd of its logarithm).
const GAIN_SD: (f64, f64) = (1.0, 0.02);
/// Other modes drive the unit and are driven by it a quarter of a period off, as far from resonance as they are: an
/// offset in phase with the residue is this share of one across (own simulation). With 0.6 a gain that is off at one place
/// passed for offsets: T60 of a treated mode was told 45 % shorter that is 37 % shorter.
const IN_PHASE: f64 = 0.25;
/// Offsets count twice in the sum of the residues: theirs is this share of the square of the moment's.
const SECOND: f64 = 0.5;

/// The joint fit's data.
pub(in crate::absorber) struct Data {
    pub before: Side,
    pub after: Side,
    /// How many places both states have between them.
    pub places: usize,
    /// Rms of the mode's residue without the unit, over the places.
    pub strength: f64,
    /// Common phase of these residues.
    pub phase: f64,
    /// g/2 about as it is, 1/s.
    pub half_coupling: f64,
    /// Expected size of the moment's offsets as a share of g/2: what other modes mix in.
    pub slack: f64,
}

/// What one place says.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub unknowns: Vector6<f64>,
    /// Inverse of the normal matrix of the unknowns.
    pub covariance: Matrix6<f64>,
    pub log_determinant: f64,
}

/// The likelihood at given numbers.
pub(super) struct Point {
    pub parts: [Vec<Part>; 2],
    pub places: Vec<Option<Place>>,
    /// Weighted squares of residuals, offsets included.
    pub misfit: f64,
}

/// What a record's columns are multiplied by for each of a place's six unknowns.
fn turned(shared: &Shared, after: Option<f64>, late_s: f64, phase: f64) -> Option<DMatrix<f64>> {
    let Some(factor) = after else {
        let turn = (shared.mode.pole() * late_s).exp();
        return Some(DMatrix::from_row_slice(
            2,
            UNKNOWNS,
            &[turn.re, -turn.im, 0.0, 0.0, 0.0, 0.0, turn.im, turn.re, 0.0, 0.0, 0.0, 0.0],
        ));
    };
    let tied = shared.tied(factor)?;
    let mut matrix = DMatrix::zeros(4, UNKNOWNS);
    let unknowns = [
        (tied.sum, tied.moment),
        (Complex64::i() * tied.sum, Complex64::i() * tied.moment),
        (Complex64::default(), Complex64::cis(phase)),
        (Complex64::default(), Complex64::i() * Complex64::cis(phase)),
        (tied.sum, tied.moment),
        (Complex64::i() * tied.sum, Complex64::i() * tied.moment),
    ];
    for (k, (sum, moment)) in unknowns.into_iter().enumerate() {
        let (sum, moment) = later(tied.pair, sum, moment, late_s);
        matrix.column_mut(k).copy_from_slice(&[sum.re, sum.im, moment.re, moment.im]);
    }
    Some(matrix)
}

impl Data {
    fn sides(&self) -> [(&Side, Option<f64>); 2] {
        [(&self.before, None), (&self.after, Some(self.after.factor))]
    }

    fn poles(shared: &Shared, after: Option<f64>) -> Option<Target> {
        Some(match after {
            None => Target::One(shared.mode.pole()),
            Some(factor) => Target::Two(shared.tied(factor)?.pair),
        })
    }

    /// How many numbers are free: those that both states share, then each neighbour's two.
    pub(super) fn size(&self) -> usize {
        Shared::COUNT + 2 * (self.before.neighbours.len() + self.after.neighbours.len())
    }

    /// The numbers to start from.
    pub(super) fn start(&self, shared: &Shared) -> Vec<f64> {
        let near = self.before.neighbours.iter().chain(&self.after.neighbours);
        shared.numbers().into_iter().chain(near.flat_map(|s| [s.re, s.im])).collect()
    }

    /// Neighbours of both states.
    pub(super) fn neighbours(&self, numbers: &[f64]) -> [Vec<Complex64>; 2] {
        let all: Vec<Complex64> =
            numbers[Shared::COUNT..].chunks(2).map(|s| Complex64::new(s[0], s[1])).collect();
        let (before, after) = all.split_at(self.before.neighbours.len());
        [before.to_vec(), after.to_vec()]
    }

    /// Shared numbers that are expected near nothing: which, value, sd.
    fn priors(&self, shared: &Shared) -> [(usize, f64, f64); 4] {
        let (offset, gain) = (shared.offset, shared.gain);
        [
            (5, offset.re, IN_PHASE * self.half_coupling * self.slack),
            (6, offset.im, self.half_coupling * self.slack),
            (7, gain.re, GAIN_SD.0),
            (8, gain.im, GAIN_SD.1.hypot(SECOND * IN_PHASE * self.slack * self.slack)),
        ]
    }

    /// Standard deviations expected of a place's own unknowns beyond the residue.
    fn loose(&self) -> [f64; UNKNOWNS - 2] {
        let offset = self.strength * self.half_coupling * self.slack;
        let change = self.strength * REPLACED.hypot(SECOND * self.slack * self.slack);
        [IN_PHASE * offset, offset, change, change]
    }

    pub(super) fn point(&self, numbers: &[f64]) -> Option<Point> {
        let shared = Shared::of_numbers(numbers);
        let near = self.neighbours(numbers);
        let part = |k: usize| {
            let (side, after) = self.sides()[k];
            side.parts(&near[k], Self::poles(&shared, after)?)
        };
        let parts = [part(0)?, part(1)?];
        let targets: [Vec<&DMatrix<f64>>; 2] =
            [0, 1].map(|k: usize| parts[k].iter().map(|p| &p.target).collect());
        let (places, misfit) = self.places(&shared, &parts, &targets)?;
        Some(Point { places, misfit, parts })
    }

    /// Places and misfit for shared numbers elsewhere, neighbours as they are in `point`.
    pub(super) fn beside(&self, shared: &Shared, point: &Point) -> Option<(Vec<Option<Place>>, f64)> {
        let moved = |k: usize| {
            let (side, after) = self.sides()[k];
            Some(side.moved(&point.parts[k], Self::poles(shared, after)?))
        };
        let moved = [moved(0)?, moved(1)?];
        let targets: [Vec<&DMatrix<f64>>; 2] = [0, 1].map(|k: usize| moved[k].iter().collect());
        self.places(shared, &point.parts, &targets)
    }

    fn places(
        &self,
        shared: &Shared,
        parts: &[Vec<Part>; 2],
        targets: &[Vec<&DMatrix<f64>>; 2],
    ) -> Option<(Vec<Option<Place>>, f64)> {
        let mut normals = vec![(Matrix6::zeros(), Vector6::zeros(), false); self.places];
        let mut misfit: f64 = self.priors(shared).iter().map(|(_, value, sd)| (value / sd).powi(2)).sum();
        for (k, (_, after)) in self.sides().into_iter().enumerate() {
            for (part, target) in parts[k].iter().zip(&targets[k]) {
                let gram = target.tr_mul(*target);
                let products = target.tr_mul(&part.data);
                for row in &part.rows {
                    let turn = turned(shared, after, row.late_s, self.phase)?;
                    let normal = &mut normals[row.place];
                    let own = turn.transpose() * &gram * &turn / row.variance;
                    let right = turn.transpose() * products.column(row.column) / row.variance;
                    normal.0 += Matrix6::from_fn(|i, j| own[(i, j)]);
                    normal.1 += Vector6::from_fn(|i, _| right[i]);
                    normal.2 = true;
                    misfit += part.data.column(row.column).norm_squared() / row.variance;
                }
            }
        }
        let loose = self.loose().map(|sd| sd.powi(-2));
        let mut places = Vec::with_capacity(self.places);
        for (mut normal, right, seen) in normals {
            loose.iter().enumerate().for_each(|(i, weight)| normal[(i + 2, i + 2)] += weight);
            let found = seen.then(|| place(normal, right)).flatten();
            misfit -= found.as_ref().map_or(0.0, |f| f.unknowns.dot(&right));
            places.push(found);
        }
        misfit.is_finite().then_some((places, misfit))
    }

    /// Gauss–Newton matrix and right side over the free numbers.
    pub(super) fn normal(&self, numbers: &[f64], point: &Point) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let size = self.size();
        let (mut matrix, mut right) = (DMatrix::zeros(size, size), DVector::zeros(size));
        let mut crossed: Vec<DMatrix<f64>> = vec![DMatrix::zeros(UNKNOWNS, size); self.places];
        let shared = Shared::of_numbers(numbers);
        for k in 0..2 {
            for index in 0..point.parts[k].len() {
                self.add(numbers, point, (k, index), (&mut matrix, &mut right, &mut crossed))?;
            }
        }
        for (crossed, place) in crossed.iter().zip(&point.places) {
            let Some(place) = place else { continue };
            let inverse = DMatrix::from_fn(UNKNOWNS, UNKNOWNS, |i, j| place.covariance[(i, j)]);
            matrix -= crossed.transpose() * inverse * crossed;
        }
        for (at, value, sd) in self.priors(&shared) {
            matrix[(at, at)] += sd.powi(-2);
            right[at] -= value * sd.powi(-2);
        }
        matrix.iter().all(|x: &f64| x.is_finite()).then_some((matrix, right))
    }

    /// Adds what one group of records says.
    fn add(
        &self,
        numbers: &[f64],
        point: &Point,
        (k, index): (usize, usize),
        (matrix, right, crossed): (&mut DMatrix<f64>, &mut DVector<f64>, &mut [DMatrix<f64>]),
    ) -> Option<()> {
        let (side, after) = self.sides()[k];
        let part = &point.parts[k][index];
        let shared = Shared::of_numbers(numbers);
        let slopes = self.target_slopes(numbers, point, (k, index))?;
        let near = &self.neighbours(numbers)[k];
        let beside: Vec<[DMatrix<f64>; 2]> =
            near.iter().map(|s| side.neighbour_slopes(index, part, *s)).collect();
        let first = Shared::COUNT + if k == 0 { 0 } else { 2 * self.before.neighbours.len() };
        for row in &part.rows {
            let Some(place) = &point.places[row.place] else { continue };
            let unknowns = DVector::from_row_slice(place.unknowns.as_slice());
            let turn = turned(&shared, after, row.late_s, self.phase)?;
            let own = &turn * &unknowns;
            let mut moves = DMatrix::zeros(part.target.nrows(), self.size());
            for (p, slope) in slopes.iter().enumerate() {
                let turns = self.turn_slope(numbers, after, row, p)?;
                moves.set_column(p, &(slope * &own + &part.target * (turns * &unknowns)));
            }
            let amplitudes = part.neighbours(row, own.as_slice())?;
            for (n, slopes) in beside.iter().enumerate() {
                let a = DVector::from_row_slice(&amplitudes[2 * n..2 * n + 2]);
                for (d, slope) in slopes.iter().enumerate() {
                    moves.set_column(first + 2 * n + d, &(slope * &a));
                }
            }
            let residual = part.data.column(row.column) - &part.target * &own;
            let weight = row.variance.recip();
            let turned_over = moves.transpose();
            matrix.gemm(weight, &turned_over, &moves, 1.0);
            right.gemv(weight, &turned_over, &residual, 1.0);
            crossed[row.place].gemm(weight, &(turn.transpose() * part.target.transpose()), &moves, 1.0);
        }
        Some(())
    }

    /// Slopes of the treated mode's columns by each shared number.
    fn target_slopes(
        &self,
        numbers: &[f64],
        point: &Point,
        (k, index): (usize, usize),
    ) -> Option<Vec<DMatrix<f64>>> {
        let (side, after) = self.sides()[k];
        (0..Shared::COUNT)
            .map(|p| {
                if p >= 5 || (k == 0 && p >= 2) {
                    return Some(DMatrix::zeros(
                        point.parts[k][index].target.nrows(),
                        point.parts[k][index].target.ncols(),
                    ));
                }
                let step = step(p, numbers[p]);
                let at = |by: f64| {
                    let poles = Self::poles(&Shared::of_numbers(&shifted(numbers, p, by)), after)?;
                    Some(side.moved_of(index, &point.parts[k][index], poles))
                };
                Some((at(step)? - at(-step)?) / (2.0 * step))
            })
            .collect()
    }

    fn turn_slope(&self, numbers: &[f64], after: Option<f64>, row: &Row, p: usize) -> Option<DMatrix<f64>> {
        let step = step(p, numbers[p]);
        let at =
            |by: f64| turned(&Shared::of_numbers(&shifted(numbers, p, by)), after, row.late_s, self.phase);
        Some((at(step)? - at(-step)?) / (2.0 * step))
    }

    /// What the misfit would be if each state had residues and poles of its own, by the noise of its own fit; and how
    /// many unknowns fewer the joint fit has, offsets not counted.
    pub(super) fn untied(&self, point: &Point) -> (f64, usize) {
        let mut freedom = 0;
        for (k, (side, after)) in self.sides().into_iter().enumerate() {
            let target = if after.is_some() { 4 } else { 2 };
            for (index, part) in point.parts[k].iter().enumerate() {
                let columns = side.stretch.held_columns(index) + part.columns() + target;
                freedom += part.rows.len() * part.data.nrows().saturating_sub(columns);
            }
        }
        let both = point.places.iter().flatten().count();
        (freedom as f64, (4 * both).saturating_sub(2))
    }

    /// −2 ln of the likelihood with all residues and offsets integrated out (Laplace), up to a constant: what tells
    /// how large the offsets are.
    pub(super) fn evidence(&self, numbers: &[f64], point: &Point, normal: &DMatrix<f64>) -> Option<f64> {
        let seen = || point.places.iter().flatten();
        let residues: f64 = seen().map(|p| p.log_determinant).sum();
        let own: f64 = self.loose().iter().map(|sd| 2.0 * sd.ln()).sum();
        let common: f64 =
            self.priors(&Shared::of_numbers(numbers)).iter().map(|(_, _, sd)| 2.0 * sd.ln()).sum();
        let priors = seen().count() as f64 * own + common;
        let scale: Vec<f64> = normal.diagonal().iter().map(|d| d.sqrt()).collect();
        let scaled =
            DMatrix::from_fn(normal.nrows(), normal.ncols(), |i, j| normal[(i, j)] / scale[i] / scale[j]);
        let root = Cholesky::new(scaled)?.l();
        let poles: f64 = root.diagonal().iter().chain(&scale).map(|d| 2.0 * d.ln()).sum();
        Some(point.misfit + residues + priors + poles)
    }
}

/// A step over which the columns are nearly straight.
fn step(p: usize, number: f64) -> f64 {
    if p == 4 { 1e-3 * (1.0 + number.abs()) } else { 1e-3 }
}

fn shifted(numbers: &[f64], p: usize, by: f64) -> Vec<f64> {
    let mut moved = numbers[..Shared::COUNT].to_vec();
    moved[p] += by;
    moved
}

fn place(normal: Matrix6<f64>, right: Vector6<f64>) -> Option<Place> {
    // Residue and moment have units of their own.
    let scale = normal.diagonal().map(|d| d.sqrt());
    if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return None;
    }
    let scaled = Matrix6::from_fn(|i, j| normal[(i, j)] / scale[i] / scale[j]);
    let root = scaled.cholesky()?;
    let inverse = root.inverse();
    let covariance = Matrix6::from_fn(|i, j| inverse[(i, j)] / scale[i] / scale[j]);
    let log_determinant = root.l().diagonal().iter().chain(scale.iter()).map(|d| 2.0 * d.ln()).sum::<f64>();
    Some(Place { unknowns: covariance * right, covariance, log_determinant })
}
