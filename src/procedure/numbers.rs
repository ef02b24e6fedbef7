//! How many sources, microphone positions and combinations: ISO 3382-2:2008, table 1.

use super::check::ISO_3382_2;
use super::{Check, Grade, Met, StateFacts, Topic};
use crate::session::Role;

/// Minima of table 1 for one grade. The decays at each position, the table's last row, concern
/// interrupted noise only: an integrated response stands for many of them (7.2).
struct Minima {
    grade: Grade,
    sources: usize,
    positions: usize,
    combinations: usize,
}

const TABLE_1: [Minima; 3] = [
    Minima { grade: Grade::Survey, sources: 1, positions: 2, combinations: 2 },
    Minima { grade: Grade::Engineering, sources: 2, positions: 2, combinations: 6 },
    Minima { grade: Grade::Precision, sources: 2, positions: 3, combinations: 12 },
];

/// Nine rows: three numbers for each of three grades. Positions at boundaries don't count where there are others.
pub(super) fn checks(state: &StateFacts<'_>) -> Vec<Check> {
    let positions = state.positions();
    let boundary = positions.iter().filter(|p| state.session.role(p) == Role::Boundary).count();
    let counted = if boundary < positions.len() { positions.len() - boundary } else { positions.len() };
    let combinations = state.in_the_room().count();
    let sources = state.sources().len();
    let left_out = positions.len() - counted;
    let remark = if left_out > 0 { format!(" ({left_out} more at boundaries)") } else { String::new() };
    let found_positions = format!("{counted}{remark}");
    TABLE_1
        .iter()
        .flat_map(|least| {
            [
                row(least.grade, Topic::Sources, sources, least.sources, sources.to_string()),
                row(least.grade, Topic::Positions, counted, least.positions, found_positions.clone()),
                row(
                    least.grade,
                    Topic::Combinations,
                    combinations,
                    least.combinations,
                    combinations.to_string(),
                ),
            ]
        })
        .collect()
}

fn row(grade: Grade, topic: Topic, number: usize, least: usize, found: String) -> Check {
    let misses = least.saturating_sub(number);
    Check {
        standard: ISO_3382_2,
        clause: "table 1",
        requirement: format!("number of {}s, {grade}", topic.noun()),
        found,
        limit: format!("at least {least}"),
        met: Met::of(misses, true),
        affects: "the spatial average: with fewer places its uncertainty is larger than the grade's".into(),
        grade: Some(grade),
        topic,
        misses,
    }
}
