//! Fit of the poles of one mode in one state: least squares over all places in a band of the spectrum round the mode,
//! residues free at each place (variable projection: Golub & Pereyra 1973, the Jacobian as in Kaufman 1975).
//!
//! In the search for modes the number of poles is unknown; here it is given, two where a unit stands, and they are fitted
//! as sum and squared half distance. So even a pair that coincides, which no search can tell from one pole, has an
//! estimate with a valid joint covariance.

use super::coupled::Pair;
use super::spectrum::{Cut, Group, Target, groups, weight};
use crate::response::LowRecord;
use nalgebra::{Cholesky, DMatrix, DVector};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// No pole of the pair lies farther from the middle, hertz.
const PAIR_REACH_HZ: f64 = 14.0;
/// A neighbour that goes farther than this is another one, hertz.
const NEIGHBOUR_REACH_HZ: f64 = 1.5;
/// … and so many times its decay constant, for those that are wide.
const NEIGHBOUR_WIDTH: f64 = 0.3;
/// … or one whose decay differs by more than this factor.
const NEIGHBOUR_DECAY: f64 = 2.0;
/// Decay constants that a pair may have, 1/s.
pub(super) const DECAYS: (f64, f64) = (0.05, 300.0);
/// Steps of one descent.
const STEPS: usize = 40;

/// What is fitted: pair or single, and the neighbours that move along.
#[derive(Debug, Clone)]
pub(super) struct Start {
    pub target: Target,
    pub neighbours: Vec<Complex64>,
}

/// A fitted target.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub target: Target,
    pub neighbours: Vec<Complex64>,
    /// Covariance of all free numbers: the target's (of a pair [`Pair::numbers`], of one pole real and imaginary
    /// part), then real and imaginary part of each neighbour.
    pub joint: DMatrix<f64>,
    /// −2 ln of the likelihood, up to a constant of the data.
    pub score: f64,
    /// Sum of the target's residues at each place (`None`: not part of the fit), at its record's start,
    /// and the time of that start from sample 0.
    pub residues: Vec<Option<(Vec<Complex64>, f64)>>,
    /// Exponent of the noise's power over frequency.
    pub colour: f64,
    /// Variance of the whitened noise at each place, as the residual shows it.
    pub variances: Vec<Option<f64>>,
}

/// The band with the slope of its noise spectrum.
#[derive(Debug, Clone)]
pub(super) struct Stretch {
    groups: Vec<Group>,
    cut: Cut,
    places: usize,
    colour: f64,
    held: Vec<Complex64>,
    /// For each group the fixed poles and the polynomial, projected out once and for all.
    bases: Vec<FixedPoles>,
}

/// Orthonormal columns of the fixed poles and the polynomial, and the whitened data with these projected out.
#[derive(Debug, Clone)]
struct FixedPoles {
    basis: DMatrix<f64>,
    data: DMatrix<f64>,
}

struct Point {
    /// A group's orthonormal basis, triangle inverse times basisᵀ times data, residual.
    parts: Vec<Part>,
    score: f64,
}

struct Part {
    basis: DMatrix<f64>,
    coefficients: DMatrix<f64>,
    residual: DMatrix<f64>,
    /// Residual variance of each column.
    variances: Vec<f64>,
}

impl Stretch {
    /// `held`: poles that take part at a fixed place. `None` where no record is usable, or they leave nothing to fit.
    pub fn new(records: &[&LowRecord], cut: Cut, held: Vec<Complex64>, colour: f64) -> Option<Self> {
        let groups = groups(records, cut);
        let empty = Self { groups, cut, places: records.len(), colour, held, bases: Vec::new() };
        (!empty.groups.is_empty()).then(|| empty.with_colour(colour))?
    }

    /// The stretch with its noise going as frequency to the power `colour`.
    pub fn with_colour(mut self, colour: f64) -> Option<Self> {
        self.colour = colour;
        let held: Vec<Target> = self.held.iter().copied().map(Target::One).collect();
        self.bases = self
            .groups
            .iter()
            .map(|group| {
                let (mut matrix, mut data) = (group.columns(&held, self.cut.degree), group.data.clone());
                self.whiten(group, &mut matrix);
                self.whiten(group, &mut data);
                for mut column in matrix.column_iter_mut() {
                    let norm = column.norm();
                    column.unscale_mut(norm.max(f64::MIN_POSITIVE));
                }
                let sound = matrix.iter().all(|x| x.is_finite()) && matrix.nrows() > matrix.ncols() + 12;
                sound.then(|| {
                    let basis = matrix.qr().q();
                    let data = &data - &basis * basis.tr_mul(&data);
                    FixedPoles { basis, data }
                })
            })
            .collect::<Option<_>>()?;
        Some(self)
    }

