//! The time base: the emission time that all positions of a state share.
//!
//! Amplitudes, phases and shapes across positions mean something only if the files share an instant of
//! the signal. As a rule they do: the same sample in every file. Where the arrivals contradict the
//! distances by more than a millisecond, each position's emission is its arrival less distance over
//! speed of sound. With neither to go by, there is no time base.

use super::{Place, Response};
use crate::flag::Flag;
use crate::session::{Session, TimeBase};

/// Arrivals this far off the distances contradict them, in seconds.
const TOLERANCE_S: f64 = 1e-3;

/// A direct sound later than this comes from a file that starts earlier, not from a detour (1.7 m), in seconds.
const OTHER_START_S: f64 = 5e-3;

/// Onsets this near each other at places that differ are no coincidence, in seconds (5 cm).
const EQUAL_S: f64 = 1.5e-4;

/// A direct sound this early in every file leaves no room for a distance, in seconds (34 cm).
const AT_START_S: f64 = 1e-3;

/// Peaks this near each other (0.009 dB) at places that differ are no coincidence.
const EQUAL_PEAKS: f64 = 1e-3;

/// What is known beside the responses of one state.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct TimeBaseFacts {
    /// What the user says the files' common instant is.
    pub stated: Option<TimeBase>,
    /// Speed of sound in the state, metres per second.
    pub speed_m_per_s: f64,
    positions: Vec<(String, [f64; 3])>,
    sources: Vec<(String, [f64; 3])>,
    only_source: Option<[f64; 3]>,
}

impl TimeBaseFacts {
    /// What the session says, at the speed of sound of one of its states.
    #[must_use]
    pub fn new(session: &Session, speed_m_per_s: f64) -> Self {
        let positions = session.positions.iter().filter_map(|p| Some((p.name.clone(), p.at_m?)));
        let sources = session.sources.iter().filter_map(|s| Some((s.name.clone(), s.at_m?)));
        Self {
            stated: session.time_base,
            speed_m_per_s,
            positions: positions.collect(),
            sources: sources.collect(),
            only_source: session.sources.first().and_then(|s| s.at_m),
        }
    }

    /// Distance from source to position in metres, where the session knows both places. A source
    /// without a name is the first one.
    #[must_use]
    pub fn distance_m(&self, place: &Place) -> Option<f64> {
        let find = |among: &[(String, [f64; 3])], name: &str| {
            among.iter().find(|(known, _)| known == name).map(|(_, at)| *at)
        };
        let position = find(&self.positions, &place.position)?;
        let source = match place.source.as_str() {
            "" => self.only_source?,
            name => find(&self.sources, name)?,
        };
        Some((0..3).map(|axis| (position[axis] - source[axis]).powi(2)).sum::<f64>().sqrt())
    }

    fn travel_s(&self, place: &Place) -> Option<f64> {
        let usable = self.speed_m_per_s.is_finite() && self.speed_m_per_s > 0.0;
        self.distance_m(place).filter(|_| usable).map(|metres| metres / self.speed_m_per_s)
    }
}

/// Gives each response of one state its emission, or the flag that says why it has none; and flags
/// files that were normalised one by one.
///
/// Where something precedes the direct sound in a file (a sum of modes that starts at the emission,
/// cross-talk) and the distances tell, the onset is moved to the direct sound. Call it before the
/// samples are shed, so that what hangs on the onset is measured there.
pub fn settle_time_base(responses: &mut [Response], facts: &TimeBaseFacts) {
    flag_normalised(responses);
    let travels: Vec<Option<f64>> = responses.iter().map(|r| facts.travel_s(&r.place)).collect();
    if responses.iter().all(|r| r.known.is_some_and(|known| known.emission_s.is_some())) {
        return captured(responses, &travels);
    }
    match facts.stated {
        Some(TimeBase::Arrival) => from_distances(responses, &travels),
        Some(TimeBase::Emission) => match common_emission(responses, &travels) {
            Some(emission) => share(responses, &travels, emission),
            None => share_stated(responses, &travels),
        },
        None if travels.iter().any(Option::is_some) => match common_emission(responses, &travels) {
            Some(emission) => share(responses, &travels, emission),
            None => {
                from_distances(responses, &travels);
                responses.iter_mut().for_each(|r| r.flags.add(Flag::EmissionFromDistance));
                if own_starts(responses) {
                    responses.iter_mut().for_each(|r| r.flags.add(Flag::OwnStart));
                }
            }
        },
        None => without_distances(responses),
    }
}

