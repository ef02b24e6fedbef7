//! Many invented sessions, and what the verdicts make of them.

use super::session::{FILE_RATE_HZ, Measured, StateSetup, compared, distance};
use crate::change::{Changes, ChangeSettings, ModeChange, Verdict};
use crate::flag::Flag;
use crate::room::simulate::sound::Background;
use crate::room::simulate::{Chain, Gauss, Scene, Section, Solved, Unit, seed_from};
use rustfft::num_complex::Complex64;
use std::collections::BTreeMap;
use std::fmt::Write as _;

const KINDS: [&str; 12] = [
    "none", "weak", "near best", "lightly damped", "too strong", "detuned", "two units", "passive", "equaliser",
    "inverse equaliser", "moved microphone", "moved loudspeaker",
];

struct Job {
    kind: &'static str,
    before: StateSetup,
    after: StateSetup,
    noise: (Background, Background),
    peak_to_noise_db: f64,
}

fn between(gauss: &mut Gauss, low: f64, high: f64) -> f64 {
    low + (high - low) * gauss.uniform()
}

fn job(kind: &'static str, number: usize) -> (Job, Gauss) {
    let mut gauss = Gauss::new(seed_from(&["confusion", kind, &number.to_string()]));
    let g = &mut gauss;
    let dims = [between(g, 4.2, 6.8), between(g, 3.1, 5.2), between(g, 2.3, 3.0)];
    let wall = |g: &mut Gauss| between(g, 0.006, 0.02);
    let walls = [[wall(g), wall(g)], [wall(g), wall(g)], [wall(g), wall(g)]];
    let scene = Scene {
        dimensions_m: dims,
        temperature_c: 20.0,
        walls,
        up_to_hz: 200.0,
        units: Vec::new(),
        chain: Chain::high_pass(between(g, 22.0, 32.0), 2),
        gain: 0.3,
    };
    let source = [between(g, 0.2, 0.6), between(g, 0.2, 0.6), between(g, 0.2, 0.5)];
    let count = 3 + (g.uniform() * 5.999) as usize;
    let corner = |k: usize, axis: usize| if (k >> axis) & 1 == 1 { dims[axis] - 0.05 } else { 0.05 };
    let places: Vec<[f64; 3]> = (0..count)
        .map(|k| {
            if k % 2 == 1 {
                let which = [1, 2, 4, 7][(k / 2) % 4];
                [corner(which, 0), corner(which, 1), corner(which, 2)]
            } else {
                [
                    between(g, 0.15, 0.85) * dims[0],
                    between(g, 0.15, 0.85) * dims[1],
                    between(g, 0.9, 1.5),
                ]
            }
        })
        .collect();
    let before = StateSetup { scene, source, places };
    let mut after = before.clone();
    after.scene.temperature_c += 0.7 * g.normal();
    treat(kind, &mut after, g);
    let peak_to_noise_db = between(g, 40.0, 65.0);
    let noise = background(&before, peak_to_noise_db, g);
    let quieter = 10f64.powf(0.1 * between(g, -3.0, 3.0));
    let other = Background { floor_per_hz: noise.floor_per_hz * quieter, ..noise };
    if number % 4 == 3 {
        let gain = 10f64.powf(0.05 * between(g, -8.0, 8.0));
        after.scene.gain *= gain;
    }
    (Job { kind, before, after, noise: (noise, other), peak_to_noise_db }, gauss)
}

/// Noise so that the low end's peak stands that far over its rms between 20 and 200 Hz.
fn background(setup: &StateSetup, peak_to_noise_db: f64, g: &mut Gauss) -> Background {
    let solved = setup.scene.solve().expect("a sound scene");
    let mut samples = vec![0.0; 400];
    crate::room::simulate::sound::add_modes(&mut samples, 1000.0, 0.0, &solved.modes(setup.source, setup.places[0]));
    let peak = samples.iter().fold(0.0f64, |p, x| p.max(x.abs()));
    let knee_hz = between(g, 0.0, 100.0);
    let unit = Background { floor_per_hz: 1.0, knee_hz };
    let power: f64 = (20..200).map(|hz| unit.density(f64::from(hz))).sum();
    Background { floor_per_hz: peak * peak / power * 10f64.powf(-0.1 * peak_to_noise_db), knee_hz }
}

fn unit(scene: &Scene, axes: [u32; 3], g_per_s: f64, damping: f64, off_hz: f64, at: [f64; 3]) -> Unit {
    let (omega, decay) = scene.bare_mode(axes).expect("a room");
    let own = (omega + 2.0 * std::f64::consts::PI * off_hz, decay + damping * g_per_s);
    scene.unit_for(axes, g_per_s, at, own)
}

