//! A take at a time, live: the signal is played and recorded at once, the response recovered, and the take judged
//! while the stand is still up.
//!
//! 1. [`next_places`] says where the microphone goes next, [`Name::next`] what the take is called.
//! 2. [`levels`] rise from −40 dB in steps of 6; a short [`Probe`] at each says what the full signal will give.
//! 3. A [`SoundDevice`] plays and records; a [`Guard`] that hears along stops it on clipping, at a limit, on request.
//! 4. [`judge`] turns what was heard into a response with its capture record: *keep*, or *again* with the reason.
//!
//! The sound system itself stands behind the trait: everything here works on numbers.

mod device;
mod guard;
mod judged;
mod level;
mod loopback;
mod name;
mod next;

pub use device::{DeviceError, Heard, SoundDevice};
pub use guard::{Guard, Limits, Stop};
pub use judged::{Inputs, Judged, Response, judge};
pub use level::{FIRST_DB, Probe, STEP_DB, levels, probe_of};
pub use name::Name;
pub use next::{NextPlace, next_places};

#[cfg(test)]
mod tests;
