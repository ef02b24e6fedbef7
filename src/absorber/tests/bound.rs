//! One take at the Cramér–Rao bound: how well the unit is placed, and whether intervals hold.

use super::rooms::{RATE_HZ, Room, SECONDS, between, room};
use crate::absorber::coupled::{Pair, Resonator, best_t60_s, identify};
use crate::absorber::join::{PairEstimate, PoleEstimate, State, join};
use crate::absorber::sight::{Expected, LocalFit, PoleObservation, look, one};
use crate::absorber::spectrum::Target;
use crate::modes::{Pole, RecordConditions, bound};
use crate::response::LowRecord;
use nalgebra::DMatrix;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

fn records(lows: &[LowRecord]) -> Vec<&LowRecord> {
    lows.iter().collect()
}

/// Bound of the loaded frequency from one take and the baseline, hertz: covariance of the poles of both
/// states carried through [`identify`].
pub fn bound_hz(
    room: &Room,
    empty: &crate::room::simulate::Solved,
    treated: &crate::room::simulate::Solved,
) -> Option<f64> {
    let covariance = |solved: &crate::room::simulate::Solved, wanted: &[Complex64]| -> Option<DMatrix<f64>> {
        let kept: Vec<usize> = (0..solved.poles.len())
            .filter(|k| (12.0..110.0).contains(&(solved.poles[*k].s.im / TAU)))
            .collect();
        let poles: Vec<Pole> = kept
            .iter()
            .map(|k| Pole { omega_per_s: solved.poles[*k].s.im, decay_per_s: -solved.poles[*k].s.re })
            .collect();
        let amplitudes: Vec<Vec<Complex64>> = kept
            .iter()
            .map(|k| room.places.iter().map(|p| solved.residues(room.source, *p)[*k]).collect())
            .collect();
        let density = |hz: f64| room.noise.density(hz);
        let samples = (SECONDS * RATE_HZ) as usize;
        let places: Vec<RecordConditions<'_>> = room
            .places
            .iter()
            .map(|_| RecordConditions { rate_hz: RATE_HZ, samples, density: &density })
            .collect();
        let all = bound(&places, &poles, &amplitudes, (10.0, 115.0))?;
        let rows: Vec<usize> = wanted
            .iter()
            .map(|s| kept.iter().position(|k| (solved.poles[*k].s - s).norm() < 1e-9))
            .collect::<Option<_>>()?;
        let at: Vec<usize> = rows.iter().flat_map(|r| [2 * r, 2 * r + 1]).collect();
        Some(DMatrix::from_fn(at.len(), at.len(), |i, j| all[(at[i], at[j])]))
    };
    let mode = room.mode().pole();
    let pair = room.pair(treated);
    let (before, after) = (covariance(empty, &[mode])?, covariance(treated, &pair)?);
    let value = |n: &[f64]| {
        let s = |k: usize| Complex64::new(-n[2 * k + 1], n[2 * k]);
        identify(Resonator::of_pole(s(0)), Pair::of_poles(s(1), s(2))).unit.omega_per_s / TAU
    };
    let base: Vec<f64> = [mode, pair[0], pair[1]].iter().flat_map(|s| [s.im, -s.re]).collect();
    let slope: Vec<f64> = (0..6)
        .map(|p| {
            let at = |by: f64| {
                let mut moved = base.clone();
                moved[p] += by;
                value(&moved)
            };
            (at(1e-4) - at(-1e-4)) / 2e-4
        })
        .collect();
    let mut variance = 0.0;
    for i in 0..6 {
        for j in 0..6 {
            let c = match (i < 2, j < 2) {
                (true, true) => before[(i, j)],
                (false, false) => after[(i - 2, j - 2)],
                _ => 0.0,
            };
            variance += slope[i] * slope[j] * c;
        }
    }
    Some(variance.sqrt())
}

/// Poles that a search for modes would know: those with a bound worth the name. Here the exact ones.
pub fn expected(room: &Room, empty: &crate::room::simulate::Solved) -> Expected {
    let mode = room.mode().pole();
    let near = |s: &Complex64| (s - mode).norm() > 1e-6 && (s.im - mode.im).abs() < TAU * 60.0;
    let loud = |k: usize| {
        let power: f64 = room.places.iter().map(|p| empty.residues(room.source, *p)[k].norm_sqr()).sum();
        let s = empty.poles[k].s;
        (-2.0 * s.re * room.noise.density(s.im / TAU) / power).sqrt() < 0.3
    };
    let neighbours: Vec<Complex64> =
        (0..empty.poles.len()).filter(|k| loud(*k)).map(|k| empty.poles[k].s).filter(near).collect();
    let group = |k: &usize| (neighbours[*k].im - mode.im).abs() < TAU * 8.0 && neighbours[*k].re > -20.0;
    let near = (0..neighbours.len()).filter(group).collect();
    Expected {
        mode,
        neighbours,
        near,
        candidates: Vec::new(),
        shape: Vec::new(),
        chain_known: false,
        top_hz: f64::INFINITY,
    }
}

