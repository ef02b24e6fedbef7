//! The checks of one state in one line.

use super::wording::{count, counted, joined};
use super::{Check, Grade, Met, Topic};

/// `meets engineering but for two microphone distances`: the highest grade whose numbers of places
/// are reached (ISO 3382-2:2008, table 1), then what else of the procedure is missed or not known.
#[must_use]
pub fn summary(checks: &[Check]) -> String {
    let mut line = match grade(checks) {
        Some(grade) => reached(checks, grade),
        None => {
            let short: Vec<String> = of_grade(checks, Grade::Survey)
                .filter(|c| c.met == Met::No && !in_data(c.topic))
                .map(|c| counted(c.misses, c.topic.noun()))
                .collect();
            if short.is_empty() {
                "grade not known".into()
            } else {
                format!("short of survey by {}", joined(&short))
            }
        }
    };
    let unknown = checks.iter().filter(|c| c.met == Met::Unknown).count();
    if unknown > 0 {
        line.push_str(&format!("; {} not answered", count(unknown, "requirement")));
    }
    line
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
fn reached(checks: &[Check], grade: Grade) -> String {
    let groups = misses(checks, grade);
    let said: Vec<String> = groups.iter().map(|(topic, number)| counted(*number, topic.noun())).collect();
    match groups.len() {
        0 => format!("meets {grade}"),
        n if n <= EXCEPTIONS => format!("meets {grade} but for {}", joined(&said)),
        _ => format!("has the places for {grade}, but falls short by {}", joined(&said)),
    }
}
