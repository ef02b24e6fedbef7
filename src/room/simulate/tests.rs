use super::*;
use approx::assert_relative_eq;
use nalgebra::DMatrix;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

const ROOM: [f64; 3] = [5.15, 3.86, 2.48];
const CORNER: [f64; 3] = [0.1, 0.1, 0.1];

/// A room with a unit tuned near its first mode.
fn tuned(g_per_s: f64, detuned_hz: f64, damping: f64) -> Scene {
    let mut scene = Scene::empty(ROOM, 20.0, 0.02, 120.0);
    let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
    let own = (omega + 2.0 * PI * detuned_hz, decay + damping * g_per_s);
    scene.units = vec![scene.unit_for([1, 0, 0], g_per_s, CORNER, own)];
    scene
}

/// A scene as first-order equations in `q, q′, x, x′`: an independent road to poles and response.
fn state_matrix(scene: &Scene) -> DMatrix<f64> {
    let room = Prediction::new(scene.dimensions_m, scene.temperature_c, scene.up_to_hz).unwrap();
    let (n, j) = (room.modes.len(), scene.units.len());
    let mut a = DMatrix::zeros(2 * (n + j), 2 * (n + j));
    for i in 0..n + j {
        let (omega, decay) = if i < n {
            scene.bare_mode(room.modes[i].axes).unwrap()
        } else {
            (scene.units[i - n].omega_per_s, scene.units[i - n].decay_per_s)
        };
        a[(2 * i, 2 * i + 1)] = 1.0;
        a[(2 * i + 1, 2 * i)] = -omega * omega;
        a[(2 * i + 1, 2 * i + 1)] = -2.0 * decay;
    }
    for (k, unit) in scene.units.iter().enumerate() {
        for (i, mode) in room.modes.iter().enumerate() {
            let g = unit.coupling_per_s * scene.scaled_shape(mode.axes, unit.at_m);
            a[(2 * i + 1, 2 * (n + k) + 1)] = g;
            a[(2 * (n + k) + 1, 2 * i + 1)] = -g;
        }
    }
    a
}

/// Transfer function by solving the first-order equations at s.
fn transfer(scene: &Scene, from: [f64; 3], to: [f64; 3], s: Complex64) -> Complex64 {
    let room = Prediction::new(scene.dimensions_m, scene.temperature_c, scene.up_to_hz).unwrap();
    let a = state_matrix(scene).map(|x| Complex64::new(-x, 0.0));
    let system = a + DMatrix::from_diagonal_element(
        2 * (room.modes.len() + scene.units.len()),
        2 * (room.modes.len() + scene.units.len()),
        s,
    );
    let mut drive = DMatrix::zeros(system.nrows(), 1);
    for (i, mode) in room.modes.iter().enumerate() {
        drive[(2 * i + 1, 0)] = Complex64::new(scene.scaled_shape(mode.axes, from), 0.0);
    }
    let state = system.lu().solve(&drive).unwrap();
    let seen: Complex64 = room
        .modes
        .iter()
        .enumerate()
        .map(|(i, mode)| state[(2 * i, 0)] * scene.scaled_shape(mode.axes, to))
        .sum();
    scene.gain * scene.chain.at(s) * seen
}

/// The sum over poles and residues at s.
fn modal_sum(solved: &Solved, from: [f64; 3], to: [f64; 3], s: Complex64) -> Complex64 {
    let residues = solved.residues(from, to);
    solved.poles.iter().zip(&residues).map(|(p, a)| a / (s - p.s) + a.conj() / (s - p.s.conj())).sum()
}

/// Poles and residues against the state equations solved at complex frequencies near the poles:
/// both must agree to the conditioning of the solve.
fn agrees_with_state_equations(scene: &Scene) {
    let solved = scene.solve().unwrap();
    let (from, to) = ([4.9, 0.4, 0.2], [1.3, 2.9, 1.2]);
    for f in [28.0, 33.0, 45.3, 70.0, 111.0, 150.0] {
        for decay in [-30.0, -2.0, 0.0, 15.0] {
            let s = Complex64::new(decay, 2.0 * PI * f);
            let (a, b) = (modal_sum(&solved, from, to, s), transfer(scene, from, to, s));
            assert!((a - b).norm() < 1e-9 * b.norm(), "{f} Hz, {decay}: {a} against {b}");
        }
    }
}

#[test]
fn an_empty_room_has_the_closed_form() {
    let scene = Scene::empty(ROOM, 20.0, 0.02, 120.0);
    let solved = scene.solve().unwrap();
    let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
    assert_relative_eq!(solved.poles[0].decay_per_s(), decay, epsilon = 0.0, max_relative = 1e-12);
    assert_relative_eq!(solved.poles[0].s.norm(), omega, epsilon = 0.0, max_relative = 1e-12);
    // Corner to corner: φφ = 2 cos(0) cos(π) = −2, so A = −2/(2iω_d) = i/ω_d.
    let a = solved.residues([0.0; 3], [ROOM[0], 0.0, 0.0])[0];
    assert!((a - Complex64::new(0.0, 1.0 / solved.poles[0].s.im)).norm() < 1e-12 * a.norm());
    agrees_with_state_equations(&scene);
}

#[test]
fn one_unit_agrees_with_the_state_equations() {
    for (g, detuned_hz, damping) in [(10.0, 0.0, 0.93), (4.0, 2.0, 0.2), (25.0, -1.0, 1.5), (0.3, 0.0, 0.0)] {
        agrees_with_state_equations(&tuned(g, detuned_hz, damping));
    }
}

