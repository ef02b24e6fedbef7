//! Places that one state has and another lacks: before and after can't be compared there.

use super::super::wording::few;
use super::{Finding, LookFacts};
use crate::language::count;
use crate::session::{Take, same_name};

pub(super) fn findings(facts: &LookFacts<'_>) -> Vec<Finding> {
    let mut found: Vec<Finding> = facts
        .session
        .states
        .iter()
        .filter_map(|state| {
            let reason = state.missing.as_ref()?;
            Some(Finding::again(
                format!("state {}", state.name),
                reason,
                "name its folder in session.toml, measure it, or take it off the list",
            ))
        })
        .collect();
    found.extend(lacking(facts));
    found.extend(facts.session.names.is_none().then(|| repeats(facts)).flatten());
    found
}

/// Words that number repeats in a file's name.
const REPEATS: [&str; 7] = ["sweep", "take", "repeat", "rep", "run", "shot", "avg"];

/// Whether a name ends like one of repeats: `mic_1_sweep_3`, `take2`.
fn counts_repeats(name: &str) -> bool {
    let counted = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let word = counted.trim_end_matches(['_', '-', ' ']).to_lowercase();
    let last = word.rsplit(|c: char| !c.is_alphabetic()).next().unwrap_or_default();
    counted.len() < name.len() && REPEATS.contains(&last)
}

/// Positions that look like repeats of one, each read as a place of its own.
fn repeats(facts: &LookFacts<'_>) -> Option<Finding> {
    let state = facts.states.iter().find(|state| {
        let positions = state.positions();
        positions.len() > 1 && positions.iter().all(|name| counts_repeats(name))
    })?;
    let first = state.positions().first().map_or(String::new(), |name| (*name).to_owned());
    let reason = format!("each file is read as a position of its own ({first}, …)");
    Some(Finding::note(
        format!("state {}", state.state.name),
        reason,
        "if these are repeats of one position, give --names",
    ))
}

/// Position and source of a take.
type Place<'a> = (&'a str, &'a str);

/// A state that holds takes, with its places.
struct Measured<'a> {
    name: &'a str,
    places: Vec<Place<'a>>,
}

fn lacking(facts: &LookFacts<'_>) -> Vec<Finding> {
    let states: Vec<Measured<'_>> = facts
        .session
        .states
        .iter()
        .map(|state| Measured { name: &state.name, places: distinct(usable(facts, &state.name)) })
        .filter(|state| !state.places.is_empty())
        .collect();
    let all = states.iter().flat_map(|state| state.places.iter().copied()).fold(Vec::new(), add);
    if states.len() < 2 {
        return Vec::new();
    }
    let spelled = spelled_otherwise(&states);
    if spelled.is_empty()
        && !all.iter().any(|place| states.iter().filter(|s| has(&s.places, *place)).count() > 1)
    {
        let reason = format!("{} share no position", count(states.len(), "state"));
        return vec![Finding::note("session", reason, "nothing can be compared position by position")];
    }
    let told = |place: &Place<'_>| spelled.iter().any(|(_, one, other)| [one, other].contains(&place));
    let rename = spelled.iter().map(|(state, own, other)| {
        let reason = format!("it has {}, another state {}: the same position?", named(*own), named(*other));
        Finding::again(format!("state {state}"), reason, "Rename one.")
    });
    let lack = states.iter().filter_map(|state| of_state(state, all.iter().filter(|place| !told(place))));
    rename.chain(lack).collect()
}

/// Words that a file gets when it was measured or copied once more, beside `(1)`.
const ONCE_MORE: [&str; 9] = ["final", "neu", "new", "again", "copy", "kopie", "last", "ok", "redo"];

/// A position's name without case, blanks and signs, and without what says that it was measured or copied once more.
fn bare(name: &str) -> String {
    let mut words: Vec<String> =
        name.split_whitespace().flat_map(|part| part.split(['_', '-'])).map(str::to_lowercase).collect();
    let once_more = |word: &String| {
        let counted = word.starts_with('(') && word.ends_with(')');
        counted || ONCE_MORE.contains(&word.trim_end_matches(|c: char| c.is_ascii_digit()))
    };
    while words.len() > 1 && words.last().is_some_and(once_more) {
        words.pop();
    }
    words.concat().chars().filter(|c| c.is_alphanumeric()).collect()
}

