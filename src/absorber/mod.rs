//! A tuned absorber while it is being tuned: what it does to a mode now, which way to turn what, and
//! how far that can lead.
//!
//! 1. The mode without the unit is one pole, with it two. [`coupled`](self) holds the closed form of one
//!    mode and one unit, and its inverse.
//! 2. The two poles of a take come from a least-squares fit on the stretch of spectrum round the mode,
//!    over all places, as sum and squared half distance: what the data know where the poles meet.
//! 3. Where one mode and one unit are all there is, both states' records are fitted at once: what the unit makes of
//!    poles and residues follows from the model ([`joint`](self)). Decay, ringing and levels come from there.
//! 4. Takes are joined: the mode and, unless they contradict it, the coupling are shared.
//! 5. The step to take now is judged by the T60 to be expected after it over what the takes leave open;
//!    a take that is too vague leads to "less damping, measure again", not to a number.
//!
//! What the data don't carry is left empty with its reason. Nothing here opens a file.
//!
//! ```
//! use stillroom::absorber::{Resonator, best_t60_s, best_unit, slower_t60_s};
//!
//! let mode = Resonator { omega_per_s: 209.0, decay_per_s: 4.06 }; // 33.3 Hz, 1.70 s
//! let coupling = 9.0; // 1/s
//! let best = best_unit(mode, coupling);
//! let reached = slower_t60_s(mode, best, coupling * coupling);
//! assert!(reached.is_some_and(|t60_s| (t60_s / best_t60_s(mode, coupling) - 1.0).abs() < 0.02), "{reached:?}");
//! let overdamped = Resonator { decay_per_s: 3.0 * best.decay_per_s, ..best };
//! assert!(slower_t60_s(mode, overdamped, coupling * coupling) > reached);
//! ```

mod advise;
mod by_frequency;
mod coupled;
mod dials;
mod facts;
mod finding;
mod group;
mod history;
mod join;
mod joint;
mod local;
mod neighbours;
mod outcome;
mod own_pair;
mod placement;
mod rank;
mod reference;
mod sharing;
mod shift;
mod sight;
mod spectrum;
mod target;
#[cfg(test)]
mod tests;
mod treated;
mod tune;
mod words;

pub(crate) use advise::from_one;
pub use coupled::{Identified, Pair, Resonator, best_t60_s, best_unit, couple, identify, slower_t60_s};
pub use facts::SettingFacts;
pub use outcome::{Finding, Next, Tuning, Values};
pub use placement::{Placement, RoomMode, placements, units_for};
pub use reference::{Reference, SettingFit};
pub use target::TuneError;
