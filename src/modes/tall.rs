//! Matrices of many rows and few columns, kept row by row, and their products.
//!
//! Rows are bins, columns the unknowns or the places of a least-squares problem. Row by row the blocked product of two
//! of them takes both by contiguous pieces (column by column a third of a fit went into repacking), and rows that only
//! one of two matrices has, such as those of a prior, are a tail to be passed over.

use nalgebra::{DMatrix, DMatrixView, DMatrixViewMut, Dyn, MatrixView};

/// A matrix of many rows and few columns.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tall {
    height: usize,
    width: usize,
    values: Vec<f64>,
}

/// Blocked products need more than this of each dimension; below, plain sums are as quick.
const FEW: usize = 5;
/// Columns of one block of a symmetric product: what lies under the diagonal blocks is not computed twice.
const BLOCK: usize = 40;

impl Tall {
    /// All zero.
    pub fn zeros(rows: usize, width: usize) -> Self {
        Self { height: rows, width, values: vec![0.0; rows * width] }
    }

    /// Each value from its row and column.
    pub fn from_fn(rows: usize, width: usize, mut value: impl FnMut(usize, usize) -> f64) -> Self {
        let mut all = Self::zeros(rows, width);
        for row in 0..rows {
            for column in 0..width {
                all.values[row * width + column] = value(row, column);
            }
        }
        all
    }

    /// Number of columns.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Number of rows.
    pub fn height(&self) -> usize {
        self.height
    }

    /// One row.
    pub fn row(&self, row: usize) -> &[f64] {
        &self.values[row * self.width..(row + 1) * self.width]
    }

    /// Two different rows, `first` before `second`.
    pub fn rows_mut(&mut self, first: usize, second: usize) -> (&mut [f64], &mut [f64]) {
        let (head, tail) = self.values.split_at_mut(second * self.width);
        (&mut head[first * self.width..(first + 1) * self.width], &mut tail[..self.width])
    }

    /// One value.
    pub fn at(&self, row: usize, column: usize) -> f64 {
        self.values[row * self.width + column]
    }

    /// Sets one value.
    pub fn set(&mut self, row: usize, column: usize, value: f64) {
        self.values[row * self.width + column] = value;
    }

    /// The values of one column from the top.
    pub fn column(&self, column: usize) -> impl Iterator<Item = f64> {
        self.values.iter().skip(column).step_by(self.width.max(1)).copied()
    }

    /// The matrix with zeros below, or cut, to so many rows.
    pub fn with_height(mut self, rows: usize) -> Self {
        self.values.resize(rows * self.width, 0.0);
        self.height = rows;
        self
    }

    /// Some of the columns, in the order given.
    pub fn columns(&self, which: &[usize]) -> Self {
        let mut some = Vec::with_capacity(self.height() * which.len());
        for row in self.values.chunks_exact(self.width.max(1)) {
            some.extend(which.iter().map(|column| row[*column]));
        }
        Self { height: self.height, width: which.len(), values: some }
    }

    /// These columns, then those of another of equal height.
    pub fn beside(&self, other: &Tall) -> Self {
        let mut all = Vec::with_capacity(self.values.len() + other.values.len());
        for row in 0..self.height.min(other.height) {
            all.extend_from_slice(self.row(row));
            all.extend_from_slice(other.row(row));
        }
        Self { height: self.height.min(other.height), width: self.width + other.width, values: all }
    }

    /// Sum of squares of each column.
    pub fn squares(&self) -> Vec<f64> {
        let mut sums = vec![0.0; self.width];
        for row in self.values.chunks_exact(self.width.max(1)) {
            for k in 0..sums.len().min(row.len()) {
                sums[k] += row[k] * row[k];
            }
        }
        sums
    }

    /// Multiplies each column by a factor.
    pub fn scale(&mut self, factors: &[f64]) {
        for row in self.values.chunks_exact_mut(self.width.max(1)) {
            row.iter_mut().zip(factors).for_each(|(value, factor)| *value *= factor);
        }
    }

    /// Its columns times those of another over the rows that both have: `width` × `other.width`.
    pub fn times(&self, other: &Tall) -> DMatrix<f64> {
        let rows = self.height().min(other.height());
        let mut product = DMatrix::zeros(self.width, other.width);
        self.add_block(&mut product, (0, self.width), other, (0, other.width), rows);
        product
    }

    /// Its columns times one another.
    pub fn gram(&self) -> DMatrix<f64> {
        let (width, rows) = (self.width, self.height());
        let mut product = DMatrix::zeros(width, width);
        let blocks = width.div_ceil(BLOCK).max(1);
        let seam = |block: usize| block * width / blocks;
        for right in 0..blocks {
            for left in 0..=right {
                let sides = [(seam(left), seam(left + 1)), (seam(right), seam(right + 1))];
                self.add_block(&mut product, sides[0], self, sides[1], rows);
            }
        }
        product.fill_lower_triangle_with_upper_triangle();
        product
    }