#[test]
fn several_units_a_chain_and_a_gain_agree_too() {
    let mut scene = tuned(8.0, 0.5, 0.6);
    let second = scene.unit_for([0, 1, 0], 9.0, [5.0, 3.7, 0.2], (2.0 * PI * 44.0, 9.0));
    let twin = scene.units[0];
    scene.units.extend([second, twin]);
    scene.chain = Chain::high_pass(28.0, 2).with(Section::bell(33.0, 40.0, -5.0));
    scene.gain = -0.37;
    agrees_with_state_equations(&scene);
}

/// Square plan, height half the side: many modes share poles, and the unit sees one mixture of each.
#[test]
fn rooms_with_coincident_modes_agree_too() {
    let mut scene = Scene::empty([4.0, 4.0, 2.0], 20.0, 0.02, 130.0);
    scene.units = vec![Unit {
        omega_per_s: 2.0 * PI * 42.0,
        decay_per_s: 8.0,
        coupling_per_s: 9.0,
        at_m: [0.3, 0.7, 0.2],
    }];
    agrees_with_state_equations(&scene);
    scene.units.push(Unit {
        omega_per_s: 2.0 * PI * 86.0,
        decay_per_s: 8.0,
        coupling_per_s: 6.0,
        at_m: [3.9, 0.1, 1.9],
    });
    agrees_with_state_equations(&scene);
}

/// Traces of A and A² of the state equations: Σ 2 Re s = −2 Σδ and Σ 2 Re s² = Σ(4δ² − 2ω²) − 2 Σ g².
#[test]
fn poles_keep_the_sum_rules() {
    for scene in [tuned(10.0, 0.0, 0.93), tuned(30.0, 3.0, 0.4)] {
        let a = state_matrix(&scene);
        let solved = scene.solve().unwrap();
        let first: f64 = solved.poles.iter().map(|p| 2.0 * p.s.re).sum();
        let second: f64 = solved.poles.iter().map(|p| 2.0 * (p.s * p.s).re).sum();
        assert_eq!(2 * solved.poles.len(), a.nrows());
        assert_relative_eq!(first, a.trace(), epsilon = 0.0, max_relative = 1e-10);
        assert_relative_eq!(second, (&a * &a).trace(), epsilon = 0.0, max_relative = 1e-12);
    }
}

/// One mode and one unit on its frequency, damped by the coupling more than the mode: both poles
/// meet at δ0 + g/2. (The quartic `(s² + 2δ0 s + ω²)(s² + 2δa s + ω²) + g² s²` is then a square,
/// because with δa − δ0 = g it equals `(s² + (δ0 + δa) s + ω²)² + s²(g² − (δa − δ0)²)`.)
#[test]
fn at_the_best_setting_both_poles_decay_alike() {
    let mut scene = Scene::empty([5.0, 1.0, 1.0], 20.0, 0.005, 40.0);
    let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
    let g = 10.0;
    // A hair beside the double root, which has no residues of this form.
    scene.units = vec![scene.unit_for([1, 0, 0], g, CORNER, (omega, decay + g - 1e-6))];
    let solved = scene.solve().unwrap();
    assert_eq!(solved.poles.len(), 2);
    for pole in &solved.poles {
        assert_relative_eq!(pole.decay_per_s(), decay + g / 2.0, epsilon = 0.0, max_relative = 1e-3);
        assert_relative_eq!(pole.s.norm(), omega, epsilon = 0.0, max_relative = 1e-4);
        assert!((pole.unit_share - 0.5).abs() < 0.01);
    }
}

/// A unit on the node of a mode leaves that mode's pole as it was.
#[test]
fn a_unit_on_a_node_does_nothing() {
    let mut scene = Scene::empty(ROOM, 20.0, 0.02, 120.0);
    scene.units = vec![Unit {
        omega_per_s: 2.0 * PI * 33.0,
        decay_per_s: 8.0,
        coupling_per_s: 7.0,
        at_m: [ROOM[0] / 2.0, 0.1, 0.1],
    }];
    let solved = scene.solve().unwrap();
    let (omega, decay) = scene.bare_mode([1, 0, 0]).unwrap();
    let same = |p: &Pole| (p.decay_per_s() - decay).abs() < 1e-9 && (p.s.norm() - omega).abs() < 1e-9;
    assert_eq!(solved.poles.iter().filter(|p| same(p)).count(), 1);
    assert_eq!(solved.poles.len(), solved.room.modes.len() + 1);
}

#[test]
fn impossible_scenes_are_refused() {
    let good = tuned(10.0, 0.0, 0.9);
    let mut bad = good.clone();
    bad.units[0].omega_per_s = f64::NAN;
    assert_eq!(bad.solve().unwrap_err(), SceneError::Unit(0));
    let mut bad = good.clone();
    bad.walls[1][0] = -0.1;
    assert_eq!(bad.solve().unwrap_err(), SceneError::Walls);
    let mut bad = good;
    bad.dimensions_m[2] = 0.0;
    assert!(matches!(bad.solve().unwrap_err(), SceneError::Room(RoomError::Length { which: "height", .. })));
}

/// The recursion follows the exponential to the last digits that a file could hold.
#[test]
fn samples_follow_poles_and_residues() {
    let solved = tuned(10.0, 0.0, 0.9).solve().unwrap();
    let mut samples = vec![0.0; 24_000];
    let pairs = solved.modes(CORNER, [2.0, 1.0, 1.2]);
    sound::add_modes(&mut samples, 48_000.0, 0.020_01, &pairs);
    assert!(samples[..961].iter().all(|x| x.abs() < 1e-300));
    for n in [961, 5_000, 23_999] {
        let t = n as f64 / 48_000.0 - 0.020_01;
        let exact: f64 = pairs.iter().map(|(s, a)| 2.0 * (a * (s * t).exp()).re).sum();
        assert!((samples[n] - exact).abs() < 1e-11, "{n}: {} against {exact}", samples[n]);
    }
}
