//! What may not change a result.

use super::super::{BandDecay, Signal as Usable, Value, average, band_decays, bank};
use super::signals::{Signal, db, seconds, time, value};
use crate::filter::Fraction;
use crate::flag::Flag;

fn room(rate_hz: f64) -> Signal {
    Signal::noise_decay(11, rate_hz, 0.6, 2.0).with_floor(12, 1e-3)
}

/// Times, ratios and flags must agree to `tolerance`, relative; levels must differ by `gain`.
fn assert_same(a: &[BandDecay], b: &[BandDecay], tolerance: f64, gain: f64) {
    assert_eq!(a.len(), b.len());
    for (a, b) in a.iter().zip(b) {
        let close = |x: Value, y: Value| match (x, y) {
            (Ok(x), Ok(y)) => (x - y).abs() <= tolerance * x.abs(),
            (Err(x), Err(y)) => x == y,
            _ => false,
        };
        for (x, y) in [
            (a.edt_s, b.edt_s),
            (seconds(a.t20_s), seconds(b.t20_s)),
            (seconds(a.t30_s), seconds(b.t30_s)),
            (a.c50, b.c50),
            (a.c80, b.c80),
            (a.d50, b.d50),
            (a.ts_s, b.ts_s),
            (a.peak_to_noise, b.peak_to_noise),
            (a.decay_range, b.decay_range),
            (a.level.map(|level| level * gain * gain), b.level),
        ] {
            assert!(close(x, y), "{} Hz: {x:?} {y:?}", a.band.centre_hz);
        }
        assert_eq!(a.flags, b.flags);
    }
}

#[test]
fn gain_and_polarity_change_only_the_level() {
    let signal = room(48_000.0);
    for gain in [-1.0, 1e-4, 300.0] {
        let mut other = signal.clone();
        other.samples.iter_mut().for_each(|sample| *sample *= gain);
        assert_same(&signal.bands(Fraction::Third), &other.bands(Fraction::Third), 1e-9, gain);
    }
}

/// Decimation is aligned with the direct sound, so even odd delays leave every bit but the ringing before it.
#[test]
fn delay_changes_nothing() {
    let signal = room(48_000.0);
    for delay in [1, 7, 96_000] {
        let mut other = signal.clone();
        other.samples.splice(0..0, std::iter::repeat_n(0.0, delay));
        other.onset += delay;
        assert_same(&signal.bands(Fraction::Third), &other.bands(Fraction::Third), 1e-9, 1.0);
    }
}

#[test]
fn appended_silence_changes_nothing() {
    let signal = room(48_000.0);
    let mut other = signal.clone();
    other.samples.extend(std::iter::repeat_n(0.0, 100_000));
    assert_same(&signal.bands(Fraction::Octave), &other.bands(Fraction::Octave), 0.0, 1.0);
    // The same when the caller, not the zeros, says where the record ends.
    let mut faded = signal.clone();
    faded.samples.extend((0..9_000).map(|k| 1e-7 * f64::from(k % 5)));
    let usable = Usable { samples: &faded.samples[..signal.samples.len()], ..faded.usable() };
    let cut = band_decays(&usable, Fraction::Octave, &bank(Fraction::Octave, faded.rate_hz));
    assert_same(&signal.bands(Fraction::Octave), &cut, 0.0, 1.0);
}

/// A band-limited response at 96 kHz, and every other sample of it.
#[test]
fn halving_the_rate_changes_no_time() {
    let mut signal = Signal::made(96_000.0, 2.0, |t| {
        let tone = |hz: f64, t60: f64| (-6.907_755 * t / t60).exp() * (std::f64::consts::TAU * hz * t).sin();
        (1..40).map(|n| tone(37.0 * f64::from(n) + f64::from(n * n), 0.4 + 0.01 * f64::from(n))).sum()
    });
    signal.onset = signal.onset / 2 * 2;
    let halved = Signal {
        samples: signal.samples.iter().step_by(2).copied().collect(),
        rate_hz: 48_000.0,
        onset: signal.onset / 2,
    };
    let (full, half) = (signal.bands(Fraction::Third), halved.bands(Fraction::Third));
    for (full, half) in full.iter().zip(&half).filter(|(f, _)| (40.0..2_500.0).contains(&f.band.centre_hz)) {
        for (a, b) in [
            (full.edt_s, half.edt_s),
            (seconds(full.t20_s), seconds(half.t20_s)),
            (seconds(full.t30_s), seconds(half.t30_s)),
        ] {
            if let (Ok(a), Ok(b)) = (a, b) {
                assert!((a / b - 1.0).abs() < 0.01, "{} Hz: {a:?} {b:?}", full.band.centre_hz);
            } else {
                assert_eq!(a.is_ok(), b.is_ok(), "{} Hz: {a:?} {b:?}", full.band.centre_hz);
            }
        }
        // fs Σp² falls fourfold when every other sample of the same pressure is left.
        let fall_db = db(full.level) - db(half.level);
        assert!((fall_db - 6.02).abs() < 0.1, "{} Hz {fall_db}", full.band.centre_hz);
    }
}

