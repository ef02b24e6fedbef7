//! Modes of the room that no position sees, or that no source drives.

use super::super::ProcedureState;
use super::super::wording::{few, hertz};
use super::{Finding, LookFacts};
use crate::language::count;
use crate::room::{DRIVEN, Enclosure};
use crate::session::plain;

pub(super) fn findings(facts: &LookFacts<'_>) -> Vec<Finding> {
    let mut found: Vec<Finding> = facts.states.iter().flat_map(|state| of_state(facts, state)).collect();
    found.extend(unanswered(facts));
    found
}

/// What can't be said of modes that no position sees, and what would let it be said.
fn unanswered(facts: &LookFacts<'_>) -> Vec<Finding> {
    let session = facts.session;
    let lone = facts.states.iter().filter(|state| state.positions().len() == 1);
    let lone: Vec<String> = lone.map(|state| state.state.name.clone()).collect();
    let (states, each) = if lone.len() > 1 { ("states", " each") } else { ("state", "") };
    let reason =
        format!("one position{each}, so modes with a null there are missed and mode shapes stay unknown");
    let advice = "measure at corners and seats as well, six positions or more";
    let mut found: Vec<Finding> = (!lone.is_empty())
        .then(|| Finding::note(format!("{states} {}", few(&lone)), reason, advice))
        .into_iter()
        .collect();
    let mut all: Vec<&str> = Vec::new();
    for name in facts.states.iter().flat_map(ProcedureState::positions) {
        if !all.contains(&name) {
            all.push(name);
        }
    }
    let placed = |name: &&&str| session.position(name).is_some_and(|position| position.at_m.is_some());
    let unplaced: Vec<String> = all.iter().filter(|name| !placed(name)).map(|name| plain(name)).collect();
    let known = session.plan.is_some() || session.room.dimensions_m.is_some();
    let lacking = match known.then_some(()) {
        // A volume alone: the room is not rectangular, and nothing tells its modes.
        None if session.room.volume_m3.is_some() => return found,
        None => "the room's lengths, or its plan".to_owned(),
        Some(()) if unplaced.is_empty() => return found,
        Some(()) if unplaced.len() == all.len() => "where each microphone stood".to_owned(),
        Some(()) => format!("where the microphone stood at {}", few(&unplaced)),
    };
    let so = "so modes that no position sees can't be named";
    let (reason, advice) = if session.has_manifest {
        (format!("session.toml does not say {lacking}, {so}"), "add it")
    } else {
        (format!("there is no session.toml to say {lacking}, {so}"), "let --write draft one")
    };
    found.push(Finding::note("session", reason, advice));
    found
}

/// Nothing where `session.toml` gives no lengths, or doesn't place every microphone: an unplaced one
/// may see what the others don't.
fn of_state(facts: &LookFacts<'_>, state: &ProcedureState<'_>) -> Vec<Finding> {
    let session = facts.session;
    let temperature_c = session.temperature_c(state.state);
    let predicted = match Enclosure::of_session(session, temperature_c, facts.modes_to_hz) {
        None => return Vec::new(),
        Some(Ok(predicted)) => predicted,
        Some(Err(error)) => {
            return vec![Finding::note(&session.name, format!("no modes predicted: {error}"), "")];
        }
    };
    let at = |places: Vec<Option<[f64; 3]>>| places.into_iter().collect::<Option<Vec<[f64; 3]>>>();
    let microphones = at(state.positions().iter().map(|p| session.position(p)?.at_m).collect());
    let sources = at(state.sources().iter().map(|s| session.source(s)?.at_m).collect());
    let place = format!("state {}", state.state.name);
    let mut found = Vec::new();
    if let Some(missed) = microphones.and_then(|at| missed(&predicted, &at)) {
        let reason = format!("no position sees {missed}");
        found.push(Finding::again(&place, reason, "measure in a corner of the room as well"));
    }
    if let Some(missed) = sources.and_then(|at| missed(&predicted, &at)) {
        let reason = format!("the source does not drive {missed}");
        found.push(Finding::again(&place, reason, "measure with the source in a corner as well"));
    }
    found
}

/// Modes whose pressure is under a tenth of full (−20 dB) at all of the places, in words; the same
/// share as in planning.
fn missed(predicted: &Enclosure, places: &[[f64; 3]]) -> Option<String> {
    let seen = |mode: usize| places.iter().any(|at| predicted.shape(mode, *at).abs() >= DRIVEN);
    let missed: Vec<String> = predicted
        .modes
        .iter()
        .enumerate()
        .filter(|(index, _)| !seen(*index))
        .map(|(_, mode)| format!("{} ({mode})", hertz(mode.frequency_hz)))
        .collect();
    (!places.is_empty() && !missed.is_empty())
        .then(|| format!("{}: {}", count(missed.len(), "predicted mode"), few(&missed)))
}
