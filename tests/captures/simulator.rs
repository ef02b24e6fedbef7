//! A loudspeaker, a room and a recorder in closed form: a signal goes in, what the recorder writes comes out.
//!
//! The room is a direct sound, a sum of damped modes (each an exact one-pole filter) and a diffuse tail of
//! decaying noise. A recorder whose clock runs fast by some ppm is the same system sampled at that rate: no
//! resampling stands between truth and recording.

use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use stillroom::excitation::Sweep;

/// A mode of the room.
#[derive(Debug, Clone, Copy)]
pub struct Pole {
    pub hz: f64,
    pub t60_s: f64,
    pub amplitude: f64,
}

/// Everything between the test signal and the file.
#[derive(Debug, Clone)]
pub struct Chain {
    pub rate_hz: f64,
    /// By how much the recorder's clock runs fast.
    pub ppm: f64,
    pub modes: Vec<Pole>,
    /// Travel of the direct sound, s.
    pub delay_s: f64,
    pub direct: f64,
    /// Diffuse tail: amplitude at its start and T60, s.
    pub tail: (f64, f64),
    /// Loudspeaker: second-order high-pass, and fourth-order low-pass of a subwoofer.
    pub high_pass_hz: f64,
    pub low_pass_hz: Option<f64>,
    /// Second- and third-order distortion, before the loudspeaker's filter.
    pub distortion: (f64, f64),
    /// Rms of white noise at the microphone.
    pub noise: f64,
    pub seed: u64,
}

impl Default for Chain {
    fn default() -> Self {
        Self {
            rate_hz: 8_000.0,
            ppm: 0.0,
            modes: room(),
            delay_s: 0.006,
            direct: 0.3,
            tail: (0.01, 0.35),
            high_pass_hz: 28.0,
            low_pass_hz: None,
            distortion: (0.0, 0.0),
            noise: 1e-5,
            seed: 1,
        }
    }
}

/// Eight modes of a small room.
pub fn room() -> Vec<Pole> {
    [(31.2, 1.3, 0.010), (38.9, 1.1, 0.012), (46.4, 0.9, 0.009), (55.1, 1.2, 0.011)]
        .into_iter()
        .chain([(61.7, 0.8, 0.010), (68.3, 0.9, -0.012), (74.9, 0.7, 0.011), (83.0, 0.8, -0.010)])
        .map(|(hz, t60_s, amplitude)| Pole { hz, t60_s, amplitude })
        .collect()
}

/// The room with other frequencies (within 0.8 Hz) and decays (within 15 %).
pub fn room_of(seed: u64) -> Vec<Pole> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut even = || 2.0 * (random.next_u64() as f64 / u64::MAX as f64) - 1.0;
    let moved = room().into_iter().map(|pole| Pole {
        hz: pole.hz + 0.8 * even(),
        t60_s: pole.t60_s * (1.0 + 0.15 * even()),
        ..pole
    });
    moved.collect()
}

impl Chain {
    /// The rate that the recorder really samples at.
    pub fn true_rate_hz(&self) -> f64 {
        self.rate_hz * (1.0 + 1e-6 * self.ppm)
    }

    /// What the microphone picks up of a signal sampled at [`Chain::true_rate_hz`], without noise.
    pub fn through(&self, signal: &[f64]) -> Vec<f64> {
        let (a2, a3) = self.distortion;
        let driven: Vec<f64> = signal.iter().map(|x| x + a2 * x * x + a3 * x * x * x).collect();
        let mut sound = biquad(&driven, self.high_pass_hz, self.true_rate_hz(), true);
        if let Some(hz) = self.low_pass_hz {
            sound = biquad(&biquad(&sound, hz, self.true_rate_hz(), false), hz, self.true_rate_hz(), false);
        }
        self.in_room(&sound)
    }

    fn in_room(&self, sound: &[f64]) -> Vec<f64> {
        let rate = self.true_rate_hz();
        let mut heard: Vec<f64> = sound.iter().map(|x| self.direct * x).collect();
        for mode in &self.modes {
            let step = Complex64::new(-6.907_755 / mode.t60_s / rate, TAU * mode.hz / rate).exp();
            let mut state = Complex64::new(0.0, 0.0);
            for (y, x) in heard.iter_mut().zip(sound) {
                state = state * step + x;
                *y += mode.amplitude * state.im;
            }
        }
        let tail = self.diffuse();
        if !tail.is_empty() {
            heard.iter_mut().zip(convolved(sound, &tail)).for_each(|(y, t)| *y += t);
        }
        let delay = (self.delay_s * rate).round() as usize;
        let mut late = vec![0.0; delay.min(heard.len())];
        late.extend_from_slice(&heard[..heard.len() - late.len()]);
        late
    }

