//! IEC 61260-1:2014, class 1, on the filters as they run: every band of both fractions, at three rates.
//!
//! The limits are those of Table 1 of the 2014 edition (the 1995 edition's, ±0.3 dB at the centre and 2 dB at the
//! edge, are still about), as independent public implementations quote them.

use super::super::{Band, Bank, Fraction};
use super::run;
use std::f64::consts::{PI, TAU};

/// Octave ratio of base ten (5.2).
pub const G: f64 = 1.995_262_314_968_879_5;
const RATES_HZ: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];

/// Pass band: exponent x of Ω = G^x for octaves, and the largest relative attenuation in dB; the least is −0.4.
const PASS: [(f64, f64); 5] = [(0.0, 0.4), (0.125, 0.5), (0.25, 0.7), (0.375, 1.4), (0.5, 5.3)];
const PASS_LEAST_DB: f64 = -0.4;
/// Stop band: exponent and the least relative attenuation in dB; from the last on it stays.
pub const STOP: [(f64, f64); 5] = [(0.5, 1.2), (1.0, 16.6), (2.0, 40.5), (3.0, 60.0), (4.0, 70.0)];

/// Breakpoint of a fraction 1/b above the centre (5.10.3, formula 9); below, its reciprocal (formula 10).
pub fn breakpoint(exponent: f64, b: f64) -> f64 {
    1.0 + (G.powf(exponent) - 1.0) * (G.powf(0.5 / b) - 1.0) / (G.sqrt() - 1.0)
}

/// Between two breakpoints a limit runs straight over lg Ω (5.10.6, formula 11).
pub fn limit(table: &[(f64, f64)], omega: f64, b: f64) -> f64 {
    let points: Vec<(f64, f64)> = table.iter().map(|(x, db)| (breakpoint(*x, b).ln(), *db)).collect();
    let place = omega.ln();
    let (first, last) = (points[0], points[points.len() - 1]);
    if place >= last.0 {
        return last.1;
    }
    let above = points.iter().position(|p| p.0 > place).unwrap_or(1).max(1);
    let (low, high) =
        if place <= first.0 { (points[0], points[1]) } else { (points[above - 1], points[above]) };
    low.1 + (place - low.0).max(0.0) / (high.0 - low.0) * (high.1 - low.1)
}

/// What Table 1 allows at a ratio Ω ≥ 1 to the centre: least and largest relative attenuation in dB.
fn allowed(omega: f64, b: f64) -> (f64, f64) {
    if omega < breakpoint(0.5, b) {
        (PASS_LEAST_DB, limit(&PASS, omega, b))
    } else {
        (limit(&STOP, omega, b), f64::INFINITY)
    }
}

/// Ratios Ω > 1 to test: each breakpoint, just inside and outside the edge, and between them; then octave by octave.
fn ratios(b: f64) -> Vec<f64> {
    let pass = PASS[1..].iter().map(|(x, _)| *x).flat_map(|x| [x - 0.0625, x]);
    let stop = STOP[1..].iter().map(|(x, _)| *x).flat_map(|x| [0.8 * x, x]);
    let edge = breakpoint(0.5, b);
    let far = (1..8).map(|n| breakpoint(4.0, b) * 2.2_f64.powi(n));
    let near = pass.chain(stop).map(|x| breakpoint(x, b)).filter(|omega| (omega - edge).abs() > 1e-9);
    near.chain([edge * 0.9999, edge * 1.0001]).chain(far).collect()
}

/// Level of a steady tone behind a band, as run: backwards in time, decimated, squared and summed. In dB.
fn tone_level_db(band: Band, rate_hz: f64, hz: f64) -> f64 {
    let grain_s = 1.0 / band.bandwidth_hz();
    // From the end, where the run starts: a fade, 4/B to settle, whole cycles of the tone, and a hard edge's distance.
    let window_s = ((4.0 * grain_s).max(0.05) * hz).ceil() / hz;
    let fade_s = (3.0 * grain_s).max(4.0 / hz);
    let from_s = 0.5 * grain_s;
    let samples = soft_tone(hz, rate_hz, from_s + window_s + 4.0 * grain_s + fade_s, fade_s);
    let integral = run(band, rate_hz, &samples, 0, [1.0, 1.0]);
    let entry = |time_s: f64| (time_s * integral.rate_hz).round();
    let (from, to) = (entry(from_s), entry(from_s + window_s));
    let at = |entry: f64| integral.to_come[integral.zero + entry as usize];
    10.0 * ((at(from) - at(to)) * integral.rate_hz / (to - from)).log10()
}

