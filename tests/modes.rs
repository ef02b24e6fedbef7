//! The mode fit against closed-form rooms: known poles, known amplitudes, noise of known density.

use crate::score::{self, Cell, places};
use crate::synthetic::{self, Conditions, RATE_HZ, Room, measure, modal_sum, scene};
use rustfft::num_complex::Complex;
use stillroom::modes::{FitSettings, Kind, Place, Pole, fit};

/// Three poles, two places, no noise: only rounding is left. The exact model has no other error, so any
/// approximation in it (a missing conjugate term, an unended decay) shows here at once.
#[test]
fn noiseless_poles_and_amplitudes_come_back_to_1e_8() {
    let poles = [Pole::new(41.3, 0.9), Pole::new(57.2, 0.4), Pole::new(63.9, 1.4)];
    let amplitudes = [
        [Complex::new(0.3, -0.2), Complex::new(-0.5, 0.1), Complex::new(0.2, 0.4)],
        [Complex::new(-0.1, 0.6), Complex::new(0.2, 0.2), Complex::new(0.7, -0.3)],
    ];
    let emission_s = 0.013;
    let samples: Vec<Vec<f64>> = amplitudes
        .iter()
        .map(|a| {
            let mut x = vec![0.0; 40];
            x.extend(modal_sum(&poles, a, 40.0 / RATE_HZ - emission_s, 5000));
            x
        })
        .collect();
    let places: Vec<Place<'_>> =
        samples.iter().map(|x| Place::new("p", "s", x, RATE_HZ, 0.02).emitted_at(emission_s)).collect();
    let mut settings = FitSettings::default();
    settings.refits = false;
    settings.to_hz = 110.0;
    let set = fit(&places, &settings);
    let modes: Vec<_> = set.modes.iter().filter(|m| m.kind == Kind::Mode).collect();
    assert_eq!(modes.len(), 3, "{:?}", set.modes);
    for (j, (mode, pole)) in modes.iter().zip(&poles).enumerate() {
        assert!((mode.omega_per_s / pole.omega_per_s - 1.0).abs() < 1e-8);
        assert!(
            (mode.decay_per_s / pole.decay_per_s - 1.0).abs() < 1e-8,
            "{} {}",
            mode.decay_per_s,
            pole.decay_per_s
        );
        for (m, amplitude) in mode.amplitudes.iter().enumerate() {
            let found = amplitude.map_or(Complex::from(0.0), |a| Complex::new(a.re, a.im));
            assert!((found - amplitudes[m][j]).norm() < 1e-7, "{found} {}", amplitudes[m][j]);
        }
    }
}

/// A bedroom at 60 dB with three places: all modes whose bound is under a tenth, none else, errors near the bound.
#[test]
fn a_small_room_is_fitted_at_its_bound() {
    let cell = Cell::all().into_iter().find(|c| c.name() == "34 m³ 3p 60 dB white").unwrap();
    let score = cell.run(0..2, false);
    assert_eq!(score.counts.found, score.counts.decidable, "{:?}", score.notes);
    assert_eq!(score.counts.false_claims, 0);
    assert!(score::quantile(&score.single_decay, 0.5) < 1.0, "median of squared errors over squared bounds");
    assert!(score.counts.held_decay * 10 >= score.counts.found * 8);
}

/// Equal records give equal bits on one thread and on four.
#[test]
fn threads_change_nothing() {
    let room = Room { name: "small", size_m: [2.9, 2.1, 2.2], admittance: (0.008, 0.03) };
    let conditions = Conditions { seconds: 1.5, ..Conditions::plain(2, 55.0) };
    let measured = measure(&scene(&room, &conditions, 5), &conditions, 5);
    let places = places(&measured);
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let set = pool.install(|| fit(&places, &FitSettings::default()));
        assert!(!set.modes.is_empty());
        format!("{set:?}")
    };
    assert_eq!(run(1), run(4));
}

/// Nothing to fit: no place, silence, a record of nothing but noise, NaN.
#[test]
fn nothing_is_claimed_from_nothing() {
    let settings = FitSettings::default();
    assert!(fit(&[], &settings).modes.is_empty());
    let silence = vec![0.0; 4000];
    assert!(fit(&[Place::new("p", "s", &silence, RATE_HZ, 0.1)], &settings).modes.is_empty());
    let broken = vec![f64::NAN; 4000];
    assert!(fit(&[Place::new("p", "s", &broken, RATE_HZ, 0.1)], &settings).modes.is_empty());
    let mut draws = synthetic::Draws::new(3);
    let noise: Vec<f64> = (0..6000).map(|_| draws.normal()).collect();
    let set = fit(&[Place::new("p", "s", &noise, RATE_HZ, 0.0)], &settings);
    assert!(set.modes.iter().all(|m| m.kind != Kind::Mode), "{:?}", set.modes);
}

/// What a fit leaves is the noise, whatever its colour, beside hum and behind a loudspeaker: the tail tells.
#[test]
fn the_residual_is_the_noise_of_the_tail() {
    let room = Room { name: "small", size_m: [2.9, 2.1, 2.2], admittance: (0.008, 0.03) };
    let base = Conditions::plain(2, 60.0);
    let all = [
        ("white", base.clone()),
        ("12 dB/oct", Conditions { noise_power: 4.0, ..base.clone() }),
        ("hum", Conditions { hum_db: Some(-30.0), ..base.clone() }),
        ("loudspeaker", Conditions { loudspeaker_hz: Some(25.0), ..base }),
    ];
    for (name, conditions) in all {
        let measured = measure(&scene(&room, &conditions, 9), &conditions, 9);
        let mut settings = FitSettings::default();
        settings.refits = false;
        let set = fit(&places(&measured), &settings);
        let levels: Vec<f64> = set.residual_over_noise.iter().map(|r| 10.0 * r.unwrap().log10()).collect();
        println!("{name}: {levels:.2?} dB");
        assert!(levels.iter().all(|db| db.abs() < 1.8), "{name}: {levels:?}");
    }
}