fn treat(kind: &str, after: &mut StateSetup, g: &mut Gauss) {
    let dims = after.scene.dimensions_m;
    let corner = [dims[0] - 0.2, 0.2, 0.2];
    let target = [[1, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, 1], [2, 0, 0]][(g.uniform() * 4.999) as usize];
    let scene = &mut after.scene;
    match kind {
        "weak" => scene.units.push(unit(scene, target, between(g, 2.0, 5.0), between(g, 0.5, 1.2), 0.0, corner)),
        "near best" => scene.units.push(unit(
            scene, target, between(g, 7.0, 13.0), between(g, 0.8, 1.0), between(g, -0.2, 0.2), corner,
        )),
        "lightly damped" => scene.units.push(unit(
            scene, target, between(g, 7.0, 14.0), between(g, 0.1, 0.5), between(g, -0.7, 0.7), corner,
        )),
        "too strong" => {
            scene.units.push(unit(scene, target, between(g, 7.0, 14.0), between(g, 2.0, 5.0), 0.0, corner));
        }
        "detuned" => {
            let off = between(g, 1.5, 4.0) * if g.uniform() < 0.5 { -1.0 } else { 1.0 };
            scene.units.push(unit(scene, target, between(g, 6.0, 12.0), between(g, 0.3, 1.0), off, corner));
        }
        "two units" => {
            let other = [0.2, dims[1] - 0.2, 0.2];
            scene.units.push(unit(scene, [1, 0, 0], between(g, 6.0, 12.0), between(g, 0.2, 1.2), 0.0, corner));
            scene.units.push(unit(scene, [0, 1, 0], between(g, 6.0, 12.0), between(g, 0.2, 1.2), 0.0, other));
        }
        "passive" => {
            let axis = (g.uniform() * 2.999) as usize;
            let more = between(g, 1.3, 2.5);
            scene.walls[axis][0] *= more;
            if g.uniform() < 0.5 {
                scene.walls[axis][1] *= more;
            }
        }
        "equaliser" => {
            let (omega, _) = scene.bare_mode(target).expect("a room");
            let hz = omega / (2.0 * std::f64::consts::PI);
            let decay = omega / (2.0 * between(g, 2.0, 8.0));
            scene.chain = scene.chain.clone().with(Section::bell(hz, decay, -between(g, 3.0, 9.0)));
        }
        "inverse equaliser" => {
            let (omega, decay) = scene.bare_mode(target).expect("a room");
            let zero = Complex64::new(-decay, omega);
            let pole = Complex64::new(-decay * between(g, 1.5, 4.0), omega);
            scene.chain = scene.chain.clone().with(Section { zero, pole });
        }
        "moved microphone" => {
            let m = (g.uniform() * after.places.len() as f64 * 0.999) as usize;
            let far = between(g, 0.15, 0.4);
            let angle = between(g, 0.0, 6.28);
            let at = &mut after.places[m];
            at[0] = (at[0] + far * angle.cos()).clamp(0.02, dims[0] - 0.02);
            at[1] = (at[1] + far * angle.sin()).clamp(0.02, dims[1] - 0.02);
            if g.uniform() < 0.5 {
                scene.units.push(unit(scene, target, between(g, 7.0, 13.0), between(g, 0.3, 1.0), 0.0, corner));
            }
        }
        "moved loudspeaker" => {
            after.source = [between(g, 0.8, 1.8), between(g, 0.8, 1.5), after.source[2]];
        }
        _ => {}
    }
}

/// What really happened to one mode before.
struct Truth {
    /// ln of the ratio of decay constants, of the slowest pole with a quarter of the shape.
    log: f64,
    /// dB of level change in the room.
    level_db: f64,
    /// Poles after that are this mode's, in the order of the truth.
    poles: Vec<usize>,
    /// Whether two of them each have a quarter of its shape.
    split: bool,
    slow: usize,
}

/// Room alone: after state with the places, source, gain and chain of before.
fn room_only(job: &Job) -> Solved {
    let scene = Scene { chain: job.before.scene.chain.clone(), gain: job.before.scene.gain, ..job.after.scene.clone() };
    scene.solve().expect("a sound scene")
}

