//! Sound that decays and holds no mode: what the fit claims there is false.
//!
//! Gaussian noise with an exponential envelope (a diffuse field as Polack 1988 models it, from memory), at 1 to 30 places:
//! white, coloured, half of it common to all places, or behind the low end of a loudspeaker; each with a floor 60 dB below
//! its start. One in seven of them by default; with `STILLROOM_CONTROLS=4` all of them, four draws each.

use crate::score::{Counts, Score, judge};
use crate::synthetic::{Draws, RATE_HZ, SPEED_M_S};
use rayon::prelude::*;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};
use stillroom::modes::{FitSettings, Kind, LN_1000, Place, Pole, fit};

#[derive(Debug, Clone, Copy)]
enum Sound {
    White,
    /// Behind a one-pole low-pass: 20 dB more at 15 than at 200 Hz.
    Coloured,
    /// Half of the energy is common to all places.
    Common,
    /// Behind a Butterworth high-pass of fourth order at a frequency, Hz: 24 dB an octave, a vented loudspeaker's.
    Edge(f64),
}

struct Control {
    places: usize,
    t60_s: f64,
    sound: Sound,
    seed: u64,
}

/// Behind the two pairs of poles of a Butterworth high-pass of fourth order, by the bilinear transform.
fn high_passed(mut samples: Vec<f64>, hz: f64) -> Vec<f64> {
    for q in [0.541_196_1, 1.306_563_0] {
        let w = (PI * hz / RATE_HZ).tan();
        let norm = 1.0 / (1.0 + w / q + w * w);
        let (a1, a2) = (2.0 * (w * w - 1.0) * norm, (1.0 - w / q + w * w) * norm);
        let (mut x, mut y) = ([0.0; 2], [0.0; 2]);
        for sample in &mut samples {
            let out = norm * (*sample - 2.0 * x[0] + x[1]) - a1 * y[0] - a2 * y[1];
            (x, y) = ([*sample, x[0]], [out, y[0]]);
            *sample = out;
        }
    }
    samples
}

impl Control {
    fn all(draws: u64) -> Vec<Control> {
        let sounds = [
            Sound::White,
            Sound::Coloured,
            Sound::Common,
            Sound::Edge(20.0),
            Sound::Edge(35.0),
            Sound::Edge(60.0),
        ];
        let mut all = Vec::new();
        for draw in 0..draws.max(1) {
            for places in [1, 3, 6, 12, 30] {
                for t60_s in [0.3, 0.8, 1.5] {
                    for sound in sounds {
                        let seed = 11 + 1000 * draw + all.len() as u64;
                        all.push(Control { places, t60_s, sound, seed });
                    }
                }
            }
        }
        // One in seven, each sound and each number of places among them.
        if draws == 0 {
            all.into_iter().enumerate().filter(|(i, _)| i % 7 == 3).map(|(_, c)| c).collect()
        } else {
            all
        }
    }

    fn noise(&self, draws: &mut Draws) -> Vec<f64> {
        let memory = if matches!(self.sound, Sound::Coloured) { 0.9 } else { 0.0 };
        let mut last = 0.0;
        let step = |_| {
            last = memory * last + draws.normal();
            last
        };
        (0..4000).map(step).collect()
    }

    /// False claims.
    fn claims(&self) -> usize {
        let mut draws = Draws::new(self.seed);
        let common = self.noise(&mut draws);
        let share = if matches!(self.sound, Sound::Common) { 0.5_f64.sqrt() } else { 0.0 };
        let record = |_| -> Vec<f64> {
            let own = self.noise(&mut draws);
            let sound = |n: usize| {
                let envelope = (-LN_1000 / self.t60_s * n as f64 / RATE_HZ).exp();
                (share * common[n] + (1.0 - share * share).sqrt() * own[n]) * envelope
            };
            let clean: Vec<f64> = (0..own.len()).map(sound).collect();
            let clean = if let Sound::Edge(hz) = self.sound { high_passed(clean, hz) } else { clean };
            clean.into_iter().map(|x| x + 1e-3 * draws.normal()).collect()
        };
        let records: Vec<Vec<f64>> = (0..self.places).map(record).collect();
        let places: Vec<Place<'_>> = records.iter().map(|r| Place::new("p", "", r, RATE_HZ, 0.0)).collect();
        fit(&places, &FitSettings::default()).modes.iter().filter(|m| m.kind == Kind::Mode).count()
    }
}

