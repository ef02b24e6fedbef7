//! A sample rate relabelled: the header says one rate, the samples were taken at another.
//!
//! Places of one room share their resonances, so their spectra have peaks at the same frequencies. A file
//! whose header names another rate than most is held against the others twice: as it says, and with its
//! frequencies moved by the ratio of the two rates. Where it only fits moved, the header is wrong.
//!
//! On measured and finite-element rooms the right reading correlates by 0.3 to 0.75, the wrong one by
//! −0.45 to 0.1; the thresholds are our choice in between.

use crate::flag::Flag;
use crate::mean::mean;
use crate::response::LowRecord;
use crate::state::{PlaceResult, StateResult};
use rustfft::num_complex::Complex64;
use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

/// Lowest frequency compared, number of steps, and one step of ln f.
const FROM_HZ: f64 = 25.0;
const STEPS: usize = 1040;
const STEP: f64 = 0.002;
/// Reach of the running mean that is taken off, in steps (12 %).
const REACH: usize = 60;
/// Longest part of a record looked at, seconds.
const LONGEST_S: f64 = 1.5;
/// What the moved reading must correlate by, and by how much more than the other.
const ALIKE: f64 = 0.25;

/// Flags places whose rate was relabelled: held against the others of their state (two at least), and against the
/// same place in other states.
pub(super) fn flag_relabelled(states: &mut [StateResult]) {
    let mut found = Vec::new();
    for (s, state) in states.iter().enumerate() {
        let Some(usual_hz) = usual(&state.places) else { continue };
        let odd = |p: &PlaceResult| p.response.rate_hz.total_cmp(&usual_hz).is_ne();
        if !state.places.iter().any(odd) {
            continue;
        }
        let beside: Vec<&LowRecord> = state
            .places
            .iter()
            .filter(|p| !odd(p))
            .map(|p| &p.response.low)
            .filter(|l| !l.samples.is_empty())
            .collect();
        let beside = if beside.len() < 2 { Vec::new() } else { beside };
        for (p, place) in state.places.iter().enumerate().filter(|(_, p)| odd(p)) {
            let same = |other: &&PlaceResult| other.response.place == place.response.place && !odd(other);
            let elsewhere = states.iter().enumerate().filter(|(k, _)| *k != s).flat_map(|(_, o)| &o.places);
            let elsewhere: Vec<&LowRecord> =
                elsewhere.filter(same).map(|o| &o.response.low).filter(|l| !l.samples.is_empty()).collect();
            if fits_only_moved(&place.response.low, place.response.rate_hz / usual_hz, [&beside, &elsewhere])
            {
                found.push((s, p));
            }
        }
    }
    for (s, p) in found {
        states[s].places[p].response.flags.add(Flag::RateSuspect);
    }
}

/// Whether one group of witnesses says that the record fits only with its frequencies moved, and none the contrary.
fn fits_only_moved(low: &LowRecord, ratio: f64, witnesses: [&[&LowRecord]; 2]) -> bool {
    let (as_said, moved) = (peaks(low, 1.0), peaks(low, ratio));
    let readings = witnesses.into_iter().filter(|group| !group.is_empty()).map(|group| {
        let mut mean = vec![0.0; STEPS];
        for other in group {
            mean.iter_mut().zip(peaks(other, 1.0)).for_each(|(sum, x)| *sum += x);
        }
        (correlation(&mean, &as_said), correlation(&mean, &moved))
    });
    let readings: Vec<(f64, f64)> = readings.collect();
    let says_moved = |(as_said, moved): &(f64, f64)| *moved > ALIKE && *moved > as_said + ALIKE;
    let says_sound = |(as_said, moved): &(f64, f64)| *as_said > ALIKE && *as_said > moved + ALIKE;
    readings.iter().any(says_moved) && !readings.iter().any(says_sound)
}

