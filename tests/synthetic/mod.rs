//! Responses of rectangular rooms in closed form: modal sums whose poles and amplitudes are known.
//!
//! Frequencies: (c/2)·sqrt((nx/L)² + (ny/W)² + (nz/H)²). Decay constants: c/(2V) Σ ε β S over the walls
//! (Morse & Bolt 1944), β drawn wall by wall. Amplitudes: product of the cosine shapes at source and
//! microphone over ω (a source of flat volume acceleration), behind a loudspeaker's high-pass.
#![allow(dead_code, reason = "shared by tests and benches")]

use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use stillroom::modes::{LN_1000, Pole};

pub const SPEED_M_S: f64 = 343.2;
pub const RATE_HZ: f64 = 2000.0;

/// One generator a case, seeded by the case.
pub struct Draws(ChaCha8Rng);

impl Draws {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Standard normal, Box & Muller 1958.
    pub fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (2.0 * PI * v).cos()
    }
}

/// A room to simulate.
#[derive(Clone, Debug)]
pub struct Room {
    pub name: &'static str,
    pub size_m: [f64; 3],
    /// Range that wall admittances are drawn from.
    pub admittance: (f64, f64),
}

/// What stands between room and file.
#[derive(Clone, Debug)]
pub struct Conditions {
    pub places: usize,
    pub seconds: f64,
    /// Largest square of the response of the poles below 200 Hz over the noise power within 15–200 Hz.
    pub peak_to_noise_db: f64,
    /// Noise density ∝ f^−power.
    pub noise_power: f64,
    /// Amplitude of 50 Hz and harmonics in dB relative to the response's peak; none if `None`.
    pub hum_db: Option<f64>,
    /// Corner of a 4th-order Butterworth high-pass, Hz.
    pub loudspeaker_hz: Option<f64>,
    /// Starts of the files differ by up to this, s.
    pub spread_s: f64,
}

impl Conditions {
    pub fn plain(places: usize, peak_to_noise_db: f64) -> Self {
        Self {
            places,
            seconds: 3.0,
            peak_to_noise_db,
            noise_power: 0.0,
            hum_db: None,
            loudspeaker_hz: None,
            spread_s: 0.0,
        }
    }
}

/// A simulated measurement with its truth.
pub struct Measured {
    /// Poles of the room, rising.
    pub poles: Vec<Pole>,
    /// Poles of the loudspeaker.
    pub chain: Vec<Pole>,
    /// Amplitudes at the emission: pole (room's, then chain's) × place.
    pub amplitudes: Vec<Vec<Complex<f64>>>,
    /// Samples of each place.
    pub samples: Vec<Vec<f64>>,
    /// Sample 0 to emission, s.
    pub emission_s: Vec<f64>,
    /// Sample 0 to direct sound, s.
    pub onset_s: Vec<f64>,
    /// One-sided noise density at 1 Hz steps … as a scale: density(f) = scale · shape(f).
    pub noise_scale: f64,
    pub noise_power: f64,
}

impl Measured {
    pub fn density(&self, hz: f64) -> f64 {
        self.noise_scale * noise_shape(self.noise_power, hz)
    }
}

fn noise_shape(power: f64, hz: f64) -> f64 {
    (hz.max(8.0) / 50.0).powf(-power)
}

/// The fixed part: where things stand, poles, amplitudes.
pub struct Scene {
    pub poles: Vec<Pole>,
    pub chain: Vec<Pole>,
    pub amplitudes: Vec<Vec<Complex<f64>>>,
    pub arrival_s: Vec<f64>,
}

