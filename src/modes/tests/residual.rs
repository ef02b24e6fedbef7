//! What the fit leaves, held against the noise of the record's end, where both are known.

use super::super::{FitSettings, ModeSet, Place, fit};
use super::closed_form::{Case, RATE_HZ};
use crate::flag::Flag;

/// Three seconds: the slowest mode (1.1 s) is 110 dB down where the tail begins.
const SAMPLES: usize = 6000;

fn fitted(case: &Case) -> ModeSet {
    fit(&case.places(), &FitSettings { to_hz: 130.0, refits: false, ..FitSettings::default() })
}

fn decibels(set: &ModeSet) -> Vec<f64> {
    let known = set.residual_over_noise.iter().map(|ratio| ratio.map_or(f64::NAN, |r| 10.0 * r.log10()));
    known.collect()
}

/// A tail of 0.9 s behind a Hann window holds some 60 independent powers in 127 Hz: it tells the noise to 0.6 dB. The fit ends
/// when nothing sounds any more, after half the record: 0.3 dB. Twelve numbers stay within three times both.
#[test]
fn a_perfect_fit_leaves_the_noise() {
    let mut all = Vec::new();
    for seed in [31, 32, 33, 38] {
        let levels = decibels(&fitted(&Case::new(SAMPLES, 0.003, seed)));
        println!("{levels:.2?} dB");
        assert!(levels.len() == 3 && levels.iter().all(|db| db.abs() < 2.0), "{levels:?}");
        all.extend(levels);
    }
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    println!("mean {mean:.2} dB");
    assert!(mean.abs() < 0.6, "{mean}");
}

/// A hiss that dies before the tail is no resonance, and no floor either.
#[test]
fn what_no_resonance_explains_shows_where_it_is() {
    let mut case = Case::new(SAMPLES, 0.003, 34);
    let disturbed = Case::new(SAMPLES, 0.012, 35).records[1].clone();
    let clean = Case::new(SAMPLES, 0.0, 35).records[1].clone();
    for n in 200..3000 {
        case.records[1][n] += disturbed[n] - clean[n];
    }
    let levels = decibels(&fitted(&case));
    println!("{levels:.2?} dB");
    // Noise of 0.012 for half the time on top of 0.003 for all of it: 10 lg(1 + 16 · 2800/6000) = 9.3 dB.
    assert!((levels[1] - 9.3).abs() < 2.0, "{levels:?}");
    assert!(levels[0].abs() < 1.8 && levels[2].abs() < 1.8, "{levels:?}");
}

/// No quiet end, no noise, no part in the fit: no number, but the reason.
#[test]
fn without_noise_to_hold_it_against_there_is_a_reason() {
    let cut = fitted(&Case::new(1500, 1e-4, 36));
    assert_eq!(cut.residual_over_noise, [Err(Flag::NoQuietEnd); 3]);
    let case = Case::new(SAMPLES, 0.003, 37);
    let mut places = case.places();
    let short = vec![0.1; 20];
    places[1] = Place::new("short", "", &short, RATE_HZ, 0.0);
    let set = fit(&places, &FitSettings { refits: false, ..FitSettings::default() });
    assert_eq!(set.residual_over_noise[1], Err(Flag::LeftOutOfFit));
    assert!(set.residual_over_noise[0].is_ok() && set.residual_over_noise[2].is_ok());
}
