//! `mode_levels.csv`: how strongly each position sees each resonance.

use super::cell::{Name, Value};
use super::column::{decibels, flags, hertz, integer, plain, text};
use super::row::table;
use crate::estimate::Reading;
use crate::flag::Flags;

table! {
    "mode_levels", ModeLevelRow, key ["state", "mode", "position", "source"],
    "Levels of the resonances: one row per state, resonance, position and source.";
    state: Name = text().required(), "Name of the state of the room.";
    mode: u32 = integer().required().positive(), "Number of the resonance in `modes.csv`.";
    frequency_hz: Value = hertz().positive(), "Damped natural frequency of the resonance; `modes.csv` holds its standard deviation.";
    position: Name = text().required(), "Name of the microphone position.";
    source: Name = text(), "Name of the loudspeaker place; empty for the only or first one.";
    level: Reading {
        level_db = decibels(), "Level there: 20 lg(fs·|A|/δ), A the complex amplitude at the emission, δ the decay constant, fs the sample rate; a unit sample reads 0 dB at any rate.";
        level_sd_db = decibels().sd(), "One standard deviation of `level_db`.";
    }
    phase_deg: Value = plain("°"), "Phase of A at the emission, −180 to 180; compares between positions only where they share one instant.";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
    level_spl_db: Option<Value> = decibels().optional(), "`level_db` as a sound pressure level: what a steady tone of the test signal's rms makes of the resonance there. From the capture record (calibrator, or level of full scale), else from `zero_db_spl` in the manifest.";
}
