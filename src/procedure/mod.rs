//! The measurement held against the standards' procedure, and the look before packing up.
//!
//! [`checks`] answers, for one state, every requirement of ISO 3382-2:2008 and ISO 18233:2006 that the
//! data and `session.toml` can answer, and [`summary`] says it in one line. [`look`] judges a folder
//! straight from the recorder: enough, or what to measure again. A small room often can't meet all of
//! a standard that was written for larger ones: this informs, it never refuses.
//!
//! Clause numbers point to the standards. ISO 3382-2 grades a measurement by its number of positions
//! (table 1); the distances of 4.3 hold for every grade. Texts are for people: decibels, two decimals.

mod check;
mod evaluation;
mod excitation;
mod facts;
mod geometry;
mod numbers;
mod readiness;
mod report_data;
mod summary;
mod wording;

pub use check::{Check, Grade, Met, Topic};
pub use facts::{ProcedurePlace, ProcedureState};
pub use geometry::least_distance_m;
pub use readiness::{
    Between, FileFacts, FileLine, Finding, LookFacts, ModeForecast, NoiseLine, ReadFacts, Readiness,
    SingleModes, Weight, alike_in_words, look,
};
pub use summary::summary;

/// Every requirement that the state can be held against, in the order of the standards' clauses.
#[must_use]
pub fn checks(state: &ProcedureState<'_>) -> Vec<Check> {
    let mut all = numbers::checks(state);
    all.extend(geometry::checks(state));
    all.extend(evaluation::checks(state));
    all.extend(report_data::checks(state));
    all.extend(excitation::checks(state));
    all
}

#[cfg(test)]
mod tests;