/// One take in numbers.
struct One {
    bound_hz: f64,
    two: bool,
    /// Error and sd of the loaded frequency, Hz, and error of the best T60 as a share.
    found: Option<(f64, f64, f64)>,
    line: String,
}

/// The take of a room whose next mode is at least 2 g/2π away; `None` for others.
fn one_room(number: usize, db: f64) -> Option<One> {
    let mut room = room("one take", number, db);
    let (off, r) = (between(&mut room.gauss, -3.0, 3.0), between(&mut room.gauss, 0.2, 1.5));
    let near = room.nearest_hz() / (room.g / TAU);
    if near < 2.0 {
        return None;
    }
    let before = room.measure(Vec::new());
    let unit = room.unit(off, r);
    let after = room.measure(vec![unit]);
    let bound_hz = bound_hz(&room, &before.solved, &after.solved).unwrap_or(f64::NAN);
    let pair = room.pair(&after.solved);
    let truth = identify(room.mode(), Pair::of_poles(pair[0], pair[1]));
    let exact_s = best_t60_s(room.mode(), truth.coupling.max(0.0).sqrt());
    let mut expected = expected(&room, &before.solved);
    let base = one(&records(&before.lows), &expected).unwrap();
    expected.near = expected.near_places();
    (expected.shape, expected.neighbours, expected.chain_known) =
        (base.shape(), base.neighbours.clone(), true);
    let observation = look(&records(&after.lows), &expected);
    let two = matches!(observation, PoleObservation::Two(_));
    let state = identified(&base, &observation);
    let found = state.map(|state| {
        let error_hz = (state.unit.omega_per_s - truth.unit.omega_per_s) / TAU;
        let best_s = best_t60_s(state.mode, state.coupling.max(0.0).sqrt());
        (error_hz, state.covariance[(2, 2)].sqrt() / TAU, best_s / exact_s - 1.0)
    });
    let (hz, g) = (room.mode().omega_per_s / TAU, room.g);
    let line = format!(
        "{number} f {hz:.1} near {near:.1} g {g:.1} off {off:.2} r {r:.2} bound {bound_hz:.3}: {found:.3?}"
    );
    Some(One { bound_hz, two, found, line })
}

/// The unit by one take and the baseline.
fn identified(base: &LocalFit, observation: &PoleObservation) -> Option<State> {
    let PoleObservation::Two(two) = observation else { return None };
    let Target::One(pole) = base.target else { return None };
    let Target::Two(pair) = two.seen.target else { return None };
    let mode = PoleEstimate { pole, near: base.near.clone(), covariance: base.joint.clone() };
    let take = PairEstimate { pair, near: two.seen.near.clone(), covariance: two.seen.joint.clone() };
    join(&mode, &[take], &[0])?.takes.pop()
}

/// Of takes whose own bound is under 0.3 Hz the aim is 95 % with the loaded frequency within the larger of
/// 0.2 Hz and 2.5 bounds, 95 % with the best T60 within 10 %, and intervals that hold in 90 to 97 %. docs/absorber.md
/// has the numbers; what is asserted lies a chance or two below them, so that a loss shows.
#[test]
#[ignore = "Monte Carlo over 150 rooms"]
fn one_take_places_the_unit() {
    println!(
        "| peak to noise | takes | frequency | best T60 within 10 % | intervals hold | error/bound, median |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    let count = std::env::var("STILLROOM_ROOMS").ok().and_then(|c| c.parse().ok()).unwrap_or(150);
    for db in [60.0, 46.0] {
        let all: Vec<One> = (0..count).into_par_iter().filter_map(|k| one_room(k, db)).collect();
        let fair: Vec<&One> = all.iter().filter(|one| one.bound_hz < 0.3).collect();
        let known = || fair.iter().filter_map(|one| Some((one.bound_hz, one.found?)));
        let within = known().filter(|(b, f)| f.0.abs() < 0.2f64.max(2.5 * b)).count();
        let best = known().filter(|(_, f)| f.2.abs() < 0.1).count();
        let held = known().filter(|(_, f)| f.0.abs() < 1.96 * f.1).count();
        let mut ratios: Vec<f64> = known().map(|(b, f)| (f.0 / b).abs()).collect();
        ratios.sort_by(f64::total_cmp);
        let (n, median) = (fair.len(), ratios.get(ratios.len() / 2).copied().unwrap_or(f64::NAN));
        let off = |one: &&&One| {
            one.found.is_none_or(|f| f.0.abs() > 0.2f64.max(2.5 * one.bound_hz) || f.0.abs() > 1.96 * f.1)
        };
        fair.iter().filter(off).for_each(|one| println!("{} {}", one.line, one.two));
        println!("| {db} dB | {n} | {within} | {best} | {held} | {median:.2} |");
        assert!(
            100 * within >= 92 * n && 100 * best >= 93 * n && 100 * held >= 88 * n,
            "{within} {best} {held} {n}"
        );
    }
}
