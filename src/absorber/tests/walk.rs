//! Following the advice step by step in invented rooms: three takes from a start 3 Hz off.

use super::rooms::named;
use super::rooms::{EMISSION_S, Measured, RATE_HZ, Room, between, room};
use crate::absorber::{Reference, SettingFacts, SettingFit, Tuning};
use crate::change::ring_s;
use crate::modes::{FitSettings, LN_1000, ModeSet, Place, fit};
use crate::room::simulate::Unit;
use crate::session;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// What a setting really gives: T60 of the slower pole, and the time until the mode is 60 dB down.
pub fn truth(room: &Room, unit: Unit) -> (f64, f64) {
    let scene = crate::room::simulate::Scene { units: vec![unit], ..room.scene.clone() };
    let Ok(solved) = scene.solve() else { return (f64::INFINITY, f64::INFINITY) };
    let pair = room.pair(&solved);
    let at: Vec<usize> =
        pair.iter().filter_map(|s| solved.poles.iter().position(|p| (p.s - s).norm() < 1e-9)).collect();
    let strengths: Vec<Vec<Complex64>> = room
        .places
        .iter()
        .map(|p| {
            let all = solved.residues(room.source, *p);
            at.iter().map(|k| all[*k]).collect()
        })
        .collect();
    let slower = pair.iter().map(|s| -s.re).fold(f64::INFINITY, f64::min);
    (LN_1000 / slower, ring_s(&pair, &strengths).unwrap_or(f64::INFINITY))
}

/// The best setting by a search in the full room.
fn best(room: &Room, start: Unit) -> (f64, f64) {
    let mut here = start;
    let mut least = truth(room, here);
    let mut step = (TAU * 0.4, 0.15);
    while step.0 > TAU * 0.004 {
        let mut moved = false;
        for (f, d) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
            let next = Unit {
                omega_per_s: here.omega_per_s + f * step.0,
                decay_per_s: here.decay_per_s * (1.0 + d * step.1),
                ..here
            };
            let found = truth(room, next);
            if found.0 < least.0 {
                (here, least, moved) = (next, found, true);
            }
        }
        if !moved {
            step = (0.6 * step.0, 0.6 * step.1);
        }
    }
    least
}

pub fn facts<'a>(
    name: &'a str,
    measured: &'a Measured,
    names: &'a [String],
    modes: Option<&'a ModeSet>,
    units: &'a [session::Unit],
) -> SettingFacts<'a> {
    SettingFacts {
        state: name,
        lows: measured.lows.iter().collect(),
        places: names.iter().map(|n| (n.as_str(), "")).collect(),
        modes,
        units,
        frequency_factor: 1.0,
    }
}

pub fn modes(measured: &Measured, names: &[String]) -> ModeSet {
    let samples: Vec<Vec<f64>> =
        measured.lows.iter().map(|l| l.samples.iter().map(|x| f64::from(*x)).collect()).collect();
    let places: Vec<Place<'_>> = names
        .iter()
        .zip(&samples)
        .map(|(n, s)| Place::new(n, "", s, RATE_HZ, EMISSION_S).emitted_at(EMISSION_S))
        .collect();
    let mut settings = FitSettings::default();
    (settings.from_hz, settings.to_hz, settings.refits) = (12.0, 130.0, false);
    fit(&places, &settings)
}

struct Walk {
    number: usize,
    began: (f64, f64),
    /// T60 and ringing in the second and third take, and after the third take's advice.
    ends: Vec<(f64, f64)>,
    best: (f64, f64),
    near: f64,
    log: Vec<String>,
}

