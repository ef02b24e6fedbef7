//! Time-invariant operation (IEC 61260-1:2014, 5.14 and annex G): an exponential sweep through the running bank.

use super::super::{Bank, Fraction, LIMITS};
use std::f64::consts::TAU;

/// Band level over the sweep's level: 10 lg of the time the sweep spends in the band over the averaging time.
fn swept_level_db(sweep_per_average: f64, band: (f64, f64), sweep: (f64, f64)) -> f64 {
    10.0 * (sweep_per_average * (band.1 / band.0).log10() / (sweep.1 / sweep.0).log10()).log10()
}

/// Worked example of IEC 61260-2 and -3, annex B: a third, 127 dB, 30 s of sweep and of average, 0.01 Hz to 1 MHz.
#[test]
fn the_printed_example_comes_out() {
    let band = Fraction::Third.band(0);
    let level_db = 127.0 + swept_level_db(1.0, (band.lower_hz, band.upper_hz), (0.01, 1e6));
    assert!((level_db - 107.97).abs() < 0.005, "{level_db}");
}

/// One decade in 3 s through all thirds and octaves: each band reads the level of 5.14 within class 1 (±0.4 dB, a
/// value from memory), decimation and all. A time-invariant filter reads its own effective bandwidth, 0.09 to 0.11 dB.
#[test]
fn a_sweep_reads_the_effective_bandwidth_in_every_band() {
    let (rate_hz, from_hz, to_hz) = (48_000.0, 10.0, 23_900.0_f64);
    let sweep_s = 3.0 * (to_hz / from_hz).log10();
    let growth = (to_hz / from_hz).ln() / sweep_s;
    let samples: Vec<f64> = (0..(sweep_s * rate_hz) as usize)
        .map(|k| (TAU * from_hz / growth * (growth * k as f64 / rate_hz).exp_m1()).sin())
        .collect();
    let mut seen = 0;
    for fraction in [Fraction::Third, Fraction::Octave] {
        let bands = fraction.bands();
        let inside = |hz: f64| hz < 11_500.0;
        Bank::new(&bands, rate_hz).run(&samples, 0, [0.0; LIMITS], |run| {
            let band = run.channel.band;
            let expected_db = swept_level_db(1.0, (band.lower_hz, band.upper_hz), (from_hz, to_hz));
            // The tone's own mean square is 1/2.
            let found_db = 10.0 * (2.0 * run.to_come[0] / sweep_s).log10();
            if inside(band.upper_hz) {
                assert!((found_db - expected_db - 0.1).abs() < 0.1, "{band:?}: {found_db} {expected_db}");
                seen += 1;
            }
        });
    }
    assert_eq!(seen, 28 + 9);
}
