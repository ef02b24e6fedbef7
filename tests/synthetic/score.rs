//! Scores the mode fit against the truth and the Cramér–Rao bound.
#![allow(dead_code)]

use super::synthetic::{Conditions, Measured, RATE_HZ, Room, Scene, measure, scene};
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use stillroom::modes::{FitSettings, Kind, ModeSet, Place, Pole, RecordConditions, bound, fit};

/// One row of the table.
#[derive(Clone)]
pub struct Cell {
    pub label: String,
    pub room: Room,
    pub conditions: Conditions,
    pub seed: u64,
}

impl Cell {
    pub fn name(&self) -> String {
        format!("{} {}p {}", self.room.name, self.conditions.places, self.label)
    }

    /// Three rooms, 1, 3 and 8 positions, in white noise of three levels and in what else there may be
    /// (in the larger rooms with three positions only: they take longest).
    pub fn all() -> Vec<Cell> {
        let rooms = [
            Room { name: "13 m³", size_m: [2.9, 2.1, 2.2], admittance: (0.008, 0.03) },
            Room { name: "34 m³", size_m: [4.1, 3.2, 2.6], admittance: (0.006, 0.02) },
            Room { name: "66 m³", size_m: [5.6, 4.25, 2.75], admittance: (0.003, 0.012) },
        ];
        let mut cells = Vec::new();
        for (r, room) in rooms.iter().enumerate() {
            for places in [1, 3, 8] {
                let all = r == 0 || places == 3;
                for (label, conditions) in Self::conditions(places).into_iter().take(if all { 7 } else { 3 })
                {
                    let seed = 1 + cells.len() as u64;
                    cells.push(Cell { label: label.into(), room: room.clone(), conditions, seed });
                }
            }
        }
        cells
    }

    fn conditions(places: usize) -> [(&'static str, Conditions); 7] {
        let base = Conditions::plain(places, 60.0);
        [
            ("40 dB white", Conditions::plain(places, 40.0)),
            ("60 dB white", base.clone()),
            ("80 dB white", Conditions::plain(places, 80.0)),
            ("60 dB 6 dB/oct", Conditions { noise_power: 2.0, ..base.clone() }),
            ("60 dB 12 dB/oct", Conditions { noise_power: 4.0, ..base.clone() }),
            ("60 dB hum", Conditions { hum_db: Some(-30.0), ..base.clone() }),
            ("60 dB loudspeaker", Conditions { loudspeaker_hz: Some(25.0), spread_s: 0.12, ..base }),
        ]
    }

    /// Fits so many draws of the noise, the room and everything in it the same, and judges them together.
    pub fn run(&self, draws: std::ops::Range<u64>, refits: bool) -> Score {
        let scene = scene(&self.room, &self.conditions, self.seed);
        let sds = bounds(&scene, &measure(&scene, &self.conditions, self.seed * 1000));
        let drawn: Vec<(Score, Errors)> = draws
            .clone()
            .into_par_iter()
            .map(|draw| {
                let measured = measure(&scene, &self.conditions, self.seed * 1000 + draw);
                let mut settings = FitSettings::default();
                (settings.to_hz, settings.refits) = (FITTED_TO_HZ, refits);
                let set = fit(&places(&measured), &settings);
                let (mut score, mut errors) = (Score::default(), Errors::new());
                judge(&mut score, &scene.poles, &sds, &set, JUDGED_HZ, &mut errors);
                (score, errors)
            })
            .collect();
        let mut whole = Score::default();
        for (draw, (score, _)) in draws.clone().zip(&drawn) {
            let mean = score.single_decay.iter().sum::<f64>() / score.single_decay.len().max(1) as f64;
            if mean > 4.0 {
                whole.notes.push(format!("draw {draw}: T60 rms {:.1} bounds over the modes", mean.sqrt()));
            }
            whole.add(score);
        }
        // Per mode: rms over the draws that have it, over its bound.
        for (j, sd) in sds.iter().enumerate() {
            let own: Vec<(f64, f64)> =
                drawn.iter().flat_map(|(_, errors)| errors[j].iter().copied()).collect();
            if own.len() >= 2 && 2 * own.len() as u64 >= draws.end - draws.start {
                let n = own.len() as f64;
                whole.frequency.push((own.iter().map(|e| e.0 * e.0).sum::<f64>() / n).sqrt() / sd.0);
                whole.decay.push((own.iter().map(|e| e.1 * e.1).sum::<f64>() / n).sqrt() / sd.1);
                whole.notes.extend(far_off(&scene.poles[j], &own, *sd));
            }
        }
        whole
    }
}

/// A word on a mode whose rms error lies far over its bound.
fn far_off(pole: &Pole, own: &[(f64, f64)], sd: (f64, f64)) -> Option<String> {
    let rms = |of: fn(&(f64, f64)) -> f64| {
        (own.iter().map(|e| of(e).powi(2)).sum::<f64>() / own.len() as f64).sqrt()
    };
    let (omega, decay) = (rms(|e| e.0) / sd.0, rms(|e| e.1) / sd.1);
    let worst = own.iter().map(|e| (e.0 / sd.0).abs().max((e.1 / sd.1).abs())).fold(0.0, f64::max);
    (omega.max(decay) > 1.5).then(|| {
        format!(
            "far off {:.2} Hz, {:.2} s: rms {omega:.1} and {decay:.1} bounds, worst draw {worst:.1}",
            pole.frequency_hz(),
            pole.t60_s()
        )
    })
}

/// Errors (ω, δ) of each true pole, a draw each.
type Errors = Vec<Vec<(f64, f64)>>;

/// The fits go this far …
const FITTED_TO_HZ: f64 = 150.0;
/// … and are judged here.
pub const JUDGED_HZ: (f64, f64) = (20.0, 120.0);

pub fn places(measured: &Measured) -> Vec<Place<'_>> {
    measured
        .samples
        .iter()
        .enumerate()
        .map(|(m, x)| {
            Place::new(&format!("p{m}"), "s", x, RATE_HZ, measured.onset_s[m])
                .emitted_at(measured.emission_s[m])
        })
        .collect()
}

