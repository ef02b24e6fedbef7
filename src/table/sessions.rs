//! `session` of `results.json`: which job it was.

use super::column::{list, text};
use super::row::table;

table! {
    "session", SessionRow, key [],
    "The session as it was read.";
    title: Option<String> {
        title text(), "Title from the manifest.", "";
    }
    baseline: Option<String> {
        baseline text(), "State that others are compared against; null where neither manifest nor user names one.", "";
    }
    states: Vec<String> {
        states list(), "States in their order.", "";
    }
}