fn truth(job: &Job, old: &Solved, new: &Solved, i: usize) -> Option<Truth> {
    let before = old.room_poles()[i];
    let residues = |s: &Solved| -> Vec<Vec<Complex64>> {
        job.before.places.iter().map(|p| s.residues(job.before.source, *p)).collect()
    };
    let (r_old, r_new) = (residues(old), residues(new));
    let norm: f64 = r_old.iter().map(|r| r[i].norm_sqr()).sum();
    let share = |k: usize| {
        r_old.iter().zip(&r_new).map(|(a, b)| b[k] * a[i].conj()).sum::<Complex64>().norm() / norm
    };
    let own: Vec<usize> = (0..new.room_poles().len()).filter(|k| new.poles[*k].axes == before.axes).collect();
    let strong: Vec<usize> = own.iter().copied().filter(|k| share(*k) >= 0.25).collect();
    let slow = strong.iter().copied().min_by(|a, b| new.poles[*a].decay_per_s().total_cmp(&new.poles[*b].decay_per_s()))?;
    let height = |r: &[Vec<Complex64>], s: &Solved, poles: &[usize]| -> f64 {
        let at = |omega: f64| -> f64 {
            r.iter()
                .map(|r| {
                    poles.iter().map(|k| r[*k] / (Complex64::new(0.0, omega) - s.poles[*k].s)).sum::<Complex64>().norm_sqr()
                })
                .sum()
        };
        let (low, high) = poles.iter().fold((f64::INFINITY, 0.0f64), |(l, h), k| {
            let p = s.poles[*k];
            (l.min(p.s.im - p.decay_per_s()), h.max(p.s.im + p.decay_per_s()))
        });
        (0..=400).map(|k| at(low + (high - low) * f64::from(k) / 400.0)).fold(0.0, f64::max)
    };
    let level_db = 10.0 * (height(&r_new, new, &strong) / height(&r_old, old, &[i])).log10();
    Some(Truth {
        log: (new.poles[slow].decay_per_s() / before.decay_per_s()).ln(),
        level_db,
        poles: own,
        split: strong.len() == 2,
        slow,
    })
}

#[derive(Default)]
struct Tally {
    rows: BTreeMap<(&'static str, &'static str), usize>,
    wrong: Vec<String>,
    verdicts: usize,
    untouched: usize,
    false_shorter: usize,
    covered: usize,
    intervals: usize,
    decidable: usize,
    decidable_unsure: Vec<String>,
    steady: usize,
    steady_unsure: Vec<String>,
    splits: usize,
    missed: Vec<String>,
    new: usize,
    false_new: Vec<String>,
    mispaired: Vec<String>,
    level_intervals: usize,
    level_covered: usize,
    before_rows: usize,
    chain_modes: usize,
    chain_found: usize,
}

fn judge(job: &Job, before: &Measured, after: &Measured, changes: &Changes, tally: &mut Tally, name: &str) {
    let room = room_only(job);
    let filtered = matches!(job.kind, "equaliser" | "inverse equaliser");
    let e = |s: Complex64| job.after.scene.chain.at(s) / job.before.scene.chain.at(s);
    for change in &changes.modes {
        let Some(index) = change.before else {
            arrival(job, &room, before, after, change, tally, name);
            continue;
        };
        tally.before_rows += 1;
        let i = before.truth[index];
        if i >= before.solved.room_poles().len() {
            continue;
        }
        let Some(truth) = truth(job, &before.solved, &room, i) else { continue };
        *tally.rows.entry((job.kind, change.verdict.word())).or_default() += 1;
        row(job, before, after, change, &truth, tally, name, filtered.then(|| e(before.solved.poles[i].s)));
    }
}

