//! Closed forms: decays whose time, clarity and level are known by formula.

use super::*;
use crate::room::simulate::Gauss;
use approx::assert_relative_eq;

/// Gaussian noise under an exponential envelope: a diffuse decay.
fn noise_decay(t60_s: f64, rate_hz: f64, seconds: f64, floor_db: f64, seed: u64) -> Vec<f64> {
    let mut gauss = Gauss::new(seed);
    let floor = 10.0_f64.powf(floor_db / 20.0);
    (0..(seconds * rate_hz) as usize)
        .map(|n| {
            let envelope = (-6.907_755 * n as f64 / rate_hz / t60_s).exp();
            envelope * gauss.normal() + floor * gauss.normal()
        })
        .collect()
}

/// A band far wider than 1/T, made of one pure decaying tone at its centre.
fn tone_decay(hz: f64, t60_s: f64, rate_hz: f64, seconds: f64) -> Vec<f64> {
    (0..(seconds * rate_hz) as usize)
        .map(|n| {
            let t = n as f64 / rate_hz;
            (-6.907_755_279 * t / t60_s).exp() * (std::f64::consts::TAU * hz * t).cos()
        })
        .collect()
}

fn bands(samples: &[f64], rate_hz: f64, onset_s: f64) -> Vec<BandDecay> {
    band_decays(&Signal { samples, rate_hz, onset_s }, Fraction::Octave, &bank(Fraction::Octave, rate_hz))
}

fn at(bands: &[BandDecay], hz: f64) -> &BandDecay {
    bands
        .iter()
        .min_by(|a, b| (a.band.centre_hz / hz).ln().abs().total_cmp(&(b.band.centre_hz / hz).ln().abs()))
        .unwrap_or_else(|| unreachable!("there are bands"))
}

/// A pure tone's decay has a geometric energy sum; behind the filter it keeps its slope. The tone's
/// own ripple at twice its frequency leaves 0.2 %.
#[test]
fn a_pure_decay_keeps_its_time() {
    for t60_s in [0.1, 0.3, 1.0, 3.0, 10.0] {
        let samples = tone_decay(1000.0, t60_s, 16_000.0, (1.3 * t60_s).max(0.3));
        let found = bands(&samples, 16_000.0, 0.0);
        let band = at(&found, 1000.0);
        for reading in [&band.t20_s, &band.t30_s] {
            let value = reading.map(|e| e.value).unwrap_or(f64::NAN);
            assert_relative_eq!(value, t60_s, epsilon = 0.0, max_relative = 4e-3);
        }
    }
}

/// Over noise 60 dB down, on the mean of 12 draws: T20 and T30 within 1 %, EDT within 3 %, once the
/// draws' own scatter (the standard's formula) is allowed for.
#[test]
fn noise_decays_are_read_without_bias() {
    let t60_s = 0.6;
    let draws = 12;
    let mut sums = [0.0; 3];
    let hz = 2000.0;
    for seed in 0..draws {
        let samples = noise_decay(t60_s, 16_000.0, 1.5, -60.0, seed);
        let found = bands(&samples, 16_000.0, 0.0);
        let band = at(&found, hz);
        sums[0] += band.t20_s.map(|e| e.value).unwrap_or(f64::NAN);
        sums[1] += band.t30_s.map(|e| e.value).unwrap_or(f64::NAN);
        sums[2] += band.edt_s.unwrap_or(f64::NAN);
    }
    let bt = 0.704_592 * hz * t60_s;
    let sd = |a: f64| a * (1.2 / bt / draws as f64).sqrt();
    for (sum, limit) in sums.iter().zip([0.01 + 2.0 * sd(0.88), 0.01 + 2.0 * sd(0.55), 0.03 + 2.0 * sd(2.0)])
    {
        let error = sum / draws as f64 / t60_s - 1.0;
        assert!(error.abs() < limit, "{error} against {limit}");
    }
}

/// Too little peak-to-noise: an empty value with its reason, never a wrong one; enough: a value.
#[test]
fn below_the_range_there_is_no_value() {
    // Octave at 2 kHz of white noise: the in-band ratio is the envelope's own.
    for (floor_db, t20, t30) in [(-20.0, false, false), (-39.0, true, false), (-60.0, true, true)] {
        let samples = noise_decay(0.5, 16_000.0, 1.5, floor_db, 7);
        let found = bands(&samples, 16_000.0, 0.0);
        let band = at(&found, 2000.0);
        assert_eq!((band.t20_s.is_ok(), band.t30_s.is_ok()), (t20, t30), "{floor_db}: {band:?}");
        if !t20 {
            assert_eq!(band.t20_s, Err(Flag::RangeT20));
        }
    }
}

