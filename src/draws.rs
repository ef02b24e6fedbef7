//! Reproducible random numbers for tests; one generator a seed.

use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};
use std::f64::consts::TAU;

pub(crate) struct Draws(ChaCha8Rng);

impl Draws {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// From 0 up to 1.
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}
