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
    stiffness: &Rows,
    mass: &Rows,
    limit: f64,
    expected: usize,
) -> Option<Vec<(f64, DVector<f64>)>> {
    let n = stiffness.0.len();
    let factor = Factor::of(&stiffness.plus(0.05 * limit, mass))?;
    let mut wanted = (3 * expected + 5 * BLOCK).min(n);
    loop {
        let basis = krylov(mass, wanted, |x| factor.solve(x))?;
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

/// A square matrix by what stands in its rows.
#[derive(Debug, Clone)]
pub(super) struct Rows(Vec<Vec<(usize, f64)>>);

impl Rows {
    /// Nothing, n by n.
    pub fn zeros(n: usize) -> Self {
        Self(vec![Vec::new(); n])
    }

    /// Adds to one entry.
    pub fn add(&mut self, i: usize, j: usize, value: f64) {
        match self.0[i].iter_mut().find(|entry| entry.0 == j) {
            Some(entry) => entry.1 += value,
            None => self.0[i].push((j, value)),
        }
    }

    /// This and so many times another.
    fn plus(&self, factor: f64, other: &Self) -> Self {
        let mut sum = self.clone();
        for (i, row) in other.0.iter().enumerate() {
            row.iter().for_each(|(j, value)| sum.add(i, *j, factor * value));
        }
        sum
    }

    fn times(&self, x: &DVector<f64>) -> DVector<f64> {
        DVector::from_iterator(
            self.0.len(),
            self.0.iter().map(|row| row.iter().map(|(j, v)| v * x[*j]).sum()),
        )
    }
}

/// A = L Lᵀ of a symmetric, truly positive matrix, each row of L kept from its first entry that isn't zero: with the
/// unknowns in the order of Cuthill & McKee (Proc. 24th ACM Conf. (1969)) reversed, that is a narrow strip, and the work
/// goes as n times its width squared, not as n³.
struct Factor {
    /// The old number of each unknown.
    order: Vec<usize>,
    /// Each row's first column, and its entries up to the diagonal.
    rows: Vec<(usize, Vec<f64>)>,
}

impl Factor {
    fn of(matrix: &Rows) -> Option<Self> {
        let order = order(matrix);
        let mut place = vec![0; order.len()];
        order.iter().enumerate().for_each(|(new, old)| place[*old] = new);
        let mut rows: Vec<(usize, Vec<f64>)> = Vec::with_capacity(order.len());
        for (i, old) in order.iter().enumerate() {
            let left = || matrix.0[*old].iter().map(|(j, value)| (place[*j], *value)).filter(|e| e.0 <= i);
            let first = left().map(|e| e.0).min()?;
            let mut row = vec![0.0; i + 1 - first];
            left().for_each(|(j, value)| row[j - first] = value);
            for j in first..i {
                let (begin, above) = (rows[j].0, &rows[j].1);
                let from = first.max(begin);
                let known = dot(&row[from - first..j - first], &above[from - begin..j - begin]);
                row[j - first] = (row[j - first] - known) / above[j - begin];
            }
            let (diagonal, before) = row.split_last_mut()?;
            *diagonal -= dot(before, before);
            *diagonal = Some(diagonal.sqrt()).filter(|root| *root > 0.0)?;
            rows.push((first, row));
        }
        Some(Self { order, rows })
    }

    fn solve(&self, x: &DVector<f64>) -> DVector<f64> {
        let mut y: Vec<f64> = self.order.iter().map(|old| x[*old]).collect();
        for (i, (first, row)) in self.rows.iter().enumerate() {
            let before = i - first;
            y[i] = (y[i] - dot(&row[..before], &y[*first..i])) / row[before];
        }
        for (i, (first, row)) in self.rows.iter().enumerate().rev() {
            let before = i - first;
            y[i] /= row[before];
            let value = y[i];
            y[*first..i].iter_mut().zip(row).for_each(|(y, l)| *y -= value * l);
        }
        let mut solved = DVector::zeros(y.len());
        self.order.iter().zip(y).for_each(|(old, value)| solved[*old] = value);
        solved
    }
}

/// Four sums side by side, so that they can be worked out at once.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (fours, others) = (a.chunks_exact(4).zip(b.chunks_exact(4)), a.len() / 4 * 4);
    let mut sums = [0.0; 4];
    for (x, y) in fours {
        (0..4).for_each(|k| sums[k] += x[k] * y[k]);
    }
    sums.iter().sum::<f64>() + a[others..].iter().zip(&b[others..]).map(|(x, y)| x * y).sum::<f64>()
}

/// Old numbers of the unknowns in an order in which those that meet stand near each other.
fn order(matrix: &Rows) -> Vec<usize> {
    let n = matrix.0.len();
    let degree = |i: &usize| matrix.0[*i].len();
    // Layer by layer from one unknown on, among those not yet taken.
    let layers = |start: usize, taken: &mut Vec<bool>| {
        let mut found = vec![start];
        taken[start] = true;
        let mut next = 0;
        while let Some(&at) = found.get(next) {
            let mut beside: Vec<usize> =
                matrix.0[at].iter().map(|entry| entry.0).filter(|j| !taken[*j]).collect();
            beside.sort_by_key(degree);
            beside.iter().for_each(|j| taken[*j] = true);
            found.extend(beside);
            next += 1;
        }
        found
    };
    let (mut taken, mut all) = (vec![false; n], Vec::with_capacity(n));
    while let Some(start) = (0..n).filter(|i| !taken[*i]).min_by_key(degree) {
        // The last of the layers lies at an end: from there they are narrow.
        let end = layers(start, &mut taken.clone()).last().copied().unwrap_or(start);
        all.extend(layers(end, &mut taken));
    }
    all.reverse();
    all
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
        let (mut stiffness, mut mass) = (Rows::zeros(2 * n), Rows::zeros(2 * n));
        for chain in [0, n] {
            for i in chain..chain + n - 1 {
                for (a, b, v) in [(i, i, 1.0), (i + 1, i + 1, 1.0), (i, i + 1, -1.0), (i + 1, i, -1.0)] {
                    stiffness.add(a, b, v);
                }
            }
        }
        (0..2 * n).for_each(|i| mass.add(i, i, 1.0));
        let exact = |k: usize| 4.0 * (std::f64::consts::PI * k as f64 / (2 * n) as f64).sin().powi(2);
        let found = lowest(&stiffness, &mass, exact(10) + 1e-6, 22).unwrap();
        assert_eq!(found.len(), 22);
        for (i, (value, _)) in found.iter().enumerate() {
            assert!((value - exact(i / 2)).abs() < 1e-9, "{i}: {value}");
        }
    }

    /// A net of springs numbered at random: the factor solves it, and its strip is about as narrow as the net.
    #[test]
    fn a_net_in_any_order_is_solved_within_a_narrow_strip() {
        let (wide, long) = (7, 40);
        let n = wide * long;
        let number = |x: usize, y: usize| ((x * long + y) * 89) % n;
        let mut matrix = Rows::zeros(n);
        for x in 0..wide {
            for y in 0..long {
                let here = number(x, y);
                matrix.add(here, here, 0.1);
                let beside =
                    [(x + 1 < wide).then(|| number(x + 1, y)), (y + 1 < long).then(|| number(x, y + 1))];
                for other in beside.into_iter().flatten() {
                    for (a, b, v) in
                        [(here, here, 1.0), (other, other, 1.0), (here, other, -1.0), (other, here, -1.0)]
                    {
                        matrix.add(a, b, v);
                    }
                }
            }
        }
        let factor = Factor::of(&matrix).unwrap();
        let x = DVector::from_fn(n, |i, _| (i as f64).sin());
        assert!((factor.solve(&matrix.times(&x)) - &x).norm() < 1e-10 * x.norm());
        let widest = factor.rows.iter().map(|(_, row)| row.len()).max().unwrap();
        assert!(widest <= 2 * wide, "{widest}");
        assert!(Factor::of(&Rows::zeros(n).plus(-1.0, &matrix)).is_none(), "not positive");
    }
}
