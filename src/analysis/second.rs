//! A second sound at one instant after the direct sound in all places of a state: the test signal itself ended in a thump,
//! the loudspeaker clicked, or every file holds two shots.
//!
//! Single files show only what jumps far out of the decay (`recording`'s faults): low modes that beat come out of their
//! nulls by as much. But what modes do at all places is foretold by what they did just before: n modes heard at P places obey
//! one linear recurrence over 2n/P samples or more, beats included (Kumaresan & Tufts 1982 for one channel). What is
//! left over falls with the decay into the noise. Where it rises at the same instant at most places, something new began.

use crate::flag::Flag;
use crate::mean::mean;
use crate::response::LowRecord;
use crate::state::StateResult;
use nalgebra::{Cholesky, DMatrix, DVector};
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

// Set on invented rooms with and without a second sound and on sets of beating modes; our own choice, all of these.

/// Looked at below each of these, hertz: there the modes are few enough to be foretold.
const BANDS_HZ: [f64; 3] = [60.0, 80.0, 100.0];
/// Sample rate over the band's edge.
const RATE: f64 = 2.5;
/// Slower than this is wind and doors, hertz.
const LOWEST_HZ: f64 = 15.0;
/// Time that samples of all places of a group foretell from, times the number of its places, s.
const FROM_S: f64 = 0.24;
/// Places that are foretold from each other, at least; twice as many make two groups.
const GROUP: usize = 6;
/// Ridge over the mean of the diagonal: what the noise, too, does to the normal equations.
const RIDGE: f64 = 1e-3;
/// The first part after the direct sound, in which early echoes still arrive, s.
const EARLY_S: f64 = 0.02;
/// What is left over after an instant is held against what was left before, s.
const AFTER_S: f64 = 0.03;
const BEFORE_S: f64 = 0.04;
/// Steps between instants, s.
const STEP_S: f64 = 0.004;
/// Longest part of a record looked at, s.
const LONGEST_S: f64 = 2.5;
/// Levels are foretold down to so far over the noise at the end (10 dB).
const OVER_NOISE: f64 = 10.0;
/// Window of levels, s.
const LEVEL_S: f64 = 0.1;

/// Fewest places that can tell.
const PLACES: usize = 3;
/// Rise of the mean over places from which it is a second sound, dB, times the root of their number. Of 85 sets without one none
/// rises above 12.3 (at three, four and six places).
const RISE_DB: f64 = 15.2;
/// At so large a share of the places it rises by as much as this, dB.
const MOST: f64 = 0.66;
const RISES_DB: f64 = 3.0;

/// A second sound at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SecondSound {
    /// Index of the place.
    pub place: usize,
    /// Where, in seconds from the first sample.
    pub at_s: f64,
}

/// Flags the places of a state whose sound sets in again, all at one instant after the direct sound.
pub(super) fn flag_second_sounds(state: &mut StateResult) -> Vec<SecondSound> {
    let used = |low: &LowRecord| !low.samples.is_empty();
    let known: Vec<usize> = (0..state.places.len())
        .filter(|p| {
            let response = &state.places[*p].response;
            used(&response.low) && super::faulty_places::left_out(response).is_none()
        })
        .collect();
    let lows: Vec<&LowRecord> = known.iter().map(|p| &state.places[*p].response.low).collect();
    let Some(after_s) = onset_s(&lows) else { return Vec::new() };
    let found: Vec<SecondSound> = known
        .iter()
        .zip(&lows)
        .map(|(p, low)| SecondSound { place: *p, at_s: low.onset_s + after_s })
        .collect();
    for second in &found {
        state.places[second.place].response.flags.add(Flag::SecondSound);
    }
    found
}