    /// Score of a start without any step.
    pub fn score(&self, start: &Start) -> Option<f64> {
        Some(self.point(&model(start))?.score)
    }

    /// How many places take part.
    pub fn used(&self) -> usize {
        self.groups.iter().map(|g| g.places.len()).sum()
    }

    /// Least squares from a start; then once more with the slope of the noise spectrum estimated from the residual.
    pub fn fit(self, start: &Start) -> Option<(Self, Fitted)> {
        let (end, point) = self.descend(start)?;
        let colour = self.residual_colour(&point)?;
        let coloured = self.with_colour(colour)?;
        let found = coloured.finish(&end)?;
        Some((coloured, found))
    }

    /// Least squares at the present slope of the noise spectrum.
    pub fn finish(&self, start: &Start) -> Option<Fitted> {
        let (end, point) = self.descend(start)?;
        let (normal, _) = self.normal(&end, &point)?;
        let inverse = invert(&normal)?;
        Some(Fitted {
            target: end.target,
            joint: inverse,
            score: point.score,
            residues: self.residues(&end, &point),
            variances: self.variances(&point),
            neighbours: end.neighbours,
            colour: self.colour,
        })
    }

    fn point(&self, model: &[Target]) -> Option<Point> {
        let (mut parts, mut score) = (Vec::with_capacity(self.groups.len()), 0.0);
        for (group, held) in self.groups.iter().zip(&self.bases) {
            let mut matrix = group.poles(model);
            self.clear(group, held, &mut matrix);
            let data = &held.data;
            let scales: Vec<f64> = matrix.column_iter().map(|c| c.norm()).collect();
            if scales.iter().any(|s| !(s.is_finite() && *s > 0.0)) || matrix.nrows() <= matrix.ncols() {
                return None;
            }
            for (mut column, scale) in matrix.column_iter_mut().zip(&scales) {
                column.unscale_mut(*scale);
            }
            let columns = matrix.ncols() + held.basis.ncols();
            let qr = matrix.qr();
            let (basis, triangle) = (qr.q(), qr.r());
            let projected = basis.tr_mul(data);
            let mut coefficients = triangle.solve_upper_triangular(&projected)?;
            for (mut row, scale) in coefficients.row_iter_mut().zip(&scales) {
                row.unscale_mut(*scale);
            }
            let residual = data - &basis * &projected;
            let freedom = data.nrows().saturating_sub(columns).max(1) as f64;
            let freedom_of_all = data.nrows().saturating_sub(held.basis.ncols()) as f64;
            let squares = residual.column_iter().map(|c| c.norm_squared().max(f64::MIN_POSITIVE));
            let variances: Vec<f64> = squares.map(|s| s / freedom).collect();
            // Of models with more columns than another, the score falls by χ² of their number.
            score += variances.iter().map(|v| freedom_of_all * (v * freedom).ln()).sum::<f64>();
            parts.push(Part { basis, coefficients, residual, variances });
        }
        score.is_finite().then_some(Point { parts, score })
    }

    fn whiten(&self, group: &Group, matrix: &mut DMatrix<f64>) {
        if self.colour.abs() < 1e-12 {
            return;
        }
        let bins = group.omegas.len();
        for (k, omega) in group.omegas.iter().enumerate() {
            let factor = weight(*omega, self.cut.centre_hz, self.colour);
            matrix.row_mut(k).scale_mut(factor);
            matrix.row_mut(bins + k).scale_mut(factor);
        }
    }

    /// Whitens columns and projects the fixed columns out of them.
    fn clear(&self, group: &Group, held: &FixedPoles, matrix: &mut DMatrix<f64>) {
        self.whiten(group, matrix);
        let inside = held.basis.tr_mul(matrix);
        matrix.gemm(-1.0, &held.basis, &inside, 1.0);
    }