/// A tone of amplitude 1 that ends in a fade, so that the start of the run is no click.
fn soft_tone(hz: f64, rate_hz: f64, length_s: f64, fade_s: f64) -> Vec<f64> {
    let length = (length_s * rate_hz) as usize;
    let fade = (fade_s * rate_hz) as usize;
    // 2 cos(φ)·x[k] − x[k−1]: a cosine to 1e-9 over these lengths, at a fraction of the cost.
    let turn = 2.0 * (TAU * hz / rate_hz).cos();
    let mut last = [(TAU * hz / rate_hz).cos(), 1.0];
    let mut tone = || {
        let next = turn * last[1] - last[0];
        last = [last[1], next];
        next
    };
    let mut samples: Vec<f64> = (0..length).map(|_| tone()).collect();
    for (left, sample) in samples.iter_mut().rev().take(fade).enumerate() {
        *sample *= 0.5 - 0.5 * (PI * left as f64 / fade as f64).cos();
    }
    samples
}

/// Worst distance to the mask over all ratios, in dB; negative is outside. With where it lies.
fn margin(band: Band, fraction: Fraction, rate_hz: f64, attenuation: impl Fn(f64) -> f64) -> (f64, f64) {
    let b = f64::from(fraction.designator());
    let mut worst = (f64::INFINITY, 0.0);
    for (omega, up) in ratios(b).into_iter().flat_map(|omega| [(omega, true), (omega, false)]) {
        let hz = if up { band.centre_hz * omega } else { band.centre_hz / omega };
        // Far below, limit and skirt only fall on; far above, what folds down must be looked at.
        let far_below = !up && omega > 1.001 * breakpoint(4.0, b);
        if hz > 0.499 * rate_hz || far_below {
            continue;
        }
        let (least, most) = allowed(omega, b);
        let found = attenuation(hz);
        let distance = (found - least).min(most - found);
        if distance < worst.0 {
            worst = (distance, hz);
        }
    }
    worst
}

fn every_band() -> impl Iterator<Item = (Fraction, Band, f64)> {
    let all = |rate_hz| {
        [Fraction::Octave, Fraction::Third]
            .into_iter()
            .flat_map(move |fraction| fraction.bands().into_iter().map(move |band| (fraction, band, rate_hz)))
    };
    RATES_HZ.into_iter().flat_map(all).filter(|(_, band, rate_hz)| *rate_hz >= 2.05 * band.upper_hz)
}

/// The mask itself: its b = 3 breakpoints as IEC 61260-3, C.2, prints them (1.02667, 0.97402) and as computed.
#[test]
pub fn breakpoints_of_thirds_are_the_printed_ones() {
    let expected = [1.0, 1.026_67, 1.055_75, 1.087_46, 1.122_02];
    for ((x, _), expected) in PASS.iter().zip(expected) {
        assert!((breakpoint(*x, 3.0) - expected).abs() < 6e-6);
    }
    assert!((1.0 / breakpoint(0.125, 3.0) - 0.974_02).abs() < 6e-6);
    for ((x, _), expected) in STOP.iter().zip([1.122_02, 1.294_37, 1.881_73, 3.053_65, 5.391_95]) {
        assert!((breakpoint(*x, 3.0) - expected).abs() < 6e-6);
    }
    assert_eq!(allowed(G.powf(3.5), 1.0).0, 65.0 + (G.powf(3.5).ln() / G.ln() - 3.5));
    assert_eq!(allowed(1e3, 1.0), (70.0, f64::INFINITY));
}

