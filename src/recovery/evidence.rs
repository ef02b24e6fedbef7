//! What troubles of a take are told from, and what its channels are called.

use super::arrival::{Arrival, Levels};
use super::recovered::{Deconvolution, Recovered, Trouble};
use super::reference::{Rise, Signal};
use crate::recording::flat_tops;

/// What findings call the channels.
pub(super) const MICROPHONE: &str = "the microphone's channel";
pub(super) const REFERENCE: &str = "the reference";
/// Sound that arrives earlier than this before its own signal can't be the room's, s.
pub(super) const AHEAD_S: f64 = 1e-3;

/// All that troubles are told from.
pub(super) struct TakeEvidence<'a> {
    pub signal: &'a Signal,
    pub reference: &'a [f64],
    pub recording: &'a [f64],
    pub rate_hz: f64,
    pub settings: &'a Deconvolution,
    pub arrival: &'a Arrival,
    pub levels: &'a Levels,
    pub rise: Option<&'a Rise>,
    /// Where the signal's range ends, Hz.
    pub signal_to_hz: f64,
    pub recovered: &'a Recovered,
}

/// A channel that is cut.
pub(super) fn clipping(samples: &[f64], rate_hz: f64, whose: &str) -> Option<Trouble> {
    let clipped = flat_tops(samples, rate_hz)?;
    Some(Trouble::again("clipped", format!("{whose} is {clipped}"), "turn the gain down and repeat"))
}
