//! Tables computed for the standards' formulas.

use super::super::crossing::Crossing;
use super::super::curve::Curve;
use super::super::energy::Energy;
use super::super::line::{Line, Range, T20_SPREAD, T30_SPREAD};
use crate::filter::{Backward, Bank, Channel, Fraction};
use approx::assert_relative_eq;
use std::f64::consts::LN_10;

pub fn channel() -> Channel {
    *Bank::new(&[Fraction::Octave.band(0)], 48_000.0).channels().next().expect("the rate carries the band")
}

/// Runs an evaluation on a given integrated curve, 0.1 ms apart.
fn on_curve<T>(length_s: f64, to_come: impl Fn(f64) -> f64, evaluate: impl Fn(&Curve) -> T) -> T {
    let channel = channel();
    let mut entries: Vec<f64> =
        (0..(length_s * 10_000.0) as usize).map(|k| to_come(k as f64 / 10_000.0)).collect();
    entries.push(0.0);
    let band = Backward { to_come: &entries, rate_hz: 10_000.0, zero: 0, late: [0.0; 2], channel: &channel };
    let energy = Energy::new(&band, length_s, 48_000.0);
    let crossing = Crossing::find(&energy).expect("the curve falls");
    evaluate(&Curve::new(&energy, &crossing))
}

/// Lines through EDT, T20 and T30 of energies that start at 0 s, no noise under them.
pub fn lines_of(energies: &[f64], rate_hz: f64) -> [Option<Line>; 3] {
    let mut to_come = vec![0.0; energies.len() + 1];
    for k in (0..energies.len()).rev() {
        to_come[k] = to_come[k + 1] + energies[k] / rate_hz;
    }
    let channel = channel();
    let band = Backward { to_come: &to_come, rate_hz, zero: 0, late: [0.0; 2], channel: &channel };
    let energy = Energy::new(&band, energies.len() as f64 / rate_hz, rate_hz);
    let crossing = Crossing {
        entry: energies.len(),
        floor: 0.0,
        reference: 0.0,
        level: 0.0,
        decay_per_s: 1.0,
        floor_reached: false,
        floor_steady: true,
    };
    let curve = Curve::new(&energy, &crossing);
    [Range::Edt, Range::T20, Range::T30].map(|range| curve.line(range))
}

/// Two slopes, E = e^(−kt/T1) + 10^(d/10) e^(−kt/T2), k = 6 ln 10: times and straightness computed in double
/// precision from ISO 3382-2:2008's definitions (annexes B and C), r over equally spaced samples.
#[test]
fn double_slopes_read_as_computed() {
    for (t1_s, t2_s, d_db, edt_s, t20_s, t30_s, curvature, xi20, xi30) in [
        (0.5, 1.5, -20.0, 0.5076, 0.5460, 0.6697, 22.64, 1.09, 17.16),
        (0.4, 0.8, -15.0, 0.4115, 0.4404, 0.4840, 9.88, 0.677, 4.28),
        (0.3, 1.0, -25.0, 0.3016, 0.3100, 0.3367, 8.60, 0.172, 3.95),
    ] {
        let k = 6.0 * LN_10;
        let second = 10.0_f64.powf(d_db / 10.0);
        let to_come = |t: f64| (-k * t / t1_s).exp() + second * (-k * t / t2_s).exp();
        let [edt, t20, t30] = on_curve(8.0, to_come, |curve| {
            [Range::Edt, Range::T20, Range::T30].map(|range| curve.line(range).expect("the curve falls"))
        });
        let times = [edt, t20, t30].map(|line| line.time_s());
        assert_relative_eq!(times[0], edt_s, epsilon = 0.0, max_relative = 3e-4);
        assert_relative_eq!(times[1], t20_s, epsilon = 0.0, max_relative = 3e-4);
        assert_relative_eq!(times[2], t30_s, epsilon = 0.0, max_relative = 3e-4);
        assert!((100.0 * (times[2] / times[1] - 1.0) - curvature).abs() < 0.05, "{times:?}");
        assert_relative_eq!(1_000.0 * t20.nonlinearity, xi20, epsilon = 0.0, max_relative = 0.01);
        assert_relative_eq!(1_000.0 * t30.nonlinearity, xi30, epsilon = 0.0, max_relative = 0.01);
    }
}

/// Expected energy of a decay of 1 s over a stationary floor, 2 s long: subtraction, truncation and tail together
/// leave no error at any peak-to-noise from 40 dB on; subtracting nothing costs 4 % of T20 at 45 dB.
#[test]
fn subtraction_truncation_and_tail_cancel_the_floor() {
    let k = 6.0 * LN_10;
    for peak_to_noise_db in [40.0, 45.0, 50.0, 60.0] {
        let floor = 10.0_f64.powf(-peak_to_noise_db / 10.0);
        let to_come = |t: f64| ((-k * t).exp() - (-k * 2.0_f64).exp()) / k + floor * (2.0 - t);
        let [t20, t30] = on_curve(2.0, to_come, |curve| {
            [Range::T20, Range::T30].map(|range| curve.line(range).map(|line| line.time_s()))
        });
        assert_relative_eq!(t20.expect("a fall"), 1.0, epsilon = 0.0, max_relative = 5e-3);
        if peak_to_noise_db >= 45.0 {
            assert_relative_eq!(t30.expect("a fall"), 1.0, epsilon = 0.0, max_relative = 5e-3);
        }
    }
}

/// ISO 3382-1:2009, equations (4) and (5): T = 0.5 s, octave 500 Hz with the printed B = 0.71·500 = 355 Hz, N = 6, n = 10.
#[test]
fn spread_follows_the_standards_formula() {
    assert!((T20_SPREAD.sd_s(0.5, 355.0, 6) - 0.01471).abs() < 5e-6);
    assert!((T30_SPREAD.sd_s(0.5, 355.0, 6) - 0.00904).abs() < 5e-6);
}