#[allow(clippy::too_many_arguments)]
fn row(
    job: &Job,
    before: &Measured,
    after: &Measured,
    change: &ModeChange,
    truth: &Truth,
    tally: &mut Tally,
    name: &str,
    filter: Option<Complex64>,
) {
    let index = change.before.expect("a row of before");
    let mode = &before.set.modes[index];
    let sd_before = mode.decay_sd_per_s / mode.decay_per_s;
    let sd_after = change.after.map(|j| after.set.modes[j].decay_sd_per_s / after.set.modes[j].decay_per_s);
    let s = sd_after.map(|sd| sd.hypot(sd_before));
    let filter_db = filter.map_or(0.0, |e| 20.0 * e.norm().log10());
    let replaced = job.kind == "inverse equaliser" && filter.is_some_and(|e| e.norm() < 1e-3);
    let db = |v: Option<Result<crate::change::Ratio, Flag>>| match v {
        Some(Ok(r)) => format!("{:+.2} [{:+.2} {:+.2}]", 20.0 * r.value.log10(), 20.0 * r.low.log10(), 20.0 * r.high.log10()),
        _ => "-".into(),
    };
    let line = format!(
        "{name} ({:.0} dB, {} pl) {:.2} Hz {:?} true L {:+.3} level {:+.2} split {}: {} t60 {} level {} s {:.3} flags {} — {}",
        job.peak_to_noise_db, before.names.len(),
        mode.omega_per_s / 6.283_185, before.solved.poles[before.truth[index]].axes, truth.log, truth.level_db + filter_db, truth.split,
        change.verdict.word(), db(change.t60_ratio), db(change.level_ratio), s.unwrap_or(f64::NAN), change.flags, change.reason
    );
    let partner = change.after.map(|j| after.truth[j]);
    let paired = partner.is_none_or(|p| truth.poles.contains(&p) || (replaced && p >= after.solved.room_poles().len()));
    if !paired {
        tally.mispaired.push(line.clone());
    }
    let moved = job.kind == "moved loudspeaker";
    let level_db = truth.level_db + filter_db;
    let wrong = match change.verdict {
        Verdict::Shorter => truth.log < 0.005 || replaced,
        Verdict::Longer => truth.log > -0.005 || replaced,
        Verdict::Gone => truth.log < 0.69 && !replaced,
        Verdict::Unchanged => truth.log.abs() > 0.1 || level_db.abs() > 1.0 || replaced,
        Verdict::LevelOnly => truth.log.abs() > 0.1 || truth.level_db.abs() < 0.4 || moved || replaced,
        Verdict::Chain => !(moved || replaced || filter_db.abs() > 0.3),
        _ => false,
    };
    if change.verdict != Verdict::Unsure {
        tally.verdicts += 1;
        if wrong || (!paired && change.verdict != Verdict::Unsure) {
            tally.wrong.push(line.clone());
        }
    }
    if truth.log.abs() < 2e-3 && !replaced && mode.kind == crate::modes::Kind::Mode {
        tally.untouched += 1;
        if change.verdict == Verdict::Shorter {
            tally.false_shorter += 1;
        }
    }
    if filter_db.abs() > 1.0 {
        tally.chain_modes += 1;
        tally.chain_found += usize::from(change.verdict == Verdict::Chain);
    }
    if let (Some(Ok(r)), true, false, false) = (change.t60_ratio, paired, replaced, change.flags.has(Flag::MergedPair)) {
        if partner == Some(truth.slow) {
            tally.intervals += 1;
            let ratio = (-truth.log).exp();
            tally.covered += usize::from(r.low <= ratio && ratio <= r.high);
        }
    }
    if let (Some(Ok(r)), true, false, false) = (change.level_ratio, paired, moved, replaced) {
        if !change.flags.has(Flag::MergedPair) && truth.split == change.flags.has(Flag::Split) {
            tally.level_intervals += 1;
            let ratio = 10f64.powf(0.05 * level_db);
            tally.level_covered += usize::from(r.low <= ratio && ratio <= r.high);
        }
    }
    let s = s.unwrap_or(sd_before * 2.0);
    if !replaced && mode.kind == crate::modes::Kind::Mode && truth.log.abs() > 6.0 * s && truth.log.abs() > 0.1 {
        tally.decidable += 1;
        if change.verdict == Verdict::Unsure {
            tally.decidable_unsure.push(line.clone());
        }
    }
    let settled = truth.log.abs() < 0.02 && level_db.abs() < 0.3 && s < 0.017 && !replaced && filter.is_none() && !moved;
    if settled {
        tally.steady += 1;
        if change.verdict == Verdict::Unsure {
            tally.steady_unsure.push(line.clone());
        }
    }
    if truth.split {
        split(after, truth, change, tally, line);
    }
}

fn split(after: &Measured, truth: &Truth, change: &ModeChange, tally: &mut Tally, line: String) {
    let found: Vec<usize> = (0..after.truth.len()).filter(|j| truth.poles.contains(&after.truth[*j])).collect();
    let well = |j: &usize| {
        let m = &after.set.modes[*j];
        m.decay_sd_per_s < 0.1 * m.decay_per_s
    };
    let [a, b] = found.as_slice() else { return };
    let side = 2 * after.set.modes.len();
    let c = |r: usize, k: usize| after.set.covariance[r * side + k];
    let v = |x: usize| c(2 * a + x, 2 * a + x) + c(2 * b + x, 2 * b + x) - 2.0 * c(2 * a + x, 2 * b + x);
    let (m, n) = (&after.set.modes[*a], &after.set.modes[*b]);
    let apart = ((m.omega_per_s - n.omega_per_s).powi(2) / v(0) + (m.decay_per_s - n.decay_per_s).powi(2) / v(1)).sqrt();
    if well(a) && well(b) && apart > 6.0 {
        tally.splits += 1;
        if !change.flags.has(Flag::Split) {
            tally.missed.push(line);
        }
    }
}

