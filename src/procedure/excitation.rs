//! What ISO 18233:2006 asks of sweeps and sequences: length of the record, signal, averages.

use super::check::ISO_18233;
use super::wording::{decibel, few};
use super::{Check, Met, PlaceFacts, StateFacts, Topic};
use crate::decay::BandDecay;
use crate::flag::Flag;

/// Every band has to fall by this before the record may end, a ratio of energies: 30 dB (6.3.2).
const LEAST_FALL: f64 = 1e3;

/// Record length, signal, averages.
pub(super) fn checks(state: &StateFacts<'_>) -> Vec<Check> {
    vec![record_length(state), signal(state), averages(state)]
}

/// Whether the record of a band is long enough.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fall {
    /// Fell by 30 dB within the record.
    Enough,
    /// The record ends while it still falls.
    Cut,
    /// The noise came first; a longer record would not show more.
    Noise,
}

/// How far a band fell before the record ended.
pub(super) fn fall(band: &BandDecay) -> Fall {
    match band.decay_range {
        Ok(range) if range >= LEAST_FALL => Fall::Enough,
        _ if band.flags.has(Flag::EndsInDecay) => Fall::Cut,
        _ => Fall::Noise,
    }
}

/// How many bands of a place end that way.
pub(super) fn falls(place: &PlaceFacts<'_>, how: Fall) -> usize {
    place.bands.iter().filter(|band| fall(band) == how).count()
}

fn record_length(state: &StateFacts<'_>) -> Check {
    let cut: Vec<String> =
        state.places.iter().filter(|p| falls(p, Fall::Cut) > 0).map(|p| p.name()).collect();
    let total = |how: Fall| state.places.iter().map(|p| falls(p, how)).sum::<usize>();
    let (enough, noise) = (total(Fall::Enough), total(Fall::Noise));
    let shortest =
        state.places.iter().map(|p| p.record_s - p.onset_s).filter(|s| s.is_finite()).reduce(f64::min);
    let mut found = shortest.map_or_else(String::new, |s| format!("{s:.2} s after the direct sound"));
    if !cut.is_empty() {
        found.push_str(&format!("; cut short: {}", few(&cut)));
    } else if enough > 0 && noise > 0 {
        found.push_str(&format!("; {enough} band values fell that far, {noise} met the noise first"));
    }
    Check {
        standard: ISO_18233,
        clause: "6.3.2",
        requirement: "record lasts until every band has fallen".into(),
        found,
        limit: format!("by more than {}", decibel(LEAST_FALL)),
        met: Met::of(cut.len(), enough > 0),
        affects: "late decay: T30 and the tails of low modes are cut off or taken for noise".into(),
        grade: None,
        topic: Topic::RecordLength,
        misses: cut.len(),
    }
}

fn signal(state: &StateFacts<'_>) -> Check {
    let found = state.session.visit.signal.clone();
    Check {
        standard: ISO_18233,
        clause: "9",
        requirement: "signal and its length named".into(),
        met: if found.is_some() { Met::Yes } else { Met::Unknown },
        found: found.unwrap_or_default(),
        limit: "stated".into(),
        affects: "whether somebody else can repeat the measurement; no number changes".into(),
        grade: None,
        topic: Topic::Signal,
        misses: 0,
    }
}

fn averages(state: &StateFacts<'_>) -> Check {
    let takes = || state.places.iter().map(|p| p.takes);
    let found = match (takes().min(), takes().max()) {
        (Some(least), Some(most)) if least == most => format!("{least} per position"),
        (Some(least), Some(most)) => format!("{least} to {most} per position"),
        _ => String::new(),
    };
    Check {
        standard: ISO_18233,
        clause: "9",
        requirement: "number of averages known".into(),
        met: if found.is_empty() { Met::Unknown } else { Met::Yes },
        found,
        limit: "stated".into(),
        affects: "the noise: 3 dB less for each doubling".into(),
        grade: None,
        topic: Topic::Signal,
        misses: 0,
    }
}
