//! The modes of a state: fitted over all its places, checked behind narrow filters, named, ranked.

use super::crosscheck::{Heard, cross_check};
use super::{Control, Settings, captured};
use crate::criterion::{Ringing, prioritise};
use crate::estimate::SD_PER_95;
use crate::flag::Flag;
use crate::modes::{self, FitSettings, Kind, ModeSet};
use crate::response::{LowRecord, Place};
use crate::room::assignment::reach_hz;
use crate::room::{Assignment, Enclosure, Place as RoomPlace, assign};
use crate::session::{Role, Session};
use crate::state::{Resonances, StateResult};

/// Adds the modes to a state, where they were asked for and any place was read.
pub(super) fn add(
    session: &Session,
    mut state: StateResult,
    settings: &Settings,
    control: &Control<'_>,
) -> StateResult {
    if settings.modes.is_none() || state.places.is_empty() || (control.cancelled)() {
        return state;
    }
    let mut narrowed = settings.clone();
    narrowed.modes =
        settings.modes.map(|asked| captured::range(asked, state.places.iter().map(|p| &p.response)));
    let mut set = fit(state.places.iter().map(|p| (&p.response.place, &p.response.low)), &narrowed, control);
    if set.cancelled {
        return state;
    }
    captured::widen(&mut set, captured::clock_sd(state.places.iter().map(|p| &p.response)));
    let heard: Vec<Heard<'_>> = state.places.iter().map(|p| Heard::new(&p.response)).collect();
    let (filter_t20_s, filter_doubts) = (0..set.modes.len()).map(|m| cross_check(&set, m, &heard)).unzip();
    let names = name(session, &state, &set);
    let priorities = priorities(session, &set);
    state.resonances = Some(Resonances { set, filter_t20_s, filter_doubts, names, priorities });
    state
}

/// The common-pole fit over the low-frequency records of some places.
pub(super) fn fit<'a>(
    places: impl Iterator<Item = (&'a Place, &'a LowRecord)>,
    settings: &Settings,
    control: &Control<'_>,
) -> ModeSet {
    modes::fit(&low_records(places), &fit_settings(settings, control))
}

/// The common-pole fit over a take of each of some places, from the poles of the state they belong to.
pub(super) fn fit_take<'a>(
    places: impl Iterator<Item = (&'a Place, &'a LowRecord)>,
    settings: &Settings,
    control: &Control<'_>,
    state: &ModeSet,
) -> ModeSet {
    modes::fit_take(&low_records(places), &fit_settings(settings, control), state)
}

fn low_records<'a>(places: impl Iterator<Item = (&'a Place, &'a LowRecord)>) -> Vec<modes::Place<'static>> {
    places.map(|(place, low)| modes::Place::from_low_record(&place.position, &place.source, low)).collect()
}

fn fit_settings<'a>(settings: &Settings, control: &'a Control<'_>) -> FitSettings<'a> {
    let mut fit = FitSettings::default();
    let range = settings.modes.unwrap_or_default();
    (fit.from_hz, fit.to_hz, fit.cancel) = (range.from_hz, range.to_hz, Some(control.cancelled));
    fit.refits = settings.refits;
    fit
}

/// Names the modes by the manifest's room, if it gives three lengths, or a plan.
fn name(session: &Session, state: &StateResult, set: &ModeSet) -> Assignment {
    let places: Vec<RoomPlace> = set
        .places
        .iter()
        .map(|(position, source)| RoomPlace {
            position: position.clone(),
            source: source.clone(),
            at_m: session.position(position).and_then(|p| p.at_m),
            source_at_m: session.source(source).and_then(|s| s.at_m),
        })
        .collect();
    let common = state.places.iter().all(|p| p.response.emission_s.is_some());
    let temperature_c = temperature_c(session, state);
    // What is no room was refused with the manifest or is told of in a warning; here it only names nothing.
    let room = |up_to_hz: f64| Enclosure::of_session(session, temperature_c, up_to_hz)?.ok();
    let mut names = assign(reach_hz(set).and_then(room), set, &places, common);
    let with_unit = session.state(&state.name).is_some_and(|s| !s.units.is_empty());
    if let Some(lowest_hz) = names.air.as_ref().and_then(lowest_hz).filter(|_| !with_unit) {
        flag_below_the_room(&mut names, set, BELOW * lowest_hz);
    }
    names
}