    fn descend(&self, start: &Start) -> Option<(Start, Point)> {
        let mut now = start.clone();
        let mut point = self.point(&model(&now))?;
        let mut damping = 1e-3;
        for _ in 0..STEPS {
            let (normal, gradient) = self.normal(&now, &point)?;
            let mut moved = false;
            for _ in 0..8 {
                let mut damped = normal.clone();
                for i in 0..damped.nrows() {
                    damped[(i, i)] *= 1.0 + damping;
                }
                let step = solve(&damped, &gradient)?;
                let next = apply(&now, &step);
                let better = allowed(&next, start, self.cut.centre_hz)
                    .then(|| self.point(&model(&next)))
                    .flatten()
                    .filter(|p| p.score < point.score);
                if let Some(better) = better {
                    moved = point.score - better.score > 1e-4;
                    (now, point) = (next, better);
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
                damping *= 8.0;
            }
            if !moved {
                break;
            }
        }
        Some((now, point))
    }

    /// Gauss–Newton matrix and right side over the free numbers.
    fn normal(&self, at: &Start, point: &Point) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let numbers = free(at);
        let mut normal = DMatrix::zeros(numbers.len(), numbers.len());
        let mut gradient = DVector::zeros(numbers.len());
        for ((group, held), part) in self.groups.iter().zip(&self.bases).zip(&point.parts) {
            let slopes: Vec<DMatrix<f64>> = (0..numbers.len())
                .map(|p| {
                    let mut moves = self.slope(group, at, &numbers, p) * own(part, at, p);
                    self.clear(group, held, &mut moves);
                    &moves - &part.basis * part.basis.tr_mul(&moves)
                })
                .collect();
            for (m, variance) in part.variances.iter().enumerate() {
                for p in 0..numbers.len() {
                    gradient[p] += slopes[p].column(m).dot(&part.residual.column(m)) / variance;
                    for q in 0..=p {
                        normal[(p, q)] += slopes[p].column(m).dot(&slopes[q].column(m)) / variance;
                    }
                }
            }
        }
        for p in 0..numbers.len() {
            for q in 0..p {
                normal[(q, p)] = normal[(p, q)];
            }
        }
        normal.iter().all(|x: &f64| x.is_finite()).then_some((normal, gradient))
    }

    /// Derivative of the columns that free number `p` moves, by a central difference (the columns are
    /// smooth in it; its error is 1e-6 of the slope).
    fn slope(&self, group: &Group, at: &Start, numbers: &[f64], p: usize) -> DMatrix<f64> {
        let size = at.target.columns();
        let which = if p < size { 0 } else { 1 + (p - size) / 2 };
        let columns = |number: f64| {
            let mut moved = numbers.to_vec();
            moved[p] = number;
            let poles = model(&place(at, &moved));
            group.poles(&poles[which..=which])
        };
        let step = if p >= 2 && p < size { 1e-3 * (1.0 + numbers[p].abs()) } else { 1e-3 };
        (columns(numbers[p] + step) - columns(numbers[p] - step)) / (2.0 * step)
    }

    /// Exponent of the noise's power over frequency, from the residual pooled over the places.
    fn residual_colour(&self, point: &Point) -> Option<f64> {
        let (mut sums, mut products) = ([0.0; 3], [0.0; 2]);
        for (group, part) in self.groups.iter().zip(&point.parts) {
            let bins = group.omegas.len();
            for (k, omega) in group.omegas.iter().enumerate() {
                let power: f64 = (0..part.variances.len())
                    .map(|m| {
                        let r = &part.residual;
                        (r[(k, m)].powi(2) + r[(bins + k, m)].powi(2)) / part.variances[m]
                    })
                    .sum();
                let (x, y) = ((omega / (TAU * self.cut.centre_hz)).ln(), power.max(1e-12).ln());
                sums = [sums[0] + 1.0, sums[1] + x, sums[2] + x * x];
                products = [products[0] + y, products[1] + x * y];
            }
        }
        let determinant = sums[0] * sums[2] - sums[1] * sums[1];
        let slope = (sums[0] * products[1] - sums[1] * products[0]) / determinant;
        slope.is_finite().then(|| (self.colour + slope).clamp(-6.0, 3.0))
    }

