//! Which places take part: those without a fault, since a fault of one file must not become a claim about the room.
//!
//! What the samples alone show stands in a response's flags already. Here the places are compared with each other: the
//! same samples twice, a record that ends before its decay does, a rate that was relabelled, an inverted polarity. A place
//! left out loses its low-frequency record, so that no later stage reads it; its name and the reason are told.

use super::{Analysis, files::FileRecord, polarity, rates};
use crate::flag::Flag;
use crate::response::{LowRecord, Place, Response};
use crate::session::Session;
use crate::state::{PlaceResult, StateResult};
use std::collections::{BTreeMap, BTreeSet};

/// Flags of a place that takes no part in the mode fit, with the reason in words.
const LEFT_OUT: [(Flag, &str); 7] = [
    (Flag::SignalItself, "it holds the test signal or its loopback, not a microphone's channel"),
    (Flag::Reversed, "the file runs backwards"),
    (Flag::SecondSound, "another sound sets in: two shots in one file, or a disturbance"),
    (Flag::Incomplete, "the file holds fewer samples than its header says"),
    (Flag::EndsEarly, "the record ends before its decay meets the noise"),
    (Flag::FadedDecay, "it was faded or gated from the peak on, which shortens every decay"),
    (
        Flag::RateSuspect,
        "its frequencies differ from the others' by the ratio of two sample rates: the header's rate is wrong",
    ),
];

/// Why a copy takes no part in the mode fit, in words.
const COPY: &str = "another file holds the same samples, so one of the two is not what its name says";

/// Why an overload takes no part in the mode fit where enough places have none, in words.
const OVERLOAD: &str = "it is clipped, and other places are not";
/// Fewest fault-free places beside which clipped ones are left out, so that the fit still rests on several. Our choice.
const ENOUGH_FAULTLESS: usize = 3;

/// Whether clipped places of a state can be spared: most of its places are not clipped.
fn can_spare_clipped(state: &StateResult) -> bool {
    let clipped = state.places.iter().filter(|p| p.response.flags.has(Flag::Clipped)).count();
    let faultless = state.places.len() - clipped;
    clipped > 0 && faultless > clipped && faultless >= ENOUGH_FAULTLESS
}

/// Why a place is left out, if it is.
pub(super) fn left_out(response: &Response) -> Option<&'static str> {
    LEFT_OUT.iter().find(|(flag, _)| response.flags.has(*flag)).map(|(_, reason)| *reason)
}

/// The fault for which no level and no shape is read at a place, if it has one.
pub(super) fn fault(response: &Response) -> Option<Flag> {
    let out = LEFT_OUT.iter().map(|(flag, _)| *flag);
    out.chain([Flag::IdenticalFiles, Flag::Clipped]).find(|flag| response.flags.has(*flag))
}