/// ISO 3382-1:2009, A.10 to A.13 for p² = e^(−13.8155 t/T): C = 10 lg(e^(13.8155 te/T) − 1), D50, Ts
/// (computed table: T = 0.3 s gives 9.54 dB, 15.89 dB, 0.9000, 21.7 ms; 1 s: −0.02, 3.05, 0.4988, 72.4).
#[test]
fn clarity_of_a_pure_decay_follows_its_formula() {
    for (t60_s, c50, c80, d50, ts) in [
        (0.3, 9.54, 15.89, 0.9000, 0.0217),
        (0.5, 4.74, 9.10, 0.7488, 0.0362),
        (1.0, -0.02, 3.05, 0.4988, 0.0724),
    ] {
        for hz in [1000.0, 4000.0] {
            let mut samples = vec![0.0; 4_800];
            samples.extend(tone_decay(hz, t60_s, 48_000.0, 1.4 * t60_s));
            let found = bands(&samples, 48_000.0, 0.1);
            let band = at(&found, hz);
            let db = |value: Value| 10.0 * value.unwrap_or(f64::NAN).log10();
            assert!((db(band.c50) - c50).abs() < 0.15, "{hz} {t60_s} C50 {}", db(band.c50));
            assert!((db(band.c80) - c80).abs() < 0.15, "{hz} {t60_s} C80 {}", db(band.c80));
            assert!((band.d50.unwrap_or(f64::NAN) - d50).abs() < 0.005, "{hz} {t60_s} {:?}", band.d50);
            assert!((band.ts_s.unwrap_or(f64::NAN) - ts).abs() < 0.001, "{hz} {t60_s} {:?}", band.ts_s);
        }
    }
}

/// Two slopes, E = e^(−kt/T1) + 10^(d/10) e^(−kt/T2): EDT, T20, T30, C, ξ computed from the formula in
/// double precision (0.5 s, 1.5 s, −20 dB: 0.5076, 0.5460, 0.6697 s, 22.64 %, 1.09 and 17.16 per mille).
#[test]
fn two_slopes_are_read_as_the_lines_say() {
    let rate_hz = 16_000.0;
    let (t1, t2, share) = (0.5, 1.5, 10.0_f64.powf(-2.0));
    let k = 13.815_510_558;
    // p² is the slope of E: each term weighs with its own decay rate.
    let samples: Vec<f64> = (0..32_000)
        .map(|n| {
            let t = n as f64 / rate_hz;
            let power = (-k * t / t1).exp() / t1 + share * (-k * t / t2).exp() / t2;
            power.sqrt() * (std::f64::consts::TAU * 2000.0 * t).cos()
        })
        .collect();
    let found = bands(&samples, rate_hz, 0.0);
    let band = at(&found, 2000.0);
    let value = |reading: &Reading| reading.map(|e| e.value).unwrap_or(f64::NAN);
    assert_relative_eq!(band.edt_s.unwrap_or(f64::NAN), 0.5076, epsilon = 0.0, max_relative = 0.02);
    assert_relative_eq!(value(&band.t20_s), 0.5460, epsilon = 0.0, max_relative = 0.005);
    assert_relative_eq!(value(&band.t30_s), 0.6697, epsilon = 0.0, max_relative = 0.005);
    assert!((band.curvature.unwrap_or(f64::NAN) - 0.2264).abs() < 0.008, "{:?}", band.curvature);
    assert!(
        (band.nonlinearity_t30.unwrap_or(f64::NAN) - 0.017_16).abs() < 0.001,
        "{:?}",
        band.nonlinearity_t30
    );
    assert!(band.flags.has(Flag::Curved) && band.flags.has(Flag::NotStraight), "{}", band.flags);
}

/// A unit sample has the spectrum 1 at every frequency: fs·Σp²/B is 2 (both signs of frequency), at any
/// rate; the filter's own bandwidth is 0.1 dB off the nominal one.
#[test]
fn the_level_of_a_unit_sample_is_the_same_at_every_rate() {
    for rate_hz in [16_000.0, 48_000.0] {
        let mut samples = vec![0.0; 16_000];
        samples[4_000] = 1.0;
        let found = bands(&samples, rate_hz, 4_000.0 / rate_hz);
        let level_db = 10.0 * at(&found, 1000.0).level.unwrap_or(f64::NAN).log10();
        assert!((level_db - 3.01).abs() < 0.2, "{rate_hz}: {level_db}");
    }
}

/// Gain, polarity and delay change nothing but the level; appended silence nothing at all.
#[test]
fn laws() {
    let plain = noise_decay(0.5, 16_000.0, 1.5, -65.0, 3);
    let reference = bands(&plain, 16_000.0, 0.0);
    let louder: Vec<f64> = plain.iter().map(|x| -0.01 * x).collect();
    let mut later = vec![0.0; 3_200];
    later.extend(&plain);
    for (samples, onset_s) in [(&louder, 0.0), (&later, 0.2)] {
        for (a, b) in reference.iter().zip(&bands(samples, 16_000.0, onset_s)) {
            assert_eq!(a.t20_s.is_ok(), b.t20_s.is_ok(), "{}", a.band.centre_hz);
            if let (Ok(a), Ok(b)) = (a.t20_s, b.t20_s) {
                assert_relative_eq!(a.value, b.value, epsilon = 0.0, max_relative = 2e-3);
            }
        }
    }
}

/// Bands that the rate can't carry have a row that says so; a filter that rings as long as the decay
/// voids the value.
#[test]
fn what_the_rate_or_the_filter_can_not_carry_is_empty() {
    let found = bands(&noise_decay(0.5, 8_000.0, 1.5, -70.0, 5), 8_000.0, 0.0);
    assert_eq!(at(&found, 8000.0).t20_s, Err(Flag::AboveRate));
    // Octave at 31.5 Hz: 22 Hz wide, so T must exceed 0.18 s.
    let found = bands(&tone_decay(31.6, 0.1, 8_000.0, 0.6), 8_000.0, 0.0);
    assert!(at(&found, 31.5).t20_s.is_err());
}
