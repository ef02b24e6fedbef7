//! Test signals: the exponential sweep ([`Sweep`]) and periodic noise ([`Noise`]), and how long they must be
//! ([`Question`]).
//!
//! A signal is numbers at a rate, with full scale 1; writing it to a file and warning about loud low
//! tones is the program's business.
//!
//! ```
//! # fn main() -> Result<(), stillroom::excitation::SignalError> {
//! let sweep = stillroom::excitation::Sweep { seconds: 2.0, ..Default::default() };
//! assert_eq!(sweep.samples()?.len(), 48_000 * (1 + 2 + 5), "a second of silence, the sweep, five of silence");
//! # Ok(()) }
//! ```

mod description;
mod noise;
mod sizing;
mod sweep;

pub use description::Description;
pub use noise::{Colour, Noise};
pub use sizing::{Plan, Question, WANTED_DB};
pub use sweep::Sweep;

/// A signal can't be made as asked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{field}: {found} can't be used\n  allowed  {allowed}")]
#[non_exhaustive]
pub struct SignalError {
    /// Which setting.
    pub field: &'static str,
    /// What was asked for.
    pub found: String,
    /// What is possible.
    pub allowed: String,
}

/// Checks that `value` lies in a range; `unit` is for the message.
fn within(field: &'static str, value: f64, (low, high): (f64, f64), unit: &str) -> Result<(), SignalError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(SignalError { field, found: format!("{value} {unit}"), allowed: format!("{low} to {high} {unit}") })
}

/// Sample rates that sound devices and files offer, Hz.
const RATES_HZ: (f64, f64) = (8_000.0, 384_000.0);
/// Longest signal, s: half an hour is already more than any loudspeaker should be asked for.
const SECONDS: (f64, f64) = (0.1, 1_800.0);
