//! Responses of a rectangular room with tuned absorbers in it, from poles and residues known exactly.
//!
//! A [`Scene`] becomes a [`Solved`]: the poles of the coupled system, and for every pair of places
//! the complex residues. [`sound`] makes samples of them, with a background and what comes above
//! the modes. Nothing is fitted or stepped in time, so what a test recovers can be held against
//! the truth digit by digit.
//!
//! The model, for modes n and units j (Fahy & Schofield, JSV 72 (1980), for one of each):
//!
//! `q_n″ + 2δ_n q_n′ + ω_n² q_n = φ_n(source) u + Σ_j g_nj x_j′`
//! `x_j″ + 2δ_j x_j′ + ω_j² x_j = −Σ_n g_nj q_n′`,  `p(r) = Σ_n φ_n(r) q_n`
//!
//! with u the volume acceleration of a small loudspeaker, `φ_n = ψ_n/√Λ_n` the mode shape scaled to
//! mean square one over the room (1/Λ is 2, 4, 8 for axial, tangential, oblique modes), and
//! `g_nj = G_j φ_n(place of j)`. Left out: the pole at 0 Hz of a sealed room, which a loudspeaker
//! can't drive; and everything above [`Scene::up_to_hz`], which loads a unit by a few per mille.

mod basis;
mod chain;
mod coupled;
#[cfg(test)]
pub mod drawn;
mod noise;
mod roots;
pub mod sound;

pub use chain::{Chain, Section};
pub use coupled::{Pole, Solved};
pub use noise::{Gauss, seed_from};

use super::{Conductances, Prediction, RoomError, decay_per_s, shape};
use thiserror::Error;

/// A rectangular room, what stands in it, and the measuring chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Length, width, height, metres.
    pub dimensions_m: [f64; 3],
    /// Air temperature, °C; sets the speed of sound.
    pub temperature_c: f64,
    /// Specific conductance of the walls, which sets every mode's decay ([`decay_per_s`]).
    pub walls: Conductances,
    /// Modes up to here are part of the model, hertz.
    pub up_to_hz: f64,
    /// Tuned absorbers.
    pub units: Vec<Unit>,
    /// Loudspeaker, equaliser: what the response is seen through.
    pub chain: Chain,
    /// Factor on the response. With 1 a mode's residue is `φ(source) φ(place)/(2iω)`.
    pub gain: f64,
}

/// A tuned absorber: a resonator driven by the pressure where it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Undamped angular frequency of its own, with no room around it, rad/s.
    pub omega_per_s: f64,
    /// Decay constant of its own, 1/s; below `omega_per_s`.
    pub decay_per_s: f64,
    /// G, 1/s: its coupling g to a mode n is `G φ_n(at_m)`; in a corner √2, 2, √8 times G for an
    /// axial, tangential, oblique mode.
    pub coupling_per_s: f64,
    /// Where it stands, metres.
    pub at_m: [f64; 3],
}

/// Why a scene has no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SceneError {
    /// The room itself.
    #[error(transparent)]
    Room(#[from] RoomError),
    /// A unit's numbers are not those of a resonator.
    #[error(
        "unit {0}: frequency must be above zero, decay and coupling zero or more, decay below the angular frequency"
    )]
    Unit(usize),
    /// A wall gives energy or is no number.
    #[error("wall conductances must be finite and zero or more, with some above zero")]
    Walls,
    /// Two poles of the chain coincide, or one has no imaginary part, or is not damped.
    #[error("chain section {0}: poles must be damped, oscillating and all different")]
    Chain(usize),
    /// The poles of the coupled system did not settle (a unit so strong that its pole turns real).
    #[error("the coupled poles did not settle; a unit is too strong for this model")]
    NotSolved,
}

impl Scene {
    /// An empty room with equal walls, seen through a perfect chain.
    #[must_use]
    pub fn empty(dimensions_m: [f64; 3], temperature_c: f64, conductance: f64, up_to_hz: f64) -> Self {
        Self {
            dimensions_m,
            temperature_c,
            walls: [[conductance; 2]; 3],
            up_to_hz,
            units: Vec::new(),
            chain: Chain::default(),
            gain: 1.0,
        }
    }

    /// Shape φ of a mode at a place, scaled to mean square one over the room.
    #[must_use]
    pub fn scaled_shape(&self, axes: [u32; 3], at_m: [f64; 3]) -> f64 {
        let varying = axes.iter().filter(|&&n| n > 0).count();
        shape(self.dimensions_m, axes, at_m) * 2f64.powi(varying as i32).sqrt()
    }

    /// A unit at a place, with the coupling that gives `g_per_s` to the mode `axes` there.
    ///
    /// On a node of the mode no coupling does; the unit's coupling is then not finite and
    /// [`Scene::solve`] refuses it.
    #[must_use]
    pub fn unit_for(&self, axes: [u32; 3], g_per_s: f64, at_m: [f64; 3], own: (f64, f64)) -> Unit {
        let coupling_per_s = g_per_s / self.scaled_shape(axes, at_m).abs();
        Unit { omega_per_s: own.0, decay_per_s: own.1, coupling_per_s, at_m }
    }

    /// Angular frequency and decay constant of an uncoupled mode, both 1/s.
    ///
    /// # Errors
    /// [`SceneError::Room`] for a temperature out of range.
    pub fn bare_mode(&self, axes: [u32; 3]) -> Result<(f64, f64), SceneError> {
        let c = super::sound_speed_m_s(self.temperature_c)?;
        let sum: f64 = (0..3).map(|i| (f64::from(axes[i]) / self.dimensions_m[i]).powi(2)).sum();
        Ok((std::f64::consts::PI * c * sum.sqrt(), decay_per_s(self.dimensions_m, c, &self.walls, axes)))
    }

    /// Poles and shapes of the scene.
    ///
    /// # Errors
    /// [`SceneError`] names what of the scene can't be.
    pub fn solve(&self) -> Result<Solved, SceneError> {
        self.check()?;
        let room = Prediction::new(self.dimensions_m, self.temperature_c, self.up_to_hz)?;
        Solved::new(self, &room)
    }

    /// Refuses numbers that describe no passive room.
    fn check(&self) -> Result<(), SceneError> {
        let walls = self.walls.as_flattened();
        if !walls.iter().all(|b| b.is_finite() && *b >= 0.0) || walls.iter().all(|b| *b <= 0.0) {
            return Err(SceneError::Walls);
        }
        for (j, unit) in self.units.iter().enumerate() {
            let numbers = [unit.omega_per_s, unit.decay_per_s, unit.coupling_per_s];
            let finite = numbers.iter().chain(&unit.at_m).all(|x| x.is_finite());
            let resonates = unit.omega_per_s > unit.decay_per_s && unit.decay_per_s >= 0.0;
            if !(finite && resonates && unit.coupling_per_s >= 0.0) {
                return Err(SceneError::Unit(j));
            }
        }
        self.chain.check()
    }
}

#[cfg(test)]
mod tests;