/// Three to eight modes with noise beside them that decays, alike at no two places.
struct Beside {
    places: usize,
    t60_s: f64,
    /// The noise starts so far under a mode, dB.
    under_db: f64,
    seed: u64,
}

impl Beside {
    fn all(seed: u64) -> Vec<Beside> {
        let mut all = Vec::new();
        for places in [3, 6, 12] {
            for t60_s in [0.4, 0.8, 1.5] {
                for under_db in [10.0, 25.0, 40.0] {
                    all.push(Beside { places, t60_s, under_db, seed: seed + all.len() as u64 });
                }
            }
        }
        all
    }

    /// What is found of modes at 25 to 150 Hz with T60 of 0.4 to 1.6 s.
    fn counts(&self) -> Counts {
        let mut draws = Draws::new(self.seed);
        let count = 3 + (6.0 * draws.uniform()) as usize;
        let mut pole = || Pole::new(draws.between(25.0, 150.0), draws.between(0.4, 1.6));
        let poles: Vec<Pole> = (0..count).map(|_| pole()).collect();
        let level = 10.0_f64.powf(-self.under_db / 20.0);
        let mut record = || -> Vec<f64> {
            let starts: Vec<(f64, f64)> =
                poles.iter().map(|_| (draws.normal(), draws.between(0.0, TAU))).collect();
            let modes = |t: f64| -> f64 {
                let one = |(pole, (start, phase)): (&Pole, &(f64, f64))| {
                    start * (-pole.decay_per_s * t).exp() * (pole.omega_per_s * t + phase).cos()
                };
                poles.iter().zip(&starts).map(one).sum()
            };
            let mut sample = |n: usize| {
                let t = n as f64 / RATE_HZ;
                let noise = level * draws.normal() * (-LN_1000 / self.t60_s * t).exp();
                modes(t) + noise + 3e-4 * draws.normal()
            };
            (0..4000).map(&mut sample).collect()
        };
        let records: Vec<Vec<f64>> = (0..self.places).map(|_| record()).collect();
        let places: Vec<Place<'_>> = records.iter().map(|r| Place::new("p", "", r, RATE_HZ, 0.0)).collect();
        let set = fit(&places, &FitSettings::default());
        // Every mode counts, however well the records carry it.
        let mut score = Score::default();
        judge(&mut score, &poles, &vec![(0.0, 0.0); count], &set, (15.0, 200.0), &mut Vec::new());
        score.counts
    }
}

/// Poles of noise beside modes are claimed rarely, 14 beside 143 of 149 modes; the rule was chosen on other draws
/// (docs/accuracy.md).
#[test]
#[ignore = "slow"]
fn noise_beside_modes_is_rarely_claimed() {
    let each: Vec<Counts> = Beside::all(7000).par_iter().map(Beside::counts).collect();
    let mut sum = Counts::default();
    each.iter().for_each(|counts| sum.add(counts));
    println!("{sum:?} in {} sessions", each.len());
    assert!(10 * sum.false_claims <= sum.found && 10 * sum.found >= 9 * sum.decidable);
}

/// Half a claim on average, and at most three in all but one of a hundred runs.
#[test]
#[ignore = "slow"]
fn decaying_noise_holds_no_modes() {
    let draws = std::env::var("STILLROOM_CONTROLS").ok().and_then(|n| n.parse().ok()).unwrap_or(0);
    let controls = Control::all(draws);
    let mut claims: Vec<usize> = controls.par_iter().map(Control::claims).collect();
    for (control, claims) in controls.iter().zip(&claims).filter(|(_, claims)| **claims > 0) {
        println!("{claims} at {} places, {} s, {:?}", control.places, control.t60_s, control.sound);
    }
    claims.sort_unstable();
    let (runs, all, most) =
        (claims.len(), claims.iter().sum::<usize>(), claims[claims.len() - 1 - claims.len() / 100]);
    println!("{all} false claims in {runs} runs; 99th percentile {most}");
    assert!(all * 2 <= runs && most <= 3, "{claims:?}");
}

