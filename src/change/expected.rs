//! How small a change of each mode's T60 will show, before anything is measured again.

use super::repeats::Repeats;
use crate::estimate::SD_PER_95;
use crate::modes::{Kind, ModeSet};
use crate::procedure::ModeForecast;

/// Half intervals for the modes (and uncertain resonances) of a state, in rising frequency: of ln T60 after and before each
/// with the standard deviation found before, √2 of it, times what takes scatter more than they claim.
#[must_use]
pub fn expected_changes(set: &ModeSet, takes: &[ModeSet]) -> Vec<ModeForecast> {
    let takes: Vec<&ModeSet> = takes.iter().collect();
    let widening = Repeats::of_takes(&takes).map_or(1.0, |repeats| repeats.widening);
    let of_room = set.modes.iter().filter(|mode| matches!(mode.kind, Kind::Mode | Kind::Unsure));
    of_room
        .map(|mode| ModeForecast {
            hz: mode.frequency().value,
            half: SD_PER_95 * std::f64::consts::SQRT_2 * widening * mode.decay_sd_per_s / mode.decay_per_s,
            claimed: mode.kind == Kind::Mode,
            flag: mode.flags.iter().next(),
        })
        .collect()
}
