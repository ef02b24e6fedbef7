//! How many sources, microphone positions and combinations: ISO 3382-2:2008, table 1.

use super::check::ISO_3382_2;
use super::{Check, Grade, Met, ProcedureState, Topic};
use crate::language::{Message, number, say};
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
pub(super) fn checks(state: &ProcedureState<'_>) -> Vec<Check> {
    let positions = state.positions();
    let boundary = positions.iter().filter(|p| state.session.role(p) == Role::Boundary).count();
    let counted = if boundary < positions.len() { positions.len() - boundary } else { positions.len() };
    let combinations = state.in_the_room().count();
    let sources = state.sources().len();
    let left_out = positions.len() - counted;
    let plain = |n: usize| Message::plain(number(n as f64, 0));
    let found_positions = if left_out > 0 {
        let (own, more) = (number(counted as f64, 0), number(left_out as f64, 0));
        say!("procedure.more-at-boundaries", own = own, more = more)
    } else {
        plain(counted)
    };
    TABLE_1
        .iter()
        .flat_map(|least| {
            [
                row(least.grade, Topic::Sources, sources, least.sources, plain(sources)),
                row(least.grade, Topic::Positions, counted, least.positions, found_positions.clone()),
                row(least.grade, Topic::Combinations, combinations, least.combinations, plain(combinations)),
            ]
        })
        .collect()
}

fn row(grade: Grade, topic: Topic, have: usize, least: usize, found: Message) -> Check {
    let misses = least.saturating_sub(have);
    let requirement = match topic {
        Topic::Sources => "procedure.number-of-sources",
        Topic::Positions => "procedure.number-of-positions",
        _ => "procedure.number-of-combinations",
    };
    Check {
        standard: ISO_3382_2,
        clause: "table 1",
        requirement: say!(requirement, grade = grade.name()),
        found,
        limit: say!("procedure.at-least", least = number(least as f64, 0)),
        met: Met::of(misses, true),
        affects: say!("procedure.affects-average"),
        grade: Some(grade),
        topic,
        misses,
    }
}
