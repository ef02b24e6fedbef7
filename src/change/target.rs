//! Decay times of one state compared with a target.

use super::facts::{BandFacts, StateFacts};
use crate::criterion::limits;
use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use crate::language::worded;
use crate::modes::Kind;
use crate::modes::LN_1000;

/// What decay times should be.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Target {
    /// No band and no mode longer than this many seconds.
    Longest(f64),
    /// The tolerance mask of ITU-R BS.1116-3 round this mean decay time in seconds; it judges bands,
    /// no modes.
    Mask {
        /// The room's own mean over 200 Hz to 4 kHz, or the nominal one of its volume.
        mean_t_s: f64,
    },
}

worded! {
    /// Whether a limit is kept.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub enum Met {
        /// The whole 95 % interval keeps it.
        Yes = "yes",
        /// The whole 95 % interval misses it.
        No = "no",
        /// The interval straddles it.
        Unsure = "unsure",
    }
}

/// One band or mode against its limit.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct TargetFinding {
    /// Name of the position, `*` or `listening`; empty for a mode.
    pub position: String,
    /// Mid-band frequency in hertz, of a band.
    pub band_hz: Option<f64>,
    /// Index in the state's list of resonances, of a mode.
    pub mode: Option<usize>,
    /// T20 of the band or T60 of the mode, seconds.
    pub value_s: Result<f64, Flag>,
    /// Ends of its 95 % interval, where there is one.
    pub interval_s: Option<(f64, f64)>,
    /// The limit that decides: the upper one, or the lower one where the value lies under it.
    pub limit_s: f64,
    /// Seconds left to the limit: below zero is missed.
    pub margin_s: Option<f64>,
    /// Whether it is kept; `None` without a value.
    pub met: Option<Met>,
    /// Remarks.
    pub flags: Flags,
}

/// Compares averages over positions and claimed modes of a state with a target.
#[must_use]
pub fn hold_against(state: &StateFacts<'_>, target: Target) -> Vec<TargetFinding> {
    let averages = state.bands.iter().filter(|b| matches!(b.position, "*" | "listening"));
    let few = !state.bands.iter().any(|b| b.position == "*");
    let bands: Vec<&BandFacts<'_>> = if few { state.bands.iter().collect() } else { averages.collect() };
    let mut findings: Vec<TargetFinding> =
        bands.into_iter().filter_map(|band| against_band(band, target)).collect();
    if let Target::Longest(limit_s) = target {
        let claimed = state.modes.modes.iter().enumerate().filter(|(_, m)| m.kind == Kind::Mode);
        findings.extend(claimed.map(|(index, mode)| {
            let t60 = LN_1000 / mode.decay_per_s;
            let value = Estimate::new(t60, t60 * mode.decay_sd_per_s / mode.decay_per_s);
            TargetFinding { mode: Some(index), ..judged(Ok(value), None, limit_s) }
        }));
    }
    findings
}

fn against_band(band: &BandFacts<'_>, target: Target) -> Option<TargetFinding> {
    let (lower, upper) = match target {
        Target::Longest(limit_s) => (None, limit_s),
        Target::Mask { mean_t_s } => {
            let limits = limits(mean_t_s, band.band_hz)?;
            (limits.lower_s, limits.upper_s)
        }
    };
    let position = band.position.to_string();
    Some(TargetFinding { position, band_hz: Some(band.band_hz), ..judged(band.t20_s, lower, upper) })
}

/// The interval against both limits. Without one (no standard deviation) the value alone decides.
fn judged(value: Result<Estimate, Flag>, lower: Option<f64>, upper: f64) -> TargetFinding {
    let mut finding = TargetFinding {
        position: String::new(),
        band_hz: None,
        mode: None,
        value_s: value.map(|v| v.value),
        interval_s: None,
        limit_s: upper,
        margin_s: None,
        met: None,
        flags: Flags::default(),
    };
    let value = match value {
        Ok(value) => value,
        Err(flag) => {
            finding.flags.add(flag);
            return finding;
        }
    };
    finding.interval_s = value.interval_95();
    let (low, high) = finding.interval_s.unwrap_or((value.value, value.value));
    // The limit that the value is nearer to (or past) decides.
    let under = lower.filter(|lower| value.value - lower < upper - value.value);
    finding.limit_s = under.unwrap_or(upper);
    if under.is_some() {
        finding.flags.add(Flag::LowerLimit);
    }
    finding.margin_s = Some(under.map_or(upper - value.value, |lower| value.value - lower));
    let kept = high <= upper && lower.is_none_or(|lower| low >= lower);
    let missed = low > upper || lower.is_some_and(|lower| high < lower);
    finding.met = Some(if kept {
        Met::Yes
    } else if missed {
        Met::No
    } else {
        Met::Unsure
    });
    finding
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::{Mode, ModeSet};

    /// Worked by hand: 0.50 ± 0.02 s (interval 0.461 to 0.539).
    #[test]
    fn interval_decides() {
        let value = Ok(Estimate::new(0.5, 0.02));
        for (lower, upper, met) in [
            (None, 0.54, Met::Yes),
            (None, 0.53, Met::Unsure),
            (None, 0.46, Met::No),
            (Some(0.45), 0.6, Met::Yes),
            (Some(0.47), 0.6, Met::Unsure),
            (Some(0.55), 0.6, Met::No),
        ] {
            assert_eq!(judged(value, lower, upper).met, Some(met), "{lower:?} {upper}");
        }
        let below = judged(value, Some(0.55), 0.65);
        assert_eq!(below.limit_s, 0.55);
        assert!(below.flags.has(Flag::LowerLimit) && !judged(value, None, 0.46).flags.has(Flag::LowerLimit));
        assert!((below.margin_s.unwrap() + 0.05).abs() < 1e-12);
        let empty = judged(Err(Flag::AboveRate), None, 0.5);
        assert_eq!((empty.met, empty.margin_s), (None, None), "nothing straddles anything without a value");
        assert!(empty.flags.has(Flag::AboveRate));
    }

    /// Modes are held against the limit by their place in the list, and only those that are claimed.
    #[test]
    fn a_mode_s_finding_names_it() {
        let mode = |kind: Kind, t60_s: f64| Mode {
            kind,
            omega_per_s: 250.0,
            decay_per_s: LN_1000 / t60_s,
            omega_sd_per_s: 0.1,
            decay_sd_per_s: 0.1,
            amplitudes: Vec::new(),
            flags: Flags::default(),
        };
        let set =
            ModeSet { modes: vec![mode(Kind::Unsure, 0.9), mode(Kind::Mode, 1.2)], ..ModeSet::default() };
        let state = StateFacts {
            modes: &set,
            places: Vec::new(),
            relabelled: None,
            at_units: Vec::new(),
            bands: Vec::new(),
            repeats: Vec::new(),
        };
        let found = hold_against(&state, Target::Longest(0.8));
        assert_eq!(found.iter().map(|f| (f.mode, f.met)).collect::<Vec<_>>(), [(Some(1), Some(Met::No))]);
    }
}
