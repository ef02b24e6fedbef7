//! Peak-to-noise by octave, and whether the records hold the decay.

use super::super::evaluation::T20_RATIO;
use super::super::excitation::{Fall, fall};
use super::super::wording::{band_hertz, decibel, few};
use super::super::{ProcedurePlace, ProcedureState};
use super::{Finding, LookFacts, place_in};
use crate::decay::BandDecay;
use crate::filter::octave_name;
use crate::flag::Flag;

/// Octaves in which a small room's modes stand alone, 63 and 125 Hz; too much noise there spoils the
/// visit, elsewhere it is a remark. Our choice; hertz, by the bands' centres.
const MODES_HZ: std::ops::Range<f64> = 44.0..178.0;

/// One place, as a row of text.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct NoiseLine {
    /// State.
    pub state: String,
    /// Place: position, with its source where there is one.
    pub place: String,
    /// Octave by its nominal name (`63`, `1k`; hertz) and its peak-to-noise in dB: a number, a lower bound, a
    /// word, or empty where nothing can be said.
    pub octaves: Vec<(String, String)>,
    /// Bands in which the record ends before the decay does, in words; empty if it is long enough.
    pub record: String,
}

pub(super) fn lines(facts: &LookFacts<'_>) -> Vec<NoiseLine> {
    facts.states.iter().flat_map(|state| state.places.iter().map(|place| line(state, place))).collect()
}

fn line(state: &ProcedureState<'_>, place: &ProcedurePlace<'_>) -> NoiseLine {
    let (low_hz, high_hz) = place.range_hz;
    let cell = |band: &BandDecay| {
        let heard = (low_hz..=high_hz).contains(&band.band.centre_hz);
        if heard { shown(band).replace(" dB", "").replace("≥ ", "≥") } else { String::new() }
    };
    let octaves = place.bands.iter().map(|band| (octave_name(band.band.centre_hz), cell(band))).collect();
    let cut = bands_cut(place);
    NoiseLine {
        state: state.state.name.clone(),
        place: place.name(),
        octaves,
        record: if cut.is_empty() { String::new() } else { format!("too short at {}", few(&cut)) },
    }
}

fn shown(band: &BandDecay) -> String {
    match band.peak_to_noise {
        Ok(ratio) if ratio.is_infinite() => "no noise".into(),
        Ok(ratio) if band.flags.has(Flag::EndsInDecay) => format!("≥ {}", decibel(ratio)),
        Ok(ratio) => decibel(ratio),
        Err(Flag::NoFloor) => "no noise".into(),
        Err(Flag::NoDecay) => "no decay".into(),
        Err(_) => String::new(),
    }
}

fn bands_cut(place: &ProcedurePlace<'_>) -> Vec<String> {
    place.heard().filter(|b| fall(b) == Fall::Cut).map(|b| band_hertz(b.band.centre_hz)).collect()
}

pub(super) fn findings(facts: &LookFacts<'_>) -> Vec<Finding> {
    facts
        .states
        .iter()
        .flat_map(|state| state.places.iter().flat_map(|place| of_place(state, place)))
        .collect()
}

fn of_place(state: &ProcedureState<'_>, place: &ProcedurePlace<'_>) -> Vec<Finding> {
    let name = place_in(&place.name(), &state.state.name);
    let mut found = Vec::new();
    let cut = bands_cut(place);
    // A file that was copied in part is told as such, not as a recording that is too short.
    let copied = place.flags.is_some_and(|flags| flags.has(Flag::Incomplete));
    if !cut.is_empty() && !copied {
        let reason = format!("the record ends before the decay has fallen by 30 dB at {}", few(&cut));
        found.push(Finding::again(&name, reason, "record or export a longer response"));
    }
    let (low, other): (Vec<&BandDecay>, Vec<&BandDecay>) =
        place.heard().filter(|b| is_noisy(b)).partition(|b| MODES_HZ.contains(&b.band.centre_hz));
    if !low.is_empty() {
        let reason = format!("peak-to-noise under 35 dB where the modes are: {}", said(&low));
        found.push(Finding::again(&name, reason, "measure louder, with a longer sweep or more averages"));
    }
    if !other.is_empty() {
        let reason = format!("peak-to-noise under 35 dB, so no T20: {}", said(&other));
        found.push(Finding::note(&name, reason, ""));
    }
    found
}

/// Whether noise, and not the end of the record, keeps the band from having a T20.
fn is_noisy(band: &BandDecay) -> bool {
    match band.peak_to_noise {
        Ok(ratio) => ratio < T20_RATIO && !band.flags.has(Flag::EndsInDecay),
        Err(Flag::NoDecay) => true,
        Err(_) => false,
    }
}

fn said(bands: &[&BandDecay]) -> String {
    let each: Vec<String> =
        bands.iter().map(|b| format!("{} {}", band_hertz(b.band.centre_hz), shown(b))).collect();
    few(&each)
}
