//! Which of the baseline's resonances is to be treated.

use crate::estimate::SD_PER_95;
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
        "no mode near {asked_hz:.1} Hz in the state {state}\n  found    {}\n  do       {}",
        found(.nearest), instead(.nearest, false)
    )]
    NoMode {
        /// State that was looked at.
        state: String,
        /// Frequency asked for, hertz.
        asked_hz: f64,
        /// The nearest ones that are established, hertz.
        nearest: Vec<f64>,
    },
    /// The baseline shows a resonance there, but not well enough to tell what a unit does to it.
    #[error(
        "{asked_hz:.1} Hz is not established in {state}: nothing to tune to\n  found    {}\n  do       {}",
        found(.nearest), instead(.nearest, true)
    )]
    NotEstablished {
        /// State that was looked at.
        state: String,
        /// Frequency asked for, hertz.
        asked_hz: f64,
        /// The nearest modes that are established, hertz.
        nearest: Vec<f64>,
    },
    /// The baseline's records can't be used.
    #[error("{state}: its records are too short or too few to show the mode\n  do       measure longer")]
    Baseline {
        /// The state.
        state: String,
    },
}

/// The established modes, in words.
fn found(nearest: &[f64]) -> String {
    let words: Vec<String> = nearest.iter().map(|hz| format!("{hz:.1} Hz")).collect();
    if words.is_empty() { "no established mode".to_owned() } else { words.join(", ") }
}

/// What to do instead. Where no mode is established none can be named.
fn instead(nearest: &[f64], resonates: bool) -> &'static str {
    match (nearest, resonates) {
        ([], _) => "measure the baseline at more positions: none of its modes is established",
        (_, true) => {
            "measure the baseline at more positions, or give the frequency of a mode that is established there"
        }
        (_, false) => "give the frequency of a mode that is established there",
    }
}

/// Whether a decay constant is known so badly that its interval holds nothing and everything.
pub(super) fn says_nothing(decay_per_s: f64, sd_per_s: f64) -> bool {
    let known = decay_per_s > SD_PER_95 * sd_per_s;
    !known
}

/// A mode that the program stands behind, with a decay that is known at all.
fn established(mode: &Mode) -> bool {
    mode.kind == Kind::Mode && !says_nothing(mode.decay_per_s, mode.decay_sd_per_s)
}

fn off_hz(mode: &Mode, asked_hz: f64) -> f64 {
    (mode.frequency().value - asked_hz).abs()
}

/// The target among the baseline's resonances: an established mode.
pub(super) fn target(modes: &ModeSet, asked_hz: f64, state: &str) -> Result<usize, TuneError> {
    let indexed = modes.modes.iter().enumerate().filter(|(_, m)| established(m));
    let nearest = indexed.min_by(|a, b| off_hz(a.1, asked_hz).total_cmp(&off_hz(b.1, asked_hz)));
    match nearest.filter(|(_, m)| off_hz(m, asked_hz) <= TARGET_HZ) {
        Some((index, _)) => Ok(index),
        None => Err(none(modes, asked_hz, state)),
    }
}

/// Why there is no target: nothing is near, or nothing that is established.
pub(super) fn none(modes: &ModeSet, asked_hz: f64, state: &str) -> TuneError {
    let others = modes.modes.iter().filter(|m| established(m) && off_hz(m, asked_hz) > TARGET_HZ);
    let mut known: Vec<&Mode> = others.collect();
    known.sort_by(|a, b| off_hz(a, asked_hz).total_cmp(&off_hz(b, asked_hz)));
    let nearest = known.iter().take(3).map(|m| m.frequency().value).collect();
    let state = state.to_owned();
    let resonates = |m: &&Mode| matches!(m.kind, Kind::Mode | Kind::Unsure) && m.decay_per_s > 0.0;
    if modes.modes.iter().filter(resonates).any(|m| off_hz(m, asked_hz) <= TARGET_HZ) {
        TuneError::NotEstablished { state, asked_hz, nearest }
    } else {
        TuneError::NoMode { state, asked_hz, nearest }
    }
}

/// Established modes but one, undamped, hertz.
pub(super) fn others_hz(modes: &ModeSet, index: usize) -> Vec<f64> {
    let others = modes.modes.iter().enumerate().filter(|(i, m)| *i != index && established(m));
    others.map(|(_, m)| m.omega_per_s.hypot(m.decay_per_s) / TAU).collect()
}

/// Distance to the nearest other mode that the program stands behind.
pub(super) fn nearest_hz(modes: &ModeSet, index: usize) -> f64 {
    let own = modes.modes[index].omega_per_s;
    let others = modes.modes.iter().enumerate().filter(|(i, m)| *i != index && m.kind == Kind::Mode);
    others.map(|(_, m)| (m.omega_per_s - own).abs() / TAU).fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;

    fn mode(hertz: f64, decay_sd_per_s: f64, kind: Kind) -> Mode {
        Mode {
            kind,
            omega_per_s: TAU * hertz,
            decay_per_s: 10.0,
            omega_sd_per_s: 0.1,
            decay_sd_per_s,
            amplitudes: Vec::new(),
            flags: Flags::default(),
        }
    }

    fn set(modes: Vec<Mode>) -> ModeSet {
        ModeSet { modes, ..ModeSet::default() }
    }

    /// A resonance that is unsure, or whose interval reaches zero, was tuned to without a word, and offered to who asked
    /// for another.
    #[test]
    fn only_established_modes_are_targets_and_are_offered() {
        let unsure = mode(52.4, 1.0, Kind::Unsure);
        let all = set(vec![mode(30.5, 1.0, Kind::Mode), unsure.clone(), mode(61.0, 6.0, Kind::Mode)]);
        assert_eq!(target(&all, 30.0, "a"), Ok(0));
        for hertz in [52.4, 61.0] {
            let said = target(&all, hertz, "a").unwrap_err().to_string();
            let begins =
                format!("{hertz:.1} Hz is not established in a: nothing to tune to\n  found    30.5 Hz\n");
            assert!(said.starts_with(&begins), "{said}");
        }
        let said = target(&all, 90.0, "a").unwrap_err().to_string();
        assert!(said.starts_with("no mode near 90.0 Hz in the state a\n  found    30.5 Hz\n"), "{said}");
        let said = target(&set(vec![unsure]), 90.0, "a").unwrap_err().to_string();
        let ends = "found    no established mode\n  do       measure the baseline at more positions: none of its modes is \
                    established";
        assert!(said.ends_with(ends), "{said}");
        assert_eq!(others_hz(&all, 0), Vec::<f64>::new());
    }
}
