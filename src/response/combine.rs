//! The takes of one place become one response.

use super::agree::{compare, noise_share};
use super::align::{Delay, Repeats, to_take_out};
use super::chain::averaging_gain;
use super::floor::still_falling;
use super::{CaptureFacts, LeftOut, LowRecord, Onset, Place, Response, ResponseError, TakeInput, TakeUse};
use super::{chain_facts, find_onset, find_onset_from, floor};
use crate::flag::{Flag, Flags};

/// Shortest record that a response is made of, in seconds: one period at 20 Hz.
const LEAST_S: f64 = 0.05;

/// Arrivals seen less sharply than this (one sd of the band's width) are flagged, in seconds.
const SOFT_S: f64 = 3e-4;

/// A maximum that comes this much after the direct sound is no small room's, in seconds.
const LATE_S: f64 = 0.1;

/// Aligns, checks and averages the takes of one place.
///
/// Left out and named: takes that hold no response, copies, takes of the rarer sample rate, takes less
/// than half as long as the longest, and of three or more the odd one. The mean ends where the first
/// of the takes used ends. Delays under 10 µs are left as they are. Two takes of opposite sign are
/// averaged with the sign of the first, and said to disagree.
///
/// # Errors
/// [`ResponseError`] of the first take if no take can be used, or
/// [`ResponseError::NoTakes`] without any.
pub fn combine(takes: Vec<TakeInput>, place: Place) -> Result<Response, ResponseError> {
    let (mut uses, mut onsets): (Vec<TakeUse>, Vec<Option<Onset>>) = takes.iter().map(opened).unzip();
    leave_out_other_rates(&takes, &mut uses);
    leave_out_copies(&takes, &mut uses);
    leave_out_faulty(&takes, &mut uses);
    leave_out_short(&takes, &mut uses);
    let left = in_use(&uses);
    let Some(&first) = left.first() else {
        let unusable = uses.into_iter().find_map(|take| match take.left_out {
            Some(LeftOut::Unusable(error)) => Some(error),
            _ => None,
        });
        return Err(unusable.unwrap_or(ResponseError::NoTakes { place: place.to_string() }));
    };
    let rate_hz = takes[first].recording.rate_hz;
    let mut flags = Flags::default();
    let mut warnings = Vec::new();
    let mean = match left.as_slice() {
        [_] => Mean { samples: takes[first].usable().to_vec(), from: 0, gain: None },
        _ => averaged(&takes, &left, &mut uses, (&place, &mut flags, &mut warnings)),
    };
    in_use(&uses).iter().for_each(|&k| flags.extend(&takes[k].flags));
    let file = takes[first].file.clone();
    let known = takes[first].known;
    let searched =
        if left.len() == 1 { onsets[first].take() } else { onset_of(&mean.samples, rate_hz, known.as_ref()) };
    let onset = searched.ok_or(ResponseError::NoDirectSound { file })?;
    let low = LowRecord::new(&mean.samples, rate_hz, onset.start_s);
    if left.len() == 1 {
        uses[first].low = Some(low.clone());
    }
    uses.iter_mut().filter_map(|take| take.low.as_mut()).for_each(|low| low.onset_s = onset.start_s);
    remark_takes(&uses, &mut flags, &mut warnings);
    let finished = finished(place, mean, (onset, low), uses, (flags, warnings));
    Ok(Response { known, ..finished })
}

/// A mean of takes, the first sample that all of them have, and what averaging brought.
struct Mean {
    samples: Vec<f64>,
    from: usize,
    gain: Option<f64>,
}

/// The take before anything is known of the others, and its direct sound.
fn opened(take: &TakeInput) -> (TakeUse, Option<Onset>) {
    let (onset, left_out) = match direct_sound(take) {
        Ok(onset) => (Some(onset), None),
        Err(error) => (None, Some(LeftOut::Unusable(error))),
    };
    let take = TakeUse {
        file: take.file.clone(),
        left_out,
        aligned: false,
        peak: take.usable().iter().fold(0.0, |most, x| most.max(x.abs())),
        low: None,
    };
    (take, onset)
}

/// The direct sound of a take alone, or why no response can be made of it.
fn direct_sound(take: &TakeInput) -> Result<Onset, ResponseError> {
    let (file, samples, rate_hz) = (take.file.clone(), take.usable(), take.recording.rate_hz);
    if !(rate_hz.is_finite() && rate_hz > 0.0) {
        return Err(ResponseError::Rate { file, rate_hz });
    }
    if let Some(sample) = samples.iter().position(|x| !x.is_finite()) {
        return Err(ResponseError::NotFinite { file, sample });
    }
    let needed = (LEAST_S * rate_hz).ceil() as usize;
    if samples.len() < needed {
        return Err(ResponseError::TooShort { file, samples: samples.len(), needed });
    }
    let value = samples[0];
    if samples.iter().all(|x| x.total_cmp(&value).is_eq() || (*x == 0.0 && value == 0.0)) {
        return Err(ResponseError::Silent { file, samples: samples.len(), value });
    }
    onset_of(samples, rate_hz, take.known.as_ref()).ok_or(ResponseError::NoDirectSound { file })
}

