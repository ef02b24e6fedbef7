//! Which of the baseline's resonances is to be treated.

use crate::modes::{Kind, Mode, ModeSet};
use std::f64::consts::TAU;

/// A baseline mode is the target if it lies this near the frequency asked for, hertz.
const TARGET_HZ: f64 = 3.0;

/// Why there is nothing to tune.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TuneError {
    /// The baseline shows no such mode.
    #[error(
        "no mode near {asked_hz:.1} Hz in the state {state}\n  found    {nearest}\n  do       give the frequency of \
         one that the baseline shows"
    )]
    NoMode {
        /// State that was looked at.
        state: String,
        /// Frequency asked for, hertz.
        asked_hz: f64,
        /// The nearest ones, in words.
        nearest: String,
    },
    /// The baseline's records can't be used.
    #[error("{state}: its records are too short or too few to show the mode\n  do       measure longer")]
    Baseline {
        /// The state.
        state: String,
    },
}

/// The target among the baseline's resonances.
pub(super) fn target(modes: &ModeSet, asked_hz: f64, state: &str) -> Result<usize, TuneError> {
    let usable = |m: &&(usize, &Mode)| matches!(m.1.kind, Kind::Mode | Kind::Unsure) && m.1.decay_per_s > 0.0;
    let off = |m: &Mode| (m.frequency().value - asked_hz).abs();
    let indexed: Vec<(usize, &Mode)> = modes.modes.iter().enumerate().collect();
    let mut near: Vec<&(usize, &Mode)> = indexed.iter().filter(usable).collect();
    // A mode that is claimed goes before one that isn't, if both are near.
    near.sort_by(|a, b| off(a.1).total_cmp(&off(b.1)));
    let claimed = near.iter().find(|m| m.1.kind == Kind::Mode && off(m.1) <= TARGET_HZ);
    let any = near.first().filter(|m| off(m.1) <= TARGET_HZ);
    if let Some(found) = claimed.or(any) {
        return Ok(found.0);
    }
    let words: Vec<String> =
        near.iter().take(3).map(|m| format!("{:.1} Hz", m.1.frequency().value)).collect();
    let nearest = if words.is_empty() { "no modes at all".to_owned() } else { words.join(", ") };
    Err(TuneError::NoMode { state: state.to_owned(), asked_hz, nearest })
}

/// Distance to the nearest other mode that the program stands behind.
pub(super) fn nearest_hz(modes: &ModeSet, index: usize) -> f64 {
    let own = modes.modes[index].omega_per_s;
    let others = modes.modes.iter().enumerate().filter(|(i, m)| *i != index && m.kind == Kind::Mode);
    others.map(|(_, m)| (m.omega_per_s - own).abs() / TAU).fold(f64::INFINITY, f64::min)
}