/// By how many seconds the origin of `after` must be moved so that it lies before its arrival as that
/// of `before` does: between states the same origin relative to arrival is used, position by position.
/// An amplitude A of `after` becomes A e^{λ · shift} for a pole λ.
#[must_use]
pub fn origin_shift_s(before: &Response, after: &Response) -> f64 {
    let lead = |r: &Response| r.onset.arrival_s - r.origin_s();
    lead(after) - lead(before)
}

/// How each response's arrival reads as an emission: its first arrival, and the alternative.
fn readings(response: &Response, travel_s: f64) -> impl Iterator<Item = f64> {
    let others = response.onset.alternative_s.into_iter();
    std::iter::once(response.onset.arrival_s).chain(others).map(move |arrival| arrival - travel_s)
}

/// Tolerance for a response: a millisecond, or what its onset can tell.
fn tolerance(response: &Response) -> f64 {
    TOLERANCE_S.max(2.0 * response.onset.resolution_s)
}

/// The emission that all files share, if their arrivals allow one: all first arrivals, or else the best
/// reading of at least four files in five (three files at least; of two, both).
fn common_emission(responses: &[Response], travels: &[Option<f64>]) -> Option<f64> {
    let known: Vec<(&Response, f64)> =
        responses.iter().zip(travels).filter_map(|(r, t)| Some((r, (*t)?))).collect();
    let first = median(known.iter().map(|(r, travel)| r.onset.arrival_s - travel).collect())?;
    if known.iter().all(|(r, travel)| (r.onset.arrival_s - travel - first).abs() <= tolerance(r)) {
        return Some(first);
    }
    let needed = if known.len() < 3 { known.len() } else { (4 * known.len()).div_ceil(5) };
    let candidates = known.iter().flat_map(|(r, travel)| readings(r, *travel));
    let mut best: Option<(usize, f64)> = None;
    for candidate in candidates {
        let near = near(&known, candidate);
        if best.is_none_or(|(most, _)| near.len() > most) {
            best = Some((near.len(), median(near)?));
        }
    }
    best.filter(|(count, _)| *count >= needed).map(|(_, emission)| emission)
}

