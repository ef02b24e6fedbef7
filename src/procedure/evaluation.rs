//! What the bands carry: peak-to-noise for T20 and T30, filter limits, range of frequency.

use super::check::{ISO_3382_1, ISO_3382_2, ISO_16283_1};
use super::facts::Range;
use super::wording::{band as band_name, decibels, first_few};
use super::{Check, Grade, Met, ProcedurePlace, ProcedureState, Topic};
use crate::decay::{BandDecay, LEAST_BT};
use crate::flag::Flag;
use crate::language::{Message, number, say};

/// Peak-to-noise for T20: the range's lower end of 25 dB and 10 dB of margin, as a ratio of powers
/// (ISO 3382-1:2009, 5.3.3).
pub(super) const T20_RATIO: f64 = 3_162.277_660_168_379_5; // 35 dB
/// Peak-to-noise for T30: the range's lower end of 35 dB and 10 dB of margin, as a ratio of powers.
const T30_RATIO: f64 = 31_622.776_601_683_792; // 45 dB

/// Octaves from 250 Hz to 2 kHz; a survey (ISO 3382-2:2008; the clause's number is from memory). Edges as IEC
/// 61260-1:2014 has them, 1000 Hz · 10^(k·0.15).
const SURVEY: Range = Range { from_hz: 177.828, to_hz: 2_818.383, words: "procedure.range-survey" };

/// Octaves from 125 Hz to 4 kHz, or thirds from 100 Hz to 5 kHz; both have the same outer edges.
pub(super) const ENGINEERING: Range =
    Range { from_hz: 89.125, to_hz: 5_623.413, words: "procedure.range-engineering" };

/// Range for T20 and T30, filter limit, frequency range by grade.
pub(super) fn checks(state: &ProcedureState<'_>) -> Vec<Check> {
    let mut rows = vec![
        peak_to_noise(state, "T20", T20_RATIO),
        peak_to_noise(state, "T30", T30_RATIO),
        filter_limit(state),
    ];
    rows.extend(Grade::ALL.map(|grade| frequency_range(state, grade)));
    rows.extend(low_octave(state));
    rows
}

/// A band that was judged: its name, its number, whether it falls short.
struct Judged {
    centre_hz: f64,
    place: String,
    value: f64,
    short: bool,
}

/// Numbers of all judged bands in words: the lowest, and how many bands fall short of the limit.
fn outcome(judged: &[Judged], text: impl Fn(f64) -> Message) -> (Message, Met, usize) {
    let Some(lowest) = judged.iter().min_by(|a, b| a.value.total_cmp(&b.value)) else {
        return (Message::default(), Met::Unknown, 0);
    };
    let mut short: Vec<u64> = judged.iter().filter(|j| j.short).map(|j| j.centre_hz.to_bits()).collect();
    short.sort_unstable();
    short.dedup();
    let lowest = say!(
        "procedure.lowest",
        value = text(lowest.value),
        band = band_name(lowest.centre_hz),
        place = lowest.place.as_str()
    );
    let found = if short.is_empty() {
        lowest
    } else {
        let places = judged.iter().filter(|j| j.short).count();
        {
            let (places, all) = (number(places as f64, 0), number(judged.len() as f64, 0));
            say!("procedure.values-short", lowest = lowest, short = places, all = all)
        }
    };
    (found, Met::of(short.len(), true), short.len())
}

fn peak_to_noise(state: &ProcedureState<'_>, name: &str, least: f64) -> Check {
    let judged: Vec<Judged> =
        state.bands_within(ENGINEERING).filter_map(|(place, band)| judge_noise(place, band, least)).collect();
    let noise_free = judged.iter().all(|j| j.value.is_infinite());
    let (found, met, misses) =
        outcome(
            &judged,
            |ratio| if ratio.is_infinite() { say!("procedure.no-noise") } else { decibels(ratio) },
        );
    Check {
        standard: ISO_3382_1,
        clause: "5.3.3",
        requirement: say!("procedure.peak-over-noise", name = name, range = say!(ENGINEERING.words)),
        found: if noise_free && !judged.is_empty() { say!("procedure.no-noise-in-record") } else { found },
        limit: say!("procedure.at-least", least = decibels(least)),
        met,
        affects: say!("procedure.affects-value", name = name),
        grade: None,
        topic: Topic::DecayRange,
        misses,
    }
}

