//! The time base: the emission time that all positions of a state share.
//!
//! Amplitudes, phases and shapes across positions mean something only if the files share an instant of
//! the signal. As a rule they do: the same sample in every file. Where the arrivals contradict the
//! distances by more than a millisecond (of a direct sound that shows in low bands only, three of their periods), or agree
//! with each other instead, each position's emission is its arrival less distance over
//! speed of sound. With neither to go by, there is no time base.

use super::{Onset, Place, Response};
use crate::flag::Flag;
use crate::mean::median;
use crate::session::{Session, TimeBase};

/// Arrivals this far off the distances contradict them, in seconds …
const TOLERANCE_S: f64 = 1e-3;

/// … nor are those of a direct sound that shows in low bands only (a subwoofer, a sum of modes): so many periods of the
/// band. In simulated rooms without sound above 250 Hz arrivals were 3 to 11 ms off, in the band of 330 Hz. Our own choice.
const PERIODS: f64 = 3.0;

/// Arrivals that scatter by less than this share of what the distances leave speak for files that were each trimmed to
/// its own direct sound. Our own choice.
const OWN_SHARE: f64 = 0.5;

/// Files trimmed each to its own direct sound agree in an emission only where their travel times lie within twice the
/// tolerance; more than this many tolerances are none of theirs.
const SPREAD: f64 = 3.0;

/// A direct sound later than this comes from a file that starts earlier, not from a detour (1.7 m), in seconds.
const OTHER_START_S: f64 = 5e-3;

/// Onsets this near each other at places that differ are no coincidence, in seconds (5 cm).
const EQUAL_S: f64 = 1.5e-4;

/// A direct sound this early in every file leaves no room for a distance, in seconds (34 cm).
const AT_START_S: f64 = 1e-3;

/// Peaks this near each other (0.009 dB) at places that differ are no coincidence.
const EQUAL_PEAKS: f64 = 1e-3;

