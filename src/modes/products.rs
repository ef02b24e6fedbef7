//! Inner products of the poles' columns and of their derivatives, weighted, by partial fractions: one sum over the bins for
//! each pole instead of one for each pair.
//!
//! Two poles with exp(λ/fs) = a and b have such sums as columns (`basis`), and their inner product is a sum over bins
//! of the product of two fractions. A product of two fractions in t is a sum of the two, each with a factor that holds
//! no t, so the sum over bins of each fraction alone is enough; these sums are made once a pole (`Sequence::sums`), and
//! the pairs put together from them (`Sequence::with`).
//!
//! With u = 1/(1 − a t) and v = 1/(1 − b t) at t = exp(−iω/fs) of a bin, whose conjugate is 1/t,
//! u v* = (u + v* − 1)/(1 − a b*). So Σ w² u v* follows from Σ w² u, Σ w² v and Σ w² for any weights, and what has one u or
//! v* more follows from what has one less. The error is rounding times 1/|1 − a b*| at each of these steps, some digits
//! of the sixteen: enough for a step of the fit, too little for the columns' own factor and for a covariance.

use super::basis::{Bins, GeometricSum};
use super::pole::Pole;
use super::tall::Tall;
use nalgebra::DMatrix;
use rustfft::num_complex::Complex;

/// What a step of the fit needs of the derivatives.
pub(crate) struct Derived {
    /// Derivatives along the real direction of λ, of the Re A column, then the Im A column of each pole.
    pub derivatives: Tall,
    /// Derivatives by derivatives.
    pub gram: DMatrix<f64>,
    /// Columns by derivatives.
    pub cross: DMatrix<f64>,
}

/// A geometric sequence of z = exp(λ/fs) in the bins: its column is α u, its derivative by λ is β u² − γ u.
#[derive(Clone, Copy)]
struct Sequence {
    z: Complex<f64>,
    alpha: Complex<f64>,
    beta: Complex<f64>,
    gamma: Complex<f64>,
    /// Σ w² u and Σ w² u².
    sums: [Complex<f64>; 2],
}

/// Σ w² x y* of derivatives x and y, of column by derivative, and of derivative by column.
#[derive(Clone, Copy)]
struct Pair {
    both: Complex<f64>,
    column_first: Complex<f64>,
    column_second: Complex<f64>,
}

impl Bins {
    /// The derivatives of the poles' columns in so many rows, and the products that they have with one another and with
    /// the columns.
    pub fn derived(&self, poles: &[Pole], rows: usize) -> Derived {
        let mut derivatives = Tall::zeros(rows, 2 * poles.len());
        let mut sequences: Vec<[Sequence; 2]> =
            self.sums(poles).into_iter().map(|pair| pair.map(Sequence::of)).collect();
        self.write(&mut sequences, &mut derivatives, Sequence::derivative);
        let whole = self.weights.iter().map(|w| w * w).sum();
        let (gram, cross) = products(&sequences, whole);
        Derived { derivatives, gram, cross }
    }
}

impl Sequence {
    fn of(sum: GeometricSum) -> Self {
        let beta = sum.missing * sum.scale * sum.scale;
        Self {
            z: sum.z,
            alpha: sum.missing * sum.scale,
            beta,
            gamma: beta + sum.lost * sum.scale,
            sums: [Complex::ZERO; 2],
        }
    }

    /// Its derivative in a bin, which is added to the sums.
    #[inline]
    fn derivative(&mut self, turn: &Complex<f64>, weight: f64) -> Complex<f64> {
        let step = self.z * turn;
        let (re, im) = (1.0 - step.re, -step.im);
        let scale = 1.0 / (re * re + im * im);
        let u = Complex::new(re * scale, -im * scale);
        let square = weight * weight;
        self.sums = [self.sums[0] + u * square, self.sums[1] + u * u * square];
        (self.beta * u - self.gamma) * u
    }

