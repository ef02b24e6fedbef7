//! States of an analysis against a baseline: what became of each mode, and targets.

use super::{
    Analysis, Comparison, Control, Settings, absorbers, analyze, faulty_places, in_pool, rates, resonances,
};
use crate::change::{
    BandFacts, ChangeSettings, JointlyFittedMode, PlaceFacts, StateFacts, Target, compare,
    compare_jointly_fitted, expected_changes, hold_against,
};
use crate::criterion::mask_mean_s;
use crate::decay::BandDecay;
use crate::flag::Flag;
use crate::modes::ModeSet;
use crate::procedure::SingleModes;
use crate::response::{LowRecord, Place};
use crate::session::{Role, Session};
use crate::state::{PlaceResult, StateResult};
use rayon::prelude::*;

/// What to compare and against what.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct CompareSettings {
    /// Name of the baseline state.
    pub before: String,
    /// Names of the states compared with it.
    pub after: Vec<String>,
    /// Target for decay times.
    pub target: Option<TargetKind>,
}

impl CompareSettings {
    /// Compares `after` with `before`, without a target.
    #[must_use]
    pub fn new(before: &str, after: Vec<String>) -> Self {
        Self { before: before.to_owned(), after, target: None }
    }
}

/// What decay times should be.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum TargetKind {
    /// No band and no mode longer than this, s.
    Longest(f64),
    /// The tolerance mask of ITU-R BS.1116-3 round the state's own mean T20 of 200 Hz to 4 kHz.
    Mask,
    /// The tolerance mask of ITU-R BS.1116-3 round this mean, s: the nominal one of the room's volume.
    MaskRound(f64),
}

/// Compares states of an analysis. Names that were not found, or have nothing to compare, are left out:
/// the caller sees which pairs there are.
#[must_use]
pub fn compare_states(
    session: &Session,
    found: &Analysis,
    settings: &Settings,
    asked: &CompareSettings,
    control: &Control<'_>,
) -> Option<Comparison> {
    in_pool(settings, || compared(session, found, settings, asked, control))
}

fn compared(
    session: &Session,
    found: &Analysis,
    settings: &Settings,
    asked: &CompareSettings,
    control: &Control<'_>,
) -> Option<Comparison> {
    let usable = |name: &str| {
        found.states.iter().position(|s| s.name == name).filter(|i| !found.states[*i].places.is_empty())
    };
    let before = usable(&asked.before)?;
    let after: Vec<usize> = asked.after.iter().filter_map(|name| usable(name)).collect();
    let involved: Vec<usize> = std::iter::once(before).chain(after.iter().copied()).collect();
    let repeats: Vec<Vec<ModeSet>> =
        involved.par_iter().map(|i| repeats(&found.states[*i], settings, control)).collect();
    // Stands for the modes where none were asked for.
    let none = ModeSet::default();
    let state = |k: usize| &found.states[involved[k]];
    let modes = |k: usize| (&none, repeats[k].as_slice());
    let common: Vec<[Averages; 2]> = (1..involved.len())
        .map(|k| [(0, k), (k, 0)].map(|(of, with)| Averages::of(session, state(of), Some(state(with)))))
        .collect();
    let facts: Vec<[StateFacts<'_>; 2]> = common
        .iter()
        .zip(1..)
        .map(|(averages, k)| pair_facts(session, [state(0), state(k)], [modes(0), modes(k)], averages))
        .collect();
    let range = settings.modes.unwrap_or_default();
    let mut change = ChangeSettings::default();
    (change.same_chain, change.range_hz) = (session.same_chain, (range.from_hz, range.to_hz));
    let pairs = facts.par_iter().map(|[old, new]| compare(old, new, &change)).collect::<Vec<_>>();
    let targets = (0..involved.len()).filter_map(|k| {
        let own = Averages::of(session, state(k), None);
        let facts = state_facts(session, state(k), modes(k), &own);
        Some((involved[k], hold_against(&facts, target_of(asked.target?, &facts)?)))
    });
    let targets = targets.collect();
    let pairs = after.into_iter().zip(pairs).collect();
    let mut joint: Vec<(usize, JointlyFittedMode)> = Vec::new();
    let mut compared = Comparison { before, targets, pairs, absorbers: Vec::new() };
    // Modes that a unit stands at are fitted jointly, then compared by that.
    for (tuning, treated) in absorbers::all(session, found, &compared) {
        compared.absorbers.extend(tuning);
        joint.extend(treated);
    }
    for (p, (_, changes)) in compared.pairs.iter_mut().enumerate() {
        let own: Vec<JointlyFittedMode> =
            joint.iter().filter(|(of, _)| *of == p).map(|(_, t)| t.clone()).collect();
        if !own.is_empty() {
            *changes = compare_jointly_fitted(&facts[p][0], &facts[p][1], &change, &own);
        }
    }
    Some(compared)
}

/// What the modes of a state alone will tell of a change, read and fitted as `settings` say. `None` where it has no modes.
#[must_use]
pub fn foretell(
    session: &Session,
    state: &str,
    settings: &Settings,
    control: &Control<'_>,
) -> Option<SingleModes> {
    let mut one = session.clone();
    one.states.retain(|other| other.name == state);
    let found = analyze(&one, settings, control);
    let state = found.states.into_iter().find(|found| found.name == state)?;
    let set = &state.resonances.as_ref()?.set;
    Some(SingleModes {
        modes: in_pool(settings, || expected_changes(set, &repeats(&state, settings, control))),
        to_hz: set.single_modes_to_hz,
        whole_range: set.single_modes_to_hz.zip(set.sought_to_hz).is_some_and(|(hz, end)| hz >= end),
        places: state.places.len(),
        state: state.name,
    })
}

/// Bands averaged over positions: all, and those one listens at.
struct Averages([(&'static str, Vec<BandDecay>); 2]);

impl Averages {
    /// Over the places that another state has too, where one is given: averages over other places would differ by these.
    fn of(session: &Session, state: &StateResult, other: Option<&StateResult>) -> Self {
        let counts = |place: &Place| other.is_none_or(|o| o.has(place));
        let listening = |place: &Place| session.role(&place.position) == Role::Listening && counts(place);
        Self([("*", state.average(counts)), ("listening", state.average(listening))])
    }
}

/// The state's modes in the first takes of all places that were measured twice or more, in the second, and so on.
fn repeats(state: &StateResult, settings: &Settings, control: &Control<'_>) -> Vec<ModeSet> {
    let Some(modes) = state.resonances.as_ref().map(|found| &found.set) else { return Vec::new() };
    let lows = |place: &PlaceResult| -> Vec<LowRecord> {
        place
            .response
            .takes
            .iter()
            .filter(|take| take.left_out.is_none())
            .filter_map(|t| t.low.clone())
            .collect()
    };
    let all: Vec<(&PlaceResult, Vec<_>)> =
        state.places.iter().map(|place| (place, lows(place))).filter(|(_, lows)| lows.len() > 1).collect();
    let least = all.iter().map(|(_, lows)| lows.len()).min().unwrap_or(0);
    (0..least)
        .into_par_iter()
        .map(|k| {
            let places = all.iter().map(|(place, lows)| (&place.response.place, &lows[k]));
            resonances::fit_take(places, settings, control, modes)
        })
        .collect()
}

/// What a comparison is told of two states.
fn pair_facts<'a>(
    session: &Session,
    [before, after]: [&'a StateResult; 2],
    modes: [(&'a ModeSet, &'a [ModeSet]); 2],
    averages: &'a [Averages; 2],
) -> [StateFacts<'a>; 2] {
    let old = state_facts(session, before, modes[0], &averages[0]);
    let mut new = state_facts(session, after, modes[1], &averages[1]);
    new.relabelled = rates::relabelled(&before.places, &after.places);
    new.at_units = absorbers::labelled_for(session, before, after);
    [old, new]
}

/// What a comparison is told of a state; `no_modes` stands for its modes where it has none.
fn state_facts<'a>(
    session: &Session,
    state: &'a StateResult,
    (no_modes, repeats): (&'a ModeSet, &'a [ModeSet]),
    averages: &'a Averages,
) -> StateFacts<'a> {
    let places = state.places.iter().map(|place| place_facts(session, place)).collect();
    let own = state.places.iter().flat_map(|place| {
        let at = &place.response.place;
        place.bands.iter().map(|band| band_facts(&at.position, &at.source, band))
    });
    let averages =
        averages.0.iter().flat_map(|(name, bands)| bands.iter().map(|band| band_facts(name, "", band)));
    StateFacts {
        modes: state.resonances.as_ref().map_or(no_modes, |found| &found.set),
        places,
        relabelled: None,
        at_units: Vec::new(),
        bands: own.chain(averages).collect(),
        repeats: repeats.iter().collect(),
    }
}

fn band_facts<'a>(position: &'a str, source: &'a str, band: &'a BandDecay) -> BandFacts<'a> {
    BandFacts {
        position,
        source,
        band_hz: band.band.centre_hz,
        t20_s: band.t20_s,
        level: if band.flags.has(Flag::SignalItself) { Err(Flag::SignalItself) } else { band.level },
        course: band.course.as_ref(),
    }
}

