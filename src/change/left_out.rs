//! Places that both states have, but of which one is faulty: they have rows too, empty and with the fault's flag, so
//! that nobody wonders where they went.

use super::facts::{PlaceFacts, StateFacts};
use super::outcome::{ModeChange, PositionChange};
use crate::flag::{Flag, Flags};

/// The positions' changes with a row of each mode at each place that was left out, in the order of the before state.
pub(super) fn beside(
    mut told: Vec<PositionChange>,
    modes: &[ModeChange],
    before: &StateFacts<'_>,
    after: &StateFacts<'_>,
) -> Vec<PositionChange> {
    if before.places.iter().all(|place| fault(place, after).is_none()) {
        return told;
    }
    let mut all = Vec::new();
    for mode in modes.iter().filter_map(|change| change.before) {
        for place in &before.places {
            let here = |p: &PositionChange| {
                p.mode == mode && p.position == place.position && p.source == place.source
            };
            match told.iter().position(here) {
                Some(at) => all.push(told.remove(at)),
                None => all.extend(fault(place, after).map(|flag| empty(mode, place, flag))),
            }
        }
    }
    all.append(&mut told);
    all
}

/// The fault of a place that both states have, in either of them.
fn fault(place: &PlaceFacts<'_>, after: &StateFacts<'_>) -> Option<Flag> {
    let same = |other: &&PlaceFacts<'_>| other.position == place.position && other.source == place.source;
    let partner = after.places.iter().find(same)?;
    place.fault.or(partner.fault)
}

fn empty(mode: usize, place: &PlaceFacts<'_>, flag: Flag) -> PositionChange {
    let mut flags = Flags::default();
    flags.add(flag);
    PositionChange {
        mode,
        position: place.position.to_owned(),
        source: place.source.to_owned(),
        role: place.role,
        before_level: Err(flag),
        after_level: Err(flag),
        level_ratio: Err(flag),
        before_ring_s: Err(flag),
        after_ring_s: Err(flag),
        flags,
    }
}
