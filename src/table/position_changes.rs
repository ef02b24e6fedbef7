//! `position_changes.csv`: what a change of the room means at each position.

use super::cell::{Interval, Name};
use super::column::{decibels, flags, integer, seconds, text, words};
use super::row::table;
use super::words::ROLES;
use crate::flag::{Flag, Flags};

table! {
    "position_changes", PositionChangeRow,
    key ["before_state", "after_state", "mode", "position", "source"],
    "What became of each mode at each seat: one row per before/after pair, baseline mode, position and source.";
    before_state: Name = text().required(), "Name of the baseline state.";
    after_state: Name = text().required(), "Name of the state that is compared with it.";
    mode: u32 = integer().required().positive(), "Number of the mode in the baseline's rows of `modes.csv`.";
    position: Name = text().required(), "Name of the microphone position.";
    source: Name = text(), "Name of the loudspeaker place; empty for the only or first one.";
    role: &'static str = words(ROLES).required(), "What the position is for, as the manifest says.";
    before_level_db: Result<f64, Flag> = decibels(), "Level of the mode there before, as in `mode_levels.csv`.";
    after_level_db: Result<f64, Flag> = decibels(), "Level of the mode there after, the chain's gain not removed.";
    level_change: Result<Interval, Flag> {
        level_change_db = decibels(), "Change of that level, the chain's gain removed.";
        level_change_low_db = decibels().low(), "Lower end of its 95 % interval.";
        level_change_high_db = decibels().high(), "Upper end of its 95 % interval.";
    }
    before_ring_s: Result<f64, Flag> = seconds().positive(), "Time until the mode's free decay at this position is 60 dB down for good, before.";
    after_ring_s: Result<f64, Flag> = seconds().positive(), "The same after; poles of a split mode count together, as this position sees them.";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
}
