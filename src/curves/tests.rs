use super::*;
use crate::modes::{FitSettings, LN_1000, Place as FitPlace, fit};
use crate::recording::{Provenance, Recording};
use crate::response::{Place, TakeInput, combine};
use crate::room::Assignment;
use crate::state::{PlaceResult, Resonances, StateResult};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 8_000.0;

/// A place whose response is a click at 0.1 s with one damped tone behind it, over a little noise.
fn place(hz: f64, t60_s: f64) -> PlaceResult {
    place_in_noise(hz, t60_s, 1e-6)
}

/// A place over so much noise (its largest value).
fn place_in_noise(hz: f64, t60_s: f64, most: f64) -> PlaceResult {
    let (onset, decay) = (800_usize, LN_1000 / t60_s);
    let mut word = 1_u32;
    let samples: Vec<f64> = (0..20_000)
        .map(|n| {
            // A linear congruential generator (Numerical Recipes' constants) is noise enough here.
            word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = most * (f64::from(word >> 16) / 32_768.0 - 1.0);
            let t = (f64::from(n) - onset as f64) / RATE_HZ;
            let tone = if t < 0.0 { 0.0 } else { 0.2 * (-decay * t).exp() * (TAU * hz * t).cos() };
            tone + noise + if n as usize == onset { 0.5 } else { 0.0 }
        })
        .collect();
    let recording = Recording { samples, rate_hz: RATE_HZ, provenance: Provenance::default() };
    let place = Place { position: "seat".into(), source: String::new() };
    let response = combine(vec![TakeInput::new("seat.wav", recording)], place).unwrap();
    PlaceResult { response, bands: Vec::new() }
}

/// The spectrum of A e^(−δt) cos(ωt) near its resonance is A/2/|δ + i(ω − ω0)| per second, times the
/// rate for a sum over samples (the integral, worked by hand); the click adds 0.5 at every frequency.
#[test]
fn a_damped_tone_has_its_closed_form_spectrum() {
    let (hz, t60_s) = (50.0, 0.8);
    let one = place(hz, t60_s);
    let found = spectrum(&[&one, &one], 40.0, 60.0, 81).unwrap();
    let decay = LN_1000 / t60_s;
    for (f, power) in found.frequency_hz.iter().zip(&found.power) {
        let expected = 0.1 * RATE_HZ / decay.hypot(TAU * (f - hz));
        // The click (0.5) and the mirrored pole (0.2/2·8000/2ω = 1.3) may add or take away.
        assert!((power.sqrt() - expected).abs() < 2.0, "{f} Hz: {} for {expected}", power.sqrt());
    }
    assert!(spectrum(&[], 40.0, 60.0, 81).is_none());
    assert!(spectrum(&[&one], 60.0, 40.0, 81).is_none());
    assert!(spectrum(&[&one], f64::NAN, 40.0, 81).is_none());
}

/// In the map the row at the tone falls by 60 dB in its T60; a Gaussian window doesn't change the slope
/// of an exponential (completing the square).
#[test]
fn the_map_falls_as_the_tone_does() {
    let (hz, t60_s) = (50.0, 0.8);
    let one = place(hz, t60_s);
    let grid = Grid { from_hz: 25.0, to_hz: 100.0, rows: 41, span_s: 1.0, columns: 101, blur_s: 0.06 };
    let map = level_map(&[&one], &grid).unwrap();
    let row = map.frequency_hz.iter().position(|f| (f - hz).abs() < 0.1).unwrap();
    let level = |column: usize| 10.0 * map.power[row * grid.columns + column].log10();
    // From 0.3 s on the window no longer sees the start.
    let slope = (level(60) - level(30)) / 0.3;
    assert!((slope + 60.0 / t60_s).abs() < 0.5, "{slope} dB/s");
    let far = map.frequency_hz.iter().position(|f| *f > 90.0).unwrap();
    let beside = 10.0 * map.power[far * grid.columns + 40].log10();
    assert!(level(40) - beside > 30.0, "{} {beside}", level(40));
    assert!(level_map(&[&one], &Grid { rows: 1, ..grid }).is_none());
    assert!(level_map(&[], &grid).is_none());
}

/// A state of one place, with its modes.
fn state_of(one: PlaceResult) -> StateResult {
    let low = &one.response.low;
    let set = fit(&[FitPlace::from_low_record("seat", "", low)], &FitSettings::default());
    let names = Assignment::unnamed(set.modes.len());
    let mut state = StateResult::new("empty", None);
    state.places.push(one);
    state.resonances = Some(Resonances {
        set,
        filter_t20_s: Vec::new(),
        filter_doubts: Vec::new(),
        names,
        priorities: Vec::new(),
    });
    state
}