/// Rates that can't carry a band, records without decay and nonsense onsets: a row with a reason, never a panic.
#[test]
fn anything_gives_every_band_a_row() {
    let silence = vec![0.0; 5_000];
    let click = [0.0, 1.0, 0.0];
    let noise: Vec<f64> = Signal::made(48_000.0, 1.0, |_| 0.0).with_floor(4, 0.1).samples;
    for samples in [&[][..], &silence, &click, &noise] {
        for (rate_hz, onset_s) in
            [(48_000.0, 0.0), (8_000.0, 0.01), (1.0, 0.0), (48_000.0, -3.0), (48_000.0, 1e9)]
        {
            let signal = Usable { samples, rate_hz, onset_s };
            let rows = band_decays(&signal, Fraction::Third, &bank(Fraction::Third, 48_000.0));
            assert_eq!(rows.len(), 31);
            assert!(rows.iter().all(|row| row.t20_s.is_err() && !row.flags.is_empty()));
        }
    }
    let above = room(44_100.0).bands(Fraction::Third);
    assert_eq!(above[30].t20_s, Err(Flag::AboveRate));
    assert!(above[29].t20_s.is_ok());
}

/// ISO 3382-2:2008: the arithmetic mean over positions; sd the larger of formula and scatter.
#[test]
fn the_average_is_the_mean_of_those_that_have_the_value() {
    let rows: Vec<BandDecay> = (0..4)
        .map(|seed| {
            Signal::noise_decay(seed, 48_000.0, 0.5, 1.5).with_floor(9, 1e-3).band(Fraction::Octave, 500.0)
        })
        .collect();
    let mut deaf = rows[0].clone();
    deaf.t20_s = Err(Flag::RangeT20);
    let places: Vec<&[BandDecay]> =
        rows.iter().chain(std::iter::once(&deaf)).map(std::slice::from_ref).collect();
    let mean = &average(&places)[0];
    let times: Vec<f64> = rows.iter().map(|row| time(row.t20_s)).collect();
    let expected = times.iter().sum::<f64>() / 4.0;
    assert!((time(mean.t20_s) - expected).abs() < 1e-12);
    let scatter = (times.iter().map(|t| (t - expected).powi(2)).sum::<f64>() / 3.0 / 4.0).sqrt();
    let formula = super::super::line::T20_SPREAD.sd_s(expected, mean.band.bandwidth_hz(), 4);
    let sd = mean.t20_s.ok().and_then(|t| t.sd).expect("an sd");
    assert!((sd - formula.max(scatter)).abs() < 1e-12);
    let least = places.iter().map(|row| value(row[0].peak_to_noise)).fold(f64::MAX, f64::min);
    assert!((value(mean.peak_to_noise) - least).abs() < 1e-12);
    assert!(mean.flags.has(Flag::SomePositions));
    assert!(average(&[]).is_empty());
    let deaf = std::slice::from_ref(&deaf);
    let none = &average(&[deaf, deaf])[0];
    assert_eq!(none.t20_s, Err(Flag::RangeT20));
    assert!(none.flags.has(Flag::RangeT20) && !none.flags.has(Flag::SomePositions));
}

/// A bend that one position can't tell from chance shows in the mean of many (sd of T30/T20 − 1 falls as 1/√N).
#[test]
fn the_average_sees_a_bend_that_one_position_can_not() {
    let mut row =
        Signal::tone_decay(125.893, 48_000.0, 0.6, 2.0).with_floor(2, 1e-5).band(Fraction::Third, 125.893);
    row.curvature = Ok(0.3);
    row.t30_s = row.t20_s.map(|t| t.scaled(1.3));
    let one = std::slice::from_ref(&row);
    let many: Vec<&[BandDecay]> = std::iter::repeat_n(one, 12).collect();
    assert!(!average(&[one])[0].flags.has(Flag::Curved));
    assert!(average(&many)[0].flags.has(Flag::Curved));
}
