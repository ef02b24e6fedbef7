//! The columns of a linear least-squares problem with the triangle L, LLᵀ their Gram matrix, by which it is solved.
//!
//! L comes from the Gram matrix by Cholesky's way, at a third of the work of an orthogonal decomposition. That squares
//! the columns' condition, so solutions are corrected by their own residual (the corrected seminormal equations, Björck
//! 1987), and where a pivot shows that digits are gone L comes from Householder's decomposition instead.

use super::tall::Tall;
use nalgebra::{Cholesky, DMatrix, DMatrixView, DMatrixViewMut, DVectorView};

/// Columns of norm one and their triangle.
#[derive(Debug, Clone)]
pub(crate) struct Factor {
    columns: Tall,
    /// Lower triangle L = Rᵀ, so that LLᵀ is the columns' Gram matrix.
    triangle: DMatrix<f64>,
    /// What each column was divided by.
    scales: Vec<f64>,
}

/// Below this share of a column left by those before it its square is known to a few digits only: 1e-16 over the
/// square of this.
const LEAST_PIVOT: f64 = 3e-6;
/// Columns count as dependent when an orthogonal decomposition leaves less than this of one.
const DEPENDENT: f64 = 1e-12;
/// Below this share left, rounding has grown by its inverse, and a second pass is due.
const MUCH_LOST: f64 = 1e-2;

