//! `session` of `results.json`: which job it was.

use super::column::{list, plain, text};
use super::row::table;

table! {
    "session", SessionRow, key [],
    "The session as it was read.";
    title: Option<String> = text(), "Title from the manifest.";
    baseline: Option<String> = text(), "State that others are compared against; null where neither manifest nor user names one.";
    volume_m3: Option<f64> = plain("m³").positive(), "Volume of the room, as stated or as the product of its lengths; null where the manifest gives neither.";
    states: Vec<String> = list(), "States in their order.";
}
