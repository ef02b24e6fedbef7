//! Variable projection (Golub & Pereyra 1973): amplitudes and smooth terms are solved for at given
//! poles by one QR decomposition that serves all places, and what is left depends on the poles only.

use super::linear::{free_of, orthonormal, transpose_times};
use super::pole::Pole;
use super::problem::{Group, Problem};
use nalgebra::{DMatrix, DVector};

/// The linear solution of one group at given poles.
#[derive(Debug, Clone)]
pub(crate) struct GroupFit {
    /// Orthonormal basis of the columns' span.
    pub basis: DMatrix<f64>,
    /// Upper triangle: columns over `scales` = `basis` × `triangle`.
    pub triangle: DMatrix<f64>,
    /// Norm of each column.
    pub scales: Vec<f64>,
    /// Unknowns × places: (Re A, Im A) of each pole, then the smooth terms.
    pub coefficients: DMatrix<f64>,
    /// Data minus fit, a column a place (below the data: the prior's rows).
    pub residual: DMatrix<f64>,
}

/// The best fit at given poles.
#[derive(Debug, Clone)]
pub(crate) struct Projection {
    /// One for each group of the problem.
    pub groups: Vec<GroupFit>,
    /// Weighted sum of squares left, by place.
    pub squares: Vec<f64>,
}

/// Columns count as dependent when the QR leaves less than this of one (double precision with a margin).
const DEPENDENT: f64 = 1e-12;

impl Projection {
    /// Solves for all linear unknowns; `None` where the columns are dependent or too many.
    pub fn new(problem: &Problem, poles: &[Pole]) -> Option<Self> {
        let mut squares = vec![0.0; problem.places];
        let mut groups = Vec::with_capacity(problem.groups.len());
        for group in &problem.groups {
            let fit = GroupFit::new(problem, group, poles)?;
            for (column, place) in fit.residual.column_iter().zip(&group.places) {
                squares[*place] = column.norm_squared();
            }
            groups.push(fit);
        }
        Some(Self { groups, squares })
    }

    /// Σ over places of squares over variance.
    pub fn chi_square(&self, variances: &[f64]) -> f64 {
        self.squares.iter().zip(variances).map(|(s, v)| s / v).sum()
    }

    /// The Gauss–Newton matrix and gradient for (ω₁, δ₁, ω₂, δ₂, …) at the poles this was made with.
    ///
    /// Kaufman (1975) leaves out the part of the derivative that lies within the columns' span. The
    /// big products don't depend on the places: with D₁, D₂ the derivatives of a pole's Re A and Im A
    /// columns, its δ-column is −(a D₁ + b D₂) and its ω-column a D₂ − b D₁, so each block is a product
    /// of projected derivatives times a sum over places of amplitude products.
    pub fn normal(&self, problem: &Problem, poles: &[Pole], variances: &[f64]) -> Normal {
        self.normal_by(GroupFit::exact_products, problem, poles, variances)
    }

    /// The same at a third less work, for steps: the matrix loses the digits that the projection takes from
    /// the derivatives twice over, which a step doesn't feel and a covariance would.
    pub fn step_normal(&self, problem: &Problem, poles: &[Pole], variances: &[f64]) -> Normal {
        self.normal_by(GroupFit::quick_products, problem, poles, variances)
    }

    fn normal_by(
        &self,
        products: fn(&GroupFit, &Group, &[Pole]) -> Products,
        problem: &Problem,
        poles: &[Pole],
        variances: &[f64],
    ) -> Normal {
        let size = 2 * poles.len();
        let mut normal = Normal { matrix: DMatrix::zeros(size, size), gradient: DVector::zeros(size) };
        for (fit, group) in self.groups.iter().zip(&problem.groups) {
            fit.add_to(&mut normal, &products(fit, group, poles), group, variances);
        }
        normal
    }
}

/// Projected derivatives times themselves, and times the residuals.
struct Products {
    /// (D₁, D₂) of each pole by (D₁, D₂) of each.
    gram: DMatrix<f64>,
    /// (D₁, D₂) of each pole by place.
    slopes: DMatrix<f64>,
}

/// Gauss–Newton matrix and gradient, order (ω₁, δ₁, ω₂, δ₂, …).
#[derive(Debug, Clone)]
pub(crate) struct Normal {
    /// Fisher information of the poles with all linear unknowns free.
    pub matrix: DMatrix<f64>,
    /// Direction in which the fit improves.
    pub gradient: DVector<f64>,
}

