//! Faults that show only once a response is made of the files, or against the other places.

use super::{Finding, LookFacts, ProcedureState, place_in};
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
            let name = place_in(&place.name(), &state.state.name);
            let say = |flag: Flag| match place.arrival_off_s.filter(|_| flag == Flag::ArrivalOff) {
                Some(off_s) => arrives(off_s),
                None => flag.sentence().trim_end_matches('.').to_owned(),
            };
            let of = |all: &[Flag]| all.iter().copied().filter(|f| flags.has(*f)).collect::<Vec<_>>();
            // Of a file that was copied in part all else follows.
            let again = if flags.has(Flag::Incomplete) { vec![Flag::Incomplete] } else { of(&AGAIN) };
            found.extend(again.into_iter().map(|f| Finding::again(&name, say(f), f.advice())));
            let own = of(&NOTES).into_iter().filter(|f| !of_all(state).contains(f));
            found.extend(own.map(|f| Finding::note(&name, say(f), f.advice())));
        }
        let name = format!("state {}, all positions", state.state.name);
        let say = |f: Flag| f.sentence().trim_end_matches('.').to_owned();
        found.extend(of_all(state).into_iter().map(|f| Finding::note(&name, say(f), f.advice())));
    }
    found
}

/// Remarks that every place of a state has: told once.
fn of_all(state: &ProcedureState<'_>) -> Vec<Flag> {
    let everywhere =
        |f: &Flag| state.places.iter().all(|place| place.flags.is_some_and(|flags| flags.has(*f)));
    NOTES.into_iter().filter(|f| state.places.len() > 1 && everywhere(f)).collect()
}

/// By how much the direct sound comes late or early.
fn arrives(off_s: f64) -> String {
    let side = if off_s > 0.0 { "later" } else { "earlier" };
    format!("the direct sound arrives {:.1} ms {side} than its distance says", 1e3 * off_s.abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_arrival_says_by_how_much_it_is_off() {
        assert_eq!(arrives(0.0158), "the direct sound arrives 15.8 ms later than its distance says");
        assert_eq!(arrives(-2.04e-3), "the direct sound arrives 2.0 ms earlier than its distance says");
    }
}