/// Where microphone and loudspeaker stand, where the manifest says.
fn at_m(session: &Session, place: &Place) -> [Option<[f64; 3]>; 2] {
    let position = session.position(&place.position).and_then(|p| p.at_m);
    [position, session.source(&place.source).and_then(|s| s.at_m)]
}

fn place_facts<'a>(session: &Session, place: &'a PlaceResult) -> PlaceFacts<'a> {
    let response = &place.response;
    PlaceFacts {
        position: &response.place.position,
        source: &response.place.source,
        role: session.role(&response.place.position),
        at_m: at_m(session, &response.place),
        low: Some(&response.low).filter(|low| !low.samples.is_empty()),
        file_rate_hz: response.rate_hz,
        arrival_s: response.onset.arrival_s,
        arrival_within_s: response.onset.within_s(),
        origin_s: response.origin_s(),
        emission_known: response.emission_s.is_some(),
        direct: response.chain.direct.clone(),
        whole: response.chain.whole.clone(),
        sounds_alike: response.flags.has(Flag::SoundsAlike),
        normalised: response.flags.has(Flag::Normalised),
        fault: faulty_places::fault(response),
    }
}

/// The target in numbers; `None` where the state has no mean to lay the mask round.
fn target_of(asked: TargetKind, facts: &StateFacts<'_>) -> Option<Target> {
    Some(match asked {
        TargetKind::Longest(limit_s) => Target::Longest(limit_s),
        TargetKind::Mask => Target::Mask { mean_t_s: mean_t20_s(facts)? },
        TargetKind::MaskRound(mean_t_s) => Target::Mask { mean_t_s },
    })
}

/// Mean T20 of the bands from 200 Hz to 4 kHz: of the average over positions, or of the only place.
fn mean_t20_s(facts: &StateFacts<'_>) -> Option<f64> {
    let average = facts.bands.iter().any(|band| band.position == "*");
    let bands = facts.bands.iter().filter(|band| !average || band.position == "*");
    mask_mean_s(bands.filter_map(|band| Some((band.band_hz, band.t20_s.ok()?.value))))
}