impl Factor {
    /// `None` where the columns are dependent, not finite, or zero.
    pub fn new(mut columns: Tall) -> Option<Self> {
        let scales: Vec<f64> = columns.squares().into_iter().map(f64::sqrt).collect();
        if scales.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return None;
        }
        columns.scale(&scales.iter().map(|s| 1.0 / s).collect::<Vec<_>>());
        let triangle = by_gram(columns.gram()).or_else(|| by_reflections(columns.to_matrix()))?;
        Some(Self { columns, triangle, scales })
    }

    /// An orthonormal basis of the columns' span, as a factor whose triangle is the identity.
    pub fn orthonormal(columns: &Tall) -> Self {
        let basis = if columns.width() == 0 {
            columns.clone()
        } else {
            Tall::from_matrix(&columns.to_matrix().qr().q())
        };
        let width = basis.width();
        Self { columns: basis, triangle: DMatrix::identity(width, width), scales: vec![1.0; width] }
    }

    /// The factor of some of the columns.
    pub fn of(&self, which: &[usize]) -> Option<Self> {
        let columns = self.columns.columns(which);
        let within = self.triangle.select_rows(which);
        let triangle =
            by_gram(&within * within.transpose()).or_else(|| by_reflections(within.transpose()))?;
        let scales = which.iter().map(|column| self.scales[*column]).collect();
        Some(Self { columns, triangle, scales })
    }

    /// Rows of the columns.
    pub fn height(&self) -> usize {
        self.columns.height()
    }

    /// How many columns there are.
    pub fn width(&self) -> usize {
        self.scales.len()
    }

    /// Coefficients (a column for each of the data's) of the least-squares fit to `data`, which keeps the residual.
    pub fn solve(&self, data: &mut Tall) -> Option<DMatrix<f64>> {
        let mut all = self.coefficients(data)?;
        data.take_off(&self.columns, &all);
        let correction = self.coefficients(data)?;
        data.take_off(&self.columns, &correction);
        all += correction;
        for (mut row, scale) in all.row_iter_mut().zip(&self.scales) {
            row.unscale_mut(*scale);
        }
        Some(all)
    }

    /// (LLᵀ)⁻¹ Φᵀ of others, for the scaled columns Φ.
    fn coefficients(&self, others: &Tall) -> Option<DMatrix<f64>> {
        self.coefficients_of(self.within(others)?)
    }

    fn coefficients_of(&self, mut within: DMatrix<f64>) -> Option<DMatrix<f64>> {
        self.triangle.tr_solve_lower_triangular_mut(&mut within).then_some(within)
    }

    /// L⁻¹ times products Φᵀ that were made with [`Factor::scaled_columns`].
    pub fn within_of(&self, mut products: DMatrix<f64>) -> Option<DMatrix<f64>> {
        solve_lower(self.triangle.as_view(), &mut products.as_view_mut()).then_some(products)
    }

    /// The columns Φ, of norm one.
    pub fn scaled_columns(&self) -> &Tall {
        &self.columns
    }

    /// L⁻¹ times products that were made with the columns as they were given.
    pub fn within_of_unscaled(&self, mut products: DMatrix<f64>) -> Option<DMatrix<f64>> {
        for (mut row, scale) in products.row_iter_mut().zip(&self.scales) {
            row.unscale_mut(*scale);
        }
        self.within_of(products)
    }

    /// L⁻¹Φᵀ of others: their coordinates in an orthonormal basis of the columns' span.
    pub fn within(&self, others: &Tall) -> Option<DMatrix<f64>> {
        self.within_of(self.columns.times(others))
    }

    /// Φ⁺ of others, columns not scaled.
    pub fn pseudo_inverse_times(&self, others: &Tall) -> Option<DMatrix<f64>> {
        let mut all = self.coefficients(others)?;
        for (mut row, scale) in all.row_iter_mut().zip(&self.scales) {
            row.unscale_mut(*scale);
        }
        Some(all)
    }

    /// Projects the columns' span out of others, a second time where much was lost; returns how much of each of the columns
    /// (of norm one) was taken.
    pub fn project_out(&self, others: &mut Tall) -> Option<DMatrix<f64>> {
        if self.scales.is_empty() {
            return Some(DMatrix::zeros(0, others.width()));
        }
        let within = self.within(others)?;
        let lost = |(taken, before): (DVectorView<'_, f64>, f64)| {
            taken.norm_squared() > (1.0 - MUCH_LOST * MUCH_LOST) * before
        };
        let again = within.column_iter().zip(others.squares()).any(lost);
        let mut taken = self.coefficients_of(within)?;
        others.take_off(&self.columns, &taken);
        if again {
            let more = self.coefficients(others)?;
            others.take_off(&self.columns, &more);
            taken += more;
        }
        Some(taken)
    }

    /// Projects the columns' span out of others to rounding: an error of the triangle is left by its square.
    pub fn project_out_twice(&self, others: &mut Tall) -> Option<()> {
        for _ in 0..2 {
            others.take_off(&self.columns, &self.coefficients(others)?);
        }
        Some(())
    }

    /// (ΦᵀΦ)⁻¹ of the columns not scaled: times a noise variance the covariance of the coefficients.
    pub fn unscaled_covariance(&self) -> Option<DMatrix<f64>> {
        let size = self.triangle.nrows();
        let mut inverse = DMatrix::identity(size, size);
        if !solve_lower(self.triangle.as_view(), &mut inverse.as_view_mut()) {
            return None;
        }
        for (mut column, scale) in inverse.column_iter_mut().zip(&self.scales) {
            column.unscale_mut(*scale);
        }
        Some(inverse.transpose() * inverse)
    }
}

/// Cholesky's factor of a Gram matrix of unit columns; `None` where it can't tell the columns apart.
fn by_gram(gram: DMatrix<f64>) -> Option<DMatrix<f64>> {
    if gram.is_empty() {
        return Some(gram);
    }
    let triangle = Cholesky::new(gram)?.unpack();
    triangle.diagonal().iter().all(|pivot| *pivot > LEAST_PIVOT).then_some(triangle)
}

