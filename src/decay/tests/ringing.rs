//! What the filter's own ringing does to a decay: forward, as the table shows, and reversed, as the program runs.
//!
//! Expected energies behind the program's sections: the square of their impulse response, convolved with the
//! room's exponential. Tables computed for this project (double precision) for a Butterworth of order 4;
//! tolerance: the last printed digit, and 2 % of larger values for the grid that the impulse response stands on.

use super::super::line::LEAST_BT;
use super::tables::lines_of;
use crate::filter::{Band, Cascade, Fraction};
use biquad::{Biquad, DirectForm2Transposed};
use std::f64::consts::LN_10;

const RATE_HZ: f64 = 48_000.0;

/// Square of the impulse response of a band's filter, until `length_s`.
fn squared_response(band: &Band, length_s: f64) -> Vec<f64> {
    let cascade = Cascade::new(band, RATE_HZ).expect("the rate carries the band");
    let mut sections = cascade.sections().map(DirectForm2Transposed::<f64>::new);
    let impulse = std::iter::once(1.0).chain(std::iter::repeat(0.0));
    impulse
        .take((length_s * RATE_HZ) as usize)
        .map(|x| sections.iter_mut().fold(x, |x, section| section.run(x)).powi(2))
        .collect()
}

/// EDT, T20 and T30 of expected energies that start at 0 s.
fn times_s(energies: &[f64]) -> [Option<f64>; 3] {
    lines_of(energies, RATE_HZ).map(|line| line.map(|line| line.time_s()))
}

/// A room of decay `t60_s` behind the forward filter: energies by recursion over the convolution.
fn behind_forward(squared: &[f64], t60_s: f64) -> Vec<f64> {
    let keep = (-6.0 * LN_10 / (t60_s * RATE_HZ)).exp();
    let mut sum = 0.0;
    squared
        .iter()
        .map(|h| {
            sum = sum * keep + h;
            sum
        })
        .collect()
}

/// The room behind the reversed filter, with the ringing ahead of the direct sound; and the place of 0 s.
fn behind_reversed(squared: &[f64], t60_s: f64) -> (Vec<f64>, usize) {
    let keep = (-6.0 * LN_10 / (t60_s * RATE_HZ)).exp();
    let ahead = squared.len();
    // Before 0 s the part of the filter's response that reaches over it; after it, all of the response.
    let mut before: Vec<f64> = Vec::with_capacity(ahead);
    let mut sum = 0.0;
    for h in squared.iter().rev() {
        sum = sum * keep + h;
        before.push(sum);
    }
    let top = before.last().copied().unwrap_or_default();
    let after = (1..ahead).map(|k| top * keep.powi(k as i32));
    let zero = before.len() - 1;
    (before.into_iter().chain(after).collect(), zero)
}

/// Within a printed digit, and 2 % of the value.
fn close(found: f64, computed: f64, digit: f64) -> bool {
    (found - computed).abs() < digit + 0.02 * computed.abs()
}

#[test]
fn a_forward_filter_lengthens_short_decays_as_computed() {
    for (fraction, rows) in [
        (
            Fraction::Third,
            [(4.0, 181.0, 40.0, 44.0), (8.0, 72.0, 4.9, 3.5), (16.0, 26.0, 0.2, 0.1), (32.0, 8.0, 0.0, 0.0)],
        ),
        (
            Fraction::Octave,
            [
                (4.0, 177.0, 75.0, 86.0),
                (8.0, 75.0, 12.0, 11.0),
                (16.0, 28.0, 0.8, 0.4),
                (32.0, 8.8, 0.0, 0.0),
            ],
        ),
    ] {
        let band = fraction.band(-3 * fraction.designator());
        for (bt, edt, t20, t30) in rows {
            let t60_s = bt / band.bandwidth_hz();
            let squared = squared_response(&band, 2.0 * t60_s + 30.0 / band.bandwidth_hz());
            let found = times_s(&behind_forward(&squared, t60_s));
            for (found, computed) in found.into_iter().zip([edt, t20, t30]) {
                let percent = 100.0 * (found.expect("a line") / t60_s - 1.0);
                let digit = if computed < 10.0 { 0.06 } else { 0.6 };
                assert!(
                    close(percent, computed, digit),
                    "{fraction:?} B T = {bt}: {percent}, computed {computed}"
                );
            }
        }
    }
}