/// Gives each response of one state its emission, or the flag that says why it has none; and flags
/// files that were normalised one by one.
///
/// Where something precedes the direct sound in a file (a sum of modes that starts at the emission,
/// cross-talk) and the distances tell, the onset is moved to the direct sound. Call it before the
/// samples are shed, so that what hangs on the onset is measured there. `speed_m_per_s`: speed of sound in the state.
pub fn settle_time_base(responses: &mut [Response], session: &Session, speed_m_per_s: f64) {
    flag_normalised(responses);
    let usable = speed_m_per_s.is_finite() && speed_m_per_s > 0.0;
    let travel_s = |place: &Place| {
        let metres = session.distance_m(&place.position, &place.source).filter(|_| usable)?;
        Some(metres / speed_m_per_s)
    };
    let travels: Vec<Option<f64>> = responses.iter().map(|r| travel_s(&r.place)).collect();
    if responses.iter().all(|r| r.known.is_some_and(|known| known.emission_s.is_some())) {
        return captured(responses, &travels);
    }
    match session.time_base {
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

/// How a direct sound reads as an emission: by its first arrival, and by the alternative.
fn readings(onset: &Onset, travel_s: f64) -> impl Iterator<Item = f64> {
    let others = onset.alternative_s.into_iter();
    std::iter::once(onset.arrival_s).chain(others).map(move |arrival| arrival - travel_s)
}

/// Tolerance for a direct sound that is seen as sharply as its envelope says: a millisecond, or what that can tell.
fn sharp(onset: &Onset) -> f64 {
    TOLERANCE_S.max(2.0 * onset.resolution_s)
}

/// Tolerance for a direct sound: that of [`sharp`], or what the band that shows it can tell, whichever is more.
fn tolerance(onset: &Onset) -> f64 {
    let periods_s = if onset.band_hz > 0.0 { PERIODS / onset.band_hz } else { 0.0 };
    sharp(onset).max(periods_s)
}

/// Whether the arrivals agree with each other so much better than with the distances that the files can't share an instant.
fn trimmed_each(arrivals_s: &[f64], emissions_s: &[f64]) -> bool {
    let spread_s = |values: &[f64]| {
        let middle = median(values.to_vec())?;
        median(values.iter().map(|v| (v - middle).abs()).collect())
    };
    spread_s(arrivals_s).zip(spread_s(emissions_s)).is_some_and(|(own, left)| own < OWN_SHARE * left)
}

/// The emission that all files share, if their arrivals allow one: as sharp as they are, or else as the bands tell them.
fn common_emission(responses: &[Response], travels: &[Option<f64>]) -> Option<f64> {
    let known: Vec<Arrived<'_>> =
        responses.iter().zip(travels).filter_map(|(r, t)| Some((&r.onset, (*t)?))).collect();
    let arrivals_s: Vec<f64> = known.iter().map(|(onset, _)| onset.arrival_s).collect();
    let emissions_s: Vec<f64> = known.iter().map(|(onset, travel)| onset.arrival_s - travel).collect();
    let vague = || (!trimmed_each(&arrivals_s, &emissions_s)).then(|| agreed(&known, tolerance)).flatten();
    agreed(&known, sharp).or_else(vague)
}

/// A direct sound, and how long it travelled, seconds.
type Arrived<'a> = (&'a Onset, f64);

/// The emission within `allowed` of all first arrivals, or else of the best reading of [`enough`] files (of two, both).
fn agreed(known: &[Arrived<'_>], allowed: fn(&Onset) -> f64) -> Option<f64> {
    let first = median(known.iter().map(|(onset, travel)| onset.arrival_s - travel).collect())?;
    if known.iter().all(|(onset, travel)| (onset.arrival_s - travel - first).abs() <= allowed(onset)) {
        return Some(first);
    }
    let candidates = known.iter().flat_map(|(onset, travel)| readings(onset, *travel));
    let mut best: Option<Vec<(f64, f64)>> = None;
    for candidate in candidates {
        let near = near(known, candidate, allowed);
        if best.as_ref().is_none_or(|most| near.len() > most.len()) {
            best = Some(near);
        }
    }
    let widest_s = known.iter().map(|(onset, _)| allowed(onset)).fold(0.0, f64::max);
    let enough = best.filter(|near| enough(near, known.len(), widest_s))?;
    median(enough.iter().map(|(emission, _)| *emission).collect())
}

/// Whether so many of `all` files, each with its emission and travel time, agree beyond chance: four in five, or four at
/// least and two in three whose travel times spread so far that files trimmed each to its own direct sound can't.
fn enough(near: &[(f64, f64)], all: usize, allowed_s: f64) -> bool {
    let most = if all < 3 { all } else { (4 * all).div_ceil(5) };
    let travels = || near.iter().map(|(_, travel)| *travel);
    let spread_s = travels().fold(0.0, f64::max) - travels().fold(f64::INFINITY, f64::min);
    near.len() >= most || near.len() >= 4.max((2 * all).div_ceil(3)) && spread_s > SPREAD * allowed_s
}

/// For each file that has one, the reading nearest to `emission` within what is allowed, and its travel time.
fn near(known: &[Arrived<'_>], emission: f64, allowed: fn(&Onset) -> f64) -> Vec<(f64, f64)> {
    let nearest = |(onset, travel): &Arrived<'_>| {
        let by_distance = |a: &f64, b: &f64| (a - emission).abs().total_cmp(&(b - emission).abs());
        let nearest = readings(onset, *travel).min_by(by_distance)?;
        ((nearest - emission).abs() <= allowed(onset)).then_some((nearest, *travel))
    };
    known.iter().filter_map(nearest).collect()
}

/// One emission for all; onsets are moved to the arrival that fits it.
fn share(responses: &mut [Response], travels: &[Option<f64>], emission: f64) {
    for (response, travel) in responses.iter_mut().zip(travels) {
        response.set_emission(Some(emission));
        let Some(travel) = travel else { continue };
        let expected = emission + travel;
        let allowed = tolerance(&response.onset);
        if (response.onset.arrival_s - expected).abs() <= allowed {
            continue;
        }
        let other = response.onset.alternative_s.filter(|other| (other - expected).abs() <= allowed);
        match other {
            Some(other) => response.move_onset(other),
            None => {
                let off_s = response.onset.arrival_s - expected;
                response.flags.add(Flag::ArrivalOff);
                response.arrival_off_s = Some(off_s);
                let by = format!(
                    "{}: the direct sound seems to arrive {:.1} ms",
                    response.place,
                    1000.0 * off_s.abs()
                );
                response.warnings.push(if off_s > 0.0 {
                    format!("{by} later than its distance and the other positions say")
                } else {
                    format!("{by} before sound can have got there; its time was set from the distance")
                });
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
        let off_s = travel.map(|travel| late(response, travel) - common);
        response.arrival_off_s = off_s.filter(|off_s| off_s.abs() > tolerance(&response.onset));
        if response.arrival_off_s.is_some() {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Six places of a small room.
    const TRAVELS_S: [f64; 6] = [0.0065, 0.0102, 0.0013, 0.0148, 0.0094, 0.0074];

    #[test]
    fn files_trimmed_each_to_its_own_arrival_are_told_from_files_that_share_an_instant() {
        let shared = TRAVELS_S.map(|travel| 0.05 + travel);
        let emissions = |arrivals: [f64; 6]| {
            let mut left = arrivals;
            left.iter_mut().zip(TRAVELS_S).for_each(|(a, travel)| *a -= travel);
            left
        };
        assert!(!trimmed_each(&shared, &emissions(shared)));
        // Arrivals a few milliseconds off, as a room without sound above 250 Hz shows them.
        let vague = [0.0534, 0.0542, 0.0501, 0.0643, 0.0605, 0.0516];
        assert!(!trimmed_each(&vague, &emissions(vague)));
        // Each trimmed to 10 ms before its peak.
        let own = [0.0101, 0.0099, 0.01, 0.01, 0.0104, 0.01];
        assert!(trimmed_each(&own, &emissions(own)));
    }

    fn onset(arrival_s: f64, alternative_s: Option<f64>, band_hz: f64, resolution_s: f64) -> Onset {
        Onset {
            start_s: 0.0,
            arrival_s,
            resolution_s,
            band_hz,
            peak_to_noise: 100.0,
            maximum_s: 0.0,
            at_first_sample: false,
            alternative_s,
        }
    }

    /// Two of six files exchanged leave the others their instant, read from what follows a sum of modes that begins with the
    /// emission; of files that begin each 10 ms before its own direct sound, four at equal distances leave none.
    #[test]
    fn two_exchanged_files_leave_the_others_their_instant() {
        let emission = |arrivals: [(f64, Option<f64>); 6], travels: [f64; 6]| {
            let onsets = arrivals.map(|(first, other)| onset(first, other, 3000.0, 1e-5));
            agreed(&onsets.iter().zip(travels).collect::<Vec<_>>(), sharp)
        };
        let mut files = TRAVELS_S.map(|travel| (0.05, Some(0.05 + travel)));
        files.swap(2, 3);
        approx::assert_abs_diff_eq!(emission(files, TRAVELS_S).unwrap(), 0.05, epsilon = 1e-9);
        let trimmed = [(0.01, None); 6];
        assert_eq!(emission(trimmed, [0.0065, 0.0067, 0.0064, 0.0068, 0.0148, 0.0013]), None);
    }

    #[test]
    fn a_direct_sound_in_a_low_band_says_little() {
        let onset = |band_hz, resolution_s| onset(0.0, None, band_hz, resolution_s);
        assert_eq!(tolerance(&onset(3000.0, 1e-5)), 1e-3);
        assert_eq!(tolerance(&onset(330.0, 4e-4)), 3.0 / 330.0);
        assert_eq!(tolerance(&onset(0.0, 0.01)), 0.02, "known from elsewhere");
    }
}
