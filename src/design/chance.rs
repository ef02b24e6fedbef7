//! How sure a unit reaches a target when it is built with errors.

use super::plate::Plate;
use super::system::{System, Term};
use crate::room::simulate::Gauss;

/// How a unit may come out. Both are drawn evenly from plus to minus, common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Errors {
    /// Largest relative error of the loss.
    pub loss: f64,
    /// Largest relative error of the frequency.
    pub tuning: f64,
    /// Standard deviation of the room's own decay constant, relative to it.
    pub room: f64,
    /// Seed of the draws: the same seed gives the same answer.
    pub seed: u64,
}

impl Default for Errors {
    fn default() -> Self {
        Self { loss: 0.1, tuning: 0.01, room: 0.0, seed: 1 }
    }
}

/// T60 of the target with the unit in each of `draws` buildings of it, sorted, seconds. A draw whose poles
/// don't settle counts as never dying away.
#[must_use]
pub fn as_built_s(system: &System, plate: &Plate, errors: &Errors, draws: usize) -> Vec<f64> {
    let near = system.near_target();
    let mut numbers = Gauss::new(errors.seed);
    let mut times: Vec<f64> = (0..draws)
        .map(|_| {
            let mut even = || 2.0 * numbers.uniform() - 1.0;
            let (tuning, loss) = (1.0 + errors.tuning * even(), 1.0 + errors.loss * even());
            let room = (1.0 + errors.room * numbers.normal()).max(0.2);
            let mut drawn = near.clone();
            drawn.terms.iter_mut().for_each(|term| term.own.decay_per_s *= room);
            drawn.outcome(&plate.built(tuning, loss)).map_or(f64::INFINITY, |o| o.t60_s)
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times
}

/// Share of the times that are at most `limit_s`.
#[must_use]
pub fn share_within(times_s: &[f64], limit_s: f64) -> f64 {
    times_s.iter().filter(|t| **t <= limit_s).count() as f64 / times_s.len().max(1) as f64
}

/// Relative detuning that makes T60 a tenth longer, the nearer side; `None` where 20 % don't.
#[must_use]
pub fn tuning_for_a_tenth(system: &System, plate: &Plate) -> Option<f64> {
    let near = system.near_target();
    let limit_s = 1.1 * near.outcome(plate)?.t60_s;
    let longer =
        |off: f64| near.outcome(&plate.built(1.0 + off, 1.0)).is_none_or(|outcome| outcome.t60_s > limit_s);
    let side = |sign: f64| {
        let mut far = 1e-4;
        while !longer(sign * far) {
            far *= 1.5;
            if far > 0.2 {
                return None;
            }
        }
        let mut near = far / 1.5;
        for _ in 0..12 {
            let middle = 0.5 * (near + far);
            if longer(sign * middle) { far = middle } else { near = middle }
        }
        Some(far)
    };
    [side(1.0), side(-1.0)].into_iter().flatten().reduce(f64::min)
}

/// Kelvins by which the air may be warmer or colder until a relative detuning is reached: frequencies of
/// a room go as √T, so 1/(2T) a kelvin, 0.17 % at 20 °C; a sealed spring is γP₀ and stays.
#[must_use]
pub fn kelvins_for(detuning: f64, temperature_c: f64) -> f64 {
    detuning * 2.0 * (273.15 + temperature_c)
}

impl System {
    /// The system with all modes farther than 30 % from the target as the mass that they are there: exact
    /// to second order in the distance, and many times faster.
    #[must_use]
    pub fn near_target(&self) -> Self {
        let omega = self.own().omega_per_s;
        let is_near = |t: &Term| (t.own.omega_per_s / omega - 1.0).abs() < 0.3;
        let (near, far): (Vec<Term>, Vec<Term>) = self.terms.iter().partition(|t| is_near(t));
        let mass: f64 =
            far.iter().map(|t| t.stiffness_pa_m / (t.own.omega_per_s.powi(2) - omega * omega)).sum();
        let mode = self.terms[self.target].mode;
        let target = near.iter().position(|t| t.mode == mode).unwrap_or(0);
        Self { target, terms: near, load_kg_m2: self.load_kg_m2 + mass, whole_pa_m: self.whole_pa_m }
    }
}
