//! Decaying noise: single decays scatter by chance, their mean must not lie.

use super::super::{NarrowRecord, narrow_t20};
use super::signals::{Signal, time};
use crate::filter::Fraction;

/// Schroeder (JASA 37 (1965) 409): the integrated curve is the mean over an ensemble, so summed curves of many
/// noise decays give T. B·T = 16 behind a narrow band, 60 dB, 400 decays: 1 % is 2.2 sd of ISO 3382-1, eq. (4).
#[test]
fn summed_curves_of_noise_decays_give_the_time_at_bt_16() {
    for (lower_hz, upper_hz, t60_s) in [(40.0, 60.0, 0.8), (89.125, 112.202, 0.7)] {
        let signals: Vec<Vec<f32>> = (0..400)
            .map(|seed| {
                let signal = Signal::noise_decay(seed, 2_000.0, t60_s, 2.0).with_floor(seed + 9_000, 1e-3);
                signal.samples.iter().map(|sample| *sample as f32).collect()
            })
            .collect();
        let place = |samples| NarrowRecord { samples, rate_hz: 2_000.0, onset_s: 0.02 };
        let places: Vec<NarrowRecord> = signals.iter().map(|samples| place(samples)).collect();
        let t20_s = time(narrow_t20(&places, lower_hz, upper_hz));
        assert!((t20_s / t60_s - 1.0).abs() < 0.01, "{lower_hz} Hz: {t20_s} for {t60_s}");
    }
}

/// Single decays: the middle one lies at T within the standard error, and the scatter is that of ISO 3382-1:2009,
/// equations (4) and (5), which assume an ideal band (tolerance 20 %).
#[test]
fn single_noise_decays_scatter_as_the_standard_says() {
    let t60_s = 0.6;
    let draws = 120;
    let rows: Vec<_> = (0..draws)
        .map(|seed| {
            Signal::noise_decay(seed, 6_000.0, t60_s, 1.2).with_floor(seed + 500, 1e-3).bands(Fraction::Third)
        })
        .collect();
    for hz in [316.0, 631.0, 1_259.0] {
        let band = rows[0].iter().position(|b| b.band.lower_hz < hz && hz < b.band.upper_hz).expect("a band");
        for (range, tolerance) in [(0, 0.20), (1, 0.20)] {
            let pick = |row: &Vec<super::super::BandDecay>| [row[band].t20_s, row[band].t30_s][range];
            let mut times: Vec<f64> = rows.iter().map(|row| time(pick(row))).collect();
            let formula = pick(&rows[0]).ok().and_then(|t| t.sd).expect("an sd") * (t60_s / times[0]).sqrt();
            let mean = times.iter().sum::<f64>() / draws as f64;
            let sd = (times.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / (draws - 1) as f64).sqrt();
            times.sort_by(f64::total_cmp);
            let middle = times[draws as usize / 2];
            assert!(
                (middle / t60_s - 1.0).abs() < 3.0 * 1.25 * formula / t60_s / (draws as f64).sqrt() + 0.01,
                "{hz} {middle}"
            );
            assert!((sd / formula - 1.0).abs() < tolerance, "{hz} Hz: sd {sd}, formula {formula}");
        }
    }
}
