//! `absorber` of `results.json`: what a tuned unit does now, its best setting, and what to change.

use super::cell::Name;
use super::column::{dials, hertz, per_second, plain, seconds, text};
use super::row::table;
use crate::estimate::Estimate;
use crate::language::Message;

table! {
    "absorber", AbsorberRow, key ["state", "unit", "mode_frequency_hz"],
    "Tuned absorbers: one object per state with a unit and target mode, for the unit as set in that state, estimated from all states. Frequencies are undamped, |s|/2π of a pole s. Where a value is null, `reason` says why.";
    state: Name = text().required(), "Name of the state.";
    unit: Name = text(), "Name of the unit.";
    mode_frequency_hz: Option<f64> = hertz().positive(), "Undamped frequency of the target mode in the baseline.";
    loaded_frequency: Option<Estimate> {
        loaded_frequency_hz = hertz().positive(), "The unit's frequency installed here, the room mode's influence removed: |s1|·|s2|/ω0 over 2π, s1 and s2 the two treated poles, ω0 the untreated mode.", "Fahy & Schofield, J. Sound Vib. 72 (1980) (two coupled resonators)";
        loaded_frequency_sd_hz = hertz().sd(), "One standard deviation of it.";
    }
    loaded_decay_per_s: Option<f64> = per_second(), "The unit's own decay constant likewise: δ1 + δ2 − δ0.";
    coupling_per_s: Option<f64> = per_second().not_negative(), "Coupling g of unit and mode, the poles s of both being the roots of (s² + 2δ0·s + ω0²)(s² + 2δa·s + ωa²) + g²·s² = 0.";
    best_frequency_hz: Option<f64> = hertz().positive(), "Best frequency on the loaded scale; the step to it is best − loaded.", "Den Hartog, Mechanical Vibrations (tuned damper)";
    best_decay_per_s: Option<f64> = per_second(), "Best decay constant on the loaded scale, δ0 + g; the step to it is the factor best/loaded.";
    best_t60_s: Option<f64> = seconds().positive(), "T60 of the mode at the best setting: 6.908/(δ0 + g/2).";
    consistency: Option<f64> = plain(""), "The relation that the identification doesn't use, 2δ0ωa² + 2δaω0² = 2δ1|s2|² + 2δ2|s1|²: by how much it is missed, in units of its own standard deviation.";
    advice: Option<Message> = text(), "What to change next, in one sentence.";
    next_frequency_change_hz: Option<f64> = plain("Hz"), "Step of frequency to take now instead of the step to the best; given also where the rest is null.";
    next_damping_factor: Option<f64> = plain("").positive(), "Factor on the unit's damping to take now instead of the step to the best.";
    next_dials: Vec<(String, f64)> = dials(), "Setting to try next, by the manifest's dial names.";
    reason: Option<Message> = text(), "Why a value is null.";
}