/// A band's peak-to-noise; a band without a decay has none, one above the rate is not judged here.
fn judge_noise(place: &ProcedurePlace<'_>, band: &BandDecay, least: f64) -> Option<Judged> {
    let value = match band.peak_to_noise {
        Ok(ratio) => ratio,
        Err(Flag::NoFloor) => f64::INFINITY,
        Err(Flag::NoDecay) => 1.0,
        Err(_) => return None,
    };
    Some(Judged { centre_hz: band.band.centre_hz, place: place.name(), value, short: value < least })
}

fn filter_limit(state: &ProcedureState<'_>) -> Check {
    let judged: Vec<Judged> = state
        .bands_within(ENGINEERING)
        .filter_map(|(place, band)| {
            let (value, short) = match band.bt_product {
                Ok(product) => (product, product <= LEAST_BT),
                // The number itself would be the filter's, so only the limit is known.
                Err(Flag::FilterLimited) => (LEAST_BT, true),
                Err(_) => return None,
            };
            Some(Judged { centre_hz: band.band.centre_hz, place: place.name(), value, short })
        })
        .collect();
    let (found, met, misses) = outcome(&judged, |product| {
        if product <= LEAST_BT {
            say!("procedure.or-less", bt = number(LEAST_BT, 0))
        } else {
            Message::plain(number(product, 1))
        }
    });
    Check {
        standard: ISO_3382_2,
        clause: "7.3",
        requirement: say!("procedure.bandwidth-times-time", range = say!(ENGINEERING.words)),
        found,
        limit: say!("procedure.above", bt = number(LEAST_BT, 0)),
        met,
        affects: say!("procedure.affects-decay-times"),
        grade: None,
        topic: Topic::FilterLimit,
        misses,
    }
}

/// Rooms under this volume have their lowest decay time measured in the 63 Hz octave (ISO 16283-1:2014, low-frequency
/// procedure; from memory), m³.
const SMALL_M3: f64 = 25.0;
/// The thirds from 50 to 80 Hz, or the octave itself, hertz.
const LOW: Range = Range { from_hz: 44.668, to_hz: 89.125, words: "procedure.range-low" };

/// Whether a small room has its decay time at 63 Hz.
fn low_octave(state: &ProcedureState<'_>) -> Option<Check> {
    state.session.room.volume_m3.filter(|volume| *volume < SMALL_M3)?;
    let all = state.bands_within(LOW).count();
    let without = state.bands_within(LOW).filter(|(_, b)| b.t20_s.is_err() && b.t30_s.is_err()).count();
    Some(Check {
        standard: ISO_16283_1,
        clause: "low-frequency procedure",
        requirement: say!("procedure.low-octave", m3 = number(SMALL_M3, 0)),
        found: if all == 0 {
            Message::default()
        } else {
            say!("procedure.values-of", have = number((all - without) as f64, 0), all = number(all as f64, 0))
        },
        limit: say!(LOW.words),
        met: if all > 0 && without == all { Met::No } else { Met::of(0, all > 0) },
        affects: say!("procedure.affects-dwellings"),
        grade: None,
        topic: Topic::LowOctave,
        misses: usize::from(all > 0 && without == all),
    })
}

fn frequency_range(state: &ProcedureState<'_>, grade: Grade) -> Check {
    let range = if grade == Grade::Survey { SURVEY } else { ENGINEERING };
    let mut wanted: Vec<f64> = state.bands_within(range).map(|(_, b)| b.band.centre_hz).collect();
    wanted.sort_by(f64::total_cmp);
    wanted.dedup();
    let lacks = |centre: f64| {
        state
            .bands_within(range)
            .any(|(_, b)| b.band.centre_hz.total_cmp(&centre).is_eq() && b.t20_s.is_err() && b.t30_s.is_err())
    };
    let without: Vec<Message> = wanted.iter().filter(|c| lacks(**c)).map(|c| band_name(*c)).collect();
    let lacking = without.len();
    let all = number(wanted.len() as f64, 0);
    let found = match (lacking, wanted.len()) {
        (_, 0) => Message::default(),
        (0, _) => say!("procedure.all-bands", all = all),
        (misses, _) => {
            let bands = first_few(without);
            say!("procedure.bands-lack", misses = number(misses as f64, 0), all = all, bands = bands)
        }
    };
    Check {
        standard: ISO_3382_2,
        clause: "5.1",
        requirement: say!("procedure.frequency-range", grade = grade.name()),
        found,
        limit: say!(range.words),
        met: Met::of(lacking, !wanted.is_empty()),
        affects: say!("procedure.affects-bands"),
        grade: Some(grade),
        topic: Topic::FrequencyRange,
        misses: lacking,
    }
}