/// Takes of one walk; `None` where the baseline's fit doesn't show the mode.
fn walk(number: usize, kind: &str, db: f64) -> Option<Walk> {
    let mut room = room(kind, number, db);
    let names: Vec<String> = (0..room.places.len()).map(|m| format!("p{m}")).collect();
    let sign = if room.gauss.uniform() < 0.5 { 1.0 } else { -1.0 };
    let r = between(&mut room.gauss, 0.2, 1.5);
    let near = room.nearest_hz() / (room.g / TAU);
    let before = room.measure(Vec::new());
    let set = modes(&before, &names);
    let empty = facts("empty", &before, &names, Some(&set), &[]);
    let reference = Reference::new(&empty, room.mode().omega_per_s / TAU).ok()?;
    let mut unit = room.unit(3.0 * sign, r);
    let began = truth(&room, unit);
    let units = [named("A", Vec::new())];
    let mut takes: Vec<Measured> = Vec::new();
    let mut looks: Vec<SettingFit> = Vec::new();
    let (mut ends, mut log) = (Vec::new(), Vec::new());
    for _ in 0..3 {
        takes.push(room.measure(vec![unit]));
        let all: Vec<SettingFacts<'_>> =
            takes.iter().map(|t| facts("take", t, &names, None, &units)).collect();
        looks.push(reference.look(&all[all.len() - 1]));
        let tuning: Tuning = reference.tuning(&all, &looks);
        let found = tuning.takes.last()?;
        log.push(format!(
            "{:.2} Hz off, damping {:.1}: {:?} {} {}",
            (unit.omega_per_s - room.mode().omega_per_s) / TAU,
            unit.decay_per_s,
            found.values.map(|v| (v.loaded_hz, v.loaded_decay_per_s.value, v.coupling_per_s.value)),
            found.advice.clone().unwrap_or_default(),
            found.reason.clone().unwrap_or_default()
        ));
        unit.omega_per_s += TAU * found.next.frequency_change_hz.unwrap_or(0.0);
        unit.decay_per_s *= found.next.damping_factor.unwrap_or(1.0);
        ends.push(truth(&room, unit));
    }
    let start = room.unit(0.3, 0.95);
    Some(Walk { number, began, ends, best: best(&room, start), near, log })
}

/// What came of some walks: how many within the aims in the third take and after its advice, how many longer.
#[derive(Debug, Default)]
struct Tally {
    walks: usize,
    t60: [usize; 2],
    ring: [usize; 2],
    longer: [usize; 2],
}

impl Tally {
    fn add(&mut self, walk: &Walk) {
        self.walks += 1;
        for (k, end) in walk.ends[1..].iter().enumerate() {
            self.t60[k] += usize::from(end.0 <= 1.2 * walk.best.0);
            self.ring[k] += usize::from(end.1 <= 1.1 * walk.best.1);
            self.longer[k] += usize::from(end.0 > 1.001 * walk.began.0);
        }
    }

    fn row(&self, name: &str) -> String {
        let [t, r, l] = [self.t60, self.ring, self.longer].map(|[a, b]| format!("{a}, {b}"));
        format!("| {name} | {} | {t} | {r} | {l} |", self.walks)
    }
}

/// Aims: T60 within 20 % of the best in nine of ten walks, the time until the mode is 60 dB down within 10 % in 19 of
/// 20, at most 2 % longer than they began. Three takes; what counts is the setting that the third one's advice leads
/// to, and, harder, the one that it was measured at. docs/absorber.md has the numbers; what is asserted lies a chance
/// or two below them, so that a loss shows.
#[test]
#[ignore = "Monte Carlo over 120 rooms"]
fn three_takes_lead_to_the_best() {
    let count = std::env::var("STILLROOM_ROOMS").ok().and_then(|c| c.parse().ok()).unwrap_or(120);
    let walks: Vec<Walk> = (0..count).into_par_iter().filter_map(|k| walk(k, "walk", 60.0)).collect();
    let mut tallies: [Tally; 3] = Default::default();
    for walk in &walks {
        tallies[0].add(walk);
        tallies[1 + usize::from(walk.near < 2.0)].add(walk);
        let (last, longest) = (walk.ends[2], 1.001 * walk.began.0);
        if last.0 > 1.2 * walk.best.0 || last.1 > 1.1 * walk.best.1 || last.0 > longest {
            let Walk { number, near, began, ends, best, log } = walk;
            println!("{number}: near {near:.1} began {began:.2?} ends {ends:.2?} best {best:.2?}");
            log.iter().for_each(|l| println!("    {l}"));
        }
    }
    println!("| rooms | walks | T60 within 20 % | 60 dB down within 10 % | longer than at the start |");
    println!("| --- | --- | --- | --- | --- |");
    for (name, tally) in ["all", "next mode over 2 g/2π away", "nearer"].iter().zip(&tallies) {
        println!("{}", tally.row(name));
    }
    let [all, open, close] = &tallies;
    assert!(all.walks >= 100.min(count), "{all:?}");
    assert!(all.t60[1] * 100 >= all.walks * 90 && all.ring[1] * 100 >= all.walks * 93, "{all:?}");
    assert!(open.t60[0] * 100 >= open.walks * 90 && open.ring[0] * 100 >= open.walks * 94, "{open:?}");
    assert!(close.t60[1] * 100 >= close.walks * 80, "{close:?}");
    assert!(all.longer[1] * 100 <= all.walks * 2, "{all:?}");
}
