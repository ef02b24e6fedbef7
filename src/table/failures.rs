//! `failures` of `results.json`: what could not be done, and why.

use super::column::{pattern, text};
use super::row::table;

table! {
    "failures", FailureRow, key [],
    "What could not be done: files that were unreadable or refused, states that the manifest lists and the folder lacks.";
    file: Option<String> = pattern("[^/\\\\].*"), "Path within the session of the file that failed; null where no file is meant.";
    state: Option<String> = text(), "Name of the state that failed or that the file belongs to.";
    reason: String = text().required(), "What is wrong and where, in one sentence.";
    found: Option<String> = text(), "What was found.";
    allowed: Option<String> = text(), "What is allowed.";
    advice: Option<String> = text(), "What to do about it.";
}
