//! The low-frequency records of a state become a [`ModeSet`]: poles that all its source–receiver paths share, with their
//! residues at each path.
//!
//! A *pole* is −δ ± iω. A *resonance* is a fitted pair of poles with its residues, of any [`Kind`]; [`Mode`] is the type of
//! one, [`ModeSet`] of a state's list. A *mode*, in the strict sense, is a resonance that the program attributes to the
//! room: [`Kind::Mode`]. A *place* is a path, a position with a source. T60 = 3 ln 10/δ, its standard deviation T60·σ_δ/δ.
//!
//! Data: the DFT of each record over the sample rate, from the direct sound on. Model: the exact DFT of
//! Σ 2 Re(A e^{(−δ + iω)t}) over the poles, which all paths share, each path with residues A of its own; plus residual
//! terms for what no pole in the window models; plus noise.
//!
//! 1. *Records* (`record`): cut from the direct sound on, at most 6 s and as long as anything sounds (`fall`), transformed.
//!    Those of one rate and length share one matrix of columns (`basis`; products of such matrices in `tall`).
//! 2. *Noise* (`noise`): its spectrum, seen in the last part of the records, weights the bins; a power of frequency is
//!    then fitted to the residual.
//! 3. *Search* (`search`, candidates from `gain`, each band a `window`): in narrow bands poles are added as long as
//!    −2 ln L falls by more than noise alone would lower it (with a chance of 1 %), then pruned by the same threshold.
//! 4. *Joint fit* (`joint_fit`) in wide windows (`windows`, `problem`), or over the whole range where there are few
//!    poles: at given poles residues (under a weak prior on their size) and `residual_terms` are solved for (variable
//!    projection: `projection`, `factor`); Levenberg–Marquardt moves ω and δ (`refine`, inner products in `products`);
//!    noise variances are estimated in turn; poles are pruned and added, and residual terms added (`order`), by the
//!    same criterion. Steps 3 to 5 decide the number of poles.
//! 5. *Other sets of poles* (`run`, `choose`): searches with a later start or in records that end early offer theirs; in
//!    each window the set with the lowest criterion is kept.
//! 6. *Intervals*: inverse of the Fisher information (`covariance`); to σ_δ² and σ_ω² is added a variance from the
//!    distances of refits with other choices (`refits::between`: expected part subtracted, the largest of five or more
//!    left out); where modal overlap is high both grow again (`overlap`). Last, outside this module, the uncertainty of
//!    playback over recording clock is added where a capture record states it (`analysis::captured`).
//! 7. *Kind* (`kinds`): a resonance is a mode unless one of these holds. The rows marked * are tested only with
//!    [`FitSettings::refits`].
//!
//! | kind or flag | condition | file |
//! | --- | --- | --- |
//! | hum (`mains-hum`, `steady-tone`) | it hardly decays within the record, at a multiple of 50 or 60 Hz or elsewhere | `kinds` |
//! | loudspeaker | T60 under 0.15 s, or it starts with the direct sound in the chain's low end | `kinds`, `chain` |
//! | unsure, `wide-interval` | relative sd of the decay over 20 % | `kinds` |
//! | unsure, `long-for-record` | T60 + 2 sd over 1.25 records (2.5 where the sd is under 10 %) | `kinds` |
//! | unsure, `overlapping` * | hold-out test: poles of the decay's first part don't predict the next part there | `prediction`, `limit` |
//! | unsure, `unpredicted` * | it carries little of its band or is badly known, and they don't predict its own share either | `own_part` |
//! | unsure, `seen-at-one-place` | with six places or more: detected at fewer than two | `kinds` |
//! | unsure, `not-reproduced` * | too few of the refits find it again; it goes before hum and loudspeaker | `refits` |
//!
//! `fit` leads through these steps, `takes` fits single takes from a state's poles, `collect` gathers what the windows
//! hold, `residual` compares what the fit leaves with the noise, `bound` gives the Cramér–Rao bound that tests measure
//! it by.

mod basis;
mod bound;
mod chain;
mod choose;
mod collect;
mod covariance;
mod factor;
mod fall;
mod fit;
mod gain;
mod joint_fit;
mod kinds;
mod limit;
mod noise;
mod order;
mod overlap;
mod own_part;
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
mod search;
mod settings;
mod takes;
mod tall;
#[cfg(test)]
mod tests;
mod window;
mod windows;

pub use bound::{RecordConditions, bound};
pub use fit::fit;
pub(crate) use kinds::WIDE;
pub use pole::{LN_1000, Pole};
pub use settings::{FitSettings, Place};
pub use takes::fit_take;

use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use crate::language::worded;
use std::f64::consts::TAU;

/// The resonances of one state, of every kind, in rising frequency, with one joint covariance.
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
    /// or everywhere without a value, modes overlap or the sound is no sum of modes. Tested only where refits are made.
    pub single_modes_to_hz: Option<f64>,
    /// Up to where resonances were sought, Hz; `None` where nobody said.
    pub sought_to_hz: Option<f64>,
    /// Whether the fit was asked to stop before it was done; then nothing in here is to be trusted.
    pub cancelled: bool,
    /// Where the fit ended; those of single takes begin there.
    pub(crate) ended: run::Ended,
    /// What refits and overlap added to the fit's own variances of ω and δ of each mode, (rad/s)².
    pub(crate) added: Vec<[f64; 2]>,
}

worded! {
    /// What a resonance is attributed to.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    #[non_exhaustive]
    pub enum Kind {
        /// A resonance of the room; the program stands behind frequency, decay and interval.
        Mode = "mode",
        /// Mains hum or another steady tone.
        Hum = "hum",
        /// A pole of the loudspeaker, microphone or another part of the measuring chain.
        Loudspeaker = "loudspeaker",
        /// Shown, not claimed; the flags say why.
        Unsure = "unsure",
    }
}

/// One resonance of any kind: the pair of poles −δ ± iω, and its residue (complex amplitude) at each place.
///
/// The response holds `2 Re(A exp((−δ + iω) t))` with t from the emission, or from the direct sound of each place where no
/// emission is known.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Mode {
    /// What it is attributed to.
    pub kind: Kind,
    /// Damped natural angular frequency ω, rad/s.
    pub omega_per_s: f64,
    /// Decay constant δ, 1/s; T60 = 3 ln 10 / δ.
    pub decay_per_s: f64,
    /// Standard deviation of ω as reported, rad/s: noise, refits, overlap, clock.
    pub omega_sd_per_s: f64,
    /// Standard deviation of δ as reported, 1/s: noise, refits, overlap, clock.
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

    /// Time in which it falls by 60 dB, s. Its 95 % interval is taken as symmetric, ± 1.96 sd: a decay that is claimed
    /// is known to 20 % or better. A comparison goes by the logarithm of a ratio instead (`change`), in which the two
    /// states' relative sds add, and whose interval stays above zero.
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