/// Puts L⁻¹B in the place of B, by halves, so that most of the work is a product; false where L is singular.
fn solve_lower(triangle: DMatrixView<'_, f64>, right: &mut DMatrixViewMut<'_, f64>) -> bool {
    /// Below this column by column …
    const SMALL: usize = 16;
    /// … unless there are so many that the inverse is the lesser work.
    const WIDE: usize = 64;
    let size = triangle.nrows();
    if size <= SMALL && right.ncols() > WIDE {
        let mut inverse = DMatrix::identity(size, size);
        let solved = triangle.solve_lower_triangular_mut(&mut inverse);
        let all = right.clone_owned();
        right.gemm(1.0, &inverse, &all, 0.0);
        return solved;
    }
    if size <= SMALL {
        return triangle.solve_lower_triangular_mut(right);
    }
    let (half, rest) = (size / 2, size - size / 2);
    if !solve_lower(triangle.view((0, 0), (half, half)), &mut right.rows_mut(0, half)) {
        return false;
    }
    let (above, mut below) = right.rows_range_pair_mut(0..half, half..size);
    below.gemm(-1.0, &triangle.view((half, 0), (rest, half)), &above, 1.0);
    solve_lower(triangle.view((half, half), (rest, rest)), &mut below)
}

/// The triangle of Householder's decomposition; `None` where the columns are dependent or too many.
fn by_reflections(columns: DMatrix<f64>) -> Option<DMatrix<f64>> {
    if columns.nrows() < columns.ncols() {
        return None;
    }
    let triangle = columns.qr().unpack_r().transpose();
    triangle.diagonal().iter().all(|pivot| pivot.abs() > DEPENDENT).then_some(triangle)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Resonances a hundredth and a hundred thousandth of their width apart, beside others.
    fn columns(apart: f64) -> Tall {
        Tall::from_fn(160, 40, |i, j| {
            let center = (j / 2) as f64 * 8.0 + (j % 2) as f64 * apart;
            1.0 / (1.0 + (i as f64 - center).powi(2))
        })
    }

    /// Residual and coefficients against nalgebra's singular value decomposition, by Cholesky and by Householder.
    #[test]
    fn solutions_are_those_of_an_orthogonal_decomposition() {
        for (apart, digits) in [(1e-2, 1e-10), (1e-5, 1e-7), (1e-7, 1e-5)] {
            let columns = columns(apart);
            let data = Tall::from_fn(160, 2, |i, j| ((i + 3 * j) as f64 * 0.37).sin());
            let svd = columns.to_matrix().svd(true, true);
            let expected = svd.solve(&data.to_matrix(), 1e-14).unwrap();
            let mut left = data.clone();
            let found = Factor::new(columns.clone()).unwrap().solve(&mut left).unwrap();
            let residual = data.to_matrix() - columns.to_matrix() * &expected;
            assert!((left.to_matrix() - residual).amax() < digits, "{apart}");
            assert!((&found - &expected).amax() < digits.sqrt() * expected.amax(), "{apart}");
        }
    }

    #[test]
    fn what_is_projected_has_nothing_of_the_columns() {
        let factor = Factor::new(columns(1e-3)).unwrap();
        let mut others = Tall::from_fn(170, 9, |i, j| (i as f64 * 0.11 * (j + 1) as f64).cos());
        let below: Vec<f64> = others.row(165).to_vec();
        factor.project_out(&mut others).unwrap();
        assert!(columns(1e-3).times(&others).amax() < 1e-9);
        assert_eq!(others.row(165), below);
        let part = factor.of(&[0, 5, 11]).unwrap();
        part.project_out(&mut others).unwrap();
        assert!(columns(1e-3).times(&others).amax() < 1e-9);
    }

    #[test]
    fn equal_columns_have_no_factor() {
        let twice = Tall::from_fn(30, 2, |i, _| i as f64);
        assert!(Factor::new(twice).is_none());
        assert!(Factor::new(Tall::zeros(30, 1)).is_none());
    }

    /// By hand: of 2 e₁ and 3 e₂ the vector (4, 9, 5) holds 2 and 3.
    #[test]
    fn the_pseudo_inverse_finds_the_coefficients() {
        let factor =
            Factor::new(Tall::from_fn(3, 2, |i, j| if i == j { (2 + j) as f64 } else { 0.0 })).unwrap();
        let found = factor.pseudo_inverse_times(&Tall::from_fn(3, 1, |i, _| [4.0, 9.0, 5.0][i])).unwrap();
        assert!((found - DMatrix::from_column_slice(2, 1, &[2.0, 3.0])).amax() < 1e-12);
    }
}
