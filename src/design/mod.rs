//! What to build: a tuned absorber for one mode from the room's and the unit's own numbers.
//!
//! [`Treated`] is the room with its decays, [`System`] what a face on its walls meets, [`Plate`] a unit;
//! [`System::outcome`] says what becomes of the mode, [`meeting`] which setting is best.
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use stillroom::design::{Measured, Plate, Treated};
//! use stillroom::room::{Enclosure, Face};
//!
//! let room = Enclosure::rectangular([6.01, 3.98, 2.7], 20.0, 150.0)?;
//! let mode = Measured { frequency_hz: 28.55, t60_s: 2.0, t60_sd_s: 0.0 };
//! let face = Face::between([0.0, 1.2, 0.0], [0.0, 2.19, 0.91])?;
//! let panel = Plate::new(14.8, 29.66, 30.16);
//! let outcome = Treated::new(room, mode, &[])?.system(&[face])?.outcome(&panel);
//! assert!(outcome.is_some_and(|outcome| outcome.t60_s < 1.2), "2.0 s without the panel");
//! # Ok(()) }
//! ```

mod bands;
mod best;
mod chance;
mod effects;
mod plate;
mod porous;
mod room;
mod size;
mod system;
#[cfg(test)]
mod tests;

pub use bands::{Area, Diffuse};
pub use best::{Given, careful, meeting};
pub use chance::{Errors, as_built_s, kelvins_for, share_within, tuning_for_a_tenth};
pub use effects::{Effect, effects};
pub use plate::{Edges, Plate};
pub use porous::Layer;
pub use room::{Measured, Treated};
pub use size::{Build, Goal, MOST_OF_ROOM, Proposal, Size, of_volume, smallest};
pub use system::{Outcome, Root, System, Term};

use crate::room::RoomError;
use thiserror::Error;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum DesignError {
    /// The room itself.
    #[error(transparent)]
    Room(#[from] RoomError),
    /// No mode of the room lies near.
    #[error(
        "the room has no mode within 6 % of {asked_hz:.1} Hz{nearest}: check the room's lengths, or name another mode"
    )]
    NoMode {
        /// Frequency asked for, hertz.
        asked_hz: f64,
        /// Its nearest neighbours below and above, in words; empty without any.
        nearest: String,
    },
    /// The face sits where the mode vanishes.
    #[error("the mode at {frequency_hz:.1} Hz has no pressure at that place: no absorber works on it there")]
    NoPressure {
        /// Of the mode, hertz.
        frequency_hz: f64,
    },
    /// Units of this volume can't stand in the room's corners, or have no best setting.
    #[error(
        "units with {volume_m3:.2} m³ of air don't fit into this room's corners, or have no best setting there"
    )]
    NoFit {
        /// Air in all of them, m³.
        volume_m3: f64,
    },
    /// No reasonable unit reaches the target.
    #[error(
        "units of up to {:.0} % of the room's volume, as large as its corners hold, don't reach {t60_s:.2} s; next to \
         another mode, a single unit may not be enough at all",
        100.0 * share
    )]
    TooMuch {
        /// The target, seconds.
        t60_s: f64,
        /// Largest share of the room that was tried.
        share: f64,
    },
    /// A vented unit whose opening would have to be shorter than no neck at all.
    #[error("not buildable at this size (no neck is short enough): use a smaller box, or several")]
    NoNeck,
}
