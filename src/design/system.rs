//! The target mode, a unit on the wall, and all other modes that load it: the poles they make together.
//!
//! With x the unit's displacement, U(s) = ms² + rs + k its own impedance times s, and the air's reaction
//! `G(s) = μs² + κ₀ + Σ κ_n s²/(s² + 2δ_n s + ω_n²)` over all listed modes, the room's pressure as a
//! whole (κ₀) and the modes above the list (μ), the poles solve `U(s) + G(s) = 0`. With one mode
//! that is the quartic of one resonator on one mode (Fahy & Schofield, J. Sound Vib. 72 (1980)).

use super::plate::Plate;
use crate::absorber::{Resonator, couple};
use crate::change::ring_s;
use crate::modes::LN_1000;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// A mode of the room with its coupling to the face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    /// Place of the mode in the room's list.
    pub mode: usize,
    /// Its pole without the unit.
    pub own: Resonator,
    /// κ, Pa/m.
    pub stiffness_pa_m: f64,
}

/// The room as the unit's face meets it.
#[derive(Debug, Clone, PartialEq)]
pub struct System {
    /// Which of the terms is to be treated.
    pub target: usize,
    /// Listed modes that the face meets.
    pub terms: Vec<Term>,
    /// Mass per area of all modes above the list, kg/m².
    pub load_kg_m2: f64,
    /// The room's pressure as a whole, Pa/m.
    pub whole_pa_m: f64,
}

/// A pole with what it is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Root {
    /// −δ + iω, 1/s.
    pub s: Complex64,
    /// The target's share of its motion, 0…1.
    pub target_share: f64,
    /// The unit's share.
    pub unit_share: f64,
}

impl Root {
    /// Damped natural frequency, hertz.
    #[must_use]
    pub fn frequency_hz(&self) -> f64 {
        self.s.im / TAU
    }

    /// T60, seconds.
    #[must_use]
    pub fn t60_s(&self) -> f64 {
        -LN_1000 / self.s.re
    }
}

/// What became of the target.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Its poles, rising in frequency: two, or more where a neighbour takes part.
    pub roots: Vec<Root>,
    /// T60 of the slowest of them, seconds.
    pub t60_s: f64,
    /// Time until the target's free decay is 60 dB down for good, seconds.
    pub ring_s: f64,
}

/// A pole belongs to the target if this share of its energy is the target's, beside the two that
/// target and unit make in any case. Our own choice.
const TAKES_PART: f64 = 0.2;

/// Neighbours are solved for together with the target within so many couplings. Our own choice.
const REACH: f64 = 3.0;

impl System {
    /// The target's own resonance.
    #[must_use]
    pub fn own(&self) -> Resonator {
        self.terms[self.target].own
    }

    /// G, G′.
    pub(super) fn air(&self, s: Complex64) -> [Complex64; 2] {
        self.air_without(usize::MAX, s)
    }

    /// G and G′ without one of the terms.
    fn air_without(&self, left_out: usize, s: Complex64) -> [Complex64; 2] {
        let mut value = self.load_kg_m2 * s * s + self.whole_pa_m;
        let mut slope = 2.0 * self.load_kg_m2 * s;
        for (_, term) in self.terms.iter().enumerate().filter(|(i, _)| *i != left_out) {
            let d = quadratic(term.own, s);
            let part = s * s / d;
            value += term.stiffness_pa_m * part;
            slope += term.stiffness_pa_m * (2.0 * s - part * 2.0 * (s + term.own.decay_per_s)) / d;
        }
        [value, slope]
    }

    /// Mass per area with which everything but the target loads the unit at the target, kg/m².
    #[must_use]
    pub fn loading_kg_m2(&self) -> f64 {
        let omega = self.own().omega_per_s;
        let others = self.terms.iter().enumerate().filter(|(i, _)| *i != self.target);
        let listed: f64 = others
            .map(|(_, term)| {
                // Beside the target the sum has no meaning; a neighbour counts as if its width away.
                let away = term.own.omega_per_s.powi(2) - omega * omega;
                let least = 2.0 * omega * term.own.decay_per_s;
                term.stiffness_pa_m * away / (away * away).max(least * least)
            })
            .sum();
        self.load_kg_m2 + listed - self.whole_pa_m / (omega * omega)
    }