/// The usual rates of two states, where their spectra agree only if the second's label is wrong by that ratio (or the
/// first's).
pub(super) fn relabelled(before: &[PlaceResult], after: &[PlaceResult]) -> Option<(f64, f64)> {
    let (old_hz, new_hz) = (usual(before)?, usual(after)?);
    if old_hz.total_cmp(&new_hz).is_eq() {
        return None;
    }
    let spectrum = |places: &[PlaceResult], rate_hz: f64, moved: f64| {
        let of_rate = places.iter().map(|p| &p.response).filter(|r| r.rate_hz.total_cmp(&rate_hz).is_eq());
        let mut sum = vec![0.0; STEPS];
        for low in of_rate.map(|r| &r.low).filter(|low| !low.samples.is_empty()) {
            sum.iter_mut().zip(peaks(low, moved)).for_each(|(sum, x)| *sum += x);
        }
        sum
    };
    let first = spectrum(before, old_hz, 1.0);
    let as_said = correlation(&first, &spectrum(after, new_hz, 1.0));
    let moved = correlation(&first, &spectrum(after, new_hz, new_hz / old_hz));
    (moved > ALIKE && moved > as_said + ALIKE).then_some((old_hz, new_hz))
}

/// The rate that most places have; with a tie, the first one's.
fn usual(places: &[PlaceResult]) -> Option<f64> {
    let mut counts: BTreeMap<u64, (usize, usize)> = BTreeMap::new();
    for (k, place) in places.iter().enumerate() {
        counts.entry(place.response.rate_hz.to_bits()).or_insert((0, k)).0 += 1;
    }
    let best = counts.values().max_by_key(|(count, first)| (*count, std::cmp::Reverse(*first)))?;
    places.get(best.1).map(|place| place.response.rate_hz)
}

/// ln of the spectrum over ln f, its running mean taken off, read at frequencies `moved` times as high.
fn peaks(low: &LowRecord, moved: f64) -> Vec<f64> {
    let first = ((low.onset_s.max(0.0) * low.rate_hz) as usize).min(low.samples.len());
    let length = (low.samples.len() - first).min((LONGEST_S * low.rate_hz) as usize);
    let part: Vec<f64> = low.samples[first..first + length]
        .iter()
        .enumerate()
        .map(|(n, x)| f64::from(*x) * (0.5 + 0.5 * (PI * n as f64 / length as f64).cos()))
        .collect();
    let power = |k: usize| {
        let hz = FROM_HZ * (STEP * k as f64).exp() * moved;
        let turn = Complex64::from_polar(1.0, -TAU * hz / low.rate_hz);
        let sum = part.iter().rev().fold(Complex64::default(), |sum, x| sum * turn + x);
        sum.norm_sqr().max(f64::MIN_POSITIVE).ln()
    };
    let logs: Vec<f64> = (0..STEPS).map(power).collect();
    let smooth = |k: usize| {
        let near = &logs[k.saturating_sub(REACH)..(k + REACH + 1).min(STEPS)];
        near.iter().sum::<f64>() / near.len() as f64
    };
    (0..STEPS).map(|k| (logs[k] - smooth(k)).clamp(-6.0, 6.0)).collect()
}

/// Pearson's correlation; 0 where one of the two is flat.
fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let (ma, mb) = (mean(a), mean(b));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma).powi(2);
        bb += (y - mb).powi(2);
    }
    let scale = (aa * bb).sqrt();
    if scale > 0.0 { ab / scale } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn low(rate_hz: f64, label_hz: f64, amplitudes: [f64; 5]) -> LowRecord {
        let modes = [31.0, 47.0, 58.0, 83.0, 111.0];
        let at = |t: f64| {
            modes
                .iter()
                .zip(amplitudes)
                .map(|(hz, a)| a * (-4.0 * t).exp() * (TAU * hz * t).cos())
                .sum::<f64>()
        };
        LowRecord {
            samples: (0..4_000).map(|n| at(f64::from(n) / rate_hz) as f32).collect(),
            rate_hz: label_hz,
            file_rate_hz: 24.0 * label_hz,
            onset_s: 0.0,
            emission_s: None,
        }
    }

    /// Five damped tones, as strong as they like at each place: told apart by where they lie alone.
    #[test]
    fn a_relabelled_record_fits_only_when_moved() {
        let others = low(2_000.0, 2_000.0, [1.0, 0.7, 0.5, 0.8, 0.3]);
        let ratio = 44.1 / 48.0;
        for (label_hz, expected) in [(2_000.0 * ratio, true), (2_000.0, false)] {
            let own = low(2_000.0, label_hz, [0.4, -1.0, 0.9, 0.2, 0.6]);
            let moved = correlation(&peaks(&others, 1.0), &peaks(&own, ratio));
            let as_said = correlation(&peaks(&others, 1.0), &peaks(&own, 1.0));
            assert_eq!(moved > ALIKE && moved > as_said + ALIKE, expected, "{moved} {as_said}");
        }
    }
}
