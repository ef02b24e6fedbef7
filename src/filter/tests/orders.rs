//! Which Butterworth order meets class 1, in closed form: the table that the order was chosen from.
//!
//! Computed for this project (double precision) from IEC 61260-1:2014, Table 1, and Butterworth's formula
//! |H|² = 1/(1 + u^2N); tolerance: the last printed digit.

use super::super::butterworth::{Cascade, ORDER};
use super::super::{Band, Fraction};
use super::mask::{G, STOP, breakpoint, limit};
use biquad::Coefficients;
use rustfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};

/// Attenuation in dB of an order at a distance u from the centre of the transformed axis.
fn attenuation_db(u: f64, order: i32) -> f64 {
    10.0 * u.powi(2 * order).ln_1p() / std::f64::consts::LN_10
}

/// Distance u of a frequency, band edges at ±1; `axis` maps hertz to the axis the band-pass is designed on.
fn distance(band: Band, hz: f64, axis: impl Fn(f64) -> f64) -> f64 {
    let (lower, upper, at) = (axis(band.lower_hz), axis(band.upper_hz), axis(hz));
    (at * at - lower * upper) / ((upper - lower) * at)
}

/// Least distance to the stop band's limits, in dB; negative is outside.
fn stop_margin_db(fraction: Fraction, band: Band, order: i32, rate_hz: Option<f64>) -> f64 {
    let b = f64::from(fraction.designator());
    let axis = |hz: f64| rate_hz.map_or(hz, |rate_hz| (PI * hz / rate_hz).tan());
    let at = |hz: f64| attenuation_db(distance(band, hz, axis), order);
    let (edge, last) = (breakpoint(0.5, b), breakpoint(4.0, b));
    // The limits bend at the breakpoints; 1e-9 keeps the first of them on the edge's outer side.
    let between = (0..=400).map(|i| edge * (last / edge).powf(f64::from(i) / 400.0));
    let stop = between.chain(STOP.map(|(x, _)| breakpoint(x, b))).map(|omega| omega * (1.0 + 1e-9));
    stop.flat_map(|omega| [(omega, band.centre_hz * omega), (omega, band.centre_hz / omega)])
        .filter(|(_, hz)| rate_hz.is_none_or(|rate_hz| *hz < 0.499 * rate_hz))
        .map(|(omega, hz)| at(hz) - at(band.centre_hz) - limit(&STOP, omega, b))
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn analogue_orders_keep_the_distance_computed() {
    for (fraction, order, margin_db) in [
        (Fraction::Octave, 2, -18.2),
        (Fraction::Third, 2, -17.1),
        (Fraction::Octave, 3, 1.75),
        (Fraction::Third, 3, 1.81),
        (Fraction::Octave, 4, 1.81),
        (Fraction::Third, 4, 1.81),
        (Fraction::Octave, 6, 1.81),
        (Fraction::Third, 6, 1.81),
    ] {
        let found = stop_margin_db(fraction, fraction.band(0), order, None);
        let digit = if margin_db < 0.0 { 0.06 } else { 0.006 };
        assert!(
            (found - margin_db).abs() < digit,
            "{fraction:?}, order {order}: {found}, computed {margin_db}"
        );
    }
}

/// Effective bandwidth (5.11, 5.12) of the analogue orders, in dB over the reference (ln G)/b.
#[test]
fn analogue_orders_deviate_in_bandwidth_as_computed() {
    for (order, octave_db, third_db) in
        [(2, 0.359, 0.440), (3, 0.165, 0.196), (4, 0.094, 0.110), (6, 0.042, 0.049)]
    {
        for (fraction, expected_db) in [(Fraction::Octave, octave_db), (Fraction::Third, third_db)] {
            let (band, b) = (fraction.band(0), f64::from(fraction.designator()));
            let step = G.ln() / (200.0 * b);
            let at = |i: i32| distance(band, band.centre_hz * (f64::from(i) * step).exp(), |hz| hz);
            let area: f64 = (-4_000..=4_000).map(|i| step / (1.0 + at(i).powi(2 * order))).sum();
            let found_db = 10.0 * (area * b / G.ln()).log10();
            assert!((found_db - expected_db).abs() < 6e-4, "{fraction:?}, order {order}: {found_db:.4}");
        }
    }
}

/// Bands (steps from 1 kHz) that an order loses, and by how many dB.
type Fails = &'static [(i32, f64)];

/// At full rate the bilinear transformation flattens the lower skirt: order 3 loses the top bands, order 4 none.
#[test]
fn at_full_rate_order_3_loses_the_top_bands_and_order_4_none() {
    let expected: [(f64, Fraction, Fails); 6] = [
        (44_100.0, Fraction::Octave, &[(3, -0.07)]),
        (44_100.0, Fraction::Third, &[(11, -2.2), (12, -6.4)]),
        (48_000.0, Fraction::Octave, &[(4, -7.2)]),
        (48_000.0, Fraction::Third, &[(11, -1.1), (12, -4.6), (13, -10.5)]),
        (96_000.0, Fraction::Octave, &[]),
        (96_000.0, Fraction::Third, &[]),
    ];
    for (rate_hz, fraction, fails) in expected {
        let all = if fraction == Fraction::Octave { -5..=4 } else { -17..=13 };
        let fits = |step: &i32| fraction.band(*step).upper_hz * 2.05 <= rate_hz;
        for step in all.filter(fits) {
            let margin_db = |order| stop_margin_db(fraction, fraction.band(step), order, Some(rate_hz));
            let at_3_db = margin_db(3);
            match fails.iter().find(|(failing, _)| *failing == step) {
                Some((_, computed_db)) => {
                    let digit = if *computed_db > -0.1 { 0.006 } else { 0.06 };
                    assert!(
                        (at_3_db - computed_db).abs() < digit,
                        "{rate_hz} {fraction:?} {step}: {at_3_db}"
                    );
                }
                None => assert!(at_3_db > 0.0, "{rate_hz} {fraction:?} {step}: {at_3_db}"),
            }
            let own = i32::try_from(ORDER).expect("a small order");
            assert!(margin_db(own) > 0.0 && margin_db(6) > 0.0, "{rate_hz} {fraction:?} {step}");
        }
    }
}

/// Multiplies two polynomials in z⁻¹.
fn product(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut all = vec![0.0; a.len() + b.len() - 1];
    for (i, x) in a.iter().enumerate() {
        for (j, y) in b.iter().enumerate() {
            all[i + j] += x * y;
        }
    }
    all
}

/// Why sections: multiplied out to one numerator and denominator, a third at 20 Hz and 48 kHz is off by tens of
/// decibels at its own centre; the sections read 0 there.
#[test]
fn one_long_polynomial_would_lose_a_low_third() {
    let (band, rate_hz) = (Fraction::Third.band(-17), 48_000.0);
    let cascade = Cascade::new(&band, rate_hz).expect("the rate carries the band");
    let multiply = |of: fn(&Coefficients<f64>) -> [f64; 3]| {
        cascade.sections().iter().fold(vec![1.0], |all, section| product(&all, &of(section)))
    };
    let (above, below) = (multiply(|c| [c.b0, c.b1, c.b2]), multiply(|c| [1.0, c.a1, c.a2]));
    let turn = Complex::from_polar(1.0, -TAU * band.centre_hz / rate_hz);
    let at = |polynomial: &[f64]| polynomial.iter().rev().fold(Complex::from(0.0), |sum, c| sum * turn + c);
    let long_db = 20.0 * (at(&above) / at(&below)).norm().log10();
    let sections_db = 20.0 * cascade.gain_at(band.centre_hz).norm().log10();
    assert!(sections_db.abs() < 1e-4, "{sections_db}");
    assert!(long_db.abs() > 10.0, "{long_db}");
}
