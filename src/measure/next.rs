//! Where the microphone goes next: places that the manifest names, then those of the room's measurement plan.

use crate::room::{Enclosure, candidates, plan};
use crate::session::{Role, Session, same_name};

/// A place that wants a take.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct NextPlace {
    /// What to call it.
    pub name: String,
    /// Where, m from one floor corner, if known.
    pub at_m: Option<[f64; 3]>,
    /// Why, in a sentence.
    pub reason: String,
}

/// Modes up to this count in the plan, Hz: as `predict` takes them unless told otherwise.
const MODES_TO_HZ: f64 = 120.0;

/// Places without a take of this source in a state, in order: those that the manifest names, then the fewest others from
/// which every mode is seen and close ones are told apart (where the room is known). `measured`: positions that have one.
#[must_use]
pub fn next_places(session: &Session, source: &str, measured: &[String]) -> Vec<NextPlace> {
    let named = session.positions.iter().map(|position| NextPlace {
        name: position.name.clone(),
        at_m: position.at_m,
        reason: match position.role {
            Role::Listening => "a listening position of session.toml".to_owned(),
            _ => "a position of session.toml".to_owned(),
        },
    });
    let wanted = named.chain(planned(session, source));
    wanted.filter(|place| !measured.iter().any(|name| same_name(name, &place.name))).collect()
}

fn planned(session: &Session, source: &str) -> Vec<NextPlace> {
    let room = Enclosure::of_session(session, session.room.temperature_c, MODES_TO_HZ);
    let Some(Ok(room)) = room else { return Vec::new() };
    let placed = session.positions.iter().filter_map(|p| Some((p.name.clone(), p.at_m?)));
    let mut places = candidates(&room, &placed.collect::<Vec<_>>());
    // `edge middle (0.00, 2.12, 0.00)` is a sentence, `edge-middle-3` a name: by its number among its kind, which
    // doesn't change with what the plan chooses.
    let mut kinds: Vec<String> = Vec::new();
    for place in places.iter_mut().filter(|place| !place.given) {
        let kind = place.name.split(" (").next().unwrap_or_default().replace(' ', "-");
        let number = 1 + kinds.iter().filter(|known| **known == kind).count();
        place.name = format!("{kind}-{number}");
        kinds.push(kind);
    }
    let source_m = session.source(source).and_then(|source| source.at_m);
    let plan = plan(&room, &places, source_m);
    let chosen = plan.positions.into_iter().filter(|position| !position.candidate.given);
    chosen
        .map(|position| NextPlace {
            name: position.candidate.name,
            at_m: Some(position.candidate.at_m),
            reason: position.reason,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_of_the_manifest_come_first_then_the_plan_s() {
        let mut session = Session::new("cello");
        assert_eq!(next_places(&session, "", &[]), []);
        session.room.dimensions_m = Some([5.6, 4.25, 2.75]);
        let names = |session: &Session, measured: &[&str]| -> Vec<String> {
            let measured: Vec<String> = measured.iter().map(|name| (*name).to_owned()).collect();
            next_places(session, "", &measured).into_iter().map(|place| place.name).collect()
        };
        let planned = names(&session, &[]);
        // A corner sees every mode at full pressure.
        assert!(planned.iter().any(|name| name.starts_with("corner-")), "{planned:?}");
        let rest = names(&session, &[&planned[0].to_uppercase()]);
        assert_eq!(rest, planned[1..]);
    }
}
