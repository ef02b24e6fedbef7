//! `catalogue.csv` of gathered results: one line a room.

use super::cell::Value;
use super::column::{flags, hertz, integer, plain, seconds, text};
use super::row::table;
use crate::flag::Flags;

/// How `middle_t20_s` is made of bands, for `archive`, which knows the tables and no stage.
pub(crate) use crate::decay::middle_t20_s;

table! {
    "catalogue", CatalogueRow, key ["session"],
    "One row per session of gathered results, in natural order. Decay and modes are those of one state: the one that the session was compared with, else the baseline, else the first.";
    session: String = text().required(), "Name of the session: that of its results folder without `-results`, with folders above it where names are alike.";
    title: Option<String> = text(), "Title from the manifest.";
    states: u64 = integer().required(), "Number of states.";
    files: u64 = integer().required(), "Number of audio files that went into the results.";
    failures: u64 = integer().required(), "Number of failures; the session's own `results.json` names each.";
    state: Option<String> = text(), "State that the following columns describe.";
    volume_m3: Value = plain("m³").positive(), "Volume of the room from the manifest.";
    middle_t20_s: Value = seconds().positive(), "Mean T20 of the octaves 500 Hz and 1 kHz, or of the six one-third octaves from 400 Hz to 1.25 kHz, where all of them have one; of the spatial average, or of the only place.", "ISO 3382-1:2009, table A.1 and A.4 (the single number)";
    modes: u64 = integer().required(), "Number of rows of kind `mode` of that state.";
    worst_hz: Value = hertz().positive(), "Frequency of the mode with `priority` 1; of several that which rings longest.";
    worst_t60_s: Value = seconds().positive(), "Its T60.";
    verdicts: Option<String> = text(), "Verdicts of all comparisons in `changes.csv` with their numbers, as `shorter 3, unsure 5`; empty where nothing was compared.";
    flags: Flags = flags(), "Why cells are empty.";
}