/// Reversed and counted from 0 s there is no error at any B·T; with the ringing ahead of 0 s counted in there is.
#[test]
fn a_reversed_filter_keeps_every_decay_when_counted_from_the_direct_sound() {
    let band = Fraction::Third.band(-9);
    for (bt, with_ringing) in [(2.0, 12.0), (3.0, 2.3), (4.0, 0.5)] {
        let t60_s = bt / band.bandwidth_hz();
        let squared = squared_response(&band, 2.0 * t60_s + 30.0 / band.bandwidth_hz());
        let (energies, zero) = behind_reversed(&squared, t60_s);
        for time in times_s(&energies[zero..]) {
            assert!((time.expect("a line") / t60_s - 1.0).abs() < 5e-4, "B T = {bt}: {time:?}");
        }
        let percent = 100.0 * (times_s(&energies)[1].expect("a line") / t60_s - 1.0);
        assert!(close(percent, with_ringing, 0.6), "B T = {bt}: {percent}, computed {with_ringing}");
    }
}

/// What the filter alone shows, as B·T20: under these no decay can be told; the program asks for more than 4 reversed.
///
/// Values: scipy 1.17 (butter, sosfilt, polyfit) at 1 kHz and 48 kHz. The table has 5.5 and 1.6, 7.3 and 1.8: read
/// off the envelope of the impulse response (scipy's hilbert), whose start knows no carrier; the octave's does.
#[test]
fn the_filter_alone_has_the_decay_computed() {
    for (fraction, forward, reversed) in
        [(Fraction::Third, 5.43376, 1.56004), (Fraction::Octave, 7.37308, 1.61461)]
    {
        let band = fraction.band(0);
        let mut squared = squared_response(&band, 60.0 / band.bandwidth_hz());
        let product = |energies: &[f64]| times_s(energies)[1].expect("a line") * band.bandwidth_hz();
        let found = product(&squared);
        assert!((found - forward).abs() < 1e-5, "{fraction:?} forward {found}");
        squared.reverse();
        let found = product(&squared);
        assert!((found - reversed).abs() < 1e-5, "{fraction:?} reversed {found}");
        assert!(found < LEAST_BT);
    }
}

/// Shortest decay times that B·T > 16 (forward) and > 4 (reversed) leave (ISO 3382-2:2008, 7.3), computed.
#[test]
fn shortest_times_are_those_of_the_standard() {
    for (fraction, step, forward_s, reversed_s) in [
        (Fraction::Third, -16, 2.76, 0.69),
        (Fraction::Third, -15, 2.19, 0.55),
        (Fraction::Third, -14, 1.74, 0.44),
        (Fraction::Third, -13, 1.38, 0.35),
        (Fraction::Third, -12, 1.10, 0.27),
        (Fraction::Third, -11, 0.87, 0.22),
        (Fraction::Third, -10, 0.69, 0.17),
        (Fraction::Third, -9, 0.55, 0.14),
        (Fraction::Octave, -5, 0.72, 0.18),
        (Fraction::Octave, -4, 0.36, 0.09),
        (Fraction::Octave, -3, 0.18, 0.045),
        (Fraction::Octave, -2, 0.09, 0.023),
    ] {
        let bandwidth_hz = fraction.band(step).bandwidth_hz();
        assert!((4.0 * LEAST_BT / bandwidth_hz - forward_s).abs() < 0.0051, "{fraction:?} {step}");
        assert!((LEAST_BT / bandwidth_hz - reversed_s).abs() < 0.0051, "{fraction:?} {step}");
    }
    // ISO 3382-1:2009, 7.1, prints B = 0.71 f_c: 88.75 Hz and T > 0.1803 s at 125 Hz, 2840 Hz and 0.0056 s at 4 kHz.
    for (hz, bandwidth_hz, time_s) in [(125.0, 88.75, 0.1803), (4_000.0, 2_840.0, 0.0056)] {
        assert_eq!(0.71 * hz, bandwidth_hz);
        assert!((4.0 * LEAST_BT / bandwidth_hz - time_s).abs() < 6e-5);
    }
}