    /// The unit as it is in the room, the target taken out, with its splitting g, 1/s.
    #[must_use]
    pub fn installed(&self, plate: &Plate) -> Option<(Resonator, f64)> {
        let mass = plate.mass_kg_m2 + self.loading_kg_m2();
        let unit = Resonator {
            omega_per_s: (plate.stiffness_pa_m / mass).sqrt(),
            decay_per_s: 0.5 * plate.resistance_pa_s_m / mass,
        };
        let g = (self.terms[self.target].stiffness_pa_m / mass).sqrt();
        (mass > 0.0 && unit.omega_per_s > unit.decay_per_s && g.is_finite()).then_some((unit, g))
    }

    /// What the unit makes of the target; `None` where the poles don't settle.
    #[must_use]
    pub fn outcome(&self, plate: &Plate) -> Option<Outcome> {
        let roots = self.solve(plate)?;
        let mut ranked: Vec<Root> = roots.iter().map(|s| self.share(plate, *s)).collect();
        ranked.sort_by(|a, b| (b.target_share + b.unit_share).total_cmp(&(a.target_share + a.unit_share)));
        let counts = ranked.iter().enumerate().filter(|(i, r)| *i < 2 || r.target_share > TAKES_PART);
        let mut own: Vec<Root> = counts.map(|(_, root)| *root).collect();
        own.sort_by(|a, b| a.s.im.total_cmp(&b.s.im));
        let slowest = own.iter().map(|r| -r.s.re).fold(f64::INFINITY, f64::min);
        let poles: Vec<Complex64> = own.iter().map(|r| r.s).collect();
        let strengths: Vec<Complex64> = poles.iter().map(|s| self.strength(plate, *s)).collect();
        let ring_s = ring_s(&poles, &[strengths])?;
        (slowest > 0.0).then(|| Outcome { roots: own, t60_s: LN_1000 / slowest, ring_s })
    }

    /// Decay constants of all modes up to `hertz` with the unit, by their place among the terms.
    #[must_use]
    pub fn neighbours(&self, plate: &Plate, hertz: f64) -> Vec<(usize, Resonator)> {
        let reach =
            self.terms.iter().enumerate().filter(|(i, t)| {
                *i != self.target && t.own.omega_per_s < TAU * hertz && t.stiffness_pa_m > 0.0
            });
        reach.filter_map(|(i, _)| Some((i, Resonator::of_pole(self.alone(plate, i)?)))).collect()
    }

    /// The pole that a mode away from the unit becomes: Newton's method from its own, on
    /// `D_n + κ_n s²/(U + rest of G)`.
    fn alone(&self, plate: &Plate, index: usize) -> Option<Complex64> {
        let term = self.terms[index];
        let mut s = term.own.pole();
        for _ in 0..40 {
            let d = quadratic(term.own, s);
            let [air, _] = self.air_without(index, s);
            let rest = impedance(plate, s) + air;
            let value = d + term.stiffness_pa_m * s * s / rest;
            let step = value / (2.0 * (s + term.own.decay_per_s));
            s -= step;
            if step.norm() < 1e-12 * s.norm() {
                return Some(s);
            }
        }
        (s.is_finite() && s.im > 0.0 && (s - term.own.pole()).norm() < 0.1 * s.norm()).then_some(s)
    }

