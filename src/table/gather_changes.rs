//! What a comparison found, tuned absorbers among it, becomes rows.

use super::cell::{Interval, Name};
use super::decibel;
use super::gather::number;
use super::results::Comparison as Tables;
use super::{AbsorberRow, BandChangeRow, ChangeRow, PositionChangeRow, TargetRow};
use crate::absorber::{Finding, Tuning};
use crate::analysis::{Analysis, Comparison};
use crate::change::{BandChange, Met, ModeChange, PositionChange, Ratio, TargetFinding, Verdict};
use crate::estimate::Estimate;
use crate::flag::Flag;

/// The tables of a comparison.
#[must_use]
pub fn comparison(found: &Analysis, compared: &Comparison) -> Tables {
    let name = |state: usize| -> Name { found.states[state].name.as_str().into() };
    let before = name(compared.before);
    let mut tables = Tables::default();
    for (state, changes) in &compared.pairs {
        let pair = [&before, &name(*state)];
        tables.changes.extend(changes.modes.iter().map(|change| change_row(pair, change)));
        tables.position_changes.extend(changes.positions.iter().map(|change| position_row(pair, change)));
        tables.band_changes.extend(changes.bands.iter().map(|change| band_row(pair, change)));
    }
    for (state, findings) in &compared.targets {
        tables.targets.extend(findings.iter().map(|finding| target_row(&name(*state), finding)));
    }
    tables
}

fn percent(ratio: Ratio) -> Interval {
    let change = |r: f64| 100.0 * (r - 1.0);
    Interval { value: change(ratio.value), low: change(ratio.low), high: change(ratio.high) }
}

fn level(ratio: Ratio) -> Result<Interval, Flag> {
    let db = |r: f64| decibel::of_amplitude(r).ok_or(Flag::NotFinite);
    Ok(Interval { value: db(ratio.value)?, low: db(ratio.low)?, high: db(ratio.high)? })
}

fn amplitude_db(value: f64) -> Result<f64, Flag> {
    decibel::of_amplitude(value).ok_or(Flag::NotFinite)
}

fn change_row([before, after]: [&Name; 2], change: &ModeChange) -> ChangeRow {
    ChangeRow {
        before_state: before.clone(),
        after_state: after.clone(),
        mode: change.before.map(number),
        after_mode: change.after.map(number),
        before_hz: change.before_values.map(|v| v.frequency_hz),
        after_hz: change.after_values.map(|v| v.frequency_hz),
        before_t60: change.before_values.map(|v| v.t60_s).filter(Estimate::is_above_zero),
        after_t60: change.after_values.map(|v| v.t60_s).filter(Estimate::is_above_zero),
        t60_change: change.t60_ratio.map(|ratio| ratio.map(percent)),
        before_ring_s: change.before_ring_s,
        after_ring_s: change.after_ring_s,
        ring_change: change.ring_ratio.map(|ratio| ratio.map(percent)),
        level_change: change.level_ratio.map(|ratio| ratio.and_then(level)),
        shape_match: change.shape_match,
        verdict: change.verdict.word(),
        reason: change.reason.clone(),
        flags: change.flags.clone(),
    }
}

fn position_row([before, after]: [&Name; 2], change: &PositionChange) -> PositionChangeRow {
    PositionChangeRow {
        before_state: before.clone(),
        after_state: after.clone(),
        mode: number(change.mode),
        position: change.position.as_str().into(),
        source: change.source.as_str().into(),
        role: change.role.word(),
        before_level_db: change.before_level.and_then(amplitude_db),
        after_level_db: change.after_level.and_then(amplitude_db),
        level_change: change.level_ratio.and_then(level),
        before_ring_s: change.before_ring_s,
        after_ring_s: change.after_ring_s,
        flags: change.flags.clone(),
    }
}

fn band_row([before, after]: [&Name; 2], change: &BandChange) -> BandChangeRow {
    let power_db = |ratio: f64| decibel::of_power(ratio).ok_or(Flag::NotFinite);
    BandChangeRow {
        before_state: before.clone(),
        after_state: after.clone(),
        position: change.position.as_str().into(),
        source: change.source.as_str().into(),
        band_hz: change.band_hz,
        before_t20_s: Some(change.before_t20_s),
        after_t20_s: Some(change.after_t20_s),
        t20_change: change.t20_ratio.map(|ratio| ratio.map(percent)),
        level_change_db: change.energy_ratio.map(|ratio| ratio.and_then(power_db)),
        verdict: change.verdict.map_or("", Verdict::word),
        reason: change.reason.clone(),
        flags: change.flags.clone(),
    }
}

fn target_row(state: &Name, finding: &TargetFinding) -> TargetRow {
    TargetRow {
        state: state.clone(),
        position: finding.position.as_str().into(),
        band_hz: finding.band_hz,
        mode: finding.mode.map(number),
        value_s: Some(finding.value_s),
        low_s: finding.interval_s.map(|ends| Ok(ends.0)),
        high_s: finding.interval_s.map(|ends| Ok(ends.1)),
        limit_s: Some(finding.limit_s),
        met: finding.met.map_or("", Met::word),
        flags: finding.flags.clone(),
    }
}

/// One row for each state and target mode: states in the order of `states`, then modes in theirs.
#[must_use]
pub fn absorber_rows(states: &[String], tunings: &[Tuning]) -> Vec<AbsorberRow> {
    let of = |state: &String| {
        let takes = tunings.iter().flat_map(|t| t.takes.iter().map(move |f| (t, f)));
        takes.filter(|(_, f)| f.state == *state).map(|(t, f)| row(t, f)).collect::<Vec<_>>()
    };
    states.iter().flat_map(of).collect()
}

fn row(tuning: &Tuning, finding: &Finding) -> AbsorberRow {
    let values = finding.values;
    AbsorberRow {
        state: finding.state.as_str().into(),
        unit: finding.unit.as_deref().unwrap_or_default().into(),
        mode_frequency_hz: Some(tuning.mode_hz.value),
        loaded_frequency: values.map(|v| v.loaded_hz),
        loaded_decay_per_s: values.map(|v| v.loaded_decay_per_s.value),
        coupling_per_s: values.map(|v| v.coupling_per_s.value),
        best_frequency_hz: values.map(|v| v.best_hz),
        best_decay_per_s: values.map(|v| v.best_decay_per_s),
        best_t60_s: values.map(|v| v.best_t60_s.value),
        consistency: finding.consistency,
        advice: finding.advice.clone(),
        next_frequency_change_hz: finding.next.frequency_change_hz,
        next_damping_factor: finding.next.damping_factor,
        next_dials: finding.next.dials.clone(),
        reason: finding.reason.clone(),
    }
}
