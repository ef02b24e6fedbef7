//! Units that are switched, and two units on two modes, in invented rooms.

use super::rooms::{Room, between, named, room};
use super::walk::{facts, modes};
use crate::absorber::coupled::{Pair, Resonator, best_t60_s, identify};
use crate::absorber::{Finding, Reference};
use crate::modes::LN_1000;
use crate::room::simulate::Unit;
use crate::session;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

fn count() -> usize {
    std::env::var("STILLROOM_ROOMS").ok().and_then(|c| c.parse().ok()).unwrap_or(40)
}

fn names(room: &Room) -> Vec<String> {
    (0..room.places.len()).map(|m| format!("p{m}")).collect()
}

/// A unit switched off is still a resonator: here a little more damped, off in frequency, with half the coupling.
fn switched(room: &mut Room) -> [Unit; 2] {
    let off_hz = between(&mut room.gauss, -2.0, 2.0);
    let (aside_hz, r) = (between(&mut room.gauss, -0.6, 0.6), between(&mut room.gauss, 0.3, 1.0));
    let on = room.unit(aside_hz, r);
    let off = Unit {
        omega_per_s: on.omega_per_s + TAU * off_hz,
        decay_per_s: on.decay_per_s + 0.2 * room.g,
        coupling_per_s: 0.5 * on.coupling_per_s,
        ..on
    };
    [off, on]
}

/// Off as baseline, then on: the effect, with no number of the unit; and the T60 of what truly rings longest within
/// 3 Hz then.
fn off_to_on(number: usize) -> Option<(Finding, f64)> {
    let mut room = room("switched", number, 60.0);
    if room.nearest_hz() < 2.0 * room.g / TAU {
        return None;
    }
    let [off, on] = switched(&mut room);
    let (names, unit) = (names(&room), |powered| [session::Unit { powered, ..named("A", Vec::new()) }]);
    let (before, after) = (room.measure(vec![off]), room.measure(vec![on]));
    let (set, later) = (modes(&before, &names), modes(&after, &names));
    let (still, works) = (unit(false), unit(true));
    let baseline = facts("off", &before, &names, Some(&set), &still);
    let reference = Reference::new(&baseline, room.mode().omega_per_s / TAU).ok()?;
    let takes = [facts("on", &after, &names, Some(&later), &works)];
    let tuning = reference.tuning(&takes, &[reference.look(&takes[0])]);
    let reach = |s: &Complex64| (s.im / TAU - reference.mode.pole.im / TAU).abs() < 3.0;
    let poles = after.solved.room_poles();
    let slowest = poles.iter().map(|p| p.s).filter(reach).map(|s| -s.re).fold(f64::INFINITY, f64::min);
    Some((tuning.takes[0].clone(), LN_1000 / slowest))
}

/// Without an empty state the program gives effects only, and says why.
#[test]
#[ignore = "Monte Carlo over 40 rooms"]
fn off_to_on_without_an_empty_state_gives_effects_only() {
    let all: Vec<(Finding, f64)> = (0..count()).into_par_iter().filter_map(off_to_on).collect();
    let told: Vec<(f64, f64)> =
        all.iter().filter_map(|(f, exact)| Some((f.t60_s?.value / exact, f.t60_s?.sd? / exact))).collect();
    let near = told.iter().filter(|(ratio, _)| (ratio - 1.0).abs() < 0.1).count();
    let held = told.iter().filter(|(ratio, sd)| (ratio - 1.0).abs() < 1.96 * sd).count();
    println!(
        "| off → on | rooms | T60 with the unit on is given | within 10 % of the truth | its interval holds |"
    );
    println!("| --- | --- | --- | --- | --- |");
    println!("| no empty state | {} | {} | {near} | {held} |", all.len(), told.len());
    for (finding, _) in &all {
        assert!(finding.values.is_none() && finding.next.frequency_change_hz.is_none(), "{finding:?}");
        assert!(finding.next.damping_factor.is_none() && finding.next.dials.is_empty(), "{finding:?}");
        assert!(finding.reason.as_ref().is_some_and(|r| r.contains("resonator")), "{finding:?}");
        assert!(
            finding.advice.as_ref().is_some_and(|a| a.starts_with("Only the effect is known")),
            "{finding:?}"
        );
    }
    assert!(near * 100 >= all.len() * 80 && held * 100 >= all.len() * 75, "{near} {held} of {}", all.len());
}

/// Empty, off, on: both settings identified, each with a coupling of its own (off has half). Error of g in on, as a
/// share, and whether off's comes out smaller.
fn empty_off_on(number: usize) -> Option<(Option<f64>, Option<bool>)> {
    let mut room = room("switched", number, 60.0);
    if room.nearest_hz() < 2.0 * room.g / TAU {
        return None;
    }
    let [off, on] = switched(&mut room);
    let (names, unit) = (names(&room), |powered| [session::Unit { powered, ..named("A", Vec::new()) }]);
    let before = room.measure(Vec::new());
    let (first, second) = (room.measure(vec![off]), room.measure(vec![on]));
    let set = modes(&before, &names);
    let baseline = facts("empty", &before, &names, Some(&set), &[]);
    let reference = Reference::new(&baseline, room.mode().omega_per_s / TAU).ok()?;
    let (still, works) = (unit(false), unit(true));
    let (a, b) = (modes(&first, &names), modes(&second, &names));
    let takes =
        [facts("off", &first, &names, Some(&a), &still), facts("on", &second, &names, Some(&b), &works)];
    let looks: Vec<_> = takes.iter().map(|t| reference.look(t)).collect();
    let tuning = reference.tuning(&takes, &looks);
    let g = |k: usize| tuning.takes[k].values.map(|v| v.coupling_per_s.value);
    Some((g(1).map(|g| g / room.g - 1.0), g(0).zip(g(1)).map(|(off, on)| off < on)))
}

