//! Plans against closed forms, and the L-shaped room against three-dimensional finite elements.

use super::{Outline, PlanModes};
use crate::room::Enclosure;
use std::f64::consts::PI;

/// A rectangle as a polygon has the cosines' wave numbers, shapes and wall integrals.
#[test]
fn a_rectangle_is_the_rectangle() {
    let outline = Outline::new(&[[0.0, 0.0], [5.6, 0.0], [5.6, 4.25], [0.0, 4.25]]).unwrap();
    let plan = PlanModes::new(outline, 2.75, 2.0 * PI * 200.0 / 343.2).unwrap();
    let mut exact: Vec<(f64, [f64; 2])> = Vec::new();
    for n in 0..9 {
        for m in 0..9 {
            let k = [f64::from(n) * PI / 5.6, f64::from(m) * PI / 4.25];
            exact.push((k[0] * k[0] + k[1] * k[1], k));
        }
    }
    exact.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (mode, (wave, k)) in plan.modes.iter().zip(&exact).skip(1) {
        // Frequency goes as the root: half of it. The list's end is coarse, its lower half fine.
        let limit = if *wave < 0.25 * (2.0 * PI * 200.0 / 343.2f64).powi(2) { 4e-4 } else { 1e-2 };
        assert!((mode.wave_per_m2 / wave - 1.0).abs() < limit, "{} {wave}", mode.wave_per_m2);
        if limit < 1e-3 {
            let shape = (k[0] * 1.1).cos() * (k[1] * 0.7).cos();
            let found =
                plan.shape(plan.modes.iter().position(|m| m == mode).unwrap(), &plan.spot([1.1, 0.7]));
            assert!((found.abs() - shape.abs()).abs() < 0.01, "{found} {shape}");
            let walls = [(k[0], 5.6), (k[1], 4.25)].map(|(k, d)| if k > 0.0 { 4.0 / d } else { 2.0 / d });
            assert!((mode.walls_per_m / (walls[0] + walls[1]) - 1.0).abs() < 0.01);
        }
    }
}

/// A right-angled triangle with equal legs a is half a square: k² = (π/a)²(n² + m²) with shapes cos·cos ±
/// swapped, so 1, 2, 4, 5, … times (π/a)², each once.
#[test]
fn half_a_square() {
    let outline = Outline::new(&[[0.0, 0.0], [4.0, 0.0], [0.0, 4.0]]).unwrap();
    let plan = PlanModes::new(outline, 2.5, 3.5).unwrap();
    for (mode, multiple) in plan.modes.iter().skip(1).zip([1.0, 2.0, 4.0, 5.0, 8.0, 9.0]) {
        assert!((mode.wave_per_m2 / ((PI / 4.0).powi(2) * multiple) - 1.0).abs() < 2e-3, "{multiple}");
    }
}

/// Modes of an L with legs of one: 1.4756, 3.5340, 9.8696, 9.8696, 11.3895 (M. Dauge's benchmark of Neumann
/// eigenvalues on the L of three unit squares).
#[test]
fn the_l_of_the_benchmark() {
    let l = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [1.0, 1.0], [1.0, 2.0], [0.0, 2.0]];
    let plan = PlanModes::new(Outline::new(&l).unwrap(), 2.5, 5.0).unwrap();
    let exact = [1.475_621_8, 3.534_031_4, 9.869_604_4, 9.869_604_4, 11.389_479_4];
    for (mode, exact) in plan.modes.iter().skip(1).zip(exact) {
        assert!((mode.wave_per_m2 / exact - 1.0).abs() < 5e-3, "{} {exact}", mode.wave_per_m2);
    }
}

/// The polygon as an enclosure is the box as an enclosure.
#[test]
fn the_enclosure_of_a_rectangle_is_the_box() {
    let plan = [[0.0, 0.0], [5.6, 0.0], [5.6, 4.25], [0.0, 4.25]];
    let (plan, own) = (
        Enclosure::upright(&plan, 2.75, 20.0, 200.0).unwrap(),
        Enclosure::rectangular([5.6, 4.25, 2.75], 20.0, 200.0).unwrap(),
    );
    assert!((plan.volume_m3 - own.volume_m3).abs() < 1e-9);
    for (a, b) in plan.modes.iter().zip(&own.modes).take(14) {
        assert!((a.frequency_hz / b.frequency_hz - 1.0).abs() < 5e-4);
        assert!((a.mean_square / b.mean_square - 1.0).abs() < 0.02, "{} {}", a.name, b.name);
        assert!((a.walls_per_m / b.walls_per_m - 1.0).abs() < 0.01);
    }
    let face = crate::room::Face::between([0.0, 1.0, 0.0], [0.0, 1.9, 1.1]).unwrap();
    assert!((plan.load_kg_m2(&face, 35.0) / own.load_kg_m2(&face, 35.0) - 1.0).abs() < 1e-6);
    assert!((plan.over(0, &face).0.abs() - own.over(0, &face).0.abs()).abs() < 1e-3);
}
