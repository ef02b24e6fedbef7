//! What was found out about tuned absorbers becomes rows of `absorber`.

use super::AbsorberRow;
use crate::absorber::{Finding, Tuning};

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
