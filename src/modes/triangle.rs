//! Cholesky's triangle L of a symmetric matrix, LLᵀ, and the solutions that it gives.
//!
//! By halves, so that most of the work is a product of blocks; what is left of a block runs on plain arrays.

use nalgebra::{DMatrix, DMatrixView, DMatrixViewMut};

/// Below this row by row.
const SMALL: usize = 16;
/// Right sides that are solved side by side: one waits for its own last number.
const PANEL: usize = 8;
/// Fewer right sides than this are not worth a block's product.
const FEW: usize = 4;

/// One small block of a triangle, column by column.
type Block = [[f64; SMALL]; SMALL];
/// Some right sides of a small block, row by row.
type Panel = [[f64; PANEL]; SMALL];

/// The lower triangle, zero above; `None` where the matrix isn't positive definite.
pub(super) fn factor(mut matrix: DMatrix<f64>) -> Option<DMatrix<f64>> {
    factor_part(&mut matrix.as_view_mut()).then_some(matrix)
}

/// The inverse; `None` where the matrix isn't positive definite.
pub(super) fn inverse(matrix: DMatrix<f64>) -> Option<DMatrix<f64>> {
    let triangle = factor(matrix)?;
    let mut inverse = DMatrix::identity(triangle.nrows(), triangle.nrows());
    let solved = solve_lower(triangle.as_view(), &mut inverse.as_view_mut())
        && solve_upper(triangle.as_view(), &mut inverse.as_view_mut());
    solved.then_some(inverse)
}

/// Puts L⁻¹B in the place of B; false where L is singular.
pub(super) fn solve_lower(triangle: DMatrixView<'_, f64>, right: &mut DMatrixViewMut<'_, f64>) -> bool {
    let size = triangle.nrows();
    if size <= SMALL {
        let block = read(&triangle);
        return by_panels(right, |x| lower_panel(&block, &mut x[..size]));
    }
    let (half, rest) = (size / 2, size - size / 2);
    if !solve_lower(triangle.view((0, 0), (half, half)), &mut right.rows_mut(0, half)) {
        return false;
    }
    let (above, mut below) = right.rows_range_pair_mut(0..half, half..size);
    below.gemm(-1.0, &triangle.view((half, 0), (rest, half)), &above, 1.0);
    solve_lower(triangle.view((half, half), (rest, rest)), &mut below)
}

/// Puts L⁻ᵀB in the place of B; false where L is singular.
pub(super) fn solve_upper(triangle: DMatrixView<'_, f64>, right: &mut DMatrixViewMut<'_, f64>) -> bool {
    let size = triangle.nrows();
    if size <= SMALL {
        let block = read(&triangle);
        return by_panels(right, |x| upper_panel(&block, &mut x[..size]));
    }
    let (half, rest) = (size / 2, size - size / 2);
    if !solve_upper(triangle.view((half, half), (rest, rest)), &mut right.rows_mut(half, rest)) {
        return false;
    }
    let (mut above, below) = right.rows_range_pair_mut(0..half, half..size);
    let across = triangle.view((half, 0), (rest, half));
    if below.ncols() < FEW {
        above.gemm_tr(-1.0, &across, &below, 1.0);
    } else {
        above.gemm(-1.0, &across.transpose(), &below, 1.0);
    }
    solve_upper(triangle.view((0, 0), (half, half)), &mut above)
}

/// With the halves A₁₁, A₂₁ and A₂₂: L₁₁ of the first, L₂₁ = A₂₁L₁₁⁻ᵀ, and the triangle of A₂₂ − L₂₁L₂₁ᵀ.
fn factor_part(matrix: &mut DMatrixViewMut<'_, f64>) -> bool {
    let size = matrix.nrows();
    if size <= SMALL {
        return factor_block(matrix);
    }
    let half = size / 2;
    let (mut left, mut right) = matrix.columns_range_pair_mut(0..half, half..size);
    let (mut first, mut across) = left.rows_range_pair_mut(0..half, half..size);
    if !factor_part(&mut first) {
        return false;
    }
    let mut turned = across.transpose();
    if !solve_lower(first.as_view(), &mut turned.as_view_mut()) {
        return false;
    }
    across.copy_from(&turned.transpose());
    right.rows_mut(0, half).fill(0.0);
    let mut second = right.rows_mut(half, size - half);
    second.gemm(-1.0, &across, &turned, 1.0);
    factor_part(&mut second)
}

fn factor_block(matrix: &mut DMatrixViewMut<'_, f64>) -> bool {
    let (size, mut block) = (matrix.nrows(), read(&matrix.as_view()));
    for k in 0..size {
        let pivot = block[k][k];
        if pivot.is_nan() || pivot <= 0.0 {
            return false;
        }
        let scale = 1.0 / pivot.sqrt();
        block[k][k..size].iter_mut().for_each(|value| *value *= scale);
        for j in k + 1..size {
            let column = block[k];
            for i in j..size {
                block[j][i] -= column[i] * column[j];
            }
        }
    }
    for (j, column) in block.iter().enumerate().take(size) {
        for (i, value) in column.iter().enumerate().take(size) {
            matrix[(i, j)] = if i < j { 0.0 } else { *value };
        }
    }
    true
}