/// For each response that has one, the reading nearest to `emission` within its tolerance.
fn near(known: &[(&Response, f64)], emission: f64) -> Vec<f64> {
    let nearest = |(r, travel): &(&Response, f64)| {
        let by_distance = |a: &f64, b: &f64| (a - emission).abs().total_cmp(&(b - emission).abs());
        readings(r, *travel).min_by(by_distance).filter(|e| (e - emission).abs() <= tolerance(r))
    };
    known.iter().filter_map(nearest).collect()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

/// One emission for all; onsets are moved to the arrival that fits it.
fn share(responses: &mut [Response], travels: &[Option<f64>], emission: f64) {
    for (response, travel) in responses.iter_mut().zip(travels) {
        response.set_emission(Some(emission));
        let Some(travel) = travel else { continue };
        let expected = emission + travel;
        let allowed = tolerance(response);
        if (response.onset.arrival_s - expected).abs() <= allowed {
            continue;
        }
        let other = response.onset.alternative_s.filter(|other| (other - expected).abs() <= allowed);
        match other {
            Some(other) => response.move_onset(other),
            None => {
                let off_s = response.onset.arrival_s - expected;
                response.flags.add(Flag::ArrivalOff);
                response.warnings.push(format!(
                    "{}: the direct sound arrives {:.1} ms {} than its distance and the other positions say",
                    response.place,
                    1000.0 * off_s.abs(),
                    if off_s > 0.0 { "later" } else { "earlier" }
                ));
                if off_s > OTHER_START_S {
                    // No detour in a small room is so long: the file starts at another instant.
                    response.set_emission(Some(response.onset.arrival_s - travel));
                }
                // Nothing travels faster than sound: what came before isn't the direct sound.
                if response.onset.arrival_s < expected {
                    response.move_onset(expected);
                }
            }
        }
    }
}

/// Every response was captured together with its signal: each knows its own emission. The arrivals only tell
/// whether a distance is off; what delays loudspeaker and amplifier is common to all.
fn captured(responses: &mut [Response], travels: &[Option<f64>]) {
    for response in responses.iter_mut() {
        response.set_emission(response.known.and_then(|known| known.emission_s));
    }
    let late = |r: &Response, travel: f64| r.onset.arrival_s - r.origin_s() - travel;
    let known = responses.iter().zip(travels).filter_map(|(r, t)| t.map(|t| late(r, t)));
    let Some(common) = median(known.collect()) else { return };
    for (response, travel) in responses.iter_mut().zip(travels) {
        if travel.is_some_and(|travel| (late(response, travel) - common).abs() > tolerance(response)) {
            response.flags.add(Flag::ArrivalOff);
        }
    }
}

/// The user says that all files share the emission, and distances don't tell which sample it is.
fn share_stated(responses: &mut [Response], travels: &[Option<f64>]) {
    let known: Vec<f64> =
        responses.iter().zip(travels).filter_map(|(r, t)| t.map(|t| r.onset.arrival_s - t)).collect();
    match median(known) {
        Some(emission) => share(responses, travels, emission),
        None => share_earliest(responses),
    }
}

/// The earliest arrival stands for the emission: late by the least distance, alike for all.
fn share_earliest(responses: &mut [Response]) {
    let earliest = responses.iter().map(|r| r.onset.start_s).fold(f64::INFINITY, f64::min);
    for response in responses {
        response.set_emission(Some(earliest));
        response.flags.add(Flag::EmissionAssumed);
    }
}

/// Arrival less distance over speed of sound, position by position.
fn from_distances(responses: &mut [Response], travels: &[Option<f64>]) {
    for (response, travel) in responses.iter_mut().zip(travels) {
        let emission = travel.map(|travel| response.onset.arrival_s - travel);
        response.set_emission(emission);
        if emission.is_none() {
            response.flags.add(Flag::NoTimeBase);
        }
    }
}

/// Without distances: the same sample in every file, unless the files start each at its own onset or
/// there is but one of them.
fn without_distances(responses: &mut [Response]) {
    if responses.len() > 1 && !own_starts(responses) {
        return share_earliest(responses);
    }
    let own = responses.len() > 1;
    for response in responses {
        response.set_emission(None);
        response.flags.add(Flag::NoTimeBase);
        if own {
            response.flags.add(Flag::OwnStart);
        }
    }
}

/// Whether files of different places were each trimmed to its own direct sound: all onsets equal, or
/// all right at the start.
fn own_starts(responses: &[Response]) -> bool {
    let starts = || responses.iter().map(|r| r.onset.start_s);
    let (first, last) = (starts().fold(f64::INFINITY, f64::min), starts().fold(0.0, f64::max));
    responses.len() > 1 && (last < AT_START_S || (last - first < EQUAL_S && responses.len() > 2))
}

/// Equal peaks at different places: each file was scaled by itself.
fn flag_normalised(responses: &mut [Response]) {
    let used =
        |r: &Response| r.takes.iter().filter(|t| t.left_out.is_none()).map(|t| t.peak).collect::<Vec<_>>();
    let peaks: Vec<f64> = responses.iter().flat_map(used).collect();
    let (least, most) = peaks.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), &p| (a.min(p), b.max(p)));
    if responses.len() > 1 && least > 0.0 && most / least - 1.0 < EQUAL_PEAKS {
        responses.iter_mut().for_each(|r| r.flags.add(Flag::Normalised));
    }
}
