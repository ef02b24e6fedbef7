//! Faults that show only once a response is made of the files, or against the other places.

use super::{Finding, LookFacts};
use crate::flag::Flag;

/// Remarks that ask for another measurement or export.
const AGAIN: [Flag; 6] =
    [Flag::Incomplete, Flag::EndsEarly, Flag::RateSuspect, Flag::CutOff, Flag::LateMaximum, Flag::ArrivalOff];
/// Remarks that are good to know.
const NOTES: [Flag; 3] = [Flag::Normalised, Flag::Inverted, Flag::OwnStart];

pub(super) fn findings(facts: &LookFacts<'_>) -> Vec<Finding> {
    let mut found: Vec<Finding> = facts
        .failed
        .iter()
        .map(|(state, reason)| Finding::again(format!("state {state}"), reason, "measure or export it again"))
        .collect();
    for state in &facts.states {
        for place in &state.places {
            let Some(flags) = place.flags else { continue };
            let name = format!("{} in {}", place.name(), state.state.name);
            let say = |flag: Flag| flag.sentence().trim_end_matches('.').to_owned();
            let of = |all: &[Flag]| all.iter().copied().filter(|f| flags.has(*f)).collect::<Vec<_>>();
            found.extend(of(&AGAIN).into_iter().map(|f| Finding::again(&name, say(f), f.advice())));
            found.extend(of(&NOTES).into_iter().map(|f| Finding::note(&name, say(f), f.advice())));
        }
    }
    found
}