    /// Zeros near the target: unit, target, and the modes within [`REACH`] couplings of it. Simultaneous
    /// iteration of Ehrlich (1967) and Aberth (Math. Comp. 27 (1973)).
    fn solve(&self, plate: &Plate) -> Option<Vec<Complex64>> {
        let (unit, g) = self.installed(plate)?;
        let omega = self.own().omega_per_s;
        let mass = plate.mass_kg_m2 + self.loading_kg_m2();
        let near: Vec<usize> = (0..self.terms.len())
            .filter(|&i| {
                let own = (self.terms[i].stiffness_pa_m / mass).sqrt();
                let away = (self.terms[i].own.omega_per_s - omega).abs();
                i == self.target || away < REACH * g.max(own).max(unit.decay_per_s)
            })
            .collect();
        let pair = couple(self.own(), unit, g * g).map(|pair| pair.poles());
        let mut roots: Vec<Complex64> = pair.unwrap_or([self.own().pole(), unit.pole()]).to_vec();
        if (roots[0] - roots[1]).norm() < 1e-6 * omega {
            roots[0] += Complex64::new(1e-5, 1e-5) * omega;
        }
        let others = near.iter().filter(|&&i| i != self.target);
        roots.extend(others.map(|&i| self.terms[i].own.pole() + Complex64::new(-0.05, 0.05)));
        for _ in 0..100 {
            let mut worst = 0.0f64;
            for k in 0..roots.len() {
                let s = roots[k];
                let step = 1.0 / (self.log_slope(plate, &near, s) - repulsion(&roots, k));
                if !step.is_finite() {
                    // On a zero already, to the last digit.
                    continue;
                }
                roots[k] = Complex64::new((s - step).re, (s - step).im.abs());
                worst = worst.max(step.norm());
            }
            if worst < 1e-11 * omega {
                break;
            }
        }
        let done = roots.iter().all(|s| s.is_finite() && s.im > 0.0 && self.settled(plate, &near, *s));
        done.then_some(roots)
    }

    /// Whether one more step would move a zero by under a millionth.
    fn settled(&self, plate: &Plate, near: &[usize], s: Complex64) -> bool {
        let step = 1.0 / self.log_slope(plate, near, s);
        !step.is_finite() || step.norm() < 1e-6 * s.norm()
    }

    fn log_slope(&self, plate: &Plate, near: &[usize], s: Complex64) -> Complex64 {
        let [air, slope] = self.air(s);
        let own = 2.0 * plate.mass_kg_m2 * s + plate.resistance_pa_s_m;
        let modes: Complex64 = near
            .iter()
            .map(|&i| {
                let own = self.terms[i].own;
                2.0 * (s + own.decay_per_s) / quadratic(own, s)
            })
            .sum();
        (own + slope) / (impedance(plate, s) + air) + modes
    }

    /// What a pole is made of, by kinetic energy.
    fn share(&self, plate: &Plate, s: Complex64) -> Root {
        let energy =
            |term: &Term| term.stiffness_pa_m * (s / quadratic(term.own, s)).norm_sqr() * s.norm_sqr();
        let unit = (plate.mass_kg_m2 + self.load_kg_m2) * s.norm_sqr();
        let target = energy(&self.terms[self.target]);
        let all: f64 = unit + self.terms.iter().map(energy).sum::<f64>();
        Root { s, target_share: target / all, unit_share: unit / all }
    }

    /// How strongly the target's free decay holds a pole: the residue of 1/(D + κs²/(U + rest)), whose
    /// derivative is taken as a difference.
    fn strength(&self, plate: &Plate, s: Complex64) -> Complex64 {
        let of = |s: Complex64| {
            let term = self.terms[self.target];
            let [air, _] = self.air_without(self.target, s);
            quadratic(term.own, s) + term.stiffness_pa_m * s * s / (impedance(plate, s) + air)
        };
        let h = 1e-4;
        (2.0 * h) / (of(s + h) - of(s - h))
    }
}

/// s² + 2δs + ω², with its digits kept near the pole.
fn quadratic(own: Resonator, s: Complex64) -> Complex64 {
    let pole = own.pole();
    (s - pole) * (s - pole.conj())
}

/// ms² + rs + k.
fn impedance(plate: &Plate, s: Complex64) -> Complex64 {
    plate.mass_kg_m2 * s * s + plate.resistance_pa_s_m * s + plate.stiffness_pa_m
}

/// Σ 1/(s − other zero) over the other zeros and all mirror images.
fn repulsion(roots: &[Complex64], k: usize) -> Complex64 {
    let s = roots[k];
    let others: Complex64 =
        roots.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, z)| 1.0 / (s - z)).sum();
    others + roots.iter().map(|z| 1.0 / (s - z.conj())).sum::<Complex64>()
}