/// Cramér–Rao sds (ω, δ) of the room's poles.
pub fn bounds(scene: &Scene, measured: &Measured) -> Vec<(f64, f64)> {
    let density = |hz: f64| measured.density(hz);
    let poles: Vec<Pole> = scene.poles.iter().chain(&scene.chain).copied().collect();
    let keep: Vec<usize> = (0..poles.len()).filter(|j| poles[*j].frequency_hz() < 230.0).collect();
    let listening: Vec<RecordConditions<'_>> = measured
        .samples
        .iter()
        .zip(&measured.onset_s)
        .map(|(x, onset)| RecordConditions {
            rate_hz: RATE_HZ,
            samples: x.len() - (onset * RATE_HZ).round() as usize,
            density: &density,
        })
        .collect();
    let kept: Vec<Pole> = keep.iter().map(|j| poles[*j]).collect();
    let amplitudes: Vec<Vec<Complex<f64>>> = keep
        .iter()
        .map(|j| {
            scene.amplitudes[*j]
                .iter()
                .zip(&scene.arrival_s)
                .map(|(a, t)| a * (poles[*j].lambda() * t).exp())
                .collect()
        })
        .collect();
    let mut sds = vec![(f64::INFINITY, f64::INFINITY); scene.poles.len()];
    if let Some(covariance) = bound(&listening, &kept, &amplitudes, (5.0, 240.0)) {
        for (i, j) in keep.iter().enumerate() {
            if *j < sds.len() {
                sds[*j] = (covariance[(2 * i, 2 * i)].sqrt(), covariance[(2 * i + 1, 2 * i + 1)].sqrt());
            }
        }
    }
    sds
}

