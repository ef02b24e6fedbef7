//! The best setting of a unit: where its two poles meet, all other modes counted in.
//!
//! There `U(s) + G(s) = 0` has a double zero. With s known that is linear in the unit's own numbers, and
//! what must come out real fixes s: two equations in two unknowns. With one mode alone it is
//! ωa = ω0, δa = δ0 + g (the tuned damper with the poles together).

use super::plate::Plate;
use super::system::System;
use rustfft::num_complex::Complex64;

/// What of the unit is given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Given {
    /// Its mass, kg/m²: the spring is to be chosen.
    Mass(f64),
    /// Its spring, Pa/m: the mass is to be chosen.
    Stiffness(f64),
}

/// How much of the damping beyond the mode's own the advice gives: too much costs five times what too
/// little costs (see [`crate::absorber`]).
const CAREFUL: f64 = 0.95;

/// The unit whose poles meet; `None` where the search does not settle on a unit that can be.
#[must_use]
pub fn meeting(system: &System, given: Given) -> Option<Plate> {
    let own = system.own();
    let mass = match given {
        Given::Mass(mass) => mass + system.loading_kg_m2(),
        Given::Stiffness(stiffness) => stiffness / own.omega_per_s.powi(2),
    };
    let g = (system.terms[system.target].stiffness_pa_m / mass).sqrt();
    let mut s = Complex64::new(-own.decay_per_s - 0.5 * g, own.omega_per_s);
    let h = 1e-5 * own.omega_per_s;
    for _ in 0..60 {
        let [a, b] = left(system, given, s).1;
        let along = left(system, given, s + h).1;
        let across = left(system, given, s + Complex64::new(0.0, h)).1;
        let (ax, ay) = ((along[0] - a) / h, (across[0] - a) / h);
        let (bx, by) = ((along[1] - b) / h, (across[1] - b) / h);
        let determinant = ax * by - ay * bx;
        let step = Complex64::new((a * by - ay * b) / determinant, (ax * b - a * bx) / determinant);
        // At most half of what lies between the mode's decay and the unit's.
        let step = step * (0.25 * (g + own.decay_per_s) / step.norm()).min(1.0);
        s -= step;
        if !s.is_finite() {
            return None;
        }
        if step.norm() < 1e-9 * s.norm() {
            let plate = left(system, given, s).0;
            return (plate.mass_kg_m2 > 0.0 && plate.stiffness_pa_m > 0.0 && plate.resistance_pa_s_m > 0.0)
                .then_some(plate);
        }
    }
    None
}

/// The unit that would have a double zero at s, and what of it is not real: both zero where it is one.
fn left(system: &System, given: Given, s: Complex64) -> (Plate, [f64; 2]) {
    let [air, slope] = system.air(s);
    match given {
        Given::Mass(mass) => {
            let r = -(2.0 * mass * s + slope);
            let k = -(mass * s * s + r.re * s + air);
            let plate = Plate { mass_kg_m2: mass, stiffness_pa_m: k.re, resistance_pa_s_m: r.re };
            (plate, [r.im, k.im / s.im])
        }
        Given::Stiffness(k) => {
            let mass = -slope.im / (2.0 * s.im);
            let r = -(2.0 * mass * s + slope).re;
            let rest = mass * s * s + r * s + k + air;
            let plate = Plate { mass_kg_m2: mass, stiffness_pa_m: k, resistance_pa_s_m: r };
            (plate, [rest.re / s.im, rest.im / s.im])
        }
    }
}

/// The setting to build: the meeting one with its damping a little less.
#[must_use]
pub fn careful(system: &System, best: Plate) -> Plate {
    let extra =
        best.resistance_pa_s_m - 2.0 * (best.mass_kg_m2 + system.loading_kg_m2()) * system.own().decay_per_s;
    Plate { resistance_pa_s_m: best.resistance_pa_s_m - (1.0 - CAREFUL) * extra.max(0.0), ..best }
}
