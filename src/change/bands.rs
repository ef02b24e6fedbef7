//! What happened to the reverberation time of each band.

use super::facts::BandFacts;
use super::gain::Gain;
use super::outcome::{BandChange, Ratio};
use crate::estimate::Reading;
use crate::flag::{Flag, Flags};

/// Bands that both states have, in the order of the before state.
pub(super) fn band_changes(
    before: &[BandFacts<'_>],
    after: &[BandFacts<'_>],
    gain: &Gain,
) -> Vec<BandChange> {
    let mut changes = Vec::new();
    for old in before {
        let same = |new: &&BandFacts<'_>| {
            new.position == old.position
                && new.source == old.source
                && (new.band_hz / old.band_hz).ln().abs() < 0.01
        };
        if let Some(new) = after.iter().find(same) {
            changes.push(change(old, new, gain));
        }
    }
    changes
}

fn change(old: &BandFacts<'_>, new: &BandFacts<'_>, gain: &Gain) -> BandChange {
    let mut flags = Flags::default();
    let value = |r: &Reading| r.map(|e| e.value);
    for reading in [&old.t20_s, &new.t20_s] {
        if let Err(flag) = reading {
            flags.add(*flag);
        }
    }
    BandChange {
        position: old.position.to_string(),
        source: old.source.to_string(),
        band_hz: old.band_hz,
        before_t20_s: value(&old.t20_s),
        after_t20_s: value(&new.t20_s),
        t20_ratio: t20_ratio(&old.t20_s, &new.t20_s),
        energy_ratio: energy_ratio(old, new, gain, &mut flags),
        flags,
    }
}

/// T20 after over before: both standard deviations, on logarithms.
fn t20_ratio(old: &Reading, new: &Reading) -> Option<Result<Ratio, Flag>> {
    let (old, new) = match (old, new) {
        (Ok(old), Ok(new)) => (old, new),
        (Err(flag), _) | (_, Err(flag)) => return Some(Err(*flag)),
    };
    let sd = (old.sd? / old.value).hypot(new.sd? / new.value);
    let log = (new.value / old.value).ln();
    (log.is_finite() && sd.is_finite()).then(|| Ok(Ratio::from_log(log, sd)))
}

fn energy_ratio(
    old: &BandFacts<'_>,
    new: &BandFacts<'_>,
    gain: &Gain,
    flags: &mut Flags,
) -> Option<Result<f64, Flag>> {
    let ratio = match (&old.level, &new.level) {
        (Ok(old), Ok(new)) => new / old,
        (Err(flag), _) | (_, Err(flag)) => return Some(Err(*flag)),
    };
    let Some(log) = gain.log else {
        let flag = gain.missing.unwrap_or(Flag::GainUnknown);
        flags.add(flag);
        return Some(Err(flag));
    };
    let ratio = ratio * (-2.0 * log.value).exp();
    (ratio.is_finite() && ratio > 0.0).then_some(Ok(ratio))
}
