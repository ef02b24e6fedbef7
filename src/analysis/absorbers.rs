//! Tuned absorbers of a session: each target mode with all takes that had a unit.

use super::{Analysis, Comparison, Settings, in_pool};
use crate::absorber::{
    Placement, Reference, Resonator, RoomMode, SettingFacts, SettingFit, TuneError, Tuning, placements,
};
use crate::change::{Changes, JointlyFittedMode, ModeChange, Ratio, Verdict};
use crate::flag::Flag;
use crate::modes::{Kind, Mode};
use crate::session::{Session, Unit};
use crate::state::StateResult;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// A label is this mode's within so many hertz.
const LABEL_HZ: f64 = 4.0;
/// As many modes at once may be one unit's or two's doing; our own choice.
const FEW: usize = 2;
/// A second pole this much nearer to another target is that one's unit; our own choice.
const NEARER: f64 = 0.5;
/// A decay moved where its whole interval lies beyond this, as a logarithm: the just noticeable 5 % (ISO 3382-1:2009,
/// table A.1).
const LEAST: f64 = 0.05;

/// What the advice needs to know of a state.
#[must_use]
pub fn setting_facts<'a>(
    session: &'a Session,
    state: &'a StateResult,
    frequency_factor: f64,
) -> SettingFacts<'a> {
    SettingFacts {
        state: &state.name,
        lows: state.places.iter().map(|place| &place.response.low).collect(),
        places: state
            .places
            .iter()
            .map(|p| (p.response.place.position.as_str(), p.response.place.source.as_str()))
            .collect(),
        modes: state.resonances.as_ref().map(|r| &r.set),
        units: units(session, state),
        frequency_factor,
    }
}

fn units<'a>(session: &'a Session, state: &StateResult) -> &'a [Unit] {
    session.state(&state.name).map_or(&[], |s| s.units.as_slice())
}

/// The mode nearest `mode_hz` over all after states of a comparison.
///
/// # Errors
/// [`TuneError`]: the baseline doesn't show the mode.
pub fn tune_states(
    session: &Session,
    found: &Analysis,
    compared: &Comparison,
    settings: &Settings,
    mode_hz: f64,
) -> Result<Tuning, TuneError> {
    let all: Vec<usize> = (0..compared.pairs.len()).collect();
    Ok(in_pool(settings, || tune_pairs(session, found, compared, &all, mode_hz))?.0)
}

/// A mode's tuning, and what the joint fits say for the comparison: for each pair by its number.
type Tuned = (Tuning, Vec<(usize, JointlyFittedMode)>);
/// A mode's tuning and the joint fits for each pair by its number; without the tuning where only the comparison needs it.
type Target = (Option<Tuning>, Vec<(usize, JointlyFittedMode)>);

fn tune_pairs(
    session: &Session,
    found: &Analysis,
    compared: &Comparison,
    pairs: &[usize],
    mode_hz: f64,
) -> Result<Tuned, TuneError> {
    let baseline = setting_facts(session, &found.states[compared.before], 1.0);
    let reference = Reference::new(&baseline, mode_hz)?;
    let takes: Vec<SettingFacts<'_>> = pairs
        .iter()
        .map(|p| {
            let (state, changes) = &compared.pairs[*p];
            setting_facts(session, &found.states[*state], drift(changes))
        })
        .collect();
    let looks: Vec<SettingFit> = takes.par_iter().map(|take| reference.look(take)).collect();
    let mut tuning = reference.tuning(&takes, &looks);
    tuning.placements = elsewhere(&found.states[compared.before], &takes, &tuning).unwrap_or_default();
    let treated = pairs.iter().zip(takes.iter().zip(&looks));
    let treated =
        treated.filter_map(|(p, (take, look))| Some((*p, reference.jointly_fitted(take, look)?))).collect();
    Ok((tuning, treated))
}

