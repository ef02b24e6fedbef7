//! Modes arranged so that each is either coupled to a unit or not, and no two coupled ones coincide.

use super::Scene;
use crate::room::{Prediction, decay_per_s};
use rustfft::num_complex::Complex64;

/// One mode of the empty room, or a mixture of modes of equal frequency and decay.
#[derive(Debug, Clone)]
pub(super) struct Basis {
    /// Which modes, by their place in the prediction, and how much of each; squares sum to one.
    pub terms: Vec<(usize, f64)>,
    /// Undamped angular frequency, rad/s.
    pub omega_per_s: f64,
    /// Decay constant, 1/s.
    pub decay_per_s: f64,
    /// Coupling g to each unit, 1/s.
    pub coupling: Vec<f64>,
}

impl Basis {
    /// The pole −δ + iω_d.
    pub fn pole(&self) -> Complex64 {
        let damped = (self.omega_per_s.powi(2) - self.decay_per_s.powi(2)).max(0.0).sqrt();
        Complex64::new(-self.decay_per_s, damped)
    }

    /// `s² + 2δs + ω²`, written so that it keeps its digits near the pole.
    pub fn quadratic(&self, s: Complex64) -> Complex64 {
        (s - self.pole()) * (s - self.pole().conj())
    }

    /// Derivative of [`Basis::quadratic`].
    pub fn slope(&self, s: Complex64) -> Complex64 {
        2.0 * (s + self.decay_per_s)
    }
}

/// The modes of a scene; where several share one pole they are turned so that as few as possible couple.
pub(super) fn basis(scene: &Scene, room: &Prediction) -> Vec<Basis> {
    let mut modes: Vec<Basis> = room
        .modes
        .iter()
        .enumerate()
        .map(|(i, mode)| Basis {
            terms: vec![(i, 1.0)],
            omega_per_s: 2.0 * std::f64::consts::PI * mode.frequency_hz,
            decay_per_s: decay_per_s(scene.dimensions_m, room.sound_speed_m_s, &scene.walls, mode.axes),
            coupling: scene
                .units
                .iter()
                .map(|unit| unit.coupling_per_s * scene.scaled_shape(mode.axes, unit.at_m))
                .collect(),
        })
        .collect();
    for group in coincident(&modes) {
        turn(&mut modes, &group, scene.units.len());
    }
    modes
}

/// Groups of modes whose poles agree to ten digits: squares, cubes, rooms twice as long as wide.
fn coincident(modes: &[Basis]) -> Vec<Vec<usize>> {
    let mut taken = vec![false; modes.len()];
    let mut groups = Vec::new();
    for first in 0..modes.len() {
        if taken[first] {
            continue;
        }
        let near =
            |i: usize| (modes[i].omega_per_s - modes[first].omega_per_s).abs() < 1e-10 * modes[i].omega_per_s;
        // The list is sorted by frequency, so candidates follow at once.
        let group: Vec<usize> = (first..modes.len())
            .take_while(|&i| near(i))
            .filter(|&i| {
                (modes[i].decay_per_s - modes[first].decay_per_s).abs() < 1e-10 * modes[i].omega_per_s
            })
            .collect();
        for &i in &group {
            taken[i] = true;
        }
        if group.len() > 1 {
            groups.push(group);
        }
    }
    groups
}

/// Turns the modes of one group by Householder reflections, one a unit, so that after the first
/// `units` members none is coupled. Frequencies and decays are equal, so any turn is a mode set too.
fn turn(modes: &mut [Basis], group: &[usize], units: usize) {
    for unit in 0..units.min(group.len()) {
        let rest = &group[unit..];
        let mut normal: Vec<f64> = rest.iter().map(|&i| modes[i].coupling[unit]).collect();
        let length = normal.iter().map(|x| x * x).sum::<f64>().sqrt();
        normal[0] += length.copysign(normal[0]);
        let square: f64 = normal.iter().map(|x| x * x).sum();
        if square <= 0.0 {
            continue;
        }
        let before: Vec<Basis> = rest.iter().map(|&i| modes[i].clone()).collect();
        for (row, &i) in rest.iter().enumerate() {
            let weight = |column: usize| {
                f64::from(u8::from(row == column)) - 2.0 * normal[row] * normal[column] / square
            };
            modes[i].terms = mixed_terms(&before, weight);
            for j in 0..units {
                modes[i].coupling[j] =
                    before.iter().enumerate().map(|(k, b)| weight(k) * b.coupling[j]).sum();
            }
        }
    }
}

/// The terms of a mixture, each mode once.
fn mixed_terms(parts: &[Basis], weight: impl Fn(usize) -> f64) -> Vec<(usize, f64)> {
    let mut terms: Vec<(usize, f64)> = Vec::new();
    for (k, part) in parts.iter().enumerate() {
        for &(mode, share) in &part.terms {
            match terms.iter_mut().find(|(known, _)| *known == mode) {
                Some((_, sum)) => *sum += weight(k) * share,
                None => terms.push((mode, weight(k) * share)),
            }
        }
    }
    terms
}