/// A response that holds nothing but the direct sound behind the low end of a signal or loudspeaker: 80 dB down below,
/// over a raised cosine of some hertz, ringing on both sides of the direct sound (a sweep's own) or after it only.
struct LowRecord {
    hz: f64,
    width_hz: f64,
    after_only: bool,
    places: usize,
    seed: u64,
}

impl LowRecord {
    fn all() -> Vec<LowRecord> {
        let mut all = Vec::new();
        for after_only in [false, true] {
            for places in [3, 6, 12] {
                for hz in [20.0, 30.0, 40.0, 50.0, 60.0] {
                    for width_hz in [2.0, 4.0, 10.0] {
                        all.push(LowRecord {
                            hz,
                            width_hz,
                            after_only,
                            places,
                            seed: 900 + all.len() as u64,
                        });
                    }
                }
            }
        }
        all
    }

    /// The direct sound by itself, its peak `at` samples behind the start. After it only: the minimum phase of the
    /// same magnitude, by the cepstrum (Oppenheim & Schafer, Discrete-Time Signal Processing, from memory).
    fn direct(&self, at: usize, samples: usize) -> Vec<f64> {
        let len = 1usize << 15;
        let magnitude = |k: usize| {
            let hz = k.min(len - k) as f64 * RATE_HZ / len as f64;
            let part = ((hz - self.hz) / self.width_hz + 0.5).clamp(0.0, 1.0);
            let low = 1e-4 + (1.0 - 1e-4) * 0.5 * (1.0 - (PI * part).cos());
            low * (1.0 - (hz - 700.0).max(0.0) / 200.0).max(1e-4)
        };
        let mut planner = FftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        let mut response: Vec<Complex<f64>> = (0..len).map(|k| Complex::from(magnitude(k))).collect();
        if self.after_only {
            response.iter_mut().for_each(|v| *v = Complex::from(v.re.ln() / len as f64));
            inverse.process(&mut response);
            response[1..len / 2].iter_mut().for_each(|v| *v *= 2.0);
            response[len / 2 + 1..].fill(Complex::from(0.0));
            forward.process(&mut response);
            response.iter_mut().for_each(|v| *v = v.exp());
        }
        inverse.process(&mut response);
        (0..samples).map(|i| response[(i + len - at) % len].re / len as f64).collect()
    }

    /// False claims.
    fn claims(&self) -> usize {
        const LEAD: usize = 400;
        let mut draws = Draws::new(self.seed);
        let direct = self.direct(LEAD, 5200);
        let record = |_| {
            let distance_m = draws.between(1.0, 4.0);
            let delay = (distance_m / SPEED_M_S * RATE_HZ).round() as usize;
            let sound = |n: usize| n.checked_sub(delay).map_or(0.0, |n| direct[n] / distance_m);
            let samples: Vec<f64> = (0..5000).map(|n| sound(n) + 3e-4 * draws.normal()).collect();
            (samples, (LEAD + delay) as f64 / RATE_HZ)
        };
        let records: Vec<(Vec<f64>, f64)> = (0..self.places).map(record).collect();
        let emission_s = LEAD as f64 / RATE_HZ;
        let places: Vec<Place<'_>> = records
            .iter()
            .map(|(samples, onset_s)| Place::new("p", "", samples, RATE_HZ, *onset_s).emitted_at(emission_s))
            .collect();
        fit(&places, &FitSettings::default()).modes.iter().filter(|m| m.kind == Kind::Mode).count()
    }
}

/// Without the look at the direct sound 27 of 90 had claims, with it one has.
#[test]
#[ignore = "slow"]
fn the_low_end_of_the_chain_is_no_mode() {
    let claims: Vec<usize> = LowRecord::all().par_iter().map(LowRecord::claims).collect();
    let wrong = claims.iter().filter(|claims| **claims > 0).count();
    println!("{wrong} of {} low ends claimed as modes", claims.len());
    assert!(wrong <= 2, "{claims:?}");
}
