//! `targets.csv`: each state held against a target for its decay times.

use super::cell::Name;
use super::column::{flags, hertz, integer, seconds, text, words};
use super::row::table;
use super::words::TARGET_MET;
use crate::flag::{Flag, Flags};

table! {
    "targets", TargetRow, key ["state", "position", "band_hz", "mode"],
    "Decay times against their target: one row per state and band (of a tolerance mask or a limit) or mode.";
    state: Name = text().required(), "Name of the state of the room.";
    position: Name = text(), "Name of the microphone position; `*` or `listening` for an average; empty for a mode, whose decay is the room's.";
    band_hz: Option<f64> = hertz().two_decimals().positive(), "Exact base-10 mid-band frequency; empty for a mode.", "IEC 61260-1:2014, 5.2 to 5.4";
    mode: Option<u32> = integer().positive(), "Number of the mode in `modes.csv`; empty for a band.";
    value_s: Option<Result<f64, Flag>> = seconds().positive(), "What was found: T20 of the band or T60 of the mode.";
    low_s: Option<Result<f64, Flag>> = seconds(), "Lower end of its 95 % interval.";
    high_s: Option<Result<f64, Flag>> = seconds(), "Upper end of its 95 % interval.";
    limit_s: Option<f64> = seconds().positive(), "The limit that the target sets there: the longest decay time allowed, or the shortest where the flag `lower-limit` stands.";
    met: &'static str = words(TARGET_MET), "Whether the limit is kept; empty where there is no value to hold against it.";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
}