    /// One block of a product: columns from and to of both sides.
    fn add_block(
        &self,
        product: &mut DMatrix<f64>,
        (from, to): (usize, usize),
        other: &Tall,
        (other_from, other_to): (usize, usize),
        rows: usize,
    ) {
        let (height, width) = (to - from, other_to - other_from);
        if height.min(width).min(rows) <= FEW {
            for row in 0..rows {
                let others = &other.row(row)[other_from..other_to];
                for (j, value) in others.iter().enumerate() {
                    for (i, own) in self.row(row)[from..to].iter().enumerate() {
                        product[(from + i, other_from + j)] += own * value;
                    }
                }
            }
            return;
        }
        let own = strided(&self.values[from..], (height, rows), (1, self.width));
        let others = strided(&other.values[other_from..], (rows, width), (other.width, 1));
        product.view_mut((from, other_from), (height, width)).gemm(1.0, &own, &others, 1.0);
    }

    /// Takes off `columns` × `coefficients`, from the rows that both have.
    pub fn take_off(&mut self, columns: &Tall, coefficients: &DMatrix<f64>) {
        let rows = self.height().min(columns.height());
        let (width, unknowns) = (self.width, columns.width);
        if width == 0 || unknowns == 0 {
            return;
        }
        let (own, of) = (&mut self.values[..rows * width], &columns.values[..rows * unknowns]);
        if width.min(unknowns).min(rows) <= FEW {
            for (own, of) in own.chunks_exact_mut(width).zip(of.chunks_exact(unknowns)) {
                for (own, coefficients) in own.iter_mut().zip(coefficients.as_slice().chunks_exact(unknowns))
                {
                    let mut left = *own;
                    for k in 0..of.len().min(coefficients.len()) {
                        left -= coefficients[k] * of[k];
                    }
                    *own = left;
                }
            }
            return;
        }
        let turned = coefficients.transpose();
        let of = DMatrixView::from_slice(of, unknowns, rows);
        DMatrixViewMut::from_slice(own, width, rows).gemm(-1.0, &turned, &of, 1.0);
    }

    /// Column by column.
    pub fn to_matrix(&self) -> DMatrix<f64> {
        DMatrix::from_row_slice(self.height(), self.width, &self.values)
    }

    /// From a matrix kept column by column.
    pub fn from_matrix(matrix: &DMatrix<f64>) -> Self {
        Self { height: matrix.nrows(), width: matrix.ncols(), values: matrix.transpose().as_slice().to_vec() }
    }
}

/// A matrix seen with other strides; only for products with more than `FEW` of each dimension.
fn strided(
    values: &[f64],
    (rows, columns): (usize, usize),
    (row_step, column_step): (usize, usize),
) -> MatrixView<'_, f64, Dyn, Dyn, Dyn, Dyn> {
    MatrixView::<f64, Dyn, Dyn, Dyn, Dyn>::from_slice_with_strides_generic(
        values,
        Dyn(rows),
        Dyn(columns),
        Dyn(row_step),
        Dyn(column_step),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tall(rows: usize, width: usize) -> Tall {
        Tall::from_fn(rows, width, |r, c| ((r * 7 + c * 13) as f64).sin())
    }

    /// Products by blocks and by plain sums against nalgebra's own, rows of one matrix that the other lacks passed over.
    #[test]
    fn products_are_those_of_the_matrices() {
        for (rows, more, left, right) in [(50, 0, 3, 8), (50, 7, 9, 90), (4, 2, 7, 7), (131, 0, 95, 95)] {
            let (a, b) = (tall(rows, left), tall(rows + more, right));
            let expected = a.to_matrix().transpose() * b.to_matrix().rows(0, rows);
            assert!((a.times(&b) - &expected).amax() < 1e-12);
            assert!((b.gram() - b.to_matrix().transpose() * b.to_matrix()).amax() < 1e-12);
            let mut rest = b.clone();
            rest.take_off(&a, &expected);
            let mut other = b.to_matrix();
            let mut top = other.rows_mut(0, rows);
            top -= a.to_matrix() * &expected;
            assert!((rest.to_matrix() - other).amax() < 1e-11);
        }
    }

    #[test]
    fn columns_rows_and_heights_are_kept_apart() {
        let a = tall(6, 4);
        assert_eq!(Tall::from_matrix(&a.to_matrix()), a);
        assert_eq!(a.columns(&[0]).beside(&a.columns(&[1, 2, 3])), a);
        assert_eq!(a.columns(&[2, 0]).column(0).collect::<Vec<_>>(), a.column(2).collect::<Vec<_>>());
        let higher = a.clone().with_height(8);
        assert_eq!((higher.height(), higher.at(7, 3)), (8, 0.0));
        assert_eq!(higher.with_height(6), a);
        assert_eq!(Tall::zeros(5, 0).columns(&[]).with_height(7).height(), 7);
    }
}