/// Counts what was found, claimed falsely and covered.
pub fn judge(
    score: &mut Score,
    truth: &[Pole],
    sds: &[(f64, f64)],
    set: &ModeSet,
    range_hz: (f64, f64),
    errors: &mut Errors,
) {
    errors.resize(truth.len(), Vec::new());
    let inside = |hz: f64| hz >= range_hz.0 && hz < range_hz.1;
    let claims: Vec<usize> = (0..set.modes.len()).filter(|i| set.modes[*i].kind == Kind::Mode).collect();
    let mut taken = vec![None; set.modes.len()];
    // Pairs in rising distance: every claim is the nearest free pole within 5 of its own sd (or a fifth of δ).
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (j, pole) in truth.iter().enumerate() {
        for i in &claims {
            let mode = &set.modes[*i];
            let apart = (mode.omega_per_s - pole.omega_per_s).hypot(mode.decay_per_s - pole.decay_per_s);
            let reach = (0.25 * pole.decay_per_s).max(4.0 * mode.omega_sd_per_s.max(mode.decay_sd_per_s));
            if apart < reach {
                pairs.push((apart, j, *i));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut found = vec![None; truth.len()];
    for (_, j, i) in pairs {
        if found[j].is_none() && taken[i].is_none() {
            found[j] = Some(i);
            taken[i] = Some(j);
        }
    }
    for (j, pole) in truth.iter().enumerate() {
        let well = sds[j].1 < 0.1 * pole.decay_per_s && inside(pole.frequency_hz());
        if !well {
            continue;
        }
        score.counts.decidable += 1;
        let Some(i) = found[j] else {
            score.notes.push(format!(
                "missed {:.2} Hz, {:.2} s, bound {:.1} %",
                pole.frequency_hz(),
                pole.t60_s(),
                100.0 * sds[j].1 / pole.decay_per_s
            ));
            continue;
        };
        let mode = &set.modes[i];
        let (dw, dd) = (mode.omega_per_s - pole.omega_per_s, mode.decay_per_s - pole.decay_per_s);
        score.counts.found += 1;
        score.counts.held_frequency += u32::from(dw.abs() < 1.96 * mode.omega_sd_per_s);
        score.counts.held_decay += u32::from(dd.abs() < 1.96 * mode.decay_sd_per_s);
        score.widths.push(mode.decay_sd_per_s / sds[j].1);
        score.single_frequency.push((dw / sds[j].0).powi(2));
        score.single_decay.push((dd / sds[j].1).powi(2));
        errors[j].push((dw, dd));
    }
    for i in claims {
        let mode = &set.modes[i];
        if inside(mode.omega_per_s / (2.0 * PI)) {
            score.counts.claims += 1;
            score.counts.false_claims += u32::from(taken[i].is_none());
            if taken[i].is_none() {
                score.notes.push(format!(
                    "false {:.2} Hz, {:.2} s ± {:.1} %",
                    mode.omega_per_s / (2.0 * PI),
                    6.9078 / mode.decay_per_s,
                    100.0 * mode.decay_sd_per_s / mode.decay_per_s
                ));
            }
        }
    }
}

/// How many modes, claims, and claims whose interval holds.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
pub struct Counts {
    /// Modes whose bound on T60 is under 10 %.
    pub decidable: u32,
    /// Those of them that are claimed.
    pub found: u32,
    pub claims: u32,
    /// Claims that are no pole of the room.
    pub false_claims: u32,
    /// Of those found: the interval of the frequency holds the truth.
    pub held_frequency: u32,
    /// Of those found: the interval of T60 holds the truth.
    pub held_decay: u32,
}

impl Counts {
    pub fn add(&mut self, other: &Counts) {
        self.decidable += other.decidable;
        self.found += other.found;
        self.claims += other.claims;
        self.false_claims += other.false_claims;
        self.held_frequency += other.held_frequency;
        self.held_decay += other.held_decay;
    }

    /// Found and false claims as Markdown cells.
    pub fn cells(&self) -> String {
        format!("{} of {} | {} of {}", self.found, self.decidable, self.false_claims, self.claims)
    }

    /// Share of intervals that hold, of frequency and of T60, percent.
    pub fn held_percent(&self) -> (f64, f64) {
        let percent = |part: u32| 100.0 * f64::from(part) / f64::from(self.found.max(1));
        (percent(self.held_frequency), percent(self.held_decay))
    }
}

#[derive(Default, Clone)]
pub struct Score {
    pub counts: Counts,
    /// Claimed sd of δ over bound.
    pub widths: Vec<f64>,
    /// Squared errors over squared bounds, single draws.
    pub single_frequency: Vec<f64>,
    pub single_decay: Vec<f64>,
    /// Per mode rms error over bound.
    pub frequency: Vec<f64>,
    pub decay: Vec<f64>,
    /// What was missed or claimed falsely.
    pub notes: Vec<String>,
}

impl Score {
    pub const HEADER: &'static str = "| condition | found | false | rms/bound f: median, 90 % | rms/bound T60: median, 90 % | sd/bound T60 | 95 % holds f, T60 | time |\n| --- | --- | --- | --- | --- | --- | --- | --- |";

    pub fn add(&mut self, other: &Score) {
        self.counts.add(&other.counts);
        self.widths.extend(&other.widths);
        self.single_frequency.extend(&other.single_frequency);
        self.single_decay.extend(&other.single_decay);
        self.frequency.extend(&other.frequency);
        self.decay.extend(&other.decay);
        self.notes.extend(other.notes.iter().cloned());
    }

    pub fn row(&self, name: &str) -> String {
        let (frequency, decay) = self.counts.held_percent();
        format!(
            "| {name} | {} | {:.2}, {:.2} | {:.2}, {:.2} | {:.2} | {frequency:.1}, {decay:.1}",
            self.counts.cells(),
            quantile(&self.frequency, 0.5),
            quantile(&self.frequency, 0.9),
            quantile(&self.decay, 0.5),
            quantile(&self.decay, 0.9),
            quantile(&self.widths, 0.5),
        )
    }
}

pub fn quantile(values: &[f64], q: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        return f64::NAN;
    }
    sorted[(((sorted.len() - 1) as f64) * q).round() as usize]
}