/// The whole mask on the running filter, with steady tones: every band, both fractions, three rates.
#[test]
fn every_band_meets_class_1_as_it_runs() {
    let mut bands = 0;
    for (fraction, band, rate_hz) in every_band() {
        let reference_db = tone_level_db(band, rate_hz, band.centre_hz);
        let attenuation = |hz: f64| reference_db - tone_level_db(band, rate_hz, hz);
        let (margin_db, hz) = margin(band, fraction, rate_hz, attenuation);
        assert!(
            margin_db > 0.2,
            "{fraction:?} {:.1} Hz at {rate_hz}: {margin_db:.2} dB at {hz:.1} Hz",
            band.centre_hz
        );
        bands += 1;
    }
    assert_eq!(bands, 9 + 30 + 2 * (10 + 31));
}

/// Gain of a band with every decimation ahead of it, from the designs.
fn power_gain(bank: &Bank, hz: f64) -> f64 {
    let channel = bank.channels().next().expect("the rate carries the band");
    let mut gain = channel.cascade.gain_at(hz).norm();
    let mut rate_hz = bank.rate_hz();
    while rate_hz > 1.5 * channel.rate_hz {
        gain *= super::super::half_band::HalfBand::new().gain_at(hz / rate_hz);
        rate_hz /= 2.0;
    }
    gain * gain
}

/// The designs' gain is that of the running filter, at the edges and well into both skirts; so the figures
/// below, which need a fine grid, may use it.
#[test]
fn the_designs_describe_the_running_filter() {
    for (step, rate_hz) in [(-17, 48_000.0), (-9, 44_100.0), (0, 96_000.0), (9, 48_000.0)] {
        let band = Fraction::Third.band(step);
        let bank = Bank::new(&[band], rate_hz);
        let reference_db = tone_level_db(band, rate_hz, band.centre_hz);
        for ratio in [0.7, 0.891, 0.95, 1.05, 1.122, 1.3] {
            let hz = ratio * band.centre_hz;
            let design_db = -10.0 * (power_gain(&bank, hz) / power_gain(&bank, band.centre_hz)).log10();
            let run_db = reference_db - tone_level_db(band, rate_hz, hz);
            assert!((design_db - run_db).abs() < 0.1, "{hz} Hz: design {design_db}, run {run_db}");
        }
    }
}

/// Effective bandwidth (5.11, 5.12): ∫10^(−0.1 ΔA) dΩ/Ω against (ln G)/b, class 1 within ±0.4 dB; by trapezoid on
/// Ω = G^(i/(bS)), S = 48 (IEC 61260-2, 7.2 asks for 24). A Butterworth of order 4 has 0.09 to 0.11 dB.
#[test]
fn effective_bandwidth_is_that_of_class_1() {
    for (fraction, band, rate_hz) in every_band() {
        let bank = Bank::new(&[band], rate_hz);
        let b = f64::from(fraction.designator());
        let step = G.ln() / (48.0 * b);
        let inside = (-400..=400).map(|i| band.centre_hz * (f64::from(i) * step).exp());
        let area: f64 = inside.filter(|hz| *hz < 0.5 * rate_hz).map(|hz| power_gain(&bank, hz) * step).sum();
        let deviation_db = 10.0 * (area / (G.ln() / b)).log10();
        assert!(
            deviation_db.abs() < 0.15,
            "{fraction:?} {:.1} Hz at {rate_hz}: {deviation_db:.3}",
            band.centre_hz
        );
    }
}

/// Summed outputs (5.16): a tone inside a band, energies of it and both neighbours, class 1 within +0.8 and −1.8 dB.
#[test]
fn neighbours_add_up_to_the_tone() {
    for rate_hz in RATES_HZ {
        for fraction in [Fraction::Octave, Fraction::Third] {
            let bands: Vec<Band> =
                fraction.bands().into_iter().filter(|b| rate_hz >= 2.05 * b.upper_hz).collect();
            for neighbours in bands.windows(3) {
                let banks = [0, 1, 2].map(|n| Bank::new(&[neighbours[n]], rate_hz));
                let band = neighbours[1];
                for step in 0..=12 {
                    let hz = band.lower_hz * (band.upper_hz / band.lower_hz).powf(f64::from(step) / 12.0);
                    let sum_db = 10.0 * banks.iter().map(|bank| power_gain(bank, hz)).sum::<f64>().log10();
                    assert!(-1.8 < sum_db && sum_db < 0.8, "{hz} Hz at {rate_hz}: {sum_db:.2}");
                }
            }
        }
    }
}
