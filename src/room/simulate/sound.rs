//! Samples: the modal sum, what comes above the modes, and a background.

use super::noise::Gauss;
use crate::oscillation::{self, Oscillation};
use biquad::{Biquad, Coefficients, DirectForm2Transposed, ToHertz, Type};
use rustfft::num_complex::Complex64;

/// Adds `Σ 2 Re(A exp(s (t − start)))` for all t from `start_s` on.
///
/// `modes`: poles s and residues A. Exact but for rounding (relative 1e-16 a sample, from the
/// recursion), and for what has fallen 140 dB below its own start, under the last bit of any file.
pub fn add_modes(samples: &mut [f64], rate_hz: f64, start_s: f64, modes: &[(Complex64, Complex64)]) {
    let first = (start_s * rate_hz).ceil().max(0.0) as usize;
    let late_s = first as f64 / rate_hz - start_s;
    let Some(samples) = samples.get_mut(first..) else { return };
    // Those of one pass end together.
    for group in modes.chunks(oscillation::TOGETHER) {
        let of = |(s, residue): &(Complex64, Complex64)| Oscillation {
            first: 2.0 * residue * (s * late_s).exp(),
            turn: (s / rate_hz).exp(),
        };
        let slowest = group.iter().fold(f64::INFINITY, |slowest, (s, _)| slowest.min(-s.re));
        let lasting = if slowest > 0.0 { (16.2 / slowest * rate_hz).ceil() as usize } else { usize::MAX };
        let lasting = lasting.min(samples.len());
        oscillation::add(&mut samples[..lasting], &group.iter().map(of).collect::<Vec<_>>());
    }
}

/// What a room does above its modes: the direct sound and a diffuse decay, behind a high-pass that
/// leaves the modes alone.
#[derive(Debug, Clone, PartialEq)]
pub struct Upper {
    /// Corner of the high-pass (Butterworth, order 12), hertz: 1.7 times under it 55 dB are gone.
    pub from_hz: f64,
    /// Octave mid-band frequency in hertz and decay time in seconds, rising.
    pub t60_s: Vec<(f64, f64)>,
    /// Factor on the response, that of the modal sum.
    pub gain: f64,
    /// Seed of the echoes: one number, one set of echoes.
    pub seed: u64,
}

/// Where source and microphone are, as far as the upper part needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Path {
    /// From source to microphone, metres.
    pub distance_m: f64,
    /// Speed of sound, m/s.
    pub sound_speed_m_s: f64,
    /// Volume of the room, m³.
    pub volume_m3: f64,
}

impl Upper {
    /// Adds direct sound and diffuse decay of a pulse emitted at `start_s`.
    ///
    /// In the modal sum's unit (a mode's residue is `φφ/(2iω)`) the free field of a pulse is
    /// `V/(4π c² r)` as an area; mirror sources arrive at the rate `4πc³t²/V` (Kuttruff, *Room
    /// Acoustics*, chapter 4), which makes a noise of density `V/(4πc³)`, here from the direct
    /// sound on with the decay of each octave.
    pub fn add(&self, samples: &mut [f64], rate_hz: f64, start_s: f64, path: Path) {
        let Path { distance_m, sound_speed_m_s: c, volume_m3 } = path;
        let arrival_s = start_s + distance_m / c;
        let mut upper = vec![0.0; samples.len()];
        let first = (arrival_s * rate_hz).ceil().max(0.0) as usize;
        self.add_diffuse(
            &mut upper,
            rate_hz,
            first,
            (volume_m3 / (4.0 * std::f64::consts::PI * c.powi(3))).sqrt(),
        );
        let direct =
            self.gain * volume_m3 * rate_hz / (4.0 * std::f64::consts::PI * c * c * distance_m.max(0.05));
        add_between_samples(&mut upper, arrival_s * rate_hz, direct);
        let mut high_pass = butterworth(Type::HighPass, self.from_hz, rate_hz, 6);
        for (sample, mut value) in samples.iter_mut().zip(upper) {
            for section in &mut high_pass {
                value = section.run(value);
            }
            *sample += value;
        }
    }

