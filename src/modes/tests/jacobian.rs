//! The projected residual's derivatives by the poles against difference quotients.
//!
//! With r = P⊥y the residual, dr = −P⊥ dΦ Φ⁺y − (P⊥ dΦ Φ⁺)ᵀ y (Golub & Pereyra 1973). The second part lies within
//! the columns' span and is what Kaufman (1975) leaves out: so what a difference quotient of r has outside
//! the span must be the fit's Jacobian exactly, and the gradient of ½χ² loses nothing.

use super::super::pole::Pole;
use super::super::problem::{Prior, Problem};
use super::super::projection::Projection;
use super::super::record::{Cut, Records};
use super::super::residual_terms::ResidualTerms;
use super::super::settings::Place;
use super::super::tall::Tall;
use super::closed_form::{Case, RATE_HZ};
use crate::modes::noise::NoiseSpectrum;
use nalgebra::{DMatrix, DVector};
use std::f64::consts::PI;

const VARIANCES: [f64; 3] = [2e-4, 5e-4, 1e-3];

/// Three places whose records have two lengths, so that two groups share the poles, in coloured weights.
fn problem(case: &Case) -> Problem {
    let mut places: Vec<Place<'_>> = case.places();
    places[2] = Place::new("short", "", &case.records[2][..2000], RATE_HZ, 0.0);
    let mut noise = NoiseSpectrum::default();
    noise.slope = -1.0;
    Records::new(&places, Cut::WHOLE)
        .problem((20.0, 105.0), ResidualTerms { upper: 1, ..ResidualTerms::of_degree_below(3) }, &noise)
        .unwrap()
}

/// Poles beside the true ones, so that the residual is far from zero.
fn beside(case: &Case) -> Vec<Pole> {
    let moved = |(j, p): (usize, &Pole)| Pole {
        omega_per_s: p.omega_per_s + [0.9, -0.6, 1.1, -1.4, 0.7][j],
        decay_per_s: p.decay_per_s * [1.1, 0.92, 1.07, 0.9, 1.05][j],
    };
    case.poles.iter().enumerate().map(moved).collect()
}

/// `poles` with the `i`-th of (ω₁, δ₁, ω₂, …) moved.
fn stepped(poles: &[Pole], i: usize, step: f64) -> Vec<Pole> {
    let mut poles = poles.to_vec();
    let pole = &mut poles[i / 2];
    *(if i.is_multiple_of(2) { &mut pole.omega_per_s } else { &mut pole.decay_per_s }) += step;
    poles
}

/// Central difference quotient of fourth order; its error is h⁴/30 of the fifth derivative.
fn quotient<T>(at: impl Fn(f64) -> T, subtract: impl Fn(T, f64, T, f64) -> T) -> T {
    let h = 0.02;
    let near = subtract(at(h), 8.0 / (12.0 * h), at(-h), 8.0 / (12.0 * h));
    let far = subtract(at(2.0 * h), 1.0 / (12.0 * h), at(-2.0 * h), 1.0 / (12.0 * h));
    subtract(near, 1.0, far, 1.0)
}

#[test]
fn the_gradient_is_the_difference_quotient_of_chi_square() {
    let case = Case::new(3600, 0.01, 3);
    let (problem, poles) = (problem(&case), beside(&case));
    let chi = |poles: &[Pole]| Projection::new(&problem, poles).unwrap().chi_square(&VARIANCES);
    let now = Projection::new(&problem, &poles).unwrap();
    let gradient = now.normal(&problem, &poles, &VARIANCES).unwrap().gradient;
    let top = gradient.amax();
    for i in 0..gradient.len() {
        let slope = quotient(|h| 0.5 * chi(&stepped(&poles, i, h)), |a, f, b, g| a * f - b * g);
        assert!((slope + gradient[i]).abs() < 1e-7 * top, "{i}: {slope} {}", -gradient[i]);
    }
}

/// A prior's weights don't change with a decay: if they did, the gradient of a pole outside the window, which little more than
/// the prior holds, would lead nowhere.
#[test]
fn the_gradient_holds_with_a_prior() {
    let case = Case::new(3600, 0.01, 3);
    let (mut problem, mut poles) = (problem(&case), beside(&case));
    poles.push(Pole { omega_per_s: 2.0 * PI * 109.0, decay_per_s: 4.0 });
    problem.prior = Some(Prior { omegas: vec![0.0], response_over_noise: vec![1.0] });
    let chi = |poles: &[Pole]| Projection::new(&problem, poles).unwrap().chi_square(&VARIANCES);
    let gradient =
        Projection::new(&problem, &poles).unwrap().normal(&problem, &poles, &VARIANCES).unwrap().gradient;
    let decay = gradient.len() - 1;
    let slope = quotient(|h| 0.5 * chi(&stepped(&poles, decay, h)), |a, f, b, g| a * f - b * g);
    assert!((slope + gradient[decay]).abs() < 1e-4 * slope.abs(), "{slope} {}", -gradient[decay]);
}

#[test]
fn the_gauss_newton_matrix_is_that_of_the_projected_difference_quotients() {
    let case = Case::new(3600, 0.01, 4);
    let (problem, poles) = (problem(&case), beside(&case));
    let now = Projection::new(&problem, &poles).unwrap();
    let exact = now.normal(&problem, &poles, &VARIANCES).unwrap();
    let size = exact.matrix.nrows();
    let columns: Vec<DVector<f64>> = (0..size).map(|i| outside_span(&problem, &poles, &now, i)).collect();
    let matrix = DMatrix::from_fn(size, size, |i, j| columns[i].dot(&columns[j]));
    let top = |i: usize| matrix[(i, i)].sqrt();
    for i in 0..size {
        for j in 0..size {
            let off = (matrix[(i, j)] - exact.matrix[(i, j)]).abs() / (top(i) * top(j));
            assert!(off < 1e-7, "{i} {j}: {} {}", matrix[(i, j)], exact.matrix[(i, j)]);
        }
    }
}

/// Difference quotient of the whitened residuals of all places, what lies in the columns' span taken out.
fn outside_span(problem: &Problem, poles: &[Pole], now: &Projection, i: usize) -> DVector<f64> {
    let residuals = |h: f64| -> Vec<DMatrix<f64>> {
        let fit = Projection::new(problem, &stepped(poles, i, h)).unwrap();
        fit.groups.into_iter().map(|group| group.residual.to_matrix()).collect()
    };
    let difference = |a: Vec<DMatrix<f64>>, f: f64, b: Vec<DMatrix<f64>>, g: f64| {
        a.into_iter().zip(b).map(|(a, b)| a * f - b * g).collect()
    };
    let mut all = Vec::new();
    for ((slope, fit), group) in quotient(residuals, difference).iter().zip(&now.groups).zip(&problem.groups)
    {
        let mut outside = Tall::from_matrix(slope);
        fit.factor.project_out_twice(&mut outside).unwrap();
        let outside = outside.to_matrix();
        for (column, record) in outside.column_iter().zip(&group.records) {
            all.extend(column.iter().map(|v| v / VARIANCES[*record].sqrt()));
        }
    }
    DVector::from_vec(all)
}