/// The direct sound: searched for in all of the record, or where the capture knows that it must be.
fn onset_of(samples: &[f64], rate_hz: f64, known: Option<&CaptureFacts>) -> Option<Onset> {
    match known {
        None => find_onset(samples, rate_hz),
        Some(known) => Some(find_onset_from(samples, rate_hz, known.emission_s, known.arrival_s)),
    }
}

fn in_use(uses: &[TakeUse]) -> Vec<usize> {
    (0..uses.len()).filter(|&k| uses[k].left_out.is_none()).collect()
}

/// Keeps the rate that most takes have; with a tie, that of the first.
fn leave_out_other_rates(takes: &[TakeInput], uses: &mut [TakeUse]) {
    let left = in_use(uses);
    let same = |a: usize, b: usize| takes[a].recording.rate_hz.total_cmp(&takes[b].recording.rate_hz).is_eq();
    let votes = |k: usize| left.iter().filter(|&&other| same(k, other)).count();
    let Some(&most) = left.iter().rev().max_by_key(|&&k| votes(k)) else { return };
    for &k in left.iter().filter(|&&k| !same(k, most)) {
        let (found_hz, used_hz) = (takes[k].recording.rate_hz, takes[most].recording.rate_hz);
        uses[k].left_out = Some(LeftOut::OtherRate { found_hz, used_hz });
    }
}

/// Keeps the first of takes whose samples are equal to the last bit.
fn leave_out_copies(takes: &[TakeInput], uses: &mut [TakeUse]) {
    let left = in_use(uses);
    for (at, &k) in left.iter().enumerate() {
        let samples = &takes[k].recording.samples;
        let bits = |other: &[f64]| samples.iter().map(|x| x.to_bits()).eq(other.iter().map(|x| x.to_bits()));
        if let Some(&original) = left[..at].iter().find(|&&o| bits(&takes[o].recording.samples)) {
            uses[k].left_out = Some(LeftOut::CopyOf { file: takes[original].file.clone() });
        }
    }
}

/// Faults that make a take no response, or one that decays otherwise.
const FAULTS: [Flag; 5] =
    [Flag::SignalItself, Flag::Reversed, Flag::SecondSound, Flag::FadedDecay, Flag::Incomplete];

/// Beside sound takes, one with such a fault only spoils the mean; where all have one, the place says so.
fn leave_out_faulty(takes: &[TakeInput], uses: &mut [TakeUse]) {
    let fault = |k: usize| FAULTS.into_iter().find(|flag| takes[k].flags.has(*flag));
    let left = in_use(uses);
    if left.iter().any(|&k| fault(k).is_none()) {
        for k in left {
            if let Some(flag) = fault(k) {
                uses[k].left_out = Some(LeftOut::Faulty { flag });
            }
        }
    }
}

/// The mean ends with its shortest take, so one that is far shorter costs more than it brings.
fn leave_out_short(takes: &[TakeInput], uses: &mut [TakeUse]) {
    let left = in_use(uses);
    let longest = left.iter().map(|&k| takes[k].usable().len()).max().unwrap_or(0);
    for k in left {
        let samples = takes[k].usable().len();
        if 2 * samples < longest {
            uses[k].left_out = Some(LeftOut::Short { samples, longest });
        }
    }
}