fn read(triangle: &DMatrixView<'_, f64>) -> Block {
    let mut block = [[0.0; SMALL]; SMALL];
    for (to, from) in block.iter_mut().zip(triangle.column_iter()) {
        to[..from.len()].copy_from_slice(from.as_slice());
    }
    block
}

/// The right sides some at a time, the last filled up with zeros; false as soon as one has no solution.
fn by_panels(right: &mut DMatrixViewMut<'_, f64>, mut solve: impl FnMut(&mut Panel) -> bool) -> bool {
    let (rows, columns) = right.shape();
    for first in (0..columns).step_by(PANEL) {
        let mut panel = [[0.0; PANEL]; SMALL];
        let width = PANEL.min(columns - first);
        for j in 0..width {
            let column = right.column(first + j);
            for (row, value) in panel[..rows].iter_mut().zip(column.as_slice()) {
                row[j] = *value;
            }
        }
        if !solve(&mut panel) {
            return false;
        }
        for j in 0..width {
            let mut column = right.column_mut(first + j);
            for (row, value) in panel[..rows].iter().zip(column.as_mut_slice()) {
                *value = row[j];
            }
        }
    }
    true
}

fn lower_panel(block: &Block, x: &mut [[f64; PANEL]]) -> bool {
    for k in 0..x.len() {
        let (done, rest) = x.split_at_mut(k + 1);
        if !divide(&mut done[k], block[k][k]) {
            return false;
        }
        for (row, share) in rest.iter_mut().zip(&block[k][k + 1..]) {
            take_off(row, &done[k], *share);
        }
    }
    true
}

fn upper_panel(block: &Block, x: &mut [[f64; PANEL]]) -> bool {
    for k in (0..x.len()).rev() {
        let (rest, done) = x.split_at_mut(k);
        if !divide(&mut done[0], block[k][k]) {
            return false;
        }
        for (row, column) in rest.iter_mut().zip(block) {
            take_off(row, &done[0], column[k]);
        }
    }
    true
}

#[inline]
fn divide(row: &mut [f64; PANEL], pivot: f64) -> bool {
    for value in row.iter_mut() {
        *value /= pivot;
    }
    pivot != 0.0
}

#[inline]
fn take_off(row: &mut [f64; PANEL], other: &[f64; PANEL], share: f64) {
    for j in 0..PANEL {
        row[j] -= share * other[j];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Cholesky;

    fn columns(rows: usize, width: usize) -> DMatrix<f64> {
        DMatrix::from_fn(rows, width, |i, j| {
            ((i * width + j) as f64 * 0.71).sin() + f64::from(u8::from(i == j))
        })
    }

    /// Against nalgebra's factor and solutions, for one block, halves of unequal size, few right sides and many.
    #[test]
    fn triangle_and_solutions_are_the_library_s() {
        for size in [1, 5, 16, 17, 45, 90] {
            let of = columns(2 * size, size);
            let matrix = of.tr_mul(&of);
            let found = factor(matrix.clone()).expect("positive definite");
            let known = Cholesky::new(matrix.clone()).expect("positive definite");
            let inverse = inverse(matrix).expect("positive definite");
            assert!((&inverse - known.inverse()).amax() < 1e-9 * inverse.amax(), "{size}");
            assert!((&found - known.l()).amax() < 1e-12 * found.amax(), "{size}");
            for width in [1, 3, 7, 70] {
                let right = columns(size, width);
                let mut solution = right.clone();
                assert!(solve_lower(found.as_view(), &mut solution.as_view_mut()));
                assert!(solve_upper(found.as_view(), &mut solution.as_view_mut()));
                assert!((&solution - known.solve(&right)).amax() < 1e-9 * solution.amax(), "{size} {width}");
            }
        }
    }

    /// Dependent columns, a negative pivot and what isn't a number have no triangle.
    #[test]
    fn what_is_not_positive_definite_has_no_triangle() {
        for bad in [0.0, -1.0, f64::NAN] {
            let mut matrix = DMatrix::identity(40, 40);
            matrix[(30, 30)] = bad;
            assert!(factor(matrix).is_none());
        }
        let mut singular = DMatrix::identity(20, 20);
        singular[(3, 3)] = 0.0;
        let mut right = DMatrix::from_element(20, 2, 1.0);
        assert!(!solve_lower(singular.as_view(), &mut right.as_view_mut()));
        assert!(!solve_upper(singular.as_view(), &mut right.as_view_mut()));
    }
}