fn arrival(job: &Job, room: &Solved, before: &Measured, after: &Measured, change: &ModeChange, tally: &mut Tally, name: &str) {
    if change.verdict != Verdict::New {
        return;
    }
    tally.new += 1;
    let j = change.after.expect("a row of after");
    let pole = after.truth[j];
    let line = format!("{name} new {:.2} Hz", after.set.modes[j].omega_per_s / 6.283_185);
    if pole >= after.solved.room_poles().len() {
        tally.false_new.push(format!("{line}: a filter's"));
        return;
    }
    for (row, &i) in before.truth.iter().enumerate() {
        if i < before.solved.room_poles().len() && before.solved.poles[i].axes == after.solved.poles[pole].axes {
            if let Some(truth) = truth(job, &before.solved, room, i) {
                let main = truth.slow == pole;
                if main {
                    tally.false_new.push(format!("{line}: mode {row} of before, true L {:+.3}", truth.log));
                }
            }
            return;
        }
    }
    tally.false_new.push(format!("{line}: there before, not found then"));
}

fn run(per_kind: usize, settings: &ChangeSettings) -> Tally {
    let mut tally = Tally::default();
    for kind in KINDS {
        for number in 0..per_kind {
            let (job, mut gauss) = job(kind, number);
            let before = job.before.measure(job.noise.0, 2.5, &mut gauss);
            let after = job.after.measure(job.noise.1, 2.5, &mut gauss);
            let changes = compared(&before, &after, settings);
            judge(&job, &before, &after, &changes, &mut tally, &format!("{kind} {number}"));
        }
    }
    tally
}

fn table(tally: &Tally) -> String {
    let words = ["gone", "shorter", "longer", "chain", "level-only", "unchanged", "unsure"];
    let mut text = format!("| session | {} |\n| --- |{}\n", words.join(" | "), " --- |".repeat(words.len()));
    for kind in KINDS {
        let cells: Vec<String> =
            words.iter().map(|w| tally.rows.get(&(kind, *w)).copied().unwrap_or(0).to_string()).collect();
        let _ = writeln!(text, "| {kind} | {} |", cells.join(" | "));
    }
    let percent = |a: usize, b: usize| 100.0 * a as f64 / b.max(1) as f64;
    let mut line = |what: &str, a: usize, b: usize| {
        let _ = writeln!(text, "{what}: {a} of {b} ({:.2} %)", percent(a, b));
    };
    line("wrong verdicts", tally.wrong.len(), tally.verdicts);
    line("`shorter` on untouched modes", tally.false_shorter, tally.untouched);
    line("T60 intervals that hold the truth", tally.covered, tally.intervals);
    line("level intervals that hold the truth", tally.level_covered, tally.level_intervals);
    line("unsure of decidable changes", tally.decidable_unsure.len(), tally.decidable);
    line("unsure of decidable steady modes", tally.steady_unsure.len(), tally.steady);
    line("missed splits", tally.missed.len(), tally.splits);
    line("false new of new", tally.false_new.len(), tally.new);
    line("false new of rows", tally.false_new.len(), tally.before_rows);
    line("mispaired", tally.mispaired.len(), tally.before_rows);
    line("modes under a filter (over 1 dB) called chain", tally.chain_found, tally.chain_modes);
    text
}

/// Prints the confusion table; `CHANGE_SESSIONS` sets how many sessions of each kind (20).
#[test]
#[ignore = "hundreds of sessions; minutes"]
#[allow(clippy::print_stdout)]
fn confusion_table_at_the_bound() {
    let per_kind = std::env::var("CHANGE_SESSIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    let stated = std::env::var("CHANGE_STATED").is_ok().then_some(true);
    let settings = ChangeSettings { same_chain: stated, ..ChangeSettings::default() };
    let tally = run(per_kind, &settings);
    println!("{}", table(&tally));
    for (what, lines) in [
        ("wrong", &tally.wrong),
        ("undecided", &tally.decidable_unsure),
        ("steady undecided", &tally.steady_unsure),
        ("missed split", &tally.missed),
        ("false new", &tally.false_new),
        ("mispaired", &tally.mispaired),
    ] {
        for line in lines.iter().take(25) {
            println!("{what}: {line}");
        }
    }
    let _ = (FILE_RATE_HZ, distance([0.0; 3], [0.0; 3]));
}