/// Aligns two or more takes, leaves out the odd one, averages the rest; notes what it did.
fn averaged(
    takes: &[TakeInput],
    left: &[usize],
    uses: &mut [TakeUse],
    (place, flags, warnings): (&Place, &mut Flags, &mut Vec<String>),
) -> Mean {
    let rate_hz = takes[left[0]].recording.rate_hz;
    let raw: Vec<&[f64]> = left.iter().map(|&k| takes[k].usable()).collect();
    let mut repeats = Repeats::new(&raw, rate_hz);
    let delays: Vec<Delay> = (0..left.len()).map(|k| repeats.delay(0, k)).collect();
    let moves = to_take_out(&delays, rate_hz);
    let mut aligned: Vec<Vec<f64>> = raw.iter().map(|samples| samples.to_vec()).collect();
    for (k, &samples) in moves.iter().enumerate().filter(|(_, samples)| **samples != 0.0) {
        repeats.advance(k, samples);
        aligned[k] = repeats.samples(k, moved_length(raw[k].len(), samples));
    }
    let share = |(k, samples): (usize, &Vec<f64>)| noise_share(&repeats, k, samples);
    let noise: Vec<[f64; 2]> = aligned.iter().enumerate().map(share).collect();
    let agreement = compare(&repeats, &noise);
    for (&k, samples) in left.iter().zip(&moves) {
        uses[k].aligned = *samples != 0.0;
    }
    for (k, reason) in &agreement.odd {
        uses[left[*k]].left_out = Some(LeftOut::Odd { reason: reason.clone() });
    }
    if let Some(disagreement) = &agreement.disagreement {
        flags.add(Flag::TakesDisagree);
        warnings.push(format!("{place}: the takes disagree: {disagreement}"));
    }
    for (k, samples) in aligned.iter().enumerate() {
        uses[left[k]].low = Some(LowRecord::new(samples, rate_hz, 0.0));
    }
    let kept: Vec<usize> = (0..left.len()).filter(|&k| uses[left[k]].left_out.is_none()).collect();
    if agreement.signs_differ {
        let sign = agreement.gains[kept[0]].signum();
        for &k in &kept {
            let turn = sign * agreement.gains[k].signum();
            aligned[k].iter_mut().for_each(|x| *x *= turn);
        }
    }
    let used: Vec<&[f64]> = kept.iter().map(|&k| aligned[k].as_slice()).collect();
    let missing = kept.iter().map(|&k| (-moves[k]).max(0.0).ceil() as usize).max().unwrap_or(0);
    mean(&used, missing)
}

/// Samples left of a take once it is moved earlier by `samples` (later, if below zero).
fn moved_length(length: usize, samples: f64) -> usize {
    if samples > 0.0 { length.saturating_sub(samples.ceil() as usize) } else { length + (-samples) as usize }
}

/// Mean over the takes, as long as the shortest; `from` is the first sample that all takes have.
fn mean(takes: &[&[f64]], from: usize) -> Mean {
    let length = takes.iter().map(|t| t.len()).min().unwrap_or(0);
    let share = 1.0 / takes.len() as f64;
    let samples: Vec<f64> = (0..length).map(|k| takes.iter().map(|t| t[k]).sum::<f64>() * share).collect();
    let cut: Vec<&[f64]> = takes.iter().map(|t| &t[..length]).collect();
    let gain = if takes.len() > 1 { averaging_gain(&samples, &cut) } else { None };
    Mean { samples, from, gain }
}

/// Flags and sentences on the takes that were left out or moved.
fn remark_takes(uses: &[TakeUse], flags: &mut Flags, warnings: &mut Vec<String>) {
    for take in uses {
        if let Some(reason) = &take.left_out {
            flags.add(match reason {
                LeftOut::CopyOf { .. } => Flag::IdenticalTakes,
                LeftOut::OtherRate { .. } => Flag::MixedRates,
                LeftOut::Unusable(_)
                | LeftOut::Short { .. }
                | LeftOut::Faulty { .. }
                | LeftOut::Odd { .. } => Flag::TakeLeftOut,
            });
            warnings.push(format!("{}: left out of the average: {reason}", take.file));
        } else if take.aligned {
            flags.add(Flag::TakesAligned);
        }
    }
}

/// Measures what hangs on the onset, and flags what the record itself shows.
fn finished(
    place: Place,
    mean: Mean,
    (onset, low): (Onset, LowRecord),
    takes: Vec<TakeUse>,
    (mut flags, warnings): (Flags, Vec<String>),
) -> Response {
    let rate_hz = low.file_rate_hz;
    let floor = floor::floor(&mean.samples, rate_hz, mean.from, onset.start_s);
    let wide: Vec<f64> = low.samples.iter().map(|&x| f64::from(x)).collect();
    let remarks = [
        (Flag::SoftOnset, onset.resolution_s > SOFT_S),
        (Flag::StartsAtOnset, onset.at_first_sample),
        (Flag::LateMaximum, onset.maximum_s - onset.arrival_s > LATE_S),
        (Flag::CutOff, floor.still_falling || still_falling(&wide, low.rate_hz, onset.start_s)),
    ];
    remarks.into_iter().filter(|(_, holds)| *holds).for_each(|(flag, _)| flags.add(flag));
    Response {
        place,
        rate_hz,
        length: mean.samples.len(),
        known: None,
        emission_s: None,
        chain: chain_facts(&mean.samples, rate_hz, onset.start_s),
        samples: mean.samples,
        onset,
        floor,
        low,
        takes,
        averaging_gain: mean.gain,
        arrival_off_s: None,
        flags,
        warnings,
    }
}
