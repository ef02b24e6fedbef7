//! The two products and the orthogonalisation that the fit spends its time in, all as matrix products.

use nalgebra::{Cholesky, DMatrix, DMatrixView};
use ndarray::ArrayView2;

/// AᵀB by the blocked product, which takes A by its strides; nalgebra's `tr_mul` goes dot product by dot
/// product, several times slower unless B has few columns, and its own view with swapped strides reads past
/// its end when a product is small.
pub(crate) fn transpose_times(a: &DMatrix<f64>, b: &DMatrix<f64>) -> DMatrix<f64> {
    const FEW: usize = 6;
    if a.ncols().min(b.ncols()) < FEW {
        return a.tr_mul(b);
    }
    columns_times(a.as_slice(), a.ncols(), b.as_slice(), b.ncols()).unwrap_or_else(|| a.tr_mul(b))
}

/// AᵀB of two matrices given column by column; `None` where lengths and numbers of columns don't match.
fn columns_times(a: &[f64], left: usize, b: &[f64], right: usize) -> Option<DMatrix<f64>> {
    // A column of ours is a row to ndarray: nothing is copied, and BᵀA row by row is AᵀB column by column.
    let rows_of = |values, count: usize| ArrayView2::from_shape((count, a.len() / left.max(1)), values).ok();
    let product = rows_of(b, right)?.dot(&rows_of(a, left)?.t());
    let values = product.is_standard_layout().then(|| product.into_raw_vec_and_offset().0)?;
    Some(DMatrix::from_vec(left, right, values))
}

/// Below this share of a (unit) column left, rounding has grown by its inverse, and a second pass is due.
const MUCH_LOST: f64 = 1e-2;

/// Orthonormal basis Q of the columns (of norm about one) and the triangle R with columns = Q R.
///
/// Panels of columns are freed from all before them by matrix products and made orthonormal among
/// themselves by Householder reflections, twice where much was lost: a panel of nearly equal columns is only then free of
/// the others to rounding (block Gram–Schmidt with reorthogonalisation, Stewart 2008).
pub(crate) fn orthonormal(mut columns: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>) {
    const PANEL: usize = 16;
    let (rows, count) = columns.shape();
    let mut triangle = DMatrix::zeros(count, count);
    for first in (0..count).step_by(PANEL) {
        let width = PANEL.min(count - first);
        let (before, after) = columns.as_slice().split_at(rows * first);
        let panel = DMatrix::from_column_slice(rows, width, &after[..rows * width]);
        let (mut basis, mut above, mut square) = freed(before, panel);
        if square.diagonal().iter().any(|d| d.abs() < MUCH_LOST) {
            let (again, more, correction) = freed(before, basis);
            above += more * &square;
            square = correction * square;
            basis = again;
        }
        triangle.view_mut((0, first), (first, width)).copy_from(&above);
        triangle.view_mut((first, first), (width, width)).copy_from(&square);
        columns.view_mut((0, first), (rows, width)).copy_from(&basis);
    }
    (columns, triangle)
}

/// panel = before × above + basis × square, basis orthonormal and (nearly) free of `before`.
fn freed(before: &[f64], mut panel: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>, DMatrix<f64>) {
    let rows = panel.nrows();
    let view = DMatrixView::from_slice(before, rows, before.len() / rows.max(1));
    let above = columns_times(before, view.ncols(), panel.as_slice(), panel.ncols())
        .unwrap_or_else(|| view.tr_mul(&panel));
    panel.gemm(-1.0, &view, &above, 1.0);
    let (basis, square) = decomposed(panel);
    (basis, above, square)
}

/// QR of a narrow panel: by the Cholesky factor of its Gram matrix, twice, which is as orthonormal as
/// Householder's where the columns aren't nearly dependent (Yamamoto et al. 2015); else by Householder.
fn decomposed(panel: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>) {
    let twice = by_gram(&panel).and_then(|(basis, first)| {
        let (basis, second) = by_gram(&basis)?;
        Some((basis, second * first))
    });
    twice.unwrap_or_else(|| {
        let qr = panel.qr();
        (qr.q(), qr.unpack_r())
    })
}

/// One pass; `None` where the Gram matrix can't tell the columns apart.
fn by_gram(panel: &DMatrix<f64>) -> Option<(DMatrix<f64>, DMatrix<f64>)> {
    /// A column left with less than this of the first would lose half the digits in a Gram matrix.
    const LEAST: f64 = 1e-4;
    let triangle = Cholesky::new(transpose_times(panel, panel))?.l().transpose();
    let longest = triangle.diagonal().max();
    if !triangle.diagonal().iter().all(|d| *d > LEAST * longest) {
        return None;
    }
    let mut inverse = DMatrix::identity(triangle.nrows(), triangle.nrows());
    triangle.solve_upper_triangular_mut(&mut inverse).then(|| (panel * inverse, triangle))
}

/// Takes the span of an orthonormal basis out of columns that may have more rows (where the basis has none),
/// a second time where much was lost.
pub(crate) fn free_of(basis: &DMatrix<f64>, columns: &mut DMatrix<f64>) {
    let before = columns.column_iter().map(|c| c.norm_squared()).collect::<Vec<_>>();
    let take_out = |columns: &mut DMatrix<f64>| {
        let mut top = columns.rows_mut(0, basis.nrows());
        let within = transpose_times(basis, &top.clone_owned());
        top.gemm(-1.0, basis, &within, 1.0);
    };
    take_out(columns);
    let left = columns.column_iter().map(|c| c.norm_squared());
    if left.zip(&before).any(|(left, before)| left < MUCH_LOST * MUCH_LOST * before) {
        take_out(columns);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against nalgebra's Householder QR, with columns as alike as two poles 1e-4 widths apart.
    #[test]
    fn basis_is_orthonormal_and_spans_the_columns() {
        let columns = DMatrix::from_fn(120, 41, |i, j| {
            let center = (j / 2) as f64 * 6.0 + (j % 2) as f64 * 1e-4;
            1.0 / (1.0 + (i as f64 - center).powi(2))
        });
        let (basis, triangle) = orthonormal(columns.clone());
        let identity = transpose_times(&basis, &basis);
        assert!((identity - DMatrix::identity(41, 41)).amax() < 1e-13);
        assert!((&basis * &triangle - &columns).amax() < 1e-14);
        let reference = columns.qr().r();
        for i in 0..41 {
            let (own, other) = (triangle[(i, i)].abs(), reference[(i, i)].abs());
            assert!((own - other).abs() < 1e-9 * other, "{i}: {own} {other}");
        }
    }
}
