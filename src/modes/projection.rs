//! Variable projection (Golub & Pereyra 1973): amplitudes and residual terms are solved for at given
//! poles by one factor that serves all places, and what is left depends on the poles only.
//!
//! The residual terms don't depend on the poles and are taken out of data and columns first, once for all; what is left of
//! the poles' columns is far from dependent, so that their Gram matrix serves.

use super::factor::Factor;
use super::pole::Pole;
use super::problem::{Group, Problem};
use super::products::Derived;
use super::tall::Tall;
use nalgebra::{DMatrix, DVector};
use std::sync::Arc;

/// The linear solution of one group at given poles.
#[derive(Debug, Clone)]
pub(crate) struct GroupFit {
    /// The poles' columns, residual terms and fixed poles projected out.
    pub factor: Arc<Factor>,
    /// What the columns had of each residual term before these were projected out.
    of_terms: DMatrix<f64>,
    /// Unknowns × places: (Re A, Im A) of each pole.
    pub coefficients: DMatrix<f64>,
    /// Data minus fit, a column a place (below the data: the prior's rows).
    pub residual: Tall,
}

/// The best fit at given poles.
#[derive(Debug, Clone)]
pub(crate) struct Projection {
    /// One for each group of the problem.
    pub groups: Vec<GroupFit>,
    /// Weighted sum of squares left, by place.
    pub squares: Vec<f64>,
}

impl Projection {
    /// Solves for all linear unknowns; `None` where the columns are dependent or too many.
    pub fn new(problem: &Problem, poles: &[Pole]) -> Option<Self> {
        let mut squares = vec![0.0; problem.records];
        let mut groups = Vec::with_capacity(problem.groups.len());
        for group in &problem.groups {
            let fit = GroupFit::new(problem, group, poles)?;
            for (square, record) in fit.residual.squares().into_iter().zip(&group.records) {
                squares[*record] = square;
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
    pub fn normal(&self, problem: &Problem, poles: &[Pole], variances: &[f64]) -> Option<Normal> {
        self.normal_by(GroupFit::exact_products, problem, poles, variances)
    }

    /// The Gauss–Newton matrix and gradient at a third less work, for steps: the matrix loses the digits that the
    /// projection takes from the derivatives twice over, which a step doesn't feel and a covariance would.
    pub fn step_normal(&self, problem: &Problem, poles: &[Pole], variances: &[f64]) -> Option<Normal> {
        self.normal_by(GroupFit::quick_products, problem, poles, variances)
    }

    fn normal_by(
        &self,
        products: fn(&GroupFit, &Group, &[Pole]) -> Option<Products>,
        problem: &Problem,
        poles: &[Pole],
        variances: &[f64],
    ) -> Option<Normal> {
        let size = 2 * poles.len();
        let mut normal = Normal { matrix: DMatrix::zeros(size, size), gradient: DVector::zeros(size) };
        for (fit, group) in self.groups.iter().zip(&problem.groups) {
            fit.add_to(&mut normal, &products(fit, group, poles)?, group, variances);
        }
        Some(normal)
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
        if 2 * poles.len() + 2 * problem.terms.count() >= group.rows() {
            return None;
        }
        let mut columns = group.matrix(poles, problem.prior.as_ref());
        let of_terms = group.project_out(&mut columns)?;
        let factor = Factor::new(columns)?;
        let mut residual = group.data.clone().with_height(factor.height());
        let coefficients = factor.solve(&mut residual)?;
        Some(Self { factor: Arc::new(factor), of_terms, coefficients, residual })
    }

    /// Derivatives with the columns' span projected out, then multiplied.
    fn exact_products(&self, group: &Group, poles: &[Pole]) -> Option<Products> {
        let mut derivatives = group.derivatives(poles, self.factor.height())?;
        self.factor.project_out_twice(&mut derivatives)?;
        Some(Products { gram: derivatives.gram(), slopes: derivatives.times(&self.residual) })
    }

    /// Products first, the span's part taken off them; the residual is free of the span already.
    fn quick_products(&self, group: &Group, poles: &[Pole]) -> Option<Products> {
        if group.fixed.is_empty() {
            self.closed_products(group, poles)
        } else {
            self.plain_products(group, poles)
        }
    }

    /// Products in closed form, what they owe to the residual terms and to the columns taken off.
    fn closed_products(&self, group: &Group, poles: &[Pole]) -> Option<Products> {
        let Derived { derivatives, mut gram, mut cross } = group.bins.derived(poles, self.factor.height());
        let of_terms = group.terms.within(&derivatives)?;
        cross.gemm_tr(-1.0, &self.of_terms, &of_terms, 1.0);
        gram -= Tall::from_matrix(&of_terms).gram();
        gram -= Tall::from_matrix(&self.factor.within_of_unscaled(cross)?).gram();
        Some(Products { gram, slopes: derivatives.times(&self.residual) })
    }

    fn plain_products(&self, group: &Group, poles: &[Pole]) -> Option<Products> {
        let derivatives = group.derivatives(poles, self.factor.height())?;
        let within = Tall::from_matrix(&self.factor.within(&derivatives)?);
        let gram = derivatives.gram() - within.gram();
        Some(Products { gram, slopes: derivatives.times(&self.residual) })
    }

    fn add_to(&self, normal: &mut Normal, found: &Products, group: &Group, variances: &[f64]) {
        let Products { gram: products, slopes } = found;
        let poles = products.nrows() / 2;
        let weights: Vec<f64> = group.records.iter().map(|m| 1.0 / variances[*m]).collect();
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
