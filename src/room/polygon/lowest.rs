//! The lowest eigenpairs of a symmetric pencil K x = λ M x, K at least and M truly positive.

use crate::room::simulate::Gauss;
use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// Columns started from at once: as many equal eigenvalues are told apart.
const BLOCK: usize = 6;

/// Eigenvalues up to `limit` with their vectors, scaled to xᵀMx = 1; `None` where the search does not settle.
///
/// Krylov space of (K + σM)⁻¹M from a block of random vectors, each made M-orthogonal to all before (block
/// Lanczos with full reorthogonalisation; Golub & Van Loan, *Matrix Computations*), then Rayleigh & Ritz.
/// `expected`: about how many there are.
pub(super) fn lowest(
    stiffness: &DMatrix<f64>,
    mass: &DMatrix<f64>,
    limit: f64,
    expected: usize,
) -> Option<Vec<(f64, DVector<f64>)>> {
    let n = stiffness.nrows();
    let shift = 0.05 * limit;
    let factor = (stiffness + shift * mass).cholesky()?;
    let (stiffness, mass) = (Rows::of(stiffness), Rows::of(mass));
    let mut wanted = (3 * expected + 5 * BLOCK).min(n);
    loop {
        let basis = krylov(&mass, wanted, |x| factor.solve(x))?;
        let products: Vec<DVector<f64>> =
            basis.column_iter().map(|column| stiffness.times(&column.into_owned())).collect();
        let projected = basis.transpose() * DMatrix::from_columns(&products);
        let symmetric = 0.5 * (&projected + projected.transpose());
        let eigen = SymmetricEigen::try_new(symmetric, f64::EPSILON, 10_000)?;
        let mut pairs: Vec<(f64, DVector<f64>)> = eigen
            .eigenvalues
            .iter()
            .enumerate()
            .filter(|(_, value)| **value <= limit)
            .map(|(i, value)| (*value, &basis * eigen.eigenvectors.column(i)))
            .collect();
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        let left = |(value, x): &(f64, DVector<f64>)| {
            let mx = mass.times(x);
            (stiffness.times(x) - *value * &mx).norm() / (mx.norm() * limit)
        };
        if basis.ncols() == n || pairs.iter().all(|pair| left(pair) < 1e-5) {
            return Some(pairs);
        }
        if wanted == n {
            return None;
        }
        wanted = (2 * wanted).min(n);
    }
}

/// A matrix by what stands in its rows: products skip the zeros.
struct Rows(Vec<Vec<(usize, f64)>>);

impl Rows {
    fn of(matrix: &DMatrix<f64>) -> Self {
        let row = |i: usize| {
            let entries = (0..matrix.ncols()).map(|j| (j, matrix[(i, j)]));
            entries.filter(|(_, value)| *value != 0.0).collect()
        };
        Self((0..matrix.nrows()).map(row).collect())
    }

    fn times(&self, x: &DVector<f64>) -> DVector<f64> {
        DVector::from_iterator(
            self.0.len(),
            self.0.iter().map(|row| row.iter().map(|(j, v)| v * x[*j]).sum()),
        )
    }
}

/// An M-orthonormal basis of `size` vectors.
fn krylov(mass: &Rows, size: usize, solve: impl Fn(&DVector<f64>) -> DVector<f64>) -> Option<DMatrix<f64>> {
    let n = mass.0.len();
    let mut random = Gauss::new(1);
    let mut basis: Vec<DVector<f64>> = Vec::with_capacity(size);
    let mut by_mass: Vec<DVector<f64>> = Vec::with_capacity(size);
    let mut tries = 0;
    while basis.len() < size && tries < 2 * size + 10 * BLOCK {
        let mut x = match basis.len().checked_sub(BLOCK) {
            Some(parent) if tries < 2 * size => solve(&by_mass[parent]),
            _ => DVector::from_fn(n, |_, _| random.normal()),
        };
        tries += 1;
        let before = x.dot(&mass.times(&x)).sqrt();
        for _ in 0..2 {
            for (q, mq) in basis.iter().zip(&by_mass) {
                let share = x.dot(mq);
                x.axpy(-share, q, 1.0);
            }
        }
        let mut mx = mass.times(&x);
        let length = x.dot(&mx).sqrt();
        if !(length.is_finite() && length > 1e-10 * before) {
            continue;
        }
        x /= length;
        mx /= length;
        basis.push(x);
        by_mass.push(mx);
    }
    (!basis.is_empty()).then(|| DMatrix::from_columns(&basis))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A chain of equal masses and springs: λ = 4 sin²(πk/2n), twice over as two chains side by side.
    #[test]
    fn equal_eigenvalues_are_all_found() {
        let n = 120;
        let mut stiffness = DMatrix::zeros(2 * n, 2 * n);
        for chain in [0, n] {
            for i in chain..chain + n - 1 {
                for (a, b, v) in [(i, i, 1.0), (i + 1, i + 1, 1.0), (i, i + 1, -1.0), (i + 1, i, -1.0)] {
                    stiffness[(a, b)] += v;
                }
            }
        }
        let mass = DMatrix::identity(2 * n, 2 * n);
        let exact = |k: usize| 4.0 * (std::f64::consts::PI * k as f64 / (2 * n) as f64).sin().powi(2);
        let found = lowest(&stiffness, &mass, exact(10) + 1e-6, 22).unwrap();
        assert_eq!(found.len(), 22);
        for (i, (value, _)) in found.iter().enumerate() {
            assert!((value - exact(i / 2)).abs() < 1e-9, "{i}: {value}");
        }
    }
}
