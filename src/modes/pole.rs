//! The pair of poles −δ ± iω that one resonance is.

use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// ln 10³: a decay by 60 dB is one by the factor 1000 in amplitude, so T60 = 3 ln 10 / δ.
pub const LN_1000: f64 = 6.907_755_278_982_137;

/// A pole that falls by less than this many nepers within the record is a tone, not a decay. Our own choice.
pub(super) const STEADY: f64 = 1.5;

/// A pair of poles −δ ± iω, ω and δ above zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pole {
    /// Damped natural angular frequency ω, rad/s.
    pub omega_per_s: f64,
    /// Decay constant δ, 1/s.
    pub decay_per_s: f64,
}

impl Pole {
    /// The pole of a resonance at `frequency_hz` that takes `t60_s` to fall by 60 dB.
    #[must_use]
    pub fn new(frequency_hz: f64, t60_s: f64) -> Self {
        Self { omega_per_s: 2.0 * PI * frequency_hz, decay_per_s: LN_1000 / t60_s }
    }

    /// Damped natural frequency ω/2π, Hz.
    #[must_use]
    pub fn frequency_hz(&self) -> f64 {
        self.omega_per_s / (2.0 * PI)
    }

    /// Time for a fall by 60 dB, s.
    #[must_use]
    pub fn t60_s(&self) -> f64 {
        LN_1000 / self.decay_per_s
    }

    /// λ = −δ + iω, 1/s.
    #[must_use]
    pub fn lambda(&self) -> Complex<f64> {
        Complex::new(-self.decay_per_s, self.omega_per_s)
    }

    /// Distance to another pole in the complex plane, rad/s.
    #[must_use]
    pub fn distance_per_s(&self, other: &Pole) -> f64 {
        (self.lambda() - other.lambda()).norm()
    }
}
