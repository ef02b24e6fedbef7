//! What small changes of a record do to the claims: a shorter record, another start, another rate, more noise.
//!
//! A claim is worth what it stands: the same room in 70 % of its length, begun some milliseconds off, at another rate or in
//! ten decibels more noise must be claimed again, and values may move by what the intervals allow: over the difference of
//! variances where one record tells less (Hausman 1978), else over half an interval.

use crate::measured::{arni, claims, fit_lows, folder, hertz, known, low_record, single, waves};
use rayon::prelude::*;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;
use stillroom::modes::{Mode, ModeSet};
use stillroom::response::LowRecord;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Change {
    Shorter,
    StartMs(f64),
    Rate,
    Noise,
}

const ALL: [Change; 7] = [
    Change::Shorter,
    Change::StartMs(-5.0),
    Change::StartMs(5.0),
    Change::StartMs(-12.0),
    Change::StartMs(12.0),
    Change::Rate,
    Change::Noise,
];

impl Change {
    fn fit(self, lows: &[LowRecord]) -> ModeSet {
        let mut lows = lows.to_vec();
        let mut later_s = 0.0;
        match self {
            Change::StartMs(ms) => later_s = 1e-3 * ms,
            Change::Shorter => lows.iter_mut().for_each(|low| {
                let first = (low.onset_s * low.rate_hz) as usize;
                let kept = first + (0.7 * (low.samples.len() - first) as f64) as usize;
                low.samples.truncate(kept);
            }),
            Change::Rate => lows.iter_mut().for_each(resample),
            Change::Noise => lows.iter_mut().enumerate().for_each(|(m, low)| add_noise(low, m as u64 + 1)),
        }
        fit_lows(&lows, later_s, true)
    }

    /// Largest move of a value with these sds that isn't against them.
    fn allows(self, before: f64, after: f64) -> f64 {
        let difference = (after * after - before * before).max(0.0).sqrt();
        1.96 * difference.max(0.5 * before.max(after))
    }
}

/// As if recorded at 44.1 instead of 48 kHz: fewer samples of the same sound, by its spectrum.
fn resample(low: &mut LowRecord) {
    let (old, new) = (low.samples.len(), low.samples.len() * 147 / 160);
    let mut planner = FftPlanner::new();
    let mut spectrum: Vec<Complex<f64>> = low.samples.iter().map(|s| Complex::from(f64::from(*s))).collect();
    planner.plan_fft_forward(old).process(&mut spectrum);
    let half = (new - 1) / 2;
    let mut kept = vec![Complex::from(0.0); new];
    kept[..=half].copy_from_slice(&spectrum[..=half]);
    kept[new - half..].copy_from_slice(&spectrum[old - half..]);
    planner.plan_fft_inverse(new).process(&mut kept);
    low.samples = kept.iter().map(|v| (v.re / old as f64) as f32).collect();
    low.rate_hz *= new as f64 / old as f64;
}

/// Nine times the power of the record's last tenth on top of it.
fn add_noise(low: &mut LowRecord, seed: u64) {
    let tail = &low.samples[low.samples.len() * 9 / 10..];
    let sd = 3.0 * (tail.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / tail.len() as f64).sqrt();
    let mut draws = crate::synthetic::Draws::new(seed);
    low.samples.iter_mut().for_each(|s| *s += (sd * draws.normal()) as f32);
}

#[derive(Debug, Default, Clone, Copy)]
struct Tally {
    claims: usize,
    lost: usize,
    new: usize,
    values: usize,
    held: usize,
}