/// Why no place of a state takes part in the mode fit, each reason with the number of its places; `None` where any does.
#[must_use]
pub fn none_fitted(state: &StateResult) -> Option<Vec<(&'static str, usize)>> {
    let mut reasons: Vec<(&'static str, usize)> = Vec::new();
    for place in &state.places {
        if !place.response.low.samples.is_empty() {
            return None;
        }
        let copied = || place.response.flags.has(Flag::IdenticalFiles).then_some(COPY);
        let why = left_out(&place.response).or_else(copied)?;
        match reasons.iter_mut().find(|(known, _)| *known == why) {
            Some((_, count)) => *count += 1,
            None => reasons.push((why, 1)),
        }
    }
    (!reasons.is_empty()).then_some(reasons)
}

/// Flags what is wrong between places, leaves out what can't be used, and says so in the places' warnings. Gives the files
/// that hold the same samples: each with the first one of the other place.
pub(super) fn exclude_faulty(states: &mut [StateResult]) -> Vec<(String, String)> {
    let (copies, same) = flag_copies(states);
    rates::flag_relabelled(states);
    for state in &mut *states {
        polarity::turn_inverted(&state.name, &mut state.places);
    }
    polarity::turn_inverted_states(states);
    flag_short(states);
    for (s, state) in states.iter_mut().enumerate() {
        let spare = can_spare_clipped(state);
        for (p, place) in state.places.iter_mut().enumerate() {
            tell_remarks(&mut place.response);
            void_level(place);
            let copy = copies.contains(&(s, p)).then_some(COPY);
            let overload = (spare && place.response.flags.has(Flag::Clipped)).then_some(OVERLOAD);
            let Some(reason) = left_out(&place.response).or(copy).or(overload) else { continue };
            let files = place.response.files().collect::<Vec<_>>().join(", ");
            let text =
                format!("{files}: left out of the mode fit and of every comparison of levels: {reason}");
            place.response.warnings.push(text);
            place.response.shed_low_records();
        }
    }
    same
}

/// The level of what ran out of range is unknown, and so is its part in an average.
fn void_level(place: &mut PlaceResult) {
    if place.response.flags.has(Flag::Clipped) {
        place
            .bands
            .iter_mut()
            .filter(|band| band.level.is_ok())
            .for_each(|band| band.level = Err(Flag::Clipped));
    }
}

/// Faults that leave a place in the fit, but that must be known where levels or bands are read.
fn tell_remarks(response: &mut Response) {
    const TOLD: [(Flag, &str); 3] = [
        (Flag::Clipped, "clipped, so its level is not compared"),
        (Flag::ZeroTail, "digitally silent at its end, which was left out"),
        (Flag::FadedTail, "faded at its end, which was left out"),
    ];
    let files = response.files().collect::<Vec<_>>().join(", ");
    let told = TOLD.iter().filter(|(flag, _)| response.flags.has(*flag));
    let texts: Vec<String> = told.map(|(_, what)| format!("{files}: {what}")).collect();
    response.warnings.extend(texts);
}

/// Index of a state and of a place in it.
type At = (usize, usize);

/// Flags identical low-frequency records of two states (those of one were counted once), and gives the places that are to
/// be left out: at two places neither is to be trusted; nor is a place that was copied from another state, unless most of
/// the state was. Then it stays, for what it may be, and the comparison says that nothing was measured again.
fn flag_copies(states: &mut [StateResult]) -> (BTreeSet<At>, Vec<(String, String)>) {
    let mut alike: BTreeMap<(usize, u64), Vec<At>> = BTreeMap::new();
    for (s, state) in states.iter().enumerate() {
        for (p, place) in state.places.iter().enumerate() {
            let low = &place.response.low.samples;
            let mark = low.iter().fold(0_u64, |sum, x| sum.rotate_left(7) ^ u64::from(x.to_bits()));
            if !low.is_empty() {
                alike.entry((low.len(), mark)).or_default().push((s, p));
            }
        }
    }
    let mut found: Vec<(At, At)> = Vec::new();
    for group in alike.values() {
        for (k, first) in group.iter().enumerate() {
            let same = |at: &&At| low(states, **at).samples == low(states, *first).samples;
            found.extend(group[k + 1..].iter().filter(same).map(|other| (*first, *other)));
        }
    }
    found.sort_unstable();
    let (mut out, mut marked, mut files) = (BTreeSet::new(), BTreeSet::new(), Vec::new());
    for (first, other) in found {
        let one_place = first.0 != other.0 && place_at(states, first) == place_at(states, other);
        let faultless =
            [first, other].iter().all(|at| left_out(&states[at.0].places[at.1].response).is_none());
        if !faultless {
            continue;
        }
        if !one_place {
            out.extend([first, other]);
        }
        let file = |at: At| states[at.0].places[at.1].response.files().next().map(ToString::to_string);
        files.extend(file(first).zip(file(other)));
        let name = |at: At| states[at.0].places[at.1].response.files().collect::<Vec<_>>().join(", ");
        let text =
            format!("{} holds the same samples as {}: one of them is a copy", name(other), name(first));
        for at in [first, other] {
            states[at.0].places[at.1].response.flags.add(Flag::IdenticalFiles);
            marked.insert(at);
        }
        states[other.0].places[other.1].response.warnings.push(text);
    }
    for (s, state) in states.iter().enumerate() {
        let copied: Vec<At> = marked.iter().copied().filter(|at| at.0 == s).collect();
        if 2 * copied.len() < state.places.len() {
            out.extend(copied);
        }
    }
    (out, files)
}

fn place_at(states: &[StateResult], at: At) -> &Place {
    &states[at.0].places[at.1].response.place
}

fn low(states: &[StateResult], at: At) -> &LowRecord {
    &states[at.0].places[at.1].response.low
}

/// A record this much shorter than another is held against it.
const SHORTER: f64 = 0.8;
/// What the other must still lie over its own end at that time: 10 dB as a ratio of powers.
const STILL_RINGS: f64 = 10.0;
/// A level that falls by less than this (1.5 dB) over a quarter of the record has met its noise.
const LEVEL_FALL: f64 = 1.41;

/// Flags records that end while longer ones of the state, or of the same place in another state, ring on.
fn flag_short(states: &mut [StateResult]) {
    let mut short: Vec<At> = Vec::new();
    for (s, state) in states.iter().enumerate() {
        for (p, place) in state.places.iter().enumerate() {
            let own = &place.response.low;
            let beside = state.places.iter().map(|other| &other.response).collect::<Vec<_>>();
            let elsewhere = states
                .iter()
                .flat_map(|other| &other.places)
                .filter(|other| other.response.place == place.response.place)
                .map(|other| &other.response)
                .collect::<Vec<_>>();
            let of_state = rings_on(own, &beside);
            if of_state.or_else(|| rings_on(own, &elsewhere)) == Some(true) && falls(own) {
                short.push((s, p));
            }
        }
    }
    for (s, p) in short {
        states[s].places[p].response.flags.add(Flag::EndsEarly);
    }
}

/// Whether most of the longer records still ring where this one ends; `None` without any.
fn rings_on(own: &LowRecord, others: &[&Response]) -> Option<bool> {
    let end_s = length_s(own);
    let longer: Vec<&LowRecord> =
        others.iter().map(|r| &r.low).filter(|low| end_s < SHORTER * length_s(low)).collect();
    let rings = |low: &&&LowRecord| {
        let last = power(low, 0.8 * length_s(low), length_s(low));
        let then = power(low, 0.75 * end_s, end_s);
        matches!((then, last), (Some(then), Some(last)) if then > STILL_RINGS * last)
    };
    (!longer.is_empty()).then(|| 2 * longer.iter().filter(rings).count() > longer.len())
}

/// Whether the level still falls from the third to the last quarter.
fn falls(low: &LowRecord) -> bool {
    let end_s = length_s(low);
    match (power(low, 0.5 * end_s, 0.75 * end_s), power(low, 0.75 * end_s, end_s)) {
        (Some(early), Some(late)) => early > LEVEL_FALL * late,
        // Too short to tell is too short to use.
        _ => true,
    }
}

/// Length from the direct sound on, seconds.
fn length_s(low: &LowRecord) -> f64 {
    low.samples.len() as f64 / low.rate_hz - low.onset_s
}

/// Mean square of the differences between two times after the direct sound: slow noise weighs little in them.
fn power(low: &LowRecord, from_s: f64, to_s: f64) -> Option<f64> {
    let at = |s: f64| ((low.onset_s + s).max(0.0) * low.rate_hz) as usize;
    let part = low.samples.get(at(from_s)..at(to_s).min(low.samples.len()))?;
    let sum: f64 = part.windows(2).map(|w| f64::from(w[1] - w[0]).powi(2)).sum();
    (part.len() > 8).then(|| sum / (part.len() - 1) as f64)
}

/// Sentences on channels and rates that the names don't show: which channel was taken of how many, and
/// files of another rate than most.
pub(super) fn remarks(session: &Session, found: &Analysis) -> Vec<String> {
    let read: Vec<(&FileRecord, u32, u32)> = found
        .files
        .iter()
        .filter_map(|file| file.provenance.as_ref().map(|p| (file, p.channels, p.rate_hz)))
        .collect();
    let mut told = Vec::new();
    let several: Vec<(&str, u32)> = read
        .iter()
        .filter(|f| f.1 > 1 && f.0.take.channel.is_none())
        .map(|f| (f.0.take.file.as_str(), f.1))
        .collect();
    if let Some((first, channels)) = several.first() {
        let others =
            if several.len() > 1 { format!(" and {} more files", several.len() - 1) } else { String::new() };
        told.push(format!(
            "{first}{others}: {channels} channels, of which channel {} was taken; --channel takes another",
            session.channel
        ));
    }
    told.extend(odd_rates(&read));
    told.extend(found.states.iter().flat_map(of_whole_states));
    told.extend(repairs(found));
    told
}

/// What the reader mended, the same mending of many files once.
fn repairs(found: &Analysis) -> Vec<String> {
    let mut told: Vec<(&str, &str, usize)> = Vec::new();
    let of_file =
        |file: &'_ FileRecord| file.provenance.as_ref().map(|p| (file.take.file.clone(), p.repairs.clone()));
    let all: Vec<(String, Vec<String>)> = found.files.iter().filter_map(of_file).collect();
    for (file, repairs) in &all {
        for repair in repairs {
            match told.iter_mut().find(|known| alike(known.1, repair)) {
                Some(known) => known.2 += 1,
                None => told.push((file, repair, 0)),
            }
        }
    }
    let sentence = |(file, repair, more): (&str, &str, usize)| {
        let others = if more > 0 { format!(" and {more} more files") } else { String::new() };
        format!("{file}{others}: {}", repair.trim_end_matches('.'))
    };
    told.into_iter().map(sentence).collect()
}

/// Whether two sentences differ in their numbers at most.
fn alike(one: &str, other: &str) -> bool {
    let words = |text: &str| text.split(|c: char| !c.is_alphabetic()).collect::<String>();
    words(one) == words(other)
}

/// Faults that come by the state rather than by the file, one sentence each.
fn of_whole_states(state: &StateResult) -> Vec<String> {
    const TOLD: [(Flag, &str); 2] = [
        (Flag::DcOffset, "a constant is added to the samples (dc-offset)"),
        (Flag::Normalised, "each file seems scaled to a peak of its own (normalised)"),
    ];
    let sentence = |(flag, what): &(Flag, &str)| {
        let has = |place: &&crate::state::PlaceResult| place.response.flags.has(*flag);
        let count = state.places.iter().filter(has).count();
        let first = state.places.iter().find(has)?.response.files().next()?;
        let which =
            if count > 1 { format!("{first} and {} more places", count - 1) } else { first.to_string() };
        Some(format!("{which}: {what}"))
    };
    TOLD.iter().filter_map(sentence).collect()
}

/// Files whose rate is not that of most.
fn odd_rates(read: &[(&FileRecord, u32, u32)]) -> Option<String> {
    const NAMED: usize = 3;
    let mut counts: BTreeMap<u32, usize> = BTreeMap::new();
    read.iter().for_each(|file| *counts.entry(file.2).or_default() += 1);
    let (usual, _) = counts.iter().max_by_key(|(_, count)| **count)?;
    let odd: Vec<String> = read
        .iter()
        .filter(|file| file.2 != *usual)
        .map(|file| format!("{} ({} Hz)", file.0.take.file, file.2))
        .collect();
    let more = if odd.len() > NAMED { format!(" and {} more", odd.len() - NAMED) } else { String::new() };
    let named = odd[..odd.len().min(NAMED)].join(", ");
    (!odd.is_empty()).then(|| format!("sample rates differ: {named}{more}, the others {usual} Hz"))
}