    fn diffuse(&self) -> Vec<f64> {
        let (amplitude, t60_s) = self.tail;
        if amplitude <= 0.0 {
            return Vec::new();
        }
        let noise = noise(1_000 + self.seed, (1.2 * t60_s * self.true_rate_hz()) as usize);
        let fall = |n: usize| (-6.907_755 * n as f64 / self.true_rate_hz() / t60_s).exp();
        // Above the modes only: the tail's own first differences, twice.
        let mut tail: Vec<f64> = noise.enumerate().map(|(n, x)| amplitude * x * fall(n)).collect();
        for _ in 0..2 {
            let before = tail.clone();
            (1..tail.len()).for_each(|n| tail[n] = 0.5 * (before[n] - before[n - 1]));
        }
        tail
    }

    /// Adds the microphone's noise.
    pub fn noisy(&self, mut heard: Vec<f64>) -> Vec<f64> {
        heard.iter_mut().zip(noise(self.seed, usize::MAX / 2)).for_each(|(y, n)| *y += self.noise * n);
        heard
    }

    /// The recorder's two channels for a sweep: microphone and reference.
    pub fn record(&self, sweep: &Sweep) -> (Vec<f64>, Vec<f64>) {
        let played = Sweep { rate_hz: self.true_rate_hz(), ..*sweep };
        let signal = played.samples().expect("a sweep in range");
        (self.noisy(self.through(&signal)), signal)
    }

    /// The response itself, `before_s` ahead of the emission.
    pub fn truth(&self, before_s: f64, seconds: f64) -> Vec<f64> {
        let linear = Chain { distortion: (0.0, 0.0), ..self.clone() };
        let mut impulse = vec![0.0; (seconds * self.rate_hz) as usize];
        impulse[(before_s * self.rate_hz).round() as usize] = 1.0;
        linear.through(&impulse)
    }
}

/// A quick sweep for a small room at 8 kHz.
pub fn sweep() -> Sweep {
    Sweep { from_hz: 15.0, to_hz: 3_600.0, seconds: 8.0, rate_hz: 8_000.0, tail_s: 3.0, ..Sweep::default() }
}

/// Gaussian noise of unit rms, by the sum of twelve uniform numbers.
pub fn noise(seed: u64, length: usize) -> Gaussian {
    Gaussian { random: ChaCha8Rng::seed_from_u64(seed), left: length }
}

/// The samples of [`noise`].
pub struct Gaussian {
    random: ChaCha8Rng,
    left: usize,
}

impl Iterator for Gaussian {
    type Item = f64;
    fn next(&mut self) -> Option<f64> {
        self.left = self.left.checked_sub(1)?;
        let unit = 1.0 / f64::from(u32::MAX);
        let sum: f64 = (0..6)
            .map(|_| self.random.next_u64())
            .map(|w| ((w >> 32) as f64 + (w as u32) as f64) * unit)
            .sum();
        Some(sum - 6.0)
    }
}

/// Second-order Butterworth section by the bilinear transform.
fn biquad(samples: &[f64], hz: f64, rate_hz: f64, high: bool) -> Vec<f64> {
    let k = (std::f64::consts::PI * hz / rate_hz).tan();
    let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
    let (b0, b1) = if high { (norm, -2.0 * norm) } else { (k * k * norm, 2.0 * k * k * norm) };
    let (a1, a2) = (2.0 * (k * k - 1.0) * norm, (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm);
    let (mut s1, mut s2) = (0.0, 0.0);
    samples
        .iter()
        .map(|x| {
            let y = b0 * x + s1;
            s1 = b1 * x - a1 * y + s2;
            s2 = b0 * x - a2 * y;
            y
        })
        .collect()
}

fn convolved(samples: &[f64], response: &[f64]) -> Vec<f64> {
    let length = (samples.len() + response.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let lines = |input: &[f64]| {
        let mut padded = input.to_vec();
        padded.resize(length, 0.0);
        let mut lines = forward.make_output_vec();
        forward.process(&mut padded, &mut lines).expect("the plan's own lengths");
        lines
    };
    let mut product: Vec<Complex64> =
        lines(samples).iter().zip(lines(response)).map(|(a, b)| a * b).collect();
    let last = product.len() - 1;
    (product[0].im, product[last].im) = (0.0, 0.0);
    let mut out = inverse.make_output_vec();
    inverse.process(&mut product, &mut out).expect("the plan's own lengths");
    out.truncate(samples.len());
    out.iter_mut().for_each(|x| *x /= length as f64);
    out
}
