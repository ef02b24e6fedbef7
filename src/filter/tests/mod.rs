//! What the bank does as it runs.

mod mask;
mod orders;
mod sweep;

use super::{Backward, Band, Bank, Fraction, LIMITS};

/// One band's integral of an input, copied out.
pub fn run(band: Band, rate_hz: f64, samples: &[f64], zero: usize, limits_s: [f64; LIMITS]) -> Integral {
    let bank = Bank::new(&[band], rate_hz);
    let mut result = None;
    let copy = |b: Backward| {
        result =
            Some(Integral { to_come: b.to_come.to_vec(), rate_hz: b.rate_hz, zero: b.zero, late: b.late });
    };
    bank.run(samples, zero, limits_s, copy);
    result.expect("the rate carries the band")
}

pub struct Integral {
    pub to_come: Vec<f64>,
    pub rate_hz: f64,
    pub zero: usize,
    pub late: [f64; LIMITS],
}

/// Energy is early or late by when it arrives, not by when the filter rings: behind a third at 125 Hz, whose delay is
/// 34 ms, a cut after the filter would move all of it. Half a fade around the limit belongs to both.
#[test]
fn the_cut_lies_before_the_filter() {
    for band in [Fraction::Third.band(-9), Fraction::Octave.band(0), Fraction::Third.band(9)] {
        let impulse_at = |time_s: f64| {
            let mut samples = vec![0.0; 20_000];
            samples[480 + (time_s * 48_000.0) as usize] = 1.0;
            run(band, 48_000.0, &samples, 480, [0.050, 0.080])
        };
        let fade_s = super::fade_s(&band);
        for (limit, limit_s) in [0.050, 0.080].into_iter().enumerate() {
            let before = impulse_at(limit_s - 0.7 * fade_s);
            let share = before.late[limit] / before.to_come[0];
            assert!(share < 1e-4, "{band:?} {share}");
            let after = impulse_at(limit_s + 0.7 * fade_s);
            let share = after.late[limit] / after.to_come[0];
            assert!((share - 1.0).abs() < 3e-3, "{band:?} {share}");
        }
    }
}

/// All bands at once give what each gives alone: lanes and rates don't mix.
#[test]
fn a_band_is_the_same_alone_and_in_company() {
    let samples: Vec<f64> = (0..9_000_i32).map(|k| f64::from(k * 7_919 % 101) / 50.0 - 1.0).collect();
    let bands = Fraction::Third.bands();
    let bank = Bank::new(&bands, 48_000.0);
    let mut seen = 0;
    bank.run(&samples, 333, [0.05, 0.08], |together| {
        let alone = run(bands[together.channel.index], 48_000.0, &samples, 333, [0.05, 0.08]);
        let length = together.to_come.len() - together.zero;
        assert_eq!(alone.to_come[alone.zero..][..length], together.to_come[together.zero..]);
        // The longest ringing of the group is waited for, so a little more of it is counted: 1e-5 at most.
        for (alone, together) in alone.late.iter().zip(together.late) {
            assert!((alone / together - 1.0).abs() < 1e-5);
        }
        seen += 1;
    });
    assert_eq!(seen, 31);
}
