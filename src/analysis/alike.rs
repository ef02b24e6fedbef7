//! Positions that can't be told from each other: several takes of one position, each under a name of its own.
//!
//! Two microphones some millimetres apart differ by more than [`ALIKE`] below 300 Hz: at k·d of 0.01 (2 mm at 300 Hz, 1 cm at
//! 55 Hz) the pressures of a travelling wave differ by 40 dB less than they are.

use super::files::FileRecord;
use crate::flag::Flag;
use crate::procedure::alike_in_words;
use crate::response::{LowRecord, Place};
use crate::session::Session;
use crate::state::StateResult;

/// Energy of the difference over that of the smaller one below which two records are taken for one position's: −40 dB.
const ALIKE: f64 = 1e-4;
/// Least distance that `session.toml` must state between two positions for them to be two whatever they sound like, m.
const APART_M: f64 = 0.005;
/// Least length in common, s.
const LEAST_S: f64 = 0.1;

/// Flags the positions of a state that sound like an earlier one of the same source, and names them in its warnings.
pub(super) fn flag_alike(session: &Session, state: &mut StateResult, files: &mut [FileRecord]) {
    let mut told = vec![false; state.places.len()];
    for first in 0..state.places.len() {
        let mut group: Vec<usize> = Vec::new();
        let mut most = 0.0_f64;
        for other in first + 1..state.places.len() {
            let [one, two] = [first, other].map(|p| &state.places[p].response);
            if told[first] || told[other] || !perhaps_one(session, &one.place, &two.place) {
                continue;
            }
            if let Some(part) = difference(&one.low, &two.low).filter(|part| *part < ALIKE) {
                group.push(other);
                most = most.max(part);
            }
        }
        group.iter().for_each(|p| told[*p] = true);
        if !group.is_empty() {
            tell(state, first, &group, 10.0 * most.log10(), files);
        }
    }
}

/// Whether nothing says that two places are two: one source, and no positions that lie apart in `session.toml`.
fn perhaps_one(session: &Session, one: &Place, other: &Place) -> bool {
    let at = |place: &Place| session.position(&place.position)?.at_m;
    let apart = |(a, b): ([f64; 3], [f64; 3])| {
        (0..3).map(|axis| (a[axis] - b[axis]).powi(2)).sum::<f64>().sqrt() > APART_M
    };
    one.source == other.source && !at(one).zip(at(other)).is_some_and(apart)
}

/// Energy of the difference of two records over that of the weaker one; that of their first differences, in which slow
/// noise weighs little and high modes, which tell places apart best, much. `None` where they can't be held together.
fn difference(one: &LowRecord, other: &LowRecord) -> Option<f64> {
    let length = one.samples.len().min(other.samples.len());
    if one.rate_hz != other.rate_hz || (length as f64) < LEAST_S * one.rate_hz {
        return None;
    }
    let steps = |low: &LowRecord, k: usize| f64::from(low.samples[k + 1]) - f64::from(low.samples[k]);
    let (mut between, mut of_one, mut of_other) = (0.0, 0.0, 0.0);
    for k in 0..length - 1 {
        let (a, b) = (steps(one, k), steps(other, k));
        between += (a - b).powi(2);
        of_one += a * a;
        of_other += b * b;
    }
    let least = of_one.min(of_other);
    (least > 0.0).then(|| between / least)
}

fn tell(state: &mut StateResult, first: usize, group: &[usize], below_db: f64, files: &mut [FileRecord]) {
    let name = |p: &usize| state.places[*p].response.place.position.clone();
    let names: Vec<String> = std::iter::once(&first).chain(group).map(name).collect();
    let source = state.places[first].response.place.source.clone();
    let others = &names[1..];
    let of_group = |record: &&mut FileRecord| {
        record.state == state.name && record.take.source == source && others.contains(&record.take.position)
    };
    for record in files.iter_mut().filter(of_group) {
        record.sounds_like = Some((names[0].clone(), below_db));
    }
    let (what, advice) = alike_in_words(&names, &source, below_db);
    let text = format!("{}: {what} {advice}", state.name);
    state.places[first].response.warnings.push(text);
    group.iter().for_each(|p| state.places[*p].response.flags.add(Flag::SoundsAlike));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A damped cosine, and the same with another tone a given share of it.
    fn record(more: f64) -> LowRecord {
        let rate_hz = 2000.0;
        let tone = |hz: f64, t: f64| (std::f64::consts::TAU * hz * t).cos() * (-7.0 * t).exp();
        let sample = |k: usize| tone(50.0, k as f64 / rate_hz) + more * tone(50.0, k as f64 / rate_hz);
        let samples: Vec<f64> = (0..2000).map(sample).collect();
        LowRecord::new(&samples, rate_hz, 0.0)
    }

    #[test]
    fn the_difference_is_a_share_of_the_energy() {
        let [whole, near, far] = [0.0, 0.005, 0.02].map(record);
        let part = |other| difference(&whole, other).unwrap();
        assert!((part(&near) / 2.5e-5 - 1.0).abs() < 1e-3, "0.005² of the energy: {}", part(&near));
        assert!(part(&near) < ALIKE && part(&far) > ALIKE);
        let other_rate = LowRecord { rate_hz: 1000.0, ..record(0.0) };
        assert_eq!(difference(&whole, &other_rate), None);
    }
}