/// The instant at which something new begins at most places, seconds after each one's direct sound.
fn onset_s(lows: &[&LowRecord]) -> Option<f64> {
    if lows.len() < PLACES {
        return None;
    }
    let bands: Vec<Vec<Leftover>> = BANDS_HZ.iter().map(|hz| leftovers(lows, *hz)).collect();
    let last_s = bands.iter().flatten().map(|group| group.end_s).fold(f64::INFINITY, f64::min);
    let steps = (last_s.min(LONGEST_S) / STEP_S) as usize;
    let rises = |step: usize| -> Option<Vec<f64>> {
        let mut sum = vec![0.0; lows.len()];
        for band in &bands {
            let mut own = Vec::new();
            for group in band {
                own.extend(group.rises_db(step as f64 * STEP_S)?);
            }
            sum.iter_mut().zip(own).for_each(|(sum, rise)| *sum += rise / BANDS_HZ.len() as f64);
        }
        Some(sum)
    };
    let count = lows.len() as f64;
    let mean = |all: &[f64]| all.iter().sum::<f64>() / count;
    let most = |all: &[f64]| all.iter().filter(|rise| **rise > RISES_DB).count() as f64 >= MOST * count;
    let all = (0..steps).filter_map(|step| Some((step, rises(step)?))).filter(|(_, all)| most(all));
    let best = all.map(|(step, all)| (step, mean(&all))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (best.1 > RISE_DB / count.sqrt()).then_some(best.0 as f64 * STEP_S)
}

/// Groups of places of nearly one size, each foretold by itself.
fn leftovers(lows: &[&LowRecord], band_hz: f64) -> Vec<Leftover> {
    let groups = (lows.len() / GROUP).max(1);
    let bounds: Vec<usize> = (0..=groups).map(|g| g * lows.len() / groups).collect();
    bounds.windows(2).map(|b| Leftover::new(&lows[b[0]..b[1]], band_hz)).collect()
}

/// Power that the places' common recurrence leaves over, from the direct sound on.
struct Leftover {
    /// Of each place.
    power: Vec<Vec<f64>>,
    rate_hz: f64,
    /// First sample that was foretold from samples after the early part.
    first: usize,
    /// Up to here the response stands over the noise, s.
    end_s: f64,
}

impl Leftover {
    fn new(lows: &[&LowRecord], band_hz: f64) -> Self {
        let rate_hz = RATE * band_hz;
        let mut records: Vec<Vec<f64>> = lows.iter().map(|low| thinned(low, band_hz)).collect();
        let samples = records.iter().map(Vec::len).min().unwrap_or(0);
        records.iter_mut().for_each(|record| record.truncate(samples));
        let order = ((FROM_S * rate_hz / lows.len() as f64).round() as usize).max(2);
        let first = (EARLY_S * rate_hz) as usize + order;
        let level = Level::of(&records, rate_hz);
        let mut left = Self { power: Vec::new(), rate_hz, first, end_s: level.end as f64 / rate_hz };
        match foretold(&records, &level, order, first) {
            Some(power) => left.power = power,
            None => left.end_s = 0.0,
        }
        left
    }

    /// How far the power after an instant lies over that before it, at each place, dB; `None` where too little is known.
    fn rises_db(&self, at_s: f64) -> Option<Vec<f64>> {
        let at = (at_s * self.rate_hz).round() as usize;
        let length = |s: f64| (s * self.rate_hz).round() as usize;
        let from = at.checked_sub(length(BEFORE_S)).filter(|from| *from >= self.first)?;
        let to = at + length(AFTER_S);
        if to as f64 > self.end_s * self.rate_hz || self.power.is_empty() {
            return None;
        }
        self.power
            .iter()
            .map(|power| {
                let (was, is) = (mean(power.get(from..at)?), mean(power.get(at..to)?));
                (was > 0.0 && is > 0.0).then(|| 10.0 * (is / was).log10())
            })
            .collect()
    }
}

/// How loud a group of places is over time.
struct Level {
    /// Root of the mean square over places and a window to both sides, of each sample.
    round: Vec<f64>,
    /// First sample that the noise is too loud for.
    end: usize,
}

impl Level {
    fn of(records: &[Vec<f64>], rate_hz: f64) -> Self {
        let samples = records.first().map_or(0, Vec::len);
        let power: Vec<f64> = (0..samples)
            .map(|k| records.iter().map(|r| r[k] * r[k]).sum::<f64>() / records.len() as f64)
            .collect();
        let window = ((LEVEL_S * rate_hz) as usize).max(1);
        let mean = |from: usize, to: usize| power[from..to].iter().sum::<f64>() / (to - from).max(1) as f64;
        let round = |k: usize| mean(k.saturating_sub(window), (k + window + 1).min(samples)).sqrt();
        let step = (window / 2).max(1);
        let blocks: Vec<f64> =
            (0..samples.saturating_sub(window)).step_by(step).map(|k| mean(k, k + window)).collect();
        let last = &blocks[blocks.len() - (blocks.len() / 10).max(3).min(blocks.len())..];
        let noise = last.iter().sum::<f64>() / last.len().max(1) as f64;
        let loud = blocks.iter().rposition(|block| *block > OVER_NOISE * noise);
        Self { round: (0..samples).map(round).collect(), end: loud.map_or(0, |k| k * step + window) }
    }
}

/// What least squares over the samples of all places just before leave of each sample, squared; weights make early and late
/// parts count alike. `None` where the record holds too little.
fn foretold(records: &[Vec<f64>], level: &Level, order: usize, first: usize) -> Option<Vec<Vec<f64>>> {
    let samples = records.first()?.len();
    let terms = order * records.len();
    if level.end < first + 2 * terms || samples < level.end {
        return None;
    }
    let past = |k: usize| records.iter().flat_map(move |r| r[k - order..k].iter().copied());
    let rows = level.end - first;
    let weight = |k: usize| if level.round[k] > 0.0 { level.round[k].recip() } else { 0.0 };
    let values = (first..level.end).flat_map(|k| past(k).map(move |v| v * weight(k)));
    let known = DMatrix::from_row_iterator(rows, terms, values);
    let mut gram = known.tr_mul(&known);
    let ridge = RIDGE * gram.trace() / terms as f64;
    (0..terms).for_each(|i| gram[(i, i)] += ridge);
    let factor = Cholesky::new(gram)?;
    let left = records.iter().map(|record| {
        let now = DVector::from_iterator(rows, (first..level.end).map(|k| record[k] * weight(k)));
        let share = factor.solve(&known.tr_mul(&now));
        let mut power = vec![0.0; level.end];
        for (k, power) in power.iter_mut().enumerate().skip(first) {
            let told: f64 = past(k).zip(share.iter()).map(|(v, share)| v * share).sum();
            *power = (record[k] - told).powi(2);
        }
        power
    });
    Some(left.collect())
}

/// The record from the direct sound on, without what lies above the band and below the modes, at [`RATE`] times its edge.
fn thinned(low: &LowRecord, band_hz: f64) -> Vec<f64> {
    let rate_hz = RATE * band_hz;
    // Falls between 0.85 and 1.25 of the band's edge, where it would fold back (window of von Hann).
    let (edge_hz, half_s) = (1.02 * band_hz, 3.9 / band_hz);
    let length_s = low.samples.len() as f64 / low.rate_hz - low.onset_s;
    let count = (length_s.clamp(0.0, LONGEST_S) * rate_hz) as usize;
    let value = |n: usize| {
        let centre = (low.onset_s + n as f64 / rate_hz) * low.rate_hz;
        let reach = half_s * low.rate_hz;
        let from = (centre - reach).ceil().max(0.0) as usize;
        let to = ((centre + reach) as usize + 1).min(low.samples.len());
        let (angle, window_angle) = (TAU * edge_hz / low.rate_hz, PI / reach);
        let start = from as f64 - centre;
        // Sine and window turned from sample to sample: a few hundred turns are exact to 1e-13.
        let (mut wave, mut window) = (Complex64::cis(angle * start), Complex64::cis(window_angle * start));
        let (turn, window_turn) = (Complex64::cis(angle), Complex64::cis(window_angle));
        let mut sum = 0.0;
        for (k, sample) in low.samples[from.min(to)..to].iter().enumerate() {
            let x = angle * (start + k as f64);
            let sinc = if x.abs() < 1e-5 { 1.0 } else { wave.im / x };
            sum += sinc * (0.5 + 0.5 * window.re) * f64::from(*sample);
            (wave, window) = (wave * turn, window * window_turn);
        }
        sum
    };
    let mut record: Vec<f64> = (0..count).map(value).collect();
    let keep = (-TAU * LOWEST_HZ / rate_hz).exp();
    for _ in 0..2 {
        let mut slow = 0.0;
        for v in &mut record {
            slow = keep * slow + (1.0 - keep) * *v;
            *v -= slow;
        }
    }
    // Places count alike, however loud.
    let rms = (record.iter().map(|v| v * v).sum::<f64>() / count.max(1) as f64).sqrt();
    if rms > 0.0 {
        record.iter_mut().for_each(|v| *v /= rms);
    }
    record
}

#[cfg(test)]
mod tests;
