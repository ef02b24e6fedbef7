//! The low ends of a state become a [`ModeSet`]: poles that all positions share, and how strongly
//! each position sees them.
//!
//! `fit` leads through it. A *run* (`run`) cuts and transforms the records (`record`), seeks poles in narrow bands
//! (`single`, candidates from `gain`) and fits them together in wide windows (`layout`, `window`): a `problem` is the
//! window's spectra beside its `residual_terms` and `noise`; `projection` solves for amplitudes at given poles (columns
//! from `basis`, products in `tall` and `factor`), `refine` moves the poles, `order` chooses how many terms there are.
//! `choose` takes the cheapest poles of several runs, `refits` widens intervals by what other variants give, `overlap`
//! by crowding; `prediction` and `kinds` say what is claimed; `collect`, `covariance` and `residual` gather it.

mod basis;
mod bound;
mod chain;
mod choose;
mod collect;
mod covariance;
mod factor;
mod fit;
mod gain;
mod kinds;
mod layout;
mod noise;
mod order;
mod overlap;
mod pole;
mod prediction;
mod problem;
mod products;
mod projection;
mod record;
mod refine;
mod refits;
mod residual;
mod residual_terms;
mod run;
mod settings;
mod single;
mod takes;
mod tall;
#[cfg(test)]
mod tests;
mod window;

pub use bound::{Listening, bound};
pub use fit::fit;
pub use pole::{LN_1000, Pole};
pub use settings::{FitSettings, Place};
pub use takes::fit_take;

use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use std::f64::consts::TAU;

/// The resonances of one state, in rising frequency, with one joint covariance.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct ModeSet {
    /// The resonances.
    pub modes: Vec<Mode>,
    /// Joint covariance of (ω₁, δ₁, ω₂, δ₂, …) in (rad/s)², row by row, side 2 × `modes.len()`.
    pub covariance: Vec<f64>,
    /// Position and source of each amplitude, in the order of [`Mode::amplitudes`].
    pub places: Vec<(String, String)>,
    /// Sample rate of each place's file, Hz: levels refer to it.
    pub file_rates_hz: Vec<f64>,
    /// Mean square that the fit leaves at each place over that of the noise its record ends in, 1 for a
    /// perfect fit; or why that can't be said.
    pub residual_over_noise: Vec<Result<f64, Flag>>,
    /// Parts of the range that no fit came to an end in, Hz; nothing is said of resonances there.
    pub unfitted_hz: Vec<(f64, f64)>,
    /// Up to here poles found in the first part of the decay predict the next, so that single modes can be told, Hz; above,
    /// or everywhere without a value, modes overlap or the sound is no sum of modes. Looked at with refits only.
    pub single_modes_to_hz: Option<f64>,
    /// Up to where resonances were sought, Hz; `None` where nobody said.
    pub sought_to_hz: Option<f64>,
    /// Whether the fit was asked to stop before it was done; then nothing in here is to be trusted.
    pub cancelled: bool,
}

/// What a resonance is taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Kind {
    /// A resonance of the room; the program stands behind frequency, decay and interval.
    Mode,
    /// Mains hum or another steady tone.
    Hum,
    /// A pole of the loudspeaker, microphone or another part of the measuring chain.
    Loudspeaker,
    /// Shown, not claimed; the flags say why.
    Unsure,
}

/// One resonance: the pair of poles −δ ± iω, and its complex amplitude at each place.
///
/// The response holds `2 Re(A exp((−δ + iω) t))` with t from the emission.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Mode {
    /// What it is taken for.
    pub kind: Kind,
    /// Damped natural angular frequency ω, rad/s.
    pub omega_per_s: f64,
    /// Decay constant δ, 1/s; T60 = 3 ln 10 / δ.
    pub decay_per_s: f64,
    /// Standard deviation of ω (with what the choice of poles adds), rad/s.
    pub omega_sd_per_s: f64,
    /// Standard deviation of δ, 1/s.
    pub decay_sd_per_s: f64,
    /// Amplitude at each place; `None` where the place was not part of the fit.
    pub amplitudes: Vec<Option<Amplitude>>,
    /// Remarks.
    pub flags: Flags,
}

impl Mode {
    /// Damped natural frequency, Hz.
    #[must_use]
    pub fn frequency(&self) -> Estimate {
        Estimate::new(self.omega_per_s / TAU, self.omega_sd_per_s / TAU)
    }

    /// Time in which it falls by 60 dB, s.
    #[must_use]
    pub fn t60(&self) -> Estimate {
        let t60_s = LN_1000 / self.decay_per_s;
        Estimate::new(t60_s, t60_s * self.decay_sd_per_s / self.decay_per_s)
    }
}

/// A complex amplitude A, in the file's full scale, and its covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Amplitude {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
    /// Covariance of (re, im): `[var re, cov, var im]`, with the pole's own uncertainty in it.
    pub covariance: [f64; 3],
    /// Fall of χ² that this resonance brings at this place with all poles fixed: twice its log-likelihood ratio.
    pub delta_chi2: f64,
}