pub fn scene(room: &Room, conditions: &Conditions, seed: u64) -> Scene {
    let mut draws = Draws::new(seed);
    let [l, w, h] = room.size_m;
    let beta: Vec<f64> = (0..6).map(|_| draws.between(room.admittance.0, room.admittance.1)).collect();
    let volume = l * w * h;
    let areas = [w * h, l * h, l * w];
    let source = [0.1 + 0.3 * draws.uniform(), 0.1 + 0.3 * draws.uniform(), 0.1 + 0.4 * draws.uniform()];
    let places: Vec<[f64; 3]> = (0..conditions.places)
        .map(|_| {
            [draws.between(0.05, l - 0.05), draws.between(0.05, w - 0.05), draws.between(0.05, h - 0.05)]
        })
        .collect();
    let mut modes: Vec<(Pole, [usize; 3])> = Vec::new();
    let most = |side: f64| (2.0 * side * 330.0 / SPEED_M_S) as usize + 1;
    for nx in 0..=most(l) {
        for ny in 0..=most(w) {
            for nz in 0..=most(h) {
                let k = (nx as f64 / l).hypot(ny as f64 / w).hypot(nz as f64 / h);
                let hz = 0.5 * SPEED_M_S * k;
                if nx + ny + nz == 0 || hz > 330.0 {
                    continue;
                }
                let decay: f64 = [nx, ny, nz]
                    .iter()
                    .enumerate()
                    .map(|(axis, n)| {
                        let weight = if *n > 0 { 2.0 } else { 1.0 };
                        weight * (beta[2 * axis] + beta[2 * axis + 1]) * areas[axis]
                    })
                    .sum::<f64>()
                    * SPEED_M_S
                    / (2.0 * volume);
                let undamped = 2.0 * PI * hz;
                let omega = (undamped * undamped - decay * decay).sqrt();
                modes.push((Pole { omega_per_s: omega, decay_per_s: decay }, [nx, ny, nz]));
            }
        }
    }
    modes.sort_by(|a, b| a.0.omega_per_s.total_cmp(&b.0.omega_per_s));
    let shape = |n: &[usize; 3], at: &[f64; 3]| -> f64 {
        (0..3)
            .map(|i| {
                let scale = if n[i] > 0 { std::f64::consts::SQRT_2 } else { 1.0 };
                scale * (n[i] as f64 * PI * at[i] / room.size_m[i]).cos()
            })
            .product()
    };
    let poles: Vec<Pole> = modes.iter().map(|m| m.0).collect();
    let bare: Vec<Vec<Complex<f64>>> = modes
        .iter()
        .map(|(pole, n)| {
            let strength = shape(n, &source) / pole.omega_per_s;
            places.iter().map(|at| Complex::new(0.0, -50.0 * strength * shape(n, at))).collect()
        })
        .collect();
    let arrival_s = places
        .iter()
        .map(|at| (0..3).map(|i| (at[i] - source[i]).powi(2)).sum::<f64>().sqrt() / SPEED_M_S)
        .collect();
    let (chain, amplitudes) = match conditions.loudspeaker_hz {
        None => (Vec::new(), bare),
        Some(hz) => behind_high_pass(hz, &poles, &bare, conditions.places),
    };
    Scene { poles, chain, amplitudes, arrival_s }
}

/// Residues of room × 4th-order Butterworth high-pass.
fn behind_high_pass(
    hz: f64,
    poles: &[Pole],
    bare: &[Vec<Complex<f64>>],
    places: usize,
) -> (Vec<Pole>, Vec<Vec<Complex<f64>>>) {
    let corner = 2.0 * PI * hz;
    let upper: Vec<Complex<f64>> = [5.0, 7.0].iter().map(|k| corner * Complex::cis(k * PI / 8.0)).collect();
    let all: Vec<Complex<f64>> = upper.iter().flat_map(|p| [*p, p.conj()]).collect();
    let filter = |s: Complex<f64>| all.iter().fold(Complex::from(1.0), |v, p| v * s / (s - p));
    let mut amplitudes: Vec<Vec<Complex<f64>>> = poles
        .iter()
        .zip(bare)
        .map(|(pole, a)| a.iter().map(|a| a * filter(pole.lambda())).collect())
        .collect();
    for p in &upper {
        let rest: Complex<f64> =
            all.iter().filter(|q| (*q - p).norm() > 1e-6).fold(Complex::from(1.0), |v, q| v * (p / (p - q)));
        let own = (0..places)
            .map(|m| {
                let room: Complex<f64> = poles
                    .iter()
                    .zip(bare)
                    .map(|(pole, a)| a[m] / (p - pole.lambda()) + a[m].conj() / (p - pole.lambda().conj()))
                    .sum();
                rest * p * room
            })
            .collect();
        amplitudes.push(own);
    }
    let chain = upper.iter().map(|p| Pole { omega_per_s: p.im, decay_per_s: -p.re }).collect();
    (chain, amplitudes)
}