#[test]
#[ignore = "Monte Carlo over 40 rooms"]
fn off_and_on_have_couplings_of_their_own() {
    let all: Vec<_> = (0..count()).into_par_iter().filter_map(empty_off_on).collect();
    let on: Vec<f64> = all.iter().filter_map(|a| a.0).collect();
    let near = on.iter().filter(|e| e.abs() < 0.1).count();
    let both: Vec<bool> = all.iter().filter_map(|a| a.1).collect();
    println!(
        "| empty → off → on | rooms | on identified | its g within 10 % | off identified too | its g smaller |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    let smaller = both.iter().filter(|s| **s).count();
    println!("| | {} | {} | {near} | {} | {smaller} |", all.len(), on.len(), both.len());
    assert!(
        near * 100 >= all.len() * 80 && smaller * 100 >= both.len() * 90,
        "{near} {smaller} {}",
        both.len()
    );
    assert!(both.len() * 2 >= all.len(), "{}", both.len());
}

/// One mode of a room with two units: what was found against its exact pair.
struct Of {
    /// Error of the loaded frequency, Hz, its sd, and error of the best T60 as a share.
    found: Option<(f64, f64, f64)>,
    line: String,
}

/// Two units in two corners, each on a mode of its own along length and width.
fn two_units(number: usize) -> Option<Vec<Of>> {
    let mut room = room("two units", number, 60.0);
    let axes = [[1, 0, 0], [0, 1, 0]];
    let g = [room.g.min(10.0), between(&mut room.gauss, 3.0, 10.0)];
    if (0..2).any(|k| room.nearest_to(axes[k]) < 2.0 * g[k] / TAU) {
        return None;
    }
    let dims = room.scene.dimensions_m;
    let places = [room.unit_at, [0.2, dims[1] - 0.2, 0.2]];
    let bare = axes.map(|a| room.scene.bare_mode(a).expect("a mode"));
    let units: Vec<Unit> = (0..2)
        .map(|k| {
            let off = TAU * between(&mut room.gauss, -1.0, 1.0);
            let r = between(&mut room.gauss, 0.2, 1.0);
            room.scene.unit_for(axes[k], g[k], places[k], (bare[k].0 + off, bare[k].1 + r * g[k]))
        })
        .collect();
    let names = names(&room);
    let (before, after) = (room.measure(Vec::new()), room.measure(units.clone()));
    let (set, later) = (modes(&before, &names), modes(&after, &names));
    let labelled = |k: usize| session::Unit {
        tuned_hz: Some(units[k].omega_per_s / TAU),
        at_m: Some(places[k]),
        ..named(["A", "B"][k], Vec::new())
    };
    let both = [labelled(0), labelled(1)];
    let of = |k: usize| {
        let baseline = facts("empty", &before, &names, Some(&set), &[]);
        let reference = Reference::new(&baseline, bare[k].0 / TAU).ok()?;
        let takes = [facts("both", &after, &names, Some(&later), &both)];
        let tuning = reference.tuning(&takes, &[reference.look(&takes[0])]);
        let mode = Resonator { omega_per_s: bare[k].0, decay_per_s: bare[k].1 };
        let pair = room.pair_of(axes[k], &after.solved);
        let exact = identify(mode, Pair::of_poles(pair[0], pair[1]));
        let take = &tuning.takes[0];
        assert_eq!(take.unit.as_deref(), Some(["A", "B"][k]));
        let found = take.values.map(|v| {
            let off_hz = v.loaded_hz.value - exact.unit.omega_per_s / TAU;
            let best = best_t60_s(mode, exact.coupling.max(0.0).sqrt());
            (off_hz, v.loaded_hz.sd.unwrap_or(f64::NAN), v.best_t60_s.value / best - 1.0)
        });
        let line = format!(
            "{number} {k}: f {:.1} g {:.1} other mode {:.1} Hz away: {found:.3?} check {:.2?} {}",
            bare[k].0 / TAU,
            g[k],
            (bare[0].0 - bare[1].0).abs() / TAU,
            take.consistency,
            take.reason.clone().unwrap_or_default()
        );
        Some(Of { found, line })
    };
    (0..2).map(of).collect()
}

#[test]
#[ignore = "Monte Carlo over 60 rooms"]
fn two_units_on_two_modes_are_told_apart() {
    let all: Vec<Of> = (0..count() * 3 / 2).into_par_iter().filter_map(two_units).flatten().collect();
    let found: Vec<(f64, f64, f64)> = all.iter().filter_map(|o| o.found).collect();
    let within = found.iter().filter(|f| f.0.abs() < 0.2f64.max(2.5 * f.1)).count();
    let best = found.iter().filter(|f| f.2.abs() < 0.1).count();
    println!("| two units | modes | identified | frequency within 0.2 Hz or 2.5 sd | best T60 within 10 % |");
    println!("| --- | --- | --- | --- | --- |");
    println!("| | {} | {} | {within} | {best} |", all.len(), found.len());
    let bad = |o: &&Of| o.found.is_none_or(|f| f.0.abs() > 0.2f64.max(2.5 * f.1) || f.2.abs() > 0.1);
    all.iter().filter(bad).for_each(|o| println!("{}", o.line));
    // What is given is right; nearer than 8 Hz two treated modes are often not told apart, and it says so.
    assert!(
        within * 100 >= found.len() * 92 && best * 100 >= found.len() * 95,
        "{within} {best} {}",
        found.len()
    );
    assert!(found.len() * 100 >= all.len() * 75, "{} of {}", found.len(), all.len());
}
