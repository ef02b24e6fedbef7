//! `fits` of `results.json`: how well the resonances explain what each place recorded.

use super::cell::{Name, Value};
use super::column::{decibels, flags, hertz, text};
use super::row::table;
use crate::flag::Flags;

table! {
    "fits", FitRow, key ["state", "position", "source"],
    "How well the resonances explain the response: one object per state, position and source.";
    state: Name = text().required(), "Name of the state of the room.";
    position: Name = text().required(), "Name of the microphone position.";
    source: Name = text(), "Name of the loudspeaker place; empty for the only or first one.";
    residual_over_noise_db: Value = decibels(), "Residual of the mode fit against the noise at the record's end: 10 lg of the mean over the fitted frequencies of the ratio of their spectral densities, corrected for the number of fitted unknowns; 0 is a perfect fit, far above it part of the response remains unexplained, far below it the fit followed noise.";
    single_modes_to_hz: Value = hertz().positive(), "Frequency up to which single resonances of the state can be told apart: poles and amplitudes found in the first part of the decay predict the next part, in bands of 20 Hz (40 Hz with one or two places, the limit then drawn in to 85 %). It lies where the sum of what the bands say is highest: each speaks for it by what is explained of its energy over the noise, and against it where more than 65 % stay unexplained, or less where few numbers could be met by chance. Above, and everywhere if empty, resonances are `unsure` with the flag `overlapping`.";
    flags: Flags = flags(), "Remarks on the row, and why the value is empty.";
}
