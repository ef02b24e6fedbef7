//! What a decay time means: published limits of audibility, a mask for listening rooms, and in
//! which order to treat modes.
//!
//! Limits are looked up, never stretched: outside the frequencies that a source covers there is
//! none, and a flag says so.
//!
//! ```
//! use stillroom::criterion::{Curve, limits};
//!
//! assert_eq!(Curve::Absolute.t60_s(63.0), Ok(0.30));
//! assert!(Curve::Music.t60_s(40.0).is_err(), "nothing is published there");
//! let mask = limits(0.25, 1_000.0).map(|limits| (limits.lower_s, limits.upper_s));
//! assert_eq!(mask, Some((Some(0.2), 0.3)));
//! ```

mod audibility;
mod mask;
mod priority;

pub use audibility::Curve;
pub use mask::{Limits, MASK, limits, mask_mean_s, nominal_t_s};
pub use priority::{Ringing, prioritise};
