//! Verdicts against the truth, counted.

use super::jobs::Job;
use super::session::Measured;
use super::truth::{Truth, room_only, truth};
use crate::change::{Changes, ModeChange, Verdict};
use crate::flag::Flag;
use crate::room::simulate::Solved;
use rustfft::num_complex::Complex64;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

#[derive(Default)]
pub struct Tally {
    pub rows: BTreeMap<(&'static str, &'static str), usize>,
    pub wrong: Vec<String>,
    pub verdicts: usize,
    pub untouched: usize,
    pub false_shorter: usize,
    pub covered: usize,
    pub intervals: usize,
    pub decidable: usize,
    pub decidable_unsure: Vec<String>,
    pub steady: usize,
    pub steady_unsure: Vec<String>,
    pub splits: usize,
    pub missed: Vec<String>,
    pub new: usize,
    pub false_new: Vec<String>,
    pub mispaired: Vec<String>,
    pub level_intervals: usize,
    pub level_covered: usize,
    pub before_rows: usize,
    pub chain_modes: usize,
    pub chain_found: usize,
}

/// Counts one session.
pub fn judge(
    job: &Job,
    before: &Measured,
    after: &Measured,
    changes: &Changes,
    tally: &mut Tally,
    name: &str,
) {
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
    let replaced = job.kind == "inverse equaliser" && filter.is_some_and(|e| e.norm() < 0.1);
    let db = |v: Option<Result<crate::change::Ratio, Flag>>| match v {
        Some(Ok(r)) => format!(
            "{:+.2} [{:+.2} {:+.2}]",
            20.0 * r.value.log10(),
            20.0 * r.low.log10(),
            20.0 * r.high.log10()
        ),
        _ => "-".into(),
    };
    let line = format!(
        "{name} ({:.0} dB, {} pl) {:.2} Hz {:?} true L {:+.3} level {:+.2} split {}: {} t60 {} level {} s {:.3} flags {} — {}",
        job.peak_to_noise_db,
        before.names.len(),
        mode.omega_per_s / TAU,
        before.solved.poles[before.truth[index]].axes,
        truth.log,
        truth.level_db + filter_db,
        truth.split,
        change.verdict.word(),
        db(change.t60_ratio),
        db(change.level_ratio),
        s.unwrap_or(f64::NAN),
        change.flags,
        change.reason
    );
    let partner = change.after.map(|j| after.truth[j]);
    let paired = partner
        .is_none_or(|p| truth.poles.contains(&p) || (replaced && p >= after.solved.room_poles().len()));
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
        Verdict::LevelOnly => truth.log.abs() > 0.1 || truth.level_db.abs() < 0.25 || moved || replaced,
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
    let single = paired && !replaced && !change.flags.has(Flag::MergedPair);
    if let (Some(Ok(r)), true) = (change.t60_ratio, single && partner == Some(truth.slow)) {
        tally.intervals += 1;
        let ratio = (-truth.log).exp();
        tally.covered += usize::from(r.low <= ratio && ratio <= r.high);
    }
    let alike = single && !moved && truth.split == change.flags.has(Flag::Split);
    if let (Some(Ok(r)), true) = (change.level_ratio, alike) {
        tally.level_intervals += 1;
        let ratio = 10f64.powf(0.05 * level_db);
        tally.level_covered += usize::from(r.low <= ratio && ratio <= r.high);
    }
    let s = s.unwrap_or(sd_before * 2.0);
    if !replaced
        && mode.kind == crate::modes::Kind::Mode
        && truth.log.abs() > 6.0 * s
        && truth.log.abs() > 0.1
    {
        tally.decidable += 1;
        if change.verdict == Verdict::Unsure {
            tally.decidable_unsure.push(line.clone());
        }
    }
    let settled = truth.log.abs() < 0.02
        && level_db.abs() < 0.3
        && s < 0.017
        && !replaced
        && filter.is_none()
        && !moved;
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
    let found: Vec<usize> =
        (0..after.truth.len()).filter(|j| truth.poles.contains(&after.truth[*j])).collect();
    let well = |j: &usize| {
        let m = &after.set.modes[*j];
        m.decay_sd_per_s < 0.1 * m.decay_per_s
    };
    let [a, b] = found.as_slice() else { return };
    let side = 2 * after.set.modes.len();
    let c = |r: usize, k: usize| after.set.covariance[r * side + k];
    let v = |x: usize| c(2 * a + x, 2 * a + x) + c(2 * b + x, 2 * b + x) - 2.0 * c(2 * a + x, 2 * b + x);
    let (m, n) = (&after.set.modes[*a], &after.set.modes[*b]);
    let apart = ((m.omega_per_s - n.omega_per_s).powi(2) / v(0)
        + (m.decay_per_s - n.decay_per_s).powi(2) / v(1))
    .sqrt();
    // Two poles that together make up the shape, each with a quarter of it, are a split. A unit that also drives a
    // neighbour makes poles of mixed shape, which are none; nor does a value decide that noise may carry across.
    let clear = truth.second_share > 0.28 && truth.rest < 0.4;
    if well(a) && well(b) && apart > 6.0 && clear {
        tally.splits += 1;
        if !change.flags.has(Flag::Split) {
            tally.missed.push(line);
        }
    }
}

fn arrival(
    job: &Job,
    room: &Solved,
    before: &Measured,
    after: &Measured,
    change: &ModeChange,
    tally: &mut Tally,
    name: &str,
) {
    if change.verdict != Verdict::New {
        return;
    }
    tally.new += 1;
    let j = change.after.expect("a row of after");
    let pole = after.truth[j];
    let line = format!("{name} new {:.2} Hz", after.set.modes[j].omega_per_s / TAU);
    if pole >= after.solved.room_poles().len() {
        tally.false_new.push(format!("{line}: a filter's"));
        return;
    }
    for (row, &i) in before.truth.iter().enumerate() {
        if i < before.solved.room_poles().len()
            && before.solved.poles[i].axes == after.solved.poles[pole].axes
        {
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