impl GroupFit {
    /// `None` where the columns are dependent or too many.
    pub fn new(problem: &Problem, group: &Group, poles: &[Pole]) -> Option<Self> {
        let mut matrix = group.matrix(poles, problem.smooth, problem.prior.as_ref());
        let (rows, unknowns) = matrix.shape();
        if unknowns >= group.rows() {
            return None;
        }
        let scales: Vec<f64> = matrix.column_iter().map(|c| c.norm()).collect();
        if scales.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return None;
        }
        for (mut column, scale) in matrix.column_iter_mut().zip(&scales) {
            column.unscale_mut(*scale);
        }
        if let Some(held) = &group.held {
            free_of(held, &mut matrix);
        }
        let (basis, triangle) = orthonormal(matrix);
        if (0..unknowns).any(|i| triangle[(i, i)].abs() < DEPENDENT) {
            return None;
        }
        let mut residual = DMatrix::zeros(rows, group.data.ncols());
        residual.rows_mut(0, group.data.nrows()).copy_from(&group.data);
        let mut coefficients = transpose_times(&basis, &residual);
        residual.gemm(-1.0, &basis, &coefficients, 1.0);
        if !triangle.solve_upper_triangular_mut(&mut coefficients) {
            return None;
        }
        for (mut row, scale) in coefficients.row_iter_mut().zip(&scales) {
            row.unscale_mut(*scale);
        }
        Some(Self { basis, triangle, scales, coefficients, residual })
    }

    /// (ΦᵀΦ)⁻¹ of the columns: times a place's noise variance the covariance of its linear unknowns, poles held.
    pub fn spread(&self) -> Option<DMatrix<f64>> {
        let size = self.triangle.nrows();
        let mut inverse = DMatrix::identity(size, size);
        if !self.triangle.solve_upper_triangular_mut(&mut inverse) {
            return None;
        }
        for (mut row, scale) in inverse.row_iter_mut().zip(&self.scales) {
            row.unscale_mut(*scale);
        }
        Some(&inverse * inverse.transpose())
    }

    /// Derivatives of all poles' columns, (D₁, D₂) of each pole, freed from what is held.
    fn derivatives(&self, group: &Group, poles: &[Pole]) -> DMatrix<f64> {
        let mut derivatives = group.derivatives(poles, self.basis.nrows());
        if let Some(held) = &group.held {
            free_of(held, &mut derivatives);
        }
        derivatives
    }

    /// Derivatives freed from the columns' span, then multiplied.
    fn exact_products(&self, group: &Group, poles: &[Pole]) -> Products {
        let mut derivatives = self.derivatives(group, poles);
        let within = transpose_times(&self.basis, &derivatives);
        derivatives.gemm(-1.0, &self.basis, &within, 1.0);
        let slopes = transpose_times(&derivatives, &self.residual);
        Products { gram: transpose_times(&derivatives, &derivatives), slopes }
    }

    /// Products first, the span's part taken off them; the residual is free of the span already.
    fn quick_products(&self, group: &Group, poles: &[Pole]) -> Products {
        let derivatives = self.derivatives(group, poles);
        let within = transpose_times(&self.basis, &derivatives);
        let slopes = transpose_times(&derivatives, &self.residual);
        let gram = transpose_times(&derivatives, &derivatives) - transpose_times(&within, &within);
        Products { gram, slopes }
    }

    fn add_to(&self, normal: &mut Normal, found: &Products, group: &Group, variances: &[f64]) {
        let Products { gram: products, slopes } = found;
        let poles = products.nrows() / 2;
        let weights: Vec<f64> = group.places.iter().map(|m| 1.0 / variances[*m]).collect();
        let amplitude = |j: usize, part: usize, m: usize| self.coefficients[(2 * j + part, m)];
        for j in 0..poles {
            for (m, weight) in weights.iter().enumerate() {
                let (a, b) = (amplitude(j, 0, m), amplitude(j, 1, m));
                let (first, second) = (slopes[(2 * j, m)], slopes[(2 * j + 1, m)]);
                normal.gradient[2 * j] += weight * (a * second - b * first);
                normal.gradient[2 * j + 1] -= weight * (a * first + b * second);
            }
            for k in 0..=j {
                let mut sums = [[0.0; 2]; 2];
                for (m, weight) in weights.iter().enumerate() {
                    for (p, row) in sums.iter_mut().enumerate() {
                        for (q, sum) in row.iter_mut().enumerate() {
                            *sum += weight * amplitude(j, p, m) * amplitude(k, q, m);
                        }
                    }
                }
                let product = |p: usize, q: usize| products[(2 * j + p, 2 * k + q)];
                let block =
                    pair_block(sums, [[product(0, 0), product(0, 1)], [product(1, 0), product(1, 1)]]);
                normal.add_block(j, k, block);
            }
        }
    }
}

/// One pole pair's part of the Gauss–Newton matrix, rows and columns (ω, δ).
///
/// `s[p][q]` = Σ over places of (a, b)ₚ of the first times (a, b)_q of the second pole, over variance;
/// `h[p][q]` = projected Dₚ of the first times D_q of the second.
fn pair_block(s: [[f64; 2]; 2], h: [[f64; 2]; 2]) -> [[f64; 2]; 2] {
    let omega_omega = s[0][0] * h[1][1] - s[0][1] * h[1][0] - s[1][0] * h[0][1] + s[1][1] * h[0][0];
    let delta_delta = s[0][0] * h[0][0] + s[0][1] * h[0][1] + s[1][0] * h[1][0] + s[1][1] * h[1][1];
    let omega_delta = -s[0][0] * h[1][0] - s[0][1] * h[1][1] + s[1][0] * h[0][0] + s[1][1] * h[0][1];
    let delta_omega = -s[0][0] * h[0][1] + s[0][1] * h[0][0] - s[1][0] * h[1][1] + s[1][1] * h[1][0];
    [[omega_omega, omega_delta], [delta_omega, delta_delta]]
}

impl Normal {
    /// Adds the block of poles `j` ≥ `k` and its mirror.
    fn add_block(&mut self, j: usize, k: usize, block: [[f64; 2]; 2]) {
        for (p, row) in block.iter().enumerate() {
            for (q, value) in row.iter().enumerate() {
                self.matrix[(2 * j + p, 2 * k + q)] += value;
                if j != k {
                    self.matrix[(2 * k + q, 2 * j + p)] += value;
                }
            }
        }
    }
}