impl Tally {
    fn of(change: Change, before: &ModeSet, after: &ModeSet) -> Self {
        let (old, new) = (claims(before), claims(after));
        let partner = |mode: &Mode, among: &[&Mode]| {
            let near = among.iter().position(|other| {
                let joint = mode.omega_sd_per_s.hypot(other.omega_sd_per_s);
                (other.omega_per_s - mode.omega_per_s).abs() < (0.5 * mode.decay_per_s).max(3.0 * joint)
            });
            near.is_some()
        };
        // Noise may take a mode's T60 beyond what can be claimed.
        let asked = |m: &&&Mode| change != Change::Noise || 3.2 * m.decay_sd_per_s < 0.25 * m.decay_per_s;
        let asked: Vec<&Mode> = old.iter().filter(asked).copied().collect();
        let mut tally = Self {
            claims: asked.len(),
            lost: asked.iter().filter(|m| !partner(m, &new)).count(),
            new: new.iter().filter(|m| !partner(m, &old)).count(),
            ..Self::default()
        };
        for mode in &old {
            let apart = |m: &Mode| (m.omega_per_s - mode.omega_per_s).abs();
            let Some(other) = new.iter().min_by(|a, b| apart(a).total_cmp(&apart(b))) else { continue };
            if !partner(mode, &[*other]) {
                continue;
            }
            tally.values += 2;
            let omega = apart(other) < change.allows(mode.omega_sd_per_s, other.omega_sd_per_s);
            let moved = (other.decay_per_s - mode.decay_per_s).abs();
            let decay = moved < change.allows(mode.decay_sd_per_s, other.decay_sd_per_s);
            tally.held += usize::from(omega) + usize::from(decay);
            if !(omega && decay) {
                println!(
                    "    {change:?} {:.2} Hz: {:+.2} and {:+.2} sd",
                    hertz(mode),
                    (other.omega_per_s - mode.omega_per_s) / mode.omega_sd_per_s,
                    (other.decay_per_s - mode.decay_per_s) / mode.decay_sd_per_s
                );
            }
        }
        for mode in asked.iter().filter(|m| !partner(m, &new)) {
            println!("    {change:?} lost {:.2} Hz", mode.omega_per_s / TAU);
        }
        tally
    }

    fn add(&mut self, other: Tally) {
        self.claims += other.claims;
        self.lost += other.lost;
        self.new += other.new;
        self.values += other.values;
        self.held += other.held;
    }
}

/// Sessions of measured rooms and of finite-element ones.
fn sessions() -> Vec<(&'static str, Vec<LowRecord>)> {
    let mut all = Vec::new();
    for (name, room, state) in [
        ("L-room", "fem_l_room", "untreated"),
        ("L-room, panel", "fem_l_room", "treated"),
        ("damped box", "fem_box_uneven", "as_found"),
    ] {
        all.extend(known(room, state).map(|known| (name, known.lows)));
    }
    for (name, state) in [("lab, closed", "panels_closed"), ("lab, 75", "panels_75")] {
        let lows = |folder: std::path::PathBuf| {
            waves(&folder.join(state)).iter().map(|file| low_record(std::slice::from_ref(file))).collect()
        };
        all.extend(folder("r3vival_lab").map(|folder| (name, lows(folder))));
    }
    all.extend(arni("50", &[1, 2, 3, 4, 5]).map(|low| ("Arni, live", vec![low])));
    all.extend(arni("2", &[1, 2, 3, 4, 5]).map(|low| ("Arni, dry", vec![low])));
    all.extend(single("but_room112").map(|low| ("hotel", vec![low])));
    all.extend(single("openair_genesis6_live_room").map(|low| ("studio", vec![low])));
    all
}

/// At most a tenth of the claims may be lost or new, at every gain: a gain changes nothing but how sums are rounded, which must
/// not decide. As found 78 of 896 claims are, most of them where the limit of single modes moves and in more noise; 99 % of
/// the values stay within what is allowed.
#[test]
#[ignore = "slow"]
fn claims_stand_when_records_change() {
    for gain in [1.0, 0.7, 3.0] {
        let mut sessions = sessions();
        let lows = sessions.iter_mut().flat_map(|(_, lows)| lows);
        lows.for_each(|low| low.samples.iter_mut().for_each(|s| *s *= gain));
        println!("gain {gain}");
        let whole = changed(&sessions);
        assert!((whole.lost + whole.new) * 10 <= whole.claims, "{whole:?}");
        assert!(whole.held * 100 >= whole.values * 95, "{whole:?}");
    }
}

/// What all changes of all sessions do.
fn changed(sessions: &[(&'static str, Vec<LowRecord>)]) -> Tally {
    let before: Vec<ModeSet> = sessions.par_iter().map(|(_, lows)| fit_lows(lows, 0.0, true)).collect();
    println!("| change | claims | lost | new | values | within |\n| --- | --- | --- | --- | --- | --- |");
    let mut whole = Tally::default();
    for change in ALL {
        let mut sum = Tally::default();
        let each: Vec<Tally> = sessions
            .par_iter()
            .zip(&before)
            .map(|((_, lows), before)| Tally::of(change, before, &change.fit(lows)))
            .collect();
        each.iter().for_each(|tally| sum.add(*tally));
        println!(
            "| {change:?} | {} | {} | {} | {} | {} |",
            sum.claims, sum.lost, sum.new, sum.values, sum.held
        );
        whole.add(sum);
    }
    println!("{whole:?}");
    whole
}
