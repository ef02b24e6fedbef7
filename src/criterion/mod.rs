//! What a decay time means: published limits of audibility, a mask for listening rooms, and in
//! which order to treat modes.
//!
//! Limits are looked up, never stretched: outside the frequencies that a source covers there is
//! none, and a flag says so.

mod audibility;
mod mask;
mod priority;

pub use audibility::Curve;
pub use mask::{Limits, MASK, limits, nominal_t_s};
pub use priority::{Ringing, prioritise};