    fn variances(&self, point: &Point) -> Vec<Option<f64>> {
        let mut all = vec![None; self.places];
        for (group, part) in self.groups.iter().zip(&point.parts) {
            for ((place, _), variance) in group.places.iter().zip(&part.variances) {
                all[*place] = Some(*variance);
            }
        }
        all
    }

    /// The groups, each with its data, fixed columns projected out.
    pub fn parts(&self) -> impl Iterator<Item = (&Group, &DMatrix<f64>)> {
        self.groups.iter().zip(self.bases.iter().map(|held| &held.data))
    }

    /// How many columns are fixed in a group.
    pub fn held_columns(&self, index: usize) -> usize {
        self.bases[index].basis.ncols()
    }

    /// Whitens the columns of the group of an index and projects its fixed columns out of them.
    pub fn cleared(&self, index: usize, matrix: &mut DMatrix<f64>) {
        self.clear(&self.groups[index], &self.bases[index], matrix);
    }

    /// Residues of the target's poles at the start of each place's record.
    fn residues(&self, end: &Start, point: &Point) -> Vec<Option<(Vec<Complex64>, f64)>> {
        let mut all = vec![None; self.places];
        for (group, part) in self.groups.iter().zip(&point.parts) {
            for (m, (place, start_s)) in group.places.iter().enumerate() {
                let c = |row: usize| part.coefficients[(row, m)];
                let first = Complex64::new(c(0), c(1));
                let values = match end.target {
                    Target::One(_) => vec![first],
                    Target::Two(pair) => {
                        // Mean and divided difference back to the poles' own; slower pole first.
                        let half = pair.spread.sqrt();
                        let half = if half.norm() < 1e-3 { Complex64::new(1e-3, 0.0) } else { half };
                        let difference = Complex64::new(c(2), c(3)) / half;
                        let (a, b) = (0.5 * (first + difference), 0.5 * (first - difference));
                        if half.re >= 0.0 { vec![a, b] } else { vec![b, a] }
                    }
                };
                all[*place] = Some((values, *start_s));
            }
        }
        all
    }
}

/// The target, then the neighbours.
fn model(start: &Start) -> Vec<Target> {
    std::iter::once(start.target).chain(start.neighbours.iter().copied().map(Target::One)).collect()
}

/// Coefficients of the columns that free number `p` moves.
fn own(part: &Part, at: &Start, p: usize) -> DMatrix<f64> {
    let size = at.target.columns();
    let (from, count) = if p < size { (0, size) } else { (size + 2 * ((p - size) / 2), 2) };
    part.coefficients.rows(from, count).into_owned()
}

/// The free numbers: the target's, then real and imaginary part of each free neighbour.
fn free(start: &Start) -> Vec<f64> {
    let mut numbers = match start.target {
        Target::One(pole) => vec![pole.re, pole.im],
        Target::Two(pair) => pair.numbers().to_vec(),
    };
    numbers.extend(start.neighbours.iter().flat_map(|s| [s.re, s.im]));
    numbers
}

fn place(at: &Start, numbers: &[f64]) -> Start {
    let mut moved = at.clone();
    let size = at.target.columns();
    moved.target = match at.target {
        Target::One(_) => Target::One(Complex64::new(numbers[0], numbers[1])),
        Target::Two(_) => Target::Two(Pair::of_numbers([numbers[0], numbers[1], numbers[2], numbers[3]])),
    };
    for (k, neighbour) in moved.neighbours.iter_mut().enumerate() {
        *neighbour = Complex64::new(numbers[size + 2 * k], numbers[size + 2 * k + 1]);
    }
    moved
}

fn apply(at: &Start, step: &DVector<f64>) -> Start {
    let moved: Vec<f64> = free(at).iter().zip(step.iter()).map(|(x, d)| x + d).collect();
    place(at, &moved)
}

/// Whether the poles are such as a room and a unit have, and neighbours are still the same ones.
fn allowed(next: &Start, first: &Start, centre_hz: f64) -> bool {
    let damped = |s: &Complex64| (DECAYS.0..DECAYS.1).contains(&-s.re);
    let near = |s: &Complex64| (s.im - TAU * centre_hz).abs() < TAU * PAIR_REACH_HZ;
    let target = match next.target {
        Target::One(pole) => damped(&pole) && near(&pole),
        Target::Two(pair) => pair.poles().iter().all(|s| damped(s) && near(s)),
    };
    target && next.neighbours.iter().zip(&first.neighbours).all(|(a, b)| same_neighbour(*a, *b))
}

