//! What each step of the noise treatment is worth: the program's curve with steps left out, in closed form.

use super::super::crossing::Crossing;
use super::super::curve::Curve;
use super::super::energy::Energy;
use super::super::line::Range;
use super::tables::channel;
use crate::filter::Backward;
use crate::flag::Flag;
use std::f64::consts::LN_10;

/// Entries per second of the curves: 0.1 ms apart.
const RATE_HZ: f64 = 10_000.0;
/// Length of the record; the decay time is 1 s.
const LENGTH_S: f64 = 2.0;
/// Energy decay of a T60 of 1 s, 1/s.
const K: f64 = 6.0 * LN_10;

/// Which of the three steps are taken.
#[derive(Clone, Copy)]
struct Steps {
    truncate: bool,
    subtract: bool,
    tail: bool,
}

/// Errors of T20 and T30 in per cent for a decay of 1 s over a stationary floor; `None` where no line can be laid.
fn errors_percent(peak_to_noise_db: f64, steps: Steps) -> [Option<f64>; 2] {
    let floor = 10.0_f64.powf(-peak_to_noise_db / 10.0);
    let decay = |t: f64| ((-K * t).exp() - (-K * LENGTH_S).exp()) / K;
    let to_come: Vec<f64> = (0..=(LENGTH_S * RATE_HZ) as usize)
        .map(|k| k as f64 / RATE_HZ)
        .map(|t| decay(t) + floor * (LENGTH_S - t))
        .collect();
    let channel = channel();
    let band = Backward { to_come: &to_come, rate_hz: RATE_HZ, zero: 0, late: [0.0; 2], channel: &channel };
    let energy = Energy::new(&band, LENGTH_S, 48_000.0);
    // Decay and floor meet where the envelope has fallen by the peak-to-noise.
    let meet = (peak_to_noise_db / 60.0 * RATE_HZ).round() as usize;
    let crossing = Crossing {
        entry: if steps.truncate { meet } else { to_come.len() - 1 },
        floor: if steps.subtract { floor } else { 0.0 },
        reference: floor,
        level: if steps.tail { floor } else { 0.0 },
        decay_per_s: K,
        floor_reached: true,
        floor_steady: true,
    };
    let curve = Curve::new(&energy, &crossing);
    [Range::T20, Range::T30].map(|range| curve.line(range).map(|line| 100.0 * (line.time_s() - 1.0)))
}

/// Table computed for this project (double precision): T = 1 s, 2 s record, expected energies, the peak the
/// envelope's at 0 s; tolerance: the last printed digit, and 1 % where the line runs into the record's end, beyond
/// which the logarithm falls without limit and the error hangs on how densely the curve is sampled.
#[test]
fn each_step_is_worth_what_was_computed() {
    let nothing = Steps { truncate: false, subtract: false, tail: false };
    let truncate = Steps { truncate: true, ..nothing };
    let tail_only = Steps { tail: true, ..truncate };
    let all = Steps { subtract: true, ..tail_only };
    for (peak_to_noise_db, computed) in [
        (35.0, [[Some(385.0), Some(513.0)], [Some(2.7), None], [Some(4.6), None], [Some(0.0), None]]),
        (40.0, [[Some(18.7), Some(393.0)], [Some(1.5), Some(2.0)], [Some(2.1), Some(4.8)], [Some(0.0); 2]]),
        (45.0, [[Some(4.1), Some(170.0)], [Some(0.7), Some(1.7)], [Some(0.8), Some(2.7)], [Some(0.0); 2]]),
        (50.0, [[Some(1.2), Some(8.8)], [Some(0.3), Some(0.9)], [Some(0.3), Some(1.2)], [Some(0.0); 2]]),
    ] {
        for (steps, computed) in [nothing, truncate, tail_only, all].into_iter().zip(computed) {
            let found = errors_percent(peak_to_noise_db, steps);
            for (found, computed) in found.into_iter().zip(computed) {
                let Some(computed) = computed else { continue };
                let found = found.expect("a line");
                let digit = if computed >= 10.0 { 0.01 * computed } else { 0.06 };
                assert!(
                    (found - computed).abs() < digit,
                    "{peak_to_noise_db} dB: {found}, computed {computed}"
                );
            }
        }
    }
}

/// The crossing of a decay over a stationary floor: `parts` are energies over the floor's mean square with their decays, 1/s.
fn crossing(floor: f64, parts: &[(f64, f64)]) -> Result<Crossing, Flag> {
    crossing_over(floor, parts, |t| LENGTH_S - t)
}

/// The crossing of a decay over a floor that drifts: `noise` is its energy still to come.
fn crossing_over(floor: f64, parts: &[(f64, f64)], noise: impl Fn(f64) -> f64) -> Result<Crossing, Flag> {
    within(floor, parts, noise, Crossing::find)
}