/// Modal sum at times from the emission.
pub fn modal_sum(poles: &[Pole], amplitudes: &[Complex<f64>], from_s: f64, samples: usize) -> Vec<f64> {
    let mut sum = vec![0.0; samples];
    for (pole, amplitude) in poles.iter().zip(amplitudes) {
        let step = (pole.lambda() / RATE_HZ).exp();
        let mut value = amplitude * (pole.lambda() * from_s).exp();
        for s in &mut sum {
            *s += 2.0 * value.re;
            value *= step;
        }
    }
    sum
}

pub fn measure(scene: &Scene, conditions: &Conditions, seed: u64) -> Measured {
    let mut draws = Draws::new(seed ^ 0x9e37_79b9_7f4a_7c15);
    let samples = (conditions.seconds * RATE_HZ) as usize;
    let all: Vec<Pole> = scene.poles.iter().chain(&scene.chain).copied().collect();
    let low = all.iter().filter(|p| p.frequency_hz() < 200.0).count().max(1);
    let mut peak: f64 = 0.0;
    let mut clean = Vec::new();
    let (mut emission_s, mut onset_s) = (Vec::new(), Vec::new());
    for m in 0..conditions.places {
        let column: Vec<Complex<f64>> = scene.amplitudes.iter().map(|a| a[m]).collect();
        let arrival = scene.arrival_s[m];
        let low_part: (Vec<Pole>, Vec<Complex<f64>>) =
            all.iter().zip(&column).filter(|(p, _)| p.frequency_hz() < 200.0).map(|(p, a)| (*p, *a)).unzip();
        assert_eq!(low_part.0.len(), low);
        peak = modal_sum(&low_part.0, &low_part.1, arrival, samples / 4)
            .iter()
            .fold(peak, |t, s| t.max(s.abs()));
        // The file begins somewhere before the direct sound; the emission need not fall on a sample.
        let lead = 60.0 + (draws.uniform() * conditions.spread_s * RATE_HZ).floor();
        let onset = lead / RATE_HZ;
        emission_s.push(onset - arrival);
        onset_s.push(onset);
        let mut x = vec![0.0; lead as usize];
        x.extend(modal_sum(&all, &column, arrival, samples));
        clean.push(x);
    }
    let power = peak * peak * 10f64.powf(-conditions.peak_to_noise_db / 10.0);
    let in_band: f64 = (15..200).map(|f| noise_shape(conditions.noise_power, f as f64 + 0.5)).sum();
    let noise_scale = power / in_band;
    for (m, x) in clean.iter_mut().enumerate() {
        add_noise(x, noise_scale, conditions.noise_power, &mut draws);
        if let Some(db) = conditions.hum_db {
            let top = peak * 10f64.powf(db / 20.0);
            for (harmonic, level) in [(1.0, 1.0), (2.0, 0.5), (3.0, 0.4)] {
                let (phase, scale) = (draws.between(0.0, 2.0 * PI), draws.between(0.3, 1.0));
                for (i, s) in x.iter_mut().enumerate() {
                    let turns = 50.02 * harmonic * i as f64 / RATE_HZ;
                    *s += top * level * scale * (2.0 * PI * turns + phase + m as f64).cos();
                }
            }
        }
    }
    Measured {
        poles: scene.poles.clone(),
        chain: scene.chain.clone(),
        amplitudes: scene.amplitudes.clone(),
        samples: clean,
        emission_s,
        onset_s,
        noise_scale,
        noise_power: conditions.noise_power,
    }
}

/// Adds Gaussian noise of one-sided density `scale` · shape, made on a longer record so that its ends don't meet.
fn add_noise(x: &mut [f64], scale: f64, power: f64, draws: &mut Draws) {
    let n = (2 * x.len()).next_power_of_two();
    let mut spectrum = vec![Complex::from(0.0); n];
    for k in 1..n / 2 {
        let hz = k as f64 * RATE_HZ / n as f64;
        let sd = (scale * noise_shape(power, hz) * RATE_HZ / n as f64).sqrt() / 2.0;
        spectrum[k] = Complex::new(draws.normal() * sd, draws.normal() * sd);
        spectrum[n - k] = spectrum[k].conj();
    }
    FftPlanner::new().plan_fft_inverse(n).process(&mut spectrum);
    for (s, v) in x.iter_mut().zip(&spectrum) {
        *s += v.re;
    }
}

pub fn t60_of(decay_per_s: f64) -> f64 {
    LN_1000 / decay_per_s
}