/// The unit at other places, where the manifest gives the room and its place and the modes have names.
fn elsewhere(baseline: &StateResult, takes: &[SettingFacts<'_>], tuning: &Tuning) -> Option<Vec<Placement>> {
    let found = baseline.resonances.as_ref()?;
    let air = found.names.air.as_ref()?;
    let g = tuning.coupling_per_s()?.value;
    let at_m = takes.iter().zip(&tuning.takes).find_map(|(take, finding)| {
        finding.values?;
        take.units.iter().find(|u| finding.unit.as_ref().is_none_or(|name| *name == u.name))?.at_m
    })?;
    let named: Vec<RoomMode> = found
        .set
        .modes
        .iter()
        .zip(&found.names.modes)
        .filter_map(|(mode, name)| {
            let omega_per_s = mode.omega_per_s.hypot(mode.decay_per_s);
            let own = Resonator { omega_per_s, decay_per_s: mode.decay_per_s };
            Some(RoomMode { listed: name.listed?, own })
        })
        .collect();
    let off = |m: &&RoomMode| (m.own.omega_per_s - tuning.mode.omega_per_s).abs();
    let target = *named.iter().min_by(|a, b| off(a).total_cmp(&off(b))).filter(|m| off(m) < TAU * 0.5)?;
    let others: Vec<RoomMode> = named.iter().filter(|m| m.listed != target.listed).copied().collect();
    Some(placements(air, RoomMode { own: tuning.mode, ..target }, &others, g, at_m))
}

/// The common factor of all frequencies, where it stands out of its own error.
fn drift(changes: &Changes) -> f64 {
    let known = changes.frequency_factor.filter(|f| (f.value - 1.0).abs() > 3.0 * f.sd.unwrap_or(1.0));
    known.map_or(1.0, |f| f.value)
}

/// Every target of a comparison: modes that became two poles, those that a unit's label names, and where no unit is named
/// the few that alone became shorter.
pub(super) fn all(session: &Session, found: &Analysis, compared: &Comparison) -> Vec<Target> {
    let Some(modes) = found.states[compared.before].resonances.as_ref().map(|r| &r.set.modes) else {
        return Vec::new();
    };
    let state = |p: usize| &found.states[compared.pairs[p].0];
    let named = (0..compared.pairs.len()).any(|p| !units(session, state(p)).is_empty());
    let mut targets: Vec<usize> = Vec::new();
    for (p, (_, changes)) in compared.pairs.iter().enumerate() {
        if named && units(session, state(p)).is_empty() {
            continue;
        }
        // Without a unit in the manifest two poles that are told apart speak of one, of a mode that is claimed.
        let speaks = |c: &&ModeChange| if named { became_two(c) } else { c.flags.has(Flag::Split) };
        let claimed = |mode: &usize| modes.get(*mode).is_some_and(|m| m.kind == Kind::Mode);
        targets.extend(changes.modes.iter().filter(speaks).filter_map(|c| c.before).filter(claimed));
        let labels: Vec<usize> = units(session, state(p)).iter().filter_map(|u| labelled(modes, u)).collect();
        if named && labels.is_empty() && !changes.modes.iter().any(|c| speaks(&c)) {
            targets.extend(most_changed(changes).filter(claimed));
        }
        targets.extend(labels);
        if !named {
            targets.extend(few_shorter(changes).into_iter().filter(claimed));
        }
    }
    targets.sort_unstable();
    targets.dedup();
    let own: Vec<f64> = targets.iter().map(|mode| modes[*mode].omega_per_s).collect();
    let tunings = targets.into_iter().filter_map(|mode| {
        let takes: Vec<usize> = (0..compared.pairs.len())
            .filter(|p| {
                let changes = &compared.pairs[*p].1;
                let two = |c: &ModeChange| c.before == Some(mode) && became_two(c);
                let works = changes.modes.iter().any(two) || few_shorter(changes).contains(&mode);
                if named { !units(session, state(*p)).is_empty() } else { works }
            })
            .collect();
        // The baseline shows this mode: it was found there.
        let mut tuned = tune_pairs(session, found, compared, &takes, modes[mode].frequency().value).ok()?;
        if !named {
            tuned.1.retain(|(_, joint)| unit_is_its_own(joint, modes[mode].omega_per_s, &own));
        }
        // A mode that only became shorter is compared by the joint fit where that shows a unit; nobody asked for advice.
        let split = |c: &ModeChange| c.before == Some(mode) && c.flags.has(Flag::Split);
        let asked = named || takes.iter().any(|p| compared.pairs[*p].1.modes.iter().any(split));
        Some((Some(tuned.0).filter(|_| asked), tuned.1))
    });
    tunings.collect()
}

/// Where no unit is named, the joint fit of a mode may take for its unit the one that stands at another target: its second
/// pole then lies far from it, and near the other.
fn unit_is_its_own(joint: &JointlyFittedMode, omega_per_s: f64, targets: &[f64]) -> bool {
    let off = |pole: &Mode, from: f64| (pole.omega_per_s - from).abs();
    let unit = joint.poles.iter().max_by(|a, b| off(a, omega_per_s).total_cmp(&off(b, omega_per_s)));
    unit.is_none_or(|unit| targets.iter().all(|other| off(unit, *other) >= NEARER * off(unit, omega_per_s)))
}

/// Modes that became shorter, where no more did than a unit may be built for: broadband treatment shortens many. Near its
/// best setting a unit's two poles look like one.
fn few_shorter(changes: &Changes) -> Vec<usize> {
    let shorter = changes.modes.iter().filter(|c| c.verdict == Verdict::Shorter);
    let shorter: Vec<usize> = shorter.filter_map(|c| c.before).collect();
    if shorter.len() <= FEW { shorter } else { Vec::new() }
}

/// The mode whose decay changed most, where it did beyond doubt: a unit that no label names and that no second pole
/// shows works there if anywhere.
fn most_changed(changes: &Changes) -> Option<usize> {
    let size = |c: &ModeChange| c.t60_ratio.and_then(Result::ok).map_or(0.0, Ratio::least_log);
    changes.modes.iter().filter(|c| moved(c)).max_by(|a, b| size(a).total_cmp(&size(b)))?.before
}

/// Whether the whole interval of the decay's change lies beyond the least change, whatever made it.
fn moved(change: &ModeChange) -> bool {
    change.t60_ratio.and_then(Result::ok).is_some_and(|r| r.least_log() > LEAST)
}

fn became_two(change: &ModeChange) -> bool {
    change.flags.has(Flag::Split) || change.flags.has(Flag::MergedPair)
}

/// Modes of the baseline that a state's units are labelled for.
pub(super) fn labelled_for(session: &Session, before: &StateResult, after: &StateResult) -> Vec<usize> {
    let modes = before.resonances.as_ref().map_or(&[][..], |found| &found.set.modes);
    units(session, after).iter().filter_map(|unit| labelled(modes, unit)).collect()
}

/// The claimed mode nearest the frequency that a unit is labelled with.
fn labelled(modes: &[Mode], unit: &Unit) -> Option<usize> {
    let label = unit.tuned_hz?;
    let off = |m: usize| (modes[m].frequency().value - label).abs();
    let claimed = (0..modes.len()).filter(|m| modes[*m].kind == Kind::Mode);
    claimed.min_by(|a, b| off(*a).total_cmp(&off(*b))).filter(|m| off(*m) < LABEL_HZ)
}