/// Whether a neighbour that moved from `b` to `a` is still the same one.
pub(super) fn same_neighbour(a: Complex64, b: Complex64) -> bool {
    let faster = a.re / b.re;
    let reach = TAU * NEIGHBOUR_REACH_HZ - NEIGHBOUR_WIDTH * b.re;
    (1.0 / NEIGHBOUR_DECAY..NEIGHBOUR_DECAY).contains(&faster) && (a.im - b.im).abs() < reach
}

pub(super) fn solve(matrix: &DMatrix<f64>, right: &DVector<f64>) -> Option<DVector<f64>> {
    let scales: Vec<f64> = matrix.diagonal().iter().map(|d| d.sqrt()).collect();
    let scaled = scaled(matrix, &scales)?;
    let right = DVector::from_iterator(right.len(), right.iter().zip(&scales).map(|(x, s)| x / s));
    let found = Cholesky::new(scaled)?.solve(&right);
    Some(DVector::from_iterator(found.len(), found.iter().zip(&scales).map(|(x, s)| x / s)))
}

/// Inverse of an information matrix, scaled to unit diagonal first.
pub(super) fn invert(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let scales: Vec<f64> = matrix.diagonal().iter().map(|d| d.sqrt()).collect();
    let inverse = Cholesky::new(scaled(matrix, &scales)?)?.inverse();
    Some(DMatrix::from_fn(inverse.nrows(), inverse.ncols(), |i, j| inverse[(i, j)] / scales[i] / scales[j]))
}

fn scaled(matrix: &DMatrix<f64>, scales: &[f64]) -> Option<DMatrix<f64>> {
    let sound = scales.iter().all(|s| s.is_finite() && *s > 0.0);
    sound.then(|| {
        DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |i, j| matrix[(i, j)] / scales[i] / scales[j])
    })
}

#[cfg(test)]
mod tests {
    use super::super::spectrum::record_of;
    use super::*;

    /// i times a residue is a quarter turn: what the imaginary part of a pole (of the sum, of the spread) does to the column of
    /// Re A is what the real part does to that of Im A.
    #[test]
    fn slopes_turn_with_the_residue() {
        let samples = vec![1.0; 2000];
        let cut = Cut { centre_hz: 40.0, reach_hz: 30.0, top_hz: 200.0, degree: 2, later_s: 0.0 };
        let record = record_of(samples, 1000.0);
        let stretch = Stretch::new(&[&record], cut, Vec::new(), 0.0).unwrap();
        let pole = |decay_per_s: f64, hz: f64| Complex64::new(-decay_per_s, TAU * hz);
        let pair = Pair::of_poles(pole(4.0, 40.0), pole(9.0, 41.0));
        for target in [Target::One(pole(5.0, 40.0)), Target::Two(pair)] {
            let at = Start { target, neighbours: vec![pole(6.0, 55.0)] };
            let numbers = free(&at);
            for p in (0..numbers.len()).step_by(2) {
                let [re, im] = [p, p + 1].map(|p| stretch.slope(&stretch.groups[0], &at, &numbers, p));
                for first in (0..re.ncols()).step_by(2) {
                    let off = (im.column(first) - re.column(first + 1)).amax();
                    assert!(off < 1e-5 * re.amax(), "{p}: {off} of {}", re.amax());
                }
            }
        }
    }

    /// A neighbour of δ = 10 1/s is the same within 1.5 Hz and 3 1/s, and half to twice its decay.
    #[test]
    fn a_neighbour_stays_within_its_reach() {
        let first = Complex64::new(-10.0, 300.0);
        let same = |decay_per_s: f64, off_per_s: f64| {
            same_neighbour(Complex64::new(-decay_per_s, 300.0 + off_per_s), first)
        };
        let reach = TAU * 1.5 + 3.0;
        assert!(same(10.0, 0.99 * reach) && same(10.0, -0.99 * reach) && !same(10.0, 1.01 * reach));
        assert!(same(5.1, 0.0) && same(19.9, 0.0) && !same(4.9, 0.0) && !same(20.1, 0.0));
    }
}
