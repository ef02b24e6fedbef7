//! Units near their best setting, where the two poles all but meet: change of decay and ringing from the joint fit.

use super::rooms::{Measured, Room, between, named, room};
use super::walk::{facts, modes, truth};
use crate::absorber::Reference;
use crate::absorber::coupled::{Pair, identify};
use crate::modes::LN_1000;
use crate::room::simulate::{Scene, Unit};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// A unit whose pole in the room is off the mode's frequency by that much, its damping that share of the best.
fn near_best(room: &Room, off_hz: f64, damping: f64) -> Unit {
    let mode = room.mode();
    let mut unit = room.unit(off_hz, damping);
    for _ in 0..6 {
        let scene = Scene { units: vec![unit], ..room.scene.clone() };
        let solved = scene.solve().expect("a sound scene");
        let [a, b] = room.pair(&solved);
        let found = identify(mode, Pair::of_poles(a, b));
        let g = found.coupling.max(1.0).sqrt();
        unit.omega_per_s += mode.omega_per_s + TAU * off_hz - found.unit.omega_per_s;
        unit.decay_per_s += damping * (mode.decay_per_s + g) - found.unit.decay_per_s;
    }
    unit
}

struct Case {
    line: String,
    /// ln of ring after over before: error, low, high.
    ring: Option<(f64, f64, f64)>,
}

fn case(number: usize) -> Option<Case> {
    let db = [50.0, 55.0, 60.0][number % 3];
    let mut room = room("near best", number, db);
    room.g = between(&mut room.gauss, 7.0, 13.0);
    if room.nearest_hz() < 2.0 * room.g / TAU {
        return None;
    }
    let (off, r) = (between(&mut room.gauss, -0.5, 0.5), between(&mut room.gauss, 0.7, 1.5));
    let unit = near_best(&room, off, r);
    let names: Vec<String> = (0..room.places.len()).map(|m| format!("p{m}")).collect();
    let before = room.measure(Vec::new());
    let after: Measured = room.measure(vec![unit]);
    let (set, later) = (modes(&before, &names), modes(&after, &names));
    let empty = facts("empty", &before, &names, Some(&set), &[]);
    let reference = Reference::new(&empty, room.mode().omega_per_s / TAU).ok()?;
    let units = [named("A", Vec::new())];
    let take = facts("take", &after, &names, Some(&later), &units);
    let clock = std::time::Instant::now();
    let look = reference.look(&take);
    let took = clock.elapsed().as_secs_f64();
    let [a, b] = room.pair(&after.solved);
    let exact = identify(room.mode(), Pair::of_poles(a, b));
    let (t60, ring) = truth(&room, unit);
    let before_s = LN_1000 / room.mode().decay_per_s;
    let (t60_log, ring_log) = ((t60 / before_s).ln(), (ring / before_s).ln());
    let tuning = reference.tuning(&[take], &[look.clone()]);
    let old = &tuning.takes[0];
    let mut line = format!(
        "{number} {db} f {:.1} near {:.1} g {:.1} ({:.2}) off {off:.2} r {r:.2} {took:.2} s: t60 {t60:.3} ring {ring:.3} | old t60 {:.3?} ring {:.3?} hz {:.3?} ",
        room.mode().omega_per_s / TAU,
        room.nearest_hz() / (room.g / TAU),
        room.g,
        exact.coupling.sqrt(),
        old.t60_s.map(|t| (t.value, t.sd.unwrap_or_default())),
        old.ring_s,
        old.values
            .map(|v| ((v.loaded_hz.value - exact.unit.omega_per_s / TAU), v.loaded_hz.sd.unwrap_or(0.0))),
    );
    let ring = look.joint.as_ref().map(|j| {
        let hz = (j.shared.unit.omega_per_s - exact.unit.omega_per_s) / TAU;
        let z = |e: &crate::absorber::joint::Ends, t: f64| (e.value - t, e.low - t, e.high - t);
        line += &format!(
            "| joint misfit {:.0} {:?} sound {} slack {:.2} hz {hz:.3} ± {:.3} g {:.2} ± {:.2} t60 {:.3} [{:.3} {:.3}] ring {:.3} t60log {:.3?} ringlog {:.3?} offset {:.2} gain {:.4}",
            j.misfit - j.untied.0,
            j.untied,
            j.sound(),
            j.slack,
            j.covariance[(3, 3)].sqrt() / TAU,
            j.shared.coupling.sqrt(),
            j.covariance[(4, 4)].sqrt() / (2.0 * j.shared.coupling.sqrt()),
            j.after_t60_s[0].value,
            j.after_t60_s[0].low,
            j.after_t60_s[0].high,
            j.after_ring_s.value,
            z(&j.t60_log, t60_log),
            z(&j.ring_log, ring_log),
            j.shared.offset,
            j.shared.gain,
        );
        z(&j.ring_log, ring_log)
    });
    Some(Case { line, ring })
}

#[test]
#[ignore = "Monte Carlo over 100 rooms"]
fn units_near_their_best_setting() {
    let count = std::env::var("STILLROOM_ROOMS").ok().and_then(|c| c.parse().ok()).unwrap_or(100);
    let all: Vec<Case> = (0..count).into_par_iter().filter_map(case).collect();
    for case in &all {
        println!("{}", case.line);
    }
    let held = all.iter().filter_map(|c| c.ring).filter(|r| r.1 <= 0.0 && r.2 >= 0.0).count();
    println!("{held} of {}", all.len());
}
