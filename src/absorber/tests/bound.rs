//! One take at the Cramér–Rao bound: how well the unit is placed, and whether intervals hold.

use super::rooms::{RATE_HZ, Room, SECONDS, between, room};
use crate::absorber::coupled::{Pair, Resonator, best_t60_s, identify};
use crate::absorber::join::{PairEstimate, PoleEstimate, consistency, join};
use crate::absorber::sight::{Expected, Sight, look, one};
use crate::absorber::spectrum::Record;
use crate::modes::{Listening, Pole, bound};
use nalgebra::DMatrix;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

fn records(lows: &[crate::response::LowEnd]) -> Vec<Record<'_>> {
    lows.iter().map(|l| Record { samples: &l.samples, rate_hz: l.rate_hz, onset_s: l.onset_s }).collect()
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
        let places: Vec<Listening<'_>> =
            room.places.iter().map(|_| Listening { rate_hz: RATE_HZ, samples, density: &density }).collect();
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
    Expected { mode, neighbours, near, candidates: Vec::new(), shape: Vec::new(), chain_known: false }
}

fn target_pair(seen: &crate::absorber::sight::Seen) -> Pair {
    match seen.target {
        crate::absorber::local::Target::Two(pair) => pair,
        crate::absorber::local::Target::One(pole) => Pair::of_poles(pole, pole),
    }
}

/// Of takes whose own bound is under 0.3 Hz the aim is 95 % with the loaded frequency within the larger of
/// 0.2 Hz and 2.5 bounds, 95 % with the best T60 within 10 %, and intervals that hold in 90 to 97 %. Of 60
/// rooms (2 g/2π and more to the next mode) 35, 38 and 37 of 39 did at 60 dB, 30, 30 and 29 of 31 at 46 dB;
/// what is asserted lies two or three chances below, so that a loss shows.
#[test]
#[ignore = "Monte Carlo over 40 rooms"]
fn one_take_places_the_unit() {
    for db in [60.0, 46.0] {
        one_take(db);
    }
}

fn one_take(db: f64) {
    let count = std::env::var("STILLROOM_ROOMS").ok().and_then(|c| c.parse().ok()).unwrap_or(40);
    let (mut rows, mut found_two, mut within, mut best_ok, mut covered, mut n) = (0, 0, 0, 0, 0, 0);
    let mut ratios = Vec::new();
    for number in 0..count {
        let mut room = room("one take", number, db);
        let (off, r) = (between(&mut room.gauss, -3.0, 3.0), between(&mut room.gauss, 0.2, 1.5));
        let near = room.nearest_hz() / (room.g / TAU);
        if near < 2.0 {
            continue;
        }
        let before = room.measure(Vec::new());
        let unit = room.unit(off, r);
        let after = room.measure(vec![unit]);
        let b = bound_hz(&room, &before.solved, &after.solved).unwrap_or(f64::NAN);
        let truth =
            identify(room.mode(), Pair::of_poles(room.pair(&after.solved)[0], room.pair(&after.solved)[1]));
        let mut expected = expected(&room, &before.solved);
        let base = one(&records(&before.lows), &expected).unwrap();
        expected.near = expected.near_places();
        (expected.shape, expected.neighbours, expected.chain_known) =
            (base.shape(), base.neighbours.clone(), true);
        let clock = std::time::Instant::now();
        let sight = look(&records(&after.lows), &expected);
        let spent = clock.elapsed().as_millis();
        rows += 1;
        let head = format!(
            "{number} f {:.1} near {near:.1} g {:.1} off {off:.2} r {r:.2} bound {b:.3}",
            room.mode().omega_per_s / TAU,
            room.g
        );
        let Sight::Two(seen) = sight else {
            if b < 0.3 {
                n += 1;
            }
            println!("{head}: not two ({spent} ms)");
            continue;
        };
        found_two += 1;
        let crate::absorber::local::Target::One(pole) = base.target else { unreachable!() };
        let mode = PoleEstimate { pole, near: base.near.clone(), covariance: base.joint.clone() };
        let take = PairEstimate {
            pair: target_pair(&seen),
            near: seen.near.clone(),
            covariance: seen.joint.clone(),
        };
        let Some(joint) = join(&mode, std::slice::from_ref(&take), &[0]) else {
            println!("{head}: join failed");
            if b < 0.3 {
                n += 1;
            }
            continue;
        };
        let state = &joint.takes[0];
        let error = (state.unit.omega_per_s - truth.unit.omega_per_s) / TAU;
        let sd = state.covariance[(2, 2)].sqrt() / TAU;
        let t = best_t60_s(state.mode, state.coupling.max(0.0).sqrt())
            / best_t60_s(room.mode(), truth.coupling.max(0.0).sqrt())
            - 1.0;
        let (z, rel) = consistency(&mode, &take).unwrap_or((f64::NAN, f64::NAN));
        if b < 0.3 {
            n += 1;
            within += usize::from(error.abs() < 0.2f64.max(2.5 * b));
            best_ok += usize::from(t.abs() < 0.1);
            covered += usize::from(error.abs() < 1.96 * sd);
            ratios.push(error / b);
        }
        println!(
            "{head}: error {error:.3} sd {sd:.3} best T {:.1} % check {z:.1} ({:.2} %) {spent} ms",
            100.0 * t,
            100.0 * rel
        );
    }
    let rms = (ratios.iter().map(|r: &f64| r * r).sum::<f64>() / ratios.len() as f64).sqrt();
    println!(
        "{rows} takes, two poles in {found_two}; of {n} with bound under 0.3: within {within}, best T60 {best_ok}, held {covered}, rms/bound {rms:.2}"
    );
    assert!(
        100 * within >= 80 * n && 100 * best_ok >= 85 * n && 100 * covered >= 80 * n,
        "{within}, {best_ok}, {covered} of {n}"
    );
}