/// The crossing of such a decay, found by a way that is given.
fn within(
    floor: f64,
    parts: &[(f64, f64)],
    noise: impl Fn(f64) -> f64,
    find: impl Fn(&Energy<'_>) -> Result<Crossing, Flag>,
) -> Result<Crossing, Flag> {
    let decay =
        |t: f64| parts.iter().map(|(e, k)| e * ((-k * t).exp() - (-k * LENGTH_S).exp()) / k).sum::<f64>();
    let to_come: Vec<f64> = (0..=(LENGTH_S * RATE_HZ) as usize)
        .map(|k| k as f64 / RATE_HZ)
        .map(|t| floor * (decay(t) + noise(t)))
        .collect();
    let channel = channel();
    let band = Backward { to_come: &to_come, rate_hz: RATE_HZ, zero: 0, late: [0.0; 2], channel: &channel };
    find(&Energy::new(&band, LENGTH_S, 48_000.0))
}

/// What with its noise stands 7 dB over it is no decay, at any gain; 40 dB are one, over a floor that stands still.
#[test]
fn a_decay_stands_10_db_over_its_floor_at_any_gain() {
    for floor in [1e-6, 1e3] {
        assert_eq!(crossing(floor, &[(4.0, K)]), Err(Flag::NoDecay), "{floor}");
        let found = crossing(floor, &[(1e4, K)]).unwrap();
        assert!(found.floor_reached && found.floor_steady, "{found:?}");
        assert!((found.floor / floor - 1.0).abs() < 0.02, "{found:?}");
    }
}

/// Noise of the mean square 1 + 3t drifts: the floor is that of the quarter of the rest that begins 7.5 dB past the
/// crossing, in closed form but for the crossing that it was begun with.
#[test]
fn a_floor_that_drifts_is_taken_close_to_the_decay() {
    let noise = |t: f64| LENGTH_S - t + 1.5 * (LENGTH_S.powi(2) - t * t);
    let found = crossing_over(1.0, &[(1e3, 4.0 * K)], noise).unwrap();
    let from_s = found.entry as f64 / RATE_HZ + 0.75 * LN_10 / found.decay_per_s;
    let middle_s = from_s + 0.125 * (LENGTH_S - from_s);
    assert!(found.floor_reached && !found.floor_steady, "{found:?}");
    assert!((found.floor / (1.0 + 3.0 * middle_s) - 1.0).abs() < 0.04, "{found:?} {middle_s}");
}

/// A floor that drifts is noticed in the last round as well, where nothing stands still yet.
#[test]
fn the_last_round_looks_at_the_floor_too() {
    let noise = |t: f64| LENGTH_S - t + 1.5 * (LENGTH_S.powi(2) - t * t);
    let found = within(1.0, &[(1e3, 4.0 * K)], noise, |energy| Crossing::find_within(energy, 1)).unwrap();
    assert!(!found.floor_steady, "{found:?}");
}

/// 50 dB over the floor, falling first sixfold as fast: the second decay takes over 36 dB over it, and the late slope is
/// that one's, not the mean of both.
#[test]
fn the_late_slope_is_that_of_the_last_decay() {
    let found = crossing(1.0, &[(1e6, 6.0 * K), (1e4, K)]).unwrap();
    assert!((found.decay_per_s / K - 1.0).abs() < 0.02, "{found:?}");
}

/// A decay of 3000 dB/s, twice as steep above 55 dB: 15 dB of it are fewer than four grains of the filter, so the late
/// slope is that of ten grains, nearly all of them in the second part.
#[test]
fn a_steep_decay_s_late_slope_is_that_of_ten_grains() {
    let found =
        crossing(1.0, &[(f64::powf(10.0, 7.5), 100.0 * K), (f64::powf(10.0, 6.5), 50.0 * K)]).unwrap();
    assert!((found.decay_per_s / (50.0 * K) - 1.0).abs() < 0.05, "{found:?}");
}

/// The floor counts as reached where the decay comes half of 7.5 dB under it before the last tenth of the record, 62 ms at
/// 60 dB/s: 102 dB over the floor it does (1.70 s of 1.80 s), 106.2 dB over it (1.77 s) it doesn't.
#[test]
fn a_floor_that_the_record_hardly_holds_is_not_reached() {
    let reached = |db: f64| crossing(1.0, &[(10.0_f64.powf(0.1 * db), K)]).unwrap().floor_reached;
    assert_eq!([102.0, 106.2].map(reached), [true, false]);
}

/// A decay that lasts to the record's end is there at its own level, within 1 dB: its tail passes for noise, and the line is
/// laid that much too steep.
#[test]
fn without_a_floor_the_level_is_the_decay_s_at_the_end() {
    let found = crossing(1.0, &[(1e12, K)]).unwrap();
    let level = 1e12 * (-K * found.entry as f64 / RATE_HZ).exp();
    assert!(!found.floor_reached && (found.level / level).log10().abs() < 0.1, "{found:?} {level}");
}

#[test]
fn doubts_are_told_of_a_floor_that_is_missing_or_uneven() {
    let told = |floor_reached: bool, floor_steady: bool| {
        let found = crossing(1.0, &[(1e4, K)]).unwrap();
        Crossing { floor_reached, floor_steady, ..found }.doubts().collect::<Vec<_>>()
    };
    assert_eq!(told(true, true), []);
    assert_eq!(told(false, true), [Flag::EndsInDecay]);
    assert_eq!(told(true, false), [Flag::UnevenFloor]);
}
