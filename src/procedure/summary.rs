//! The checks of one state in one line.

use super::{Check, Grade, Met, Topic};
use crate::language::{Message, say};

/// `meets engineering but for two microphone distances`: the highest grade whose numbers of places
/// are reached (ISO 3382-2:2008, table 1), then what else of the procedure is missed or not known.
#[must_use]
pub fn summary(checks: &[Check]) -> Message {
    let line = match grade(checks) {
        Some(grade) => reached(checks, grade),
        None => {
            let short: Vec<Message> = of_grade(checks, Grade::Survey)
                .filter(|c| c.met == Met::No && !in_data(c.topic))
                .map(|c| c.topic.misses(c.misses))
                .collect();
            if short.is_empty() {
                say!("procedure.grade-unknown")
            } else {
                say!("procedure.short-of-survey", short = short)
            }
        }
    };
    let unknown = checks.iter().filter(|c| c.met == Met::Unknown).count();
    if unknown == 0 { line } else { say!("procedure.unanswered", line = line, n = unknown) }
}

/// The highest grade whose numbers of places are reached.
pub(super) fn grade(checks: &[Check]) -> Option<Grade> {
    Grade::ALL.into_iter().rev().find(|grade| reaches(checks, *grade))
}

/// Whether the numbers of places reach a grade.
fn reaches(checks: &[Check], grade: Grade) -> bool {
    let mut numbers = of_grade(checks, grade).filter(|c| !in_data(c.topic)).peekable();
    numbers.peek().is_some() && numbers.all(|c| c.met == Met::Yes)
}

fn of_grade(checks: &[Check], grade: Grade) -> impl Iterator<Item = &Check> {
    checks.iter().filter(move |c| c.grade == Some(grade))
}

/// Topics with a grade that aren't numbers of places.
fn in_data(topic: Topic) -> bool {
    topic == Topic::FrequencyRange
}

/// What is missed of a grade and of what holds for all, grouped by topic.
fn misses(checks: &[Check], grade: Grade) -> Vec<(Topic, usize)> {
    let mut groups: Vec<(Topic, usize)> = Vec::new();
    for check in checks {
        let counts = check.met == Met::No && check.grade.is_none_or(|g| g == grade);
        match groups.iter_mut().find(|(topic, _)| *topic == check.topic) {
            _ if !counts => {}
            // Rows of one topic speak of the same things (T20, T30): the larger number holds both.
            Some((_, number)) => *number = (*number).max(check.misses),
            None => groups.push((check.topic, check.misses)),
        }
    }
    groups
}

/// So many topics missed at most are exceptions; with more, nobody would call it met. No source.
const EXCEPTIONS: usize = 2;

/// The grade with its exceptions, or what keeps the measurement from it.
fn reached(checks: &[Check], grade: Grade) -> Message {
    let groups = misses(checks, grade);
    let said: Vec<Message> = groups.iter().map(|(topic, number)| topic.misses(*number)).collect();
    let grade = grade.name();
    match groups.len() {
        0 => say!("procedure.meets", grade = grade),
        n if n <= EXCEPTIONS => say!("procedure.meets-but", grade = grade, misses = said),
        n => say!("procedure.falls-short", grade = grade, n = n),
    }
}