/// The line ends on the decay, whether the record (2.4 s) ends before, about where or long after the tone's fall
/// (30 dB a second) meets the noise: there it is within 1 dB of the closed form and of the fit.
#[test]
fn a_line_ends_on_its_decay_also_where_the_record_ends_in_it() {
    let (hz, t60_s) = (78.3, 2.0);
    let band = band_round(hz, &[66.0, 90.0], t60_s);
    for most in [1e-4, 3e-4, 6e-4, 1e-3, 2e-3, 4e-3, 1e-2, 4e-2] {
        let found = ringing(&state_of(place_in_noise(hz, t60_s, most)), band, 160, 2.5).unwrap();
        let (end_s, end) = (*found.measured.time_s.last().unwrap(), *found.measured.energy.last().unwrap());
        let at = found.model_time_s.iter().position(|t| *t >= end_s).unwrap();
        let (end_db, truth_db) = (10.0 * end.log10(), -60.0 * end_s / t60_s);
        let model_db = 10.0 * found.model[at].log10() + 60.0 * (found.model_time_s[at] - end_s) / t60_s;
        assert!(
            (end_db - truth_db).abs() < 1.0 && (end_db - model_db).abs() < 1.0,
            "{most}: {end_db} for {truth_db}"
        );
        assert!(end_db < -15.0, "{most}: {end_db}");
    }
}

/// Curve and model of one tone both fall 60 dB in its T60.
#[test]
fn a_single_resonance_rings_as_its_pole_says() {
    let (hz, t60_s) = (50.0, 0.8);
    let state = state_of(place(hz, t60_s));
    let band = band_round(hz, &[20.0, 70.0], t60_s);
    assert_eq!(band, Band { lower_hz: 45.0, upper_hz: 55.0 });
    let found = ringing(&state, band, 200, 0.6).unwrap();
    let model_db = 10.0 * found.model.last().unwrap().log10();
    assert!((model_db + 60.0 * 0.6 / t60_s).abs() < 1.0, "{model_db}");
    let at = found.measured.time_s.iter().position(|t| *t > 0.4).unwrap();
    let measured_db = 10.0 * found.measured.energy[at].log10();
    let expected = -60.0 * found.measured.time_s[at] / t60_s;
    assert!((measured_db - expected).abs() < 1.0, "{measured_db} for {expected}");
    // On to 100 dB down, where the low end's single precision is still far below.
    let last = found.measured.time_s.iter().rposition(|t| -60.0 * t / t60_s > -100.0).unwrap();
    let (end_s, end_db) = (found.measured.time_s[last], 10.0 * found.measured.energy[last].log10());
    let expected = -60.0 * end_s / t60_s;
    assert!(end_db < -60.0 && (end_db - expected).abs() < 1.5, "{end_db} for {expected} at {end_s} s");
    assert!(ringing(&StateResult::new("none", None), band, 200, 0.6).is_err());
}

/// A close neighbour narrows the band, but not below what the filter can show: B·T of 4.
#[test]
fn a_band_is_no_narrower_than_its_filter_allows() {
    let band = band_round(60.0, &[60.5, 80.0], 1.0);
    assert!((band.upper_hz - band.lower_hz - 4.0).abs() < 1e-9, "{band:?}");
    assert_eq!(band.widened(60.0, 2.0), Band { lower_hz: 56.0, upper_hz: 64.0 });
    let alone = band_round(60.0, &[], 1.0);
    assert!((alone.lower_hz - 54.0).abs() < 1e-9 && (alone.upper_hz - 66.0).abs() < 1e-9, "{alone:?}");
}

/// A tone's row stands out until its straight fall meets ten times the background; a row with nothing but noise does
/// so at the click alone. A record too short for the window shows no background.
#[test]
fn a_place_s_map_knows_its_background() {
    let (hz, t60_s) = (50.0, 0.4);
    let grid = Grid { from_hz: 25.0, to_hz: 100.0, rows: 41, span_s: 2.0, columns: 101, blur_s: 0.065 };
    let found = place_map(&place(hz, t60_s), &grid).unwrap();
    let row = found.map.frequency_hz.iter().position(|f| (f - hz).abs() < 0.1).unwrap();
    // White noise of variance 1e-12/3 behind the window: its mean power over time is the same all along.
    let background = found.background[row];
    let meets = |row: usize| (0..101).rev().find(|c| found.stands_out(row, *c, 10.0)).unwrap_or(0);
    // The tone's power falls by 150 dB a second: from where the map starts to ten times the background.
    let start = found.map.power[row * 101 + 10];
    let expected_s = 0.2 + t60_s * 10.0 * (start / (10.0 * background)).log10() / 60.0;
    let seen_s = found.map.time_s[meets(row)];
    assert!((seen_s - expected_s).abs() < 0.06, "{seen_s} for {expected_s}");
    assert!(meets(40) < 30, "nothing rings at 100 Hz");
    assert!((found.last_s(10.0).unwrap() - seen_s).abs() < 0.15);
    let short = Grid { blur_s: 2.0, ..grid };
    assert!(place_map(&place(hz, t60_s), &short).is_none());
}
