//! The room with rigid walls, a box in closed form or any plan with upright walls: what resonates, where each resonance is
//! strong and where it vanishes, where to measure, and which measured resonance is which.
//!
//! A rigid box `L × W × H` filled with air of sound speed `c` has the modes
//! `f = (c/2) √((n/L)² + (m/W)² + (l/H)²)` with the pressure `cos(nπx/L) cos(mπy/W) cos(lπz/H)`
//! (Kuttruff, *Room Acoustics*, chapter 3). Walls that give way a little damp them ([`decay_per_s`]).
//!
//! - [`Prediction`] lists the modes of a room up to a frequency.
//! - [`Enclosure`] is any room with upright walls as a set of modes, [`polygon`] finds those of a plan that is no
//!   rectangle by finite elements.
//! - [`plan()`] says at which few places to measure.
//! - [`assignment`] says which measured mode is which.
//! - [`simulate`] makes responses of such a room, with tuned absorbers in it, whose poles are known exactly.
//!
//! Places are `[x, y, z]` in metres from one floor corner along length, width and height.
//!
//! ```
//! # fn main() -> Result<(), stillroom::room::RoomError> {
//! let prediction = stillroom::room::Prediction::new([5.6, 4.25, 2.75], 20.0, 120.0)?;
//! let lowest = &prediction.modes[0];
//! assert_eq!(lowest.axes, [1, 0, 0]);
//! assert!((lowest.frequency_hz - 343.2 / (2.0 * 5.6)).abs() < 0.01);
//! # Ok(()) }
//! ```

mod air;
pub mod assignment;
mod enclosure;
mod error;
mod face;
mod load;
mod plan;
pub mod polygon;
mod prediction;
pub mod seat;
pub mod simulate;
mod walls;

pub use air::{air_density_kg_m3, sound_speed_m_s};
pub use assignment::{Assignment, ModeName, Place, RoomFit, assign};
pub use enclosure::{AirMode, Enclosure, Standing};
pub use error::RoomError;
use error::check_lengths;
pub use face::Face;
pub use plan::{Candidate, DRIVEN, MeasurementPlan, OFF_M, PlannedPosition, candidates, plan};
pub use prediction::{Form, Planes, PredictedMode, Prediction, shape};
pub use walls::{Conductances, decay_per_s};