    /// Products with another, whose conjugate is taken.
    #[inline]
    fn with(&self, other: &Sequence, whole: f64) -> Pair {
        let [first, second] = self.sums;
        let [other_first, other_second] = other.sums.map(|sum| sum.conj());
        let near = (1.0 - self.z * other.z.conj()).inv();
        let once = near * (first + other_first - whole);
        let own_twice = near * (second + once - first);
        let other_twice = near * (once + other_second - other_first);
        let twice = near * (own_twice + other_twice - once);
        let (beta, gamma) = (other.beta.conj(), other.gamma.conj());
        let with_once = beta * other_twice - gamma * once;
        let with_twice = beta * twice - gamma * own_twice;
        Pair {
            both: self.beta * with_twice - self.gamma * with_once,
            column_first: self.alpha * with_once,
            column_second: other.alpha.conj() * (self.beta * own_twice - self.gamma * once),
        }
    }
}

/// Derivatives by derivatives and columns by derivatives, (Re A, Im A) of each pole.
fn products(sequences: &[[Sequence; 2]], whole: f64) -> (DMatrix<f64>, DMatrix<f64>) {
    let size = 2 * sequences.len();
    let (mut gram, mut cross) = (DMatrix::zeros(size, size), DMatrix::zeros(size, size));
    for (j, first) in sequences.iter().enumerate() {
        for (k, second) in sequences[..=j].iter().enumerate() {
            // Written out: `map` over arrays of this size is a call for each of them.
            let [[pp, pq], [qp, qq]] = [
                [first[0].with(&second[0], whole), first[0].with(&second[1], whole)],
                [first[1].with(&second[0], whole), first[1].with(&second[1], whole)],
            ];
            let both = block([[pp.both, pq.both], [qp.both, qq.both]]);
            let forth = block([[pp.column_first, pq.column_first], [qp.column_first, qq.column_first]]);
            let back = block([[pp.column_second, pq.column_second], [qp.column_second, qq.column_second]]);
            for p in 0..2 {
                for q in 0..2 {
                    let (row, column) = (2 * j + p, 2 * k + q);
                    gram[(row, column)] = both[p][q];
                    gram[(column, row)] = both[p][q];
                    cross[(row, column)] = forth[p][q];
                    cross[(column, row)] = back[p][q];
                }
            }
        }
    }
    (gram, cross)
}

/// The real columns x + x′ and i(x − x′) of one pole times those of another, as their real and imaginary parts stand
/// below one another: from the products of x, x′ with y, y′.
#[inline]
fn block([[p, q], [r, s]]: [[Complex<f64>; 2]; 2]) -> [[f64; 2]; 2] {
    [[(p + q + r + s).re, (p - q + r - s).im], [-(p + q - r - s).im, (p - q - r + s).re]]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against plain products of the columns: poles inside and outside the bins, long and short, two of them close.
    #[test]
    fn products_are_those_of_the_columns() {
        let mut bins = Bins::new(1200.0, 3600, 90, 400);
        for (k, weight) in bins.weights.iter_mut().enumerate() {
            *weight = 1.0 + 0.3 * (k as f64 * 0.05).sin();
        }
        let poles: Vec<Pole> =
            [(28.0, 0.3), (40.0, 2.0), (40.2, 1.7), (77.3, 0.15), (120.0, 6.0), (136.0, 0.9)]
                .map(|(hz, t60_s)| Pole::new(hz, t60_s))
                .to_vec();
        let mut columns = Tall::zeros(2 * bins.len(), 2 * poles.len());
        bins.columns(&poles, &mut columns);
        let mut derivatives = columns.clone();
        bins.derivatives(&poles, &mut derivatives);
        let derived = bins.derived(&poles, 2 * bins.len());
        assert!((derived.derivatives.to_matrix() - derivatives.to_matrix()).amax() < 1e-12);
        let norms = |tall: &Tall| tall.squares().into_iter().map(f64::sqrt).collect::<Vec<f64>>();
        let (of_columns, of_derivatives) = (norms(&columns), norms(&derivatives));
        let (gram, cross) = (derivatives.gram(), columns.times(&derivatives));
        for i in 0..2 * poles.len() {
            for j in 0..2 * poles.len() {
                let off =
                    (derived.gram[(i, j)] - gram[(i, j)]).abs() / (of_derivatives[i] * of_derivatives[j]);
                assert!(off < 1e-9, "{i} {j}: {} {}", derived.gram[(i, j)], gram[(i, j)]);
                let off = (derived.cross[(i, j)] - cross[(i, j)]).abs() / (of_columns[i] * of_derivatives[j]);
                assert!(off < 1e-9, "{i} {j}: {} {}", derived.cross[(i, j)], cross[(i, j)]);
            }
        }
    }
}
