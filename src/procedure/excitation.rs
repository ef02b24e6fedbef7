//! What ISO 18233:2006 asks of sweeps and sequences: length of the record, signal, averages.

use super::check::ISO_18233;
use super::wording::{decibels, first_few};
use super::{Check, Met, ProcedurePlace, ProcedureState, Topic};
use crate::decay::BandDecay;
use crate::flag::Flag;
use crate::language::{Message, number, say};

/// Every band has to fall by this before the record may end, a ratio of energies: 30 dB (6.3.2).
const LEAST_FALL: f64 = 1e3;

/// Record length, signal, averages.
pub(super) fn checks(state: &ProcedureState<'_>) -> Vec<Check> {
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
pub(super) fn falls(place: &ProcedurePlace<'_>, how: Fall) -> usize {
    place.heard().filter(|band| fall(band) == how).count()
}

fn record_length(state: &ProcedureState<'_>) -> Check {
    let cut = state.places.iter().filter(|p| falls(p, Fall::Cut) > 0);
    let cut: Vec<Message> = cut.map(|p| Message::plain(p.name())).collect();
    let misses = cut.len();
    let total = |how: Fall| state.places.iter().map(|p| falls(p, how)).sum::<usize>();
    let (enough, noise) = (total(Fall::Enough), total(Fall::Noise));
    let shortest =
        state.places.iter().map(|p| p.record_s - p.onset_s).filter(|s| s.is_finite()).reduce(f64::min);
    let lasts = shortest.map(|s| say!("procedure.record-lasts", s = number(s, 2))).unwrap_or_default();
    let found = if misses > 0 {
        say!("procedure.record-cut", lasts = lasts, places = first_few(cut))
    } else if enough > 0 && noise > 0 {
        let (enough, noise) = (number(enough as f64, 0), number(noise as f64, 0));
        say!("procedure.record-met-noise", lasts = lasts, enough = enough, noise = noise)
    } else {
        lasts
    };
    Check {
        standard: ISO_18233,
        clause: "6.3.2",
        requirement: say!("procedure.record-length"),
        found,
        limit: say!("procedure.by-more-than", db = decibels(LEAST_FALL)),
        met: Met::of(misses, enough > 0),
        affects: say!("procedure.affects-late-decay"),
        grade: None,
        topic: Topic::RecordLength,
        misses,
    }
}

fn signal(state: &ProcedureState<'_>) -> Check {
    let found = state.session.visit.signal.clone();
    Check {
        standard: ISO_18233,
        clause: "9",
        requirement: say!("procedure.signal-named"),
        met: if found.is_some() { Met::Yes } else { Met::Unknown },
        found: found.map(Message::plain).unwrap_or_default(),
        limit: say!("procedure.stated"),
        affects: say!("procedure.affects-repetition"),
        grade: None,
        topic: Topic::Signal,
        misses: 0,
    }
}

fn averages(state: &ProcedureState<'_>) -> Check {
    let takes = || state.places.iter().map(|p| p.takes);
    let found = match (takes().min(), takes().max()) {
        (Some(least), Some(most)) if least == most => {
            say!("procedure.takes", n = number(least as f64, 0))
        }
        (Some(least), Some(most)) => {
            say!("procedure.takes-between", least = number(least as f64, 0), most = number(most as f64, 0))
        }
        _ => Message::default(),
    };
    Check {
        standard: ISO_18233,
        clause: "9",
        requirement: say!("procedure.averages"),
        met: if found.is_empty() { Met::Unknown } else { Met::Yes },
        found,
        limit: say!("procedure.stated"),
        affects: say!("procedure.affects-noise"),
        grade: None,
        topic: Topic::Signal,
        misses: 0,
    }
}
