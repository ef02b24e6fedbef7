//! What the advice needs to know of each state: plain borrowed values that an analysis fills.
//!
//! A *take* in this module is a whole state, with the unit at one setting (in `tune` that is one try), not one of several
//! files of a position.

use crate::modes::ModeSet;
use crate::response::LowRecord;
use crate::session::Unit;

/// One state, with the unit at one setting.
#[derive(Debug, Clone)]
pub struct SettingFacts<'a> {
    /// Its name.
    pub state: &'a str,
    /// Low-frequency records of its places, in the order of `places`.
    pub lows: Vec<&'a LowRecord>,
    /// Position and source of each.
    pub places: Vec<(&'a str, &'a str)>,
    /// Resonances that the search found; without them a first estimate takes the baseline's.
    pub modes: Option<&'a ModeSet>,
    /// Tuned absorbers that stood there.
    pub units: &'a [Unit],
    /// Factor of all frequencies against the baseline (temperature), where known; 1 otherwise.
    pub frequency_factor: f64,
}
