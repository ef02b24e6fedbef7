//! `settings` of `results.json`: what the user could have set otherwise.

use super::column::{hertz, integer, list, seconds, text, truth, words};
use super::row::table;
use super::words::BAND_WIDTHS;

table! {
    "settings", SettingsRow, key [],
    "What the run was asked for; the same settings on the same files give the same results.";
    bands: &'static str = words(BAND_WIDTHS).required(), "Width of the bands.";
    with_modes: bool = truth().required(), "Whether modes were looked for.";
    modes_from_hz: f64 = hertz().required().positive(), "Lowest frequency of the mode tables.";
    modes_to_hz: f64 = hertz().required().positive(), "Highest frequency of the mode tables.";
    each: bool = truth().required(), "Whether every file counted as a state of its own.";
    names: Option<String> = text(), "Pattern that file names were read by; null for `POSITION@SOURCE#TAKE`.";
    channel: u32 = integer().required().positive(), "Channel of the microphone, counted from 1.";
    channels: Option<String> = text(), "Channels with the position of each, as `1=seat,2=corner`; null where a file is one take.";
    rate_hz: Option<u32> = integer().positive(), "Sample rate in Hz given for files that state none.";
    same_chain: Option<bool> = truth(), "The user's word on whether the measuring chain stayed the same; null if nothing is said.";
    time_base: Option<String> = text(), "The user's word on the instant that all files share: `emission` or `arrival`.";
    before: Option<String> = text(), "Baseline state of a comparison.";
    after: Vec<String> = list(), "States that were compared with it.";
    target_t60_s: Option<f64> = seconds().positive(), "Limit set for decay times.";
    target_mask: Option<String> = text(), "Name of the published tolerance mask that band times were held against.";
}