/// Positions that two states write differently (`Ecke hinten`, `ecke_hinten`, `Ecke hinten final2`): the later state, its place, and that of the
/// other. Each is lacking where the other stands.
fn spelled_otherwise<'a>(states: &[Measured<'a>]) -> Vec<(&'a str, Place<'a>, Place<'a>)> {
    let alike = |one: Place<'_>, other: Place<'_>| -> bool {
        let names = [one.0, other.0].map(bare);
        names[0] == names[1] && !names[0].is_empty() && same_name(one.1, other.1)
    };
    let mut found: Vec<(&str, Place<'_>, Place<'_>)> = Vec::new();
    for (k, state) in states.iter().enumerate() {
        for earlier in &states[..k] {
            let lacking = earlier.places.iter().filter(|place| !has(&state.places, **place));
            for other in lacking {
                let own = state.places.iter().find(|p| !has(&earlier.places, **p) && alike(**p, *other));
                found.extend(own.map(|own| (state.name, *own, *other)));
            }
        }
    }
    found
}

fn of_state<'a>(state: &Measured<'_>, all: impl Iterator<Item = &'a Place<'a>>) -> Option<Finding> {
    let missing: Vec<String> = all.filter(|p| !has(&state.places, **p)).map(|p| named(*p)).collect();
    (!missing.is_empty()).then(|| {
        let reason = format!("nothing at {}, which another state has", few(&missing));
        Finding::again(format!("state {}", state.name), reason, "measure there too, or it can't be compared")
    })
}

/// Takes of a state that gave samples of their own: a file that can't be read, or is a copy, is no measurement of its place.
fn usable<'a>(facts: &'a LookFacts<'_>, state: &'a str) -> impl Iterator<Item = &'a Take> {
    facts
        .files
        .iter()
        .filter(move |file| file.state == state && file.take.used)
        .filter(|file| {
            file.read.as_ref().is_ok_and(|read| read.useless.is_none() && read.counted_as.is_none())
        })
        .map(|file| file.take)
}

fn distinct<'a>(takes: impl Iterator<Item = &'a Take>) -> Vec<Place<'a>> {
    takes.map(|take| (take.position.as_str(), take.source.as_str())).fold(Vec::new(), add)
}

fn add<'a>(mut places: Vec<Place<'a>>, place: Place<'a>) -> Vec<Place<'a>> {
    if !has(&places, place) {
        places.push(place);
    }
    places
}

fn has(places: &[Place<'_>], place: Place<'_>) -> bool {
    places.iter().any(|known| same_name(known.0, place.0) && same_name(known.1, place.1))
}

fn named((position, source): Place<'_>) -> String {
    if source.is_empty() { position.to_owned() } else { format!("{position}@{source}") }
}

#[cfg(test)]
mod tests {
    use super::{bare, counts_repeats};

    #[test]
    fn a_name_in_a_hurry_is_that_of_its_place() {
        for name in
            ["Ecke hinten", "ecke_hinten", "Ecke-Hinten final2", "ecke hinten (1)", "Ecke hinten neu final"]
        {
            assert_eq!(bare(name), "eckehinten", "{name}");
        }
        for (one, other) in
            [("mic 1", "mic 2"), ("seat", "seat 2"), ("final", "seat"), ("corner_1", "corner_2")]
        {
            assert_ne!(bare(one), bare(other));
        }
    }

    #[test]
    fn names_of_repeats_are_told_from_those_of_places() {
        for name in ["mic_1_sweep_3", "sweep1", "Take 2", "corner-rep-12"] {
            assert!(counts_repeats(name), "{name}");
        }
        for name in ["mic_1", "seat2", "S060-200", "sweep", "corner", "12"] {
            assert!(!counts_repeats(name), "{name}");
        }
    }
}
