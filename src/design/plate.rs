//! A tuned absorber's own numbers, per area of the face that meets the room.

use std::f64::consts::TAU;

/// A mass on a lossy spring behind a face: panel before a sealed space, or the air in an opening.
///
/// All values are per m² of the face and *effective*: a panel fixed at its edges moves like a stiff one
/// of more mass ([`Edges`]).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    /// Mass, kg/m².
    pub mass_kg_m2: f64,
    /// Spring, Pa/m.
    pub stiffness_pa_m: f64,
    /// Loss, Pa s/m.
    pub resistance_pa_s_m: f64,
}

impl Plate {
    /// From mass, frequency in a vacuum and decay constant.
    #[must_use]
    pub fn new(mass_kg_m2: f64, frequency_hz: f64, decay_per_s: f64) -> Self {
        Self {
            mass_kg_m2,
            stiffness_pa_m: mass_kg_m2 * (TAU * frequency_hz).powi(2),
            resistance_pa_s_m: 2.0 * mass_kg_m2 * decay_per_s,
        }
    }

    /// Frequency with no room before it, undamped, hertz.
    #[must_use]
    pub fn frequency_hz(&self) -> f64 {
        (self.stiffness_pa_m / self.mass_kg_m2).sqrt() / TAU
    }

    /// Decay constant with no room before it, 1/s.
    #[must_use]
    pub fn decay_per_s(&self) -> f64 {
        0.5 * self.resistance_pa_s_m / self.mass_kg_m2
    }

    /// The unit with its frequency and its loss multiplied, the mass kept.
    #[must_use]
    pub fn built(&self, tuning: f64, loss: f64) -> Self {
        Self {
            mass_kg_m2: self.mass_kg_m2,
            stiffness_pa_m: self.stiffness_pa_m * tuning * tuning,
            resistance_pa_s_m: self.resistance_pa_s_m * loss,
        }
    }
}

/// How a panel is held at its edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Edges {
    /// Free to move as a whole, on a soft seal.
    #[default]
    Piston,
    /// Held but free to tilt: bends as sin·sin.
    Supported,
    /// Held and kept from tilting.
    Clamped,
}

impl Edges {
    /// (mean φ)²/mean φ² of the panel's first shape φ: what share of a piston's coupling is left.
    ///
    /// Supported: (2/π)⁴/¼ = 64/π⁴ = 0.657. Clamped: products of a clamped beam's first shape, whose
    /// mean is 0.8309 of its root mean square (Blevins, *Formulas for Natural Frequency and Mode
    /// Shape*, 1979, table 8-1): 0.8309⁴ = 0.4767.
    #[must_use]
    pub fn share(self) -> f64 {
        match self {
            Edges::Piston => 1.0,
            Edges::Supported => 0.657_02,
            Edges::Clamped => 0.476_6,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frequency_and_decay_come_back() {
        let plate = Plate::new(14.8, 29.66, 30.16);
        assert!((plate.frequency_hz() - 29.66).abs() < 1e-12 && (plate.decay_per_s() - 30.16).abs() < 1e-12);
        let built = plate.built(1.01, 0.9);
        assert!((built.frequency_hz() / 29.66 - 1.01).abs() < 1e-12);
        assert!((built.decay_per_s() / 30.16 - 0.9).abs() < 1e-12);
    }

    /// The shapes integrated by the midpoint rule; the clamped beam's from cosh, cos and σ = 0.98250.
    #[test]
    fn shares_are_the_shapes_means() {
        let share = |phi: &dyn Fn(f64) -> f64| {
            let n = 20_000;
            let (mut mean, mut square) = (0.0, 0.0);
            for i in 0..n {
                let y = phi((f64::from(i) + 0.5) / f64::from(n)) / f64::from(n);
                (mean, square) = (mean + y, square + y * y * f64::from(n));
            }
            (mean * mean / square).powi(2)
        };
        let beta = 4.730_040_744_862_704_f64;
        let sigma = (beta.cosh() - beta.cos()) / (beta.sinh() - beta.sin());
        let clamped = |x: f64| {
            let bx = beta * x;
            bx.cosh() - bx.cos() - sigma * (bx.sinh() - bx.sin())
        };
        assert!((share(&clamped) - Edges::Clamped.share()).abs() < 1e-3, "{}", share(&clamped));
        assert!((share(&|x| (std::f64::consts::PI * x).sin()) - Edges::Supported.share()).abs() < 1e-4);
    }
}
