//! `checks.csv`: the measurement against the standards' procedure.

use super::cell::Name;
use super::column::{text, words};
use super::row::table;
use super::words::CHECK_MET;
use crate::language::Message;

table! {
    "checks", CheckRow, key ["state", "standard", "clause", "requirement"],
    "The measurement against the standards' procedure: one row per state and requirement. A small room often can't meet all of them; this informs, it never refuses.";
    state: Name = text().required(), "Name of the state of the room.";
    standard: &'static str = text().required(), "The standard, with its year.";
    clause: &'static str = text().required(), "Clause or table of the standard.";
    requirement: Message = text().required(), "What is required.";
    found: Message = text(), "What data or manifest show, with its unit; empty where neither says.";
    limit: Message = text(), "What the standard asks for, with its unit.";
    met: &'static str = words(CHECK_MET).required(), "Whether the requirement is met.";
    affects: Message = text(), "What a miss means for the results.";
}