    /// White noise in octaves, each with its own decay.
    fn add_diffuse(&self, samples: &mut [f64], rate_hz: f64, first: usize, density: f64) {
        let longest = self.t60_s.iter().fold(0.0f64, |longest, band| longest.max(band.1));
        // 100 dB down the decay is under the last bit that counts.
        let length = ((longest * 100.0 / 60.0 * rate_hz) as usize).min(samples.len().saturating_sub(first));
        let mut gauss = Gauss::new(self.seed);
        let sd = self.gain * density * rate_hz.sqrt();
        let white: Vec<f64> = (0..length).map(|_| sd * gauss.normal()).collect();
        for (i, &(mid_hz, t60_s)) in self.t60_s.iter().enumerate() {
            let lowest = i == 0;
            let highest = i + 1 == self.t60_s.len() || mid_hz * 1.42 > 0.45 * rate_hz;
            let mut filter = Vec::new();
            if !lowest {
                filter.extend(butterworth(Type::HighPass, mid_hz / 2f64.sqrt(), rate_hz, 2));
            }
            if !highest {
                filter.extend(butterworth(Type::LowPass, mid_hz * 2f64.sqrt(), rate_hz, 2));
            }
            let fall = (-3.0 * std::f64::consts::LN_10 / (t60_s * rate_hz)).exp();
            let mut envelope = 1.0;
            for (sample, mut value) in samples[first..].iter_mut().zip(white.iter().copied()) {
                for section in &mut filter {
                    value = section.run(value);
                }
                *sample += envelope * value;
                envelope *= fall;
            }
            if highest {
                break;
            }
        }
    }
}

/// A unit pulse between two samples, shared among its neighbours (a windowed sinc of 32 samples).
fn add_between_samples(samples: &mut [f64], at: f64, area: f64) {
    const HALF: f64 = 16.0;
    let from = (at - HALF).ceil().max(0.0) as usize;
    for (n, sample) in samples.iter_mut().enumerate().skip(from).take(2 * HALF as usize) {
        let x = n as f64 - at;
        let sinc =
            if x.abs() < 1e-9 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
        *sample += area * sinc * (0.5 * std::f64::consts::PI * x / HALF).cos().powi(2);
    }
}

/// Butterworth of order `2 × pairs` as second-order sections. An impossible corner gives no filter.
fn butterworth(kind: Type<f64>, corner_hz: f64, rate_hz: f64, pairs: u32) -> Vec<DirectForm2Transposed<f64>> {
    (0..pairs)
        .filter_map(|k| {
            let angle = std::f64::consts::PI * f64::from(2 * k + 1) / f64::from(4 * pairs);
            let q = 0.5 / angle.cos();
            Coefficients::from_params(kind, rate_hz.hz(), corner_hz.hz(), q)
                .ok()
                .map(DirectForm2Transposed::new)
        })
        .collect()
}

/// Background noise: white above the knee, rising by 6 dB an octave below it down to 8 Hz, as
/// ventilation and traffic make it (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Background {
    /// One-sided density far above the knee, full scale squared per hertz.
    pub floor_per_hz: f64,
    /// Where the rise begins, hertz: the density is `floor (1 + (knee/f)²)`, flat under 8 Hz.
    pub knee_hz: f64,
}

impl Background {
    /// Where the rise ends, hertz.
    const FLAT_BELOW_HZ: f64 = 8.0;

    /// Density at a frequency, full scale squared per hertz, one-sided.
    #[must_use]
    pub fn density(&self, frequency_hz: f64) -> f64 {
        let knee = self.knee_hz.powi(2) / (Self::FLAT_BELOW_HZ.powi(2) + frequency_hz.powi(2));
        self.floor_per_hz * (1.0 + knee)
    }

    /// Adds a fresh stretch of it.
    pub fn add(&self, samples: &mut [f64], rate_hz: f64, gauss: &mut Gauss) {
        let sd = (0.5 * self.floor_per_hz * rate_hz).sqrt();
        // One pole at 8 Hz; its stationary start avoids a fade-in.
        let keep = (-2.0 * std::f64::consts::PI * Self::FLAT_BELOW_HZ / rate_hz).exp();
        let feed = sd * self.knee_hz / Self::FLAT_BELOW_HZ * (1.0 - keep);
        let mut slow = feed / (1.0 - keep * keep).sqrt() * gauss.normal();
        for sample in samples {
            slow = keep * slow + feed * gauss.normal();
            *sample += slow + sd * gauss.normal();
        }
    }
}