/// Why the manifest's room names nothing, where it is one whose modes can't be found.
pub(super) fn unknown_room(session: &Session, state: &StateResult) -> Option<String> {
    let found = state.resonances.as_ref().filter(|r| r.names.air.is_none())?;
    let temperature_c = temperature_c(session, state);
    let error = Enclosure::of_session(session, temperature_c, reach_hz(&found.set)?)?.err()?;
    Some(format!(
        "session.toml: {error}. Left out: the modes' names and predicted frequencies, the room's picture, places for \
         an absorber"
    ))
}

fn temperature_c(session: &Session, state: &StateResult) -> f64 {
    session.state(&state.name).map_or(session.room.temperature_c, |s| session.temperature_c(s))
}

/// Below this share of the lowest mode that the room has, a resonance is none of the room as it was stated.
const BELOW: f64 = 0.85;

/// Lowest mode of the room as stated, Hz: of a box half a wavelength along its longest side, however far the list reaches;
/// of a room on a plan the first of the list, if it reaches that far.
fn lowest_hz(air: &Enclosure) -> Option<f64> {
    let longest_m = air.dimensions_m().map(|lengths| lengths.into_iter().fold(0.0, f64::max));
    let of_a_box = longest_m.map(|longest_m| air.sound_speed_m_s / (2.0 * longest_m));
    of_a_box.or_else(|| air.modes.first().map(|mode| mode.frequency_hz))
}

/// Flags what lies below: no more than that, since open doors and light walls make real ones.
fn flag_below_the_room(names: &mut Assignment, set: &ModeSet, below_hz: f64) {
    for (name, mode) in names.modes.iter_mut().zip(&set.modes) {
        if mode.kind == Kind::Mode && mode.frequency().value < below_hz {
            name.flags.add(Flag::NotOfThisBox);
        }
    }
}

/// Ranks the modes that the program stands behind, by what listeners get of them.
fn priorities(session: &Session, set: &ModeSet) -> Vec<Option<u32>> {
    let listening: Vec<usize> =
        (0..set.places.len()).filter(|p| session.role(&set.places[*p].0) == Role::Listening).collect();
    let counted: Vec<usize> = if listening.is_empty() { (0..set.places.len()).collect() } else { listening };
    let room: Vec<usize> =
        (0..set.modes.len()).filter(|m| matches!(set.modes[*m].kind, Kind::Mode | Kind::Unsure)).collect();
    let ringing: Vec<Ringing> = room
        .iter()
        .map(|&m| {
            let mode = &set.modes[m];
            let energy = |place: &usize| mode.amplitudes[*place].map(|a| strength(set, *place, a).powi(2));
            Ringing {
                frequency_hz: mode.frequency().value,
                // The lower limit of T60's interval: what is hardly known doesn't jump the queue.
                decay_per_s: mode.decay_per_s + SD_PER_95 * mode.decay_sd_per_s,
                bandwidth_hz: mode.decay_per_s / std::f64::consts::PI,
                energies: counted.iter().map(energy).collect(),
                claimed: mode.kind == Kind::Mode,
            }
        })
        .collect();
    let mut ranks = vec![None; set.modes.len()];
    for (m, rank) in room.into_iter().zip(prioritise(&ringing)) {
        ranks[m] = rank;
    }
    ranks
}

/// fs·|A| of a mode at a place: what it starts to ring with.
fn strength(set: &ModeSet, place: usize, amplitude: modes::Amplitude) -> f64 {
    set.file_rates_hz[place] * amplitude.re.hypot(amplitude.im)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 5.6 m at 20 °C: 343.2/(2 × 5.6) = 30.64 Hz, also where the list ends below; the same room as a polygon has it too.
    #[test]
    fn the_lowest_mode_is_half_a_wavelength_along_the_longest_side() {
        let lowest = lowest_hz(&Enclosure::rectangular([4.25, 5.6, 2.75], 20.0, 25.0).unwrap()).unwrap();
        assert!((lowest - 30.643).abs() < 0.01, "{lowest}");
        let plan = [[0.0, 0.0], [5.6, 0.0], [5.6, 4.25], [0.0, 4.25]];
        let drawn = lowest_hz(&Enclosure::upright(&plan, 2.75, 20.0, 60.0).unwrap()).unwrap();
        assert!((drawn / lowest - 1.0).abs() < 1e-3, "{drawn}");
    }
}
